"""What the making of a surface rests on: what was tried, how far off it was, and what it was made from."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from vrn.model.variogram import Variogram


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """
    One way to make the surface, judged on readings left out one place at a time; a place counts once.

    Parameters
    ----------
    rmse : float
        Root mean squared error, in the unit of the values.
    mean_error : float
        Mean of estimate less reading.
    msdr : float or None
        Mean of squared error over stated variance: 1 where the stated error is right; None where none is stated.
    skill : float
        1 − mean squared error ÷ that of the plain mean; 0 or less: no better than the mean.
    """

    name: str
    rmse: float
    mean_error: float
    msdr: float | None
    skill: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HarvestLog:
    """One harvest log, cleaned."""

    source: str
    records: int
    kept: int
    removed: dict[str, int]  # records that each filter left out, by the filter's key
    delay_records: int  # records by which the yields lag behind the ground
    passes: int
    swath_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Harvest:
    """One season's harvest on the grid."""

    season: str  # the year, or the file where it does not say one
    mean_bu_ac: float  # mean over the ground reached, and how much whole passes read too high or low
    covered_share: float  # of the grid's cells
    stretches: int  # means of 5 m of a pass that were kriged
    pass_offset_sd_bu_ac: float
    variogram: Variogram
    logs: tuple[HarvestLog, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceSlice:
    """One depth of a surface averaged over depths: its share, how it was made, and what that rests on."""

    weight: float
    chosen: str
    choice: "SurfaceChoice"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FarGround:
    """Treated ground that is far from every reading."""

    mask: NDArray[np.bool_]  # cells farther than the threshold from the nearest reading, shape (rows, cols)
    threshold_ft: float
    acres: float  # far
    treated_acres: float  # of the whole treated ground
    share: float  # 0 … 1
    readings: int  # places with a reading
    # half of the ground that holds all of them, by its compass point, or its corner; empty where none does
    side: str = ""
    corner: bool = False  # whether it is a corner


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LayerGap:
    """Treated ground without a value of a layer: its cells, acres and share, and the value that was taken instead."""

    mask: NDArray[np.bool_]
    acres: float
    share: float
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceChoice:
    """What the making of a surface rests on; what does not apply is left at its default."""

    candidates: tuple[Candidate, ...] = ()  # simpler first; empty when there was nothing to compare
    # leave-one-out error of the way that was taken and of the plain mean, in the unit of the values
    loo_rmse: float | None = None
    mean_rmse: float | None = None
    variogram: Variogram | None = None  # of the kriging that was tried, taken or not
    left_out: tuple[float, ...] = ()  # each reading as the others predict it
    readings: int | None = None
    places: int | None = None
    range_m: float | None = None  # median range of the variograms that the surface rests on; None for the mean
    far: FarGround | None = None  # ground far from every reading
    gap: LayerGap | None = None  # ground where the layer has no value
    slices: tuple[SurfaceSlice, ...] = ()  # from the top, where depths were averaged
    source: str = ""  # file the layer came from
    covered_share: float | None = None  # share of the grid's cells that the layer covers
    cells_from_nearest: int = 0  # cells at the edge that took the nearest value
    areas: int = 0  # areas with a composite sample
    areas_without_reading: tuple[str, ...] = ()
    scaled_to_bu_ac: float | None = None  # yield goal that a relative layer was scaled to
    layer_mean: float | None = None  # the mean it had before
    harvests: tuple[Harvest, ...] = ()

    def scaled(self, factor: float) -> "SurfaceChoice":
        """The errors of a surface whose values are multiplied by a number."""
        size = abs(factor)
        return replace(
            self,
            candidates=tuple(
                replace(one, rmse=one.rmse * size, mean_error=one.mean_error * factor) for one in self.candidates
            ),
            loo_rmse=None if self.loo_rmse is None else self.loo_rmse * size,
            mean_rmse=None if self.mean_rmse is None else self.mean_rmse * size,
            left_out=tuple(value * factor for value in self.left_out),
        )
