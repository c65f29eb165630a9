"""Layers known everywhere that readings may follow, made fit for a kriging with external drift."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.findings import Finding, note


@dataclass(frozen=True, kw_only=True, eq=False)
class Drift:
    """Drift at readings and targets, centred and scaled by the readings; None where there is none."""

    at_readings: NDArray[np.float64] | None = None
    at_targets: NDArray[np.float64] | None = None

    @classmethod
    def of(
        cls,
        points: NDArray[np.float64],
        drift: ArrayLike | None,
        targets: NDArray[np.float64],
        target_drift: ArrayLike | None,
        known: NDArray[np.bool_],
        findings: list[Finding],
    ) -> "Drift":
        """Check the layers, and leave out those that are the same, or unknown, at the readings."""
        if drift is None and target_drift is None:
            return cls()
        if drift is None or target_drift is None:
            problem = "A drift needs its layers at the readings and at the targets, and one of them is missing."
            raise OutOfRangeError(problem, "Give both drift and target_drift.")
        here, there = np.asarray(drift, dtype=float), np.asarray(target_drift, dtype=float)
        here, there = here.reshape(len(here), -1), there.reshape(len(there), -1)
        if len(here) != len(points) or len(there) != len(targets) or here.shape[1] != there.shape[1]:
            problem = f"The drift is {here.shape} and {there.shape} for {len(points)} readings, {len(targets)} targets."
            raise OutOfRangeError(problem, "Give one row for each reading and target, and the same layers to both.")
        here = here[known]
        varied = (
            np.isfinite(here).all(axis=0) & (np.ptp(here, axis=0) > 0) if len(here) else np.zeros(here.shape[1], bool)
        )
        if not varied.all():
            out = int((~varied).sum())
            findings.append(note("surface.layers-not-followed", "surface", out=out, layers=len(varied)))
        here, there = here[:, varied], there[:, varied]
        center, spread = here.mean(axis=0), here.std(axis=0)
        there = np.clip(there, here.min(axis=0), here.max(axis=0))
        here, there = (here - center) / spread, (there - center) / spread
        if not here.shape[1] or np.linalg.matrix_rank(here, tol=1e-6 * len(here) ** 0.5) < here.shape[1]:
            return cls()
        return cls(at_readings=here, at_targets=np.nan_to_num(there))
