"""The cells of a field by zone: area-weighted means of whatever is known of them."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError
from vrn.model.grid import Grid
from vrn.model.surface import Surface
from vrn.nitrogen.ledger import Ledger
from vrn.prescription.economics import covering_rate
from vrn.zones.model import Zones

Array = NDArray[np.float64]
_KNOWN_SHARE = 0.5  # of a zone's ground; where less is known, the rest does not take its rate from it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """The cells of a field by zone, with their need and their weights."""

    labels: NDArray[np.int32]
    weights: Array
    need: Array
    known: NDArray[np.bool_]
    se: Array
    surfaces: dict[str, Surface]
    whole: Ledger

    @classmethod
    def of(
        cls, grid: Grid, share: Array, surfaces: dict[str, Surface], ledger: Ledger, zones: Zones, se: Array | None
    ) -> "Cells":
        """Cells from what a prescription is struck with."""
        size = grid.rows * grid.cols
        need = np.broadcast_to(np.asarray(ledger.unclipped_lb_ac, dtype=float), (size,))
        if zones.labels.shape != grid.shape or share.shape != grid.shape:
            problem = f"Zones of shape {zones.labels.shape} do not lie on a grid of {grid.shape}."
            raise OutOfRangeError(problem, "Draw the zones on the prescription's own grid.")
        return cls(
            labels=zones.labels.ravel(), weights=share.ravel(), need=need,
            known=np.isfinite(need) & (share.ravel() > 0),
            se=np.full(size, np.nan) if se is None else np.asarray(se, dtype=float).ravel(),
            surfaces=surfaces, whole=ledger,
        )  # fmt: skip

    def rows(self, zone: int | None) -> NDArray[np.intp]:
        """Cells of a zone (of the field: None) whose need is known; none where most of the zone's is unknown."""
        if zone is None:
            return np.flatnonzero(self.known)
        if self.unknown_share(zone) > 1.0 - _KNOWN_SHARE:
            return np.empty(0, dtype=np.intp)
        return np.flatnonzero(self.known & (self.labels == zone))

    def unknown_share(self, zone: int) -> float:
        """Share of a zone's treated ground whose need is unknown."""
        here = (self.labels == zone) & (self.weights > 0)
        whole = float(self.weights[here].sum())
        return float(self.weights[here & ~self.known].sum()) / whole if whole > 0 else 0.0

    def ledger(self, zone: int | None) -> Ledger:
        """Ledger of a zone (of the field: None): the mean of each line over the same cells."""
        rows = self.rows(zone)
        weights = self.weights[rows]

        def mean(values: Array) -> float:
            return float(np.average(values[rows], weights=weights)) if len(rows) else float("nan")

        return self.whole.reduce(mean, size=len(self.need))

    def mean(self, zone: int | None, values: Array | float) -> float:
        """Area-weighted mean over a zone's treated cells; NaN where nothing is known."""
        if np.ndim(values) == 0:
            return float(values)
        flat = np.asarray(values, dtype=float).ravel()
        use = np.isfinite(flat) & (self.weights > 0) & ((self.labels == zone) if zone is not None else True)
        return float(np.average(flat[use], weights=self.weights[use])) if use.any() else float("nan")

    def over(self, zone: int, values: Array | float, most: float) -> tuple[float, float]:
        """Share of a zone's treated ground where values are above ``most``, by half a unit or more, and by how much."""
        above = np.broadcast_to(np.asarray(values, dtype=float).ravel(), self.weights.shape) - most
        here = (self.labels == zone) & (self.weights > 0)
        out = here & (above >= 0.5)
        if not out.any():
            return 0.0, 0.0
        return float(self.weights[out].sum() / self.weights[here].sum()), float(above[out].max())

    def mean_of(self, zone: int, name: str) -> float:
        """Mean of a surface over a zone; NaN where there is no such surface."""
        return self.mean(zone, self.surfaces[name].values) if name in self.surfaces else float("nan")

    def covering(self, zone: int | None, share: float) -> float:
        """Rate that covers the need on a share of the zone (of the field: None), its error counted. [lb/ac]"""
        rows = self.rows(zone)
        return covering_rate(self.need[rows], self.se[rows], self.weights[rows], share=share)

    def misallocated(self, rate_by_zone: Array) -> float:
        """Area-weighted mean of |need − rate| over the cells whose need is known. [lb/ac]"""
        rows = self.rows(None)
        gap = np.abs(np.maximum(self.need[rows], 0.0) - rate_by_zone[self.labels[rows]])
        return float(np.average(gap, weights=self.weights[rows])) if len(rows) else float("nan")
