"""The error of each reading, and how much of the need's error comes from the instrument, the cores and the ground."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadingError:
    """What is known of the error of each reading."""

    instrument_sd_ppm: float | None  # standard deviation of one reading of one sample
    instrument_from: Literal["given", "duplicates", "standards", "unknown"]
    instrument_count: int = 0  # samples read more than once, or readings of check standards, that it comes from
    core_cv_pct: float | None  # between cores of one place; None where nobody wrote how many cores were mixed
    cores_from: Literal["pairs", "assumed", "unknown"]
    core_pairs: int = 0  # pairs of samples close together that it comes from
    # variances, at the level of the median reading; 0 where nothing is known. [ppm²]; shape (n,)
    instrument_ppm2: NDArray[np.float64]
    composite_ppm2: NDArray[np.float64]  # shape (n,)

    @property
    def variance_ppm2(self) -> NDArray[np.float64] | None:
        """What the surface takes as ``error_variance``, shape (n,); None where it knows as much itself. [ppm²]

        The instrument's variance, and of the composites' what some have beyond the best of them: what all share is in
        the nugget, which the readings tell better than an assumption.
        """
        beyond = self.composite_ppm2 - self.composite_ppm2.min(initial=np.inf)
        if self.instrument_sd_ppm is None and not beyond.any():
            return None
        return np.asarray(self.instrument_ppm2 + beyond)


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorParts:
    """Standard error of the need of a place by cause: the squares add up to the total's."""

    instrument_lb_ac: float | None  # None where nothing is known of it; it then lies within the ground
    cores_lb_ac: float | None
    ground_lb_ac: float  # ground between samples; second foot and layers
    other_lb_ac: float
    total_lb_ac: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ErrorCauses:
    """Where the error of the need comes from."""

    field: ErrorParts  # over the whole field
    zones: dict[int, ErrorParts]  # by zone; one without a known error is left out
    error: ReadingError  # of the readings
