"""A value for every cell of the field's grid, how sure it is, and what its making rests on."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from vrn import door
from vrn.errors import MissingExtraError, OutOfRangeError
from vrn.findings import Finding
from vrn.model.grid import Grid
from vrn.model.variogram import Candidate, Variogram

if TYPE_CHECKING:
    from xarray import DataArray

_UNITS: Final = {"_lb_ac": "lb/ac", "_bu_ac": "bu/ac", "_ppm": "ppm", "_pct": "%"}


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
    years_alike: float | None = None  # mean correlation of the harvests' maps, pair by pair; None where none overlap

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


class Draws(Protocol):
    """Draws of what a surface may be, given what is known of it; the same seed gives the same draws."""

    def __call__(self, count: int, *, seed: int, step: int = 1) -> NDArray[np.float32]:
        """Shape (count, rows, cols) of the grid's blocks of ``step`` × ``step`` cells, at their middles."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surface:
    """
    One quantity on the field's grid.

    Parameters
    ----------
    name : str
        The quantity with its unit, as ``nitrate_ppm``.
    values : ndarray, shape (rows, cols)
        NaN where unknown; values stand outside the boundary too.
    se : ndarray, shape (rows, cols), or None
        Standard error in the unit of the values; None where nothing is known of it.
    predictive_se : ndarray, shape (rows, cols), or None
        Standard error of a new reading there, its own scatter included: what a sample is to be held against.
    chosen : str
        How it was made, as ``"averaged kriging"``, ``"mean"``, ``"constant"``.
    choice : SurfaceChoice or None
        What its making rests on; None where there was nothing to choose.
    findings : tuple of Finding
        What its making leaves for a person to know.
    draws : Draws or None
        Whole fields that what is known allows, for totals and all that is not linear; None where nothing is known of
        the error.
    weight : float
        How much of the pattern that was found counts in the values.
    found : ndarray, shape (rows, cols), or None
        The values before their pattern was weighted; None where it counts in full.
    """

    name: str
    grid: Grid
    values: NDArray[np.float64]
    se: NDArray[np.float64] | None = None
    predictive_se: NDArray[np.float64] | None = None
    chosen: str
    choice: SurfaceChoice | None = None
    findings: tuple[Finding, ...] = ()
    draws: Draws | None = None
    weight: float = 1.0
    found: NDArray[np.float64] | None = None

    def __post_init__(self) -> None:
        for label, array in (("values", self.values), ("se", self.se), ("predictive_se", self.predictive_se)):
            if array is not None and array.shape != self.grid.shape:
                problem = f"{self.name}: {label} have shape {array.shape}, the grid {self.grid.shape}."
                raise OutOfRangeError(problem, "Give one number for each cell.")

    def __repr__(self) -> str:
        return door.card(
            f"Surface {self.name}: {door.span(self.values)} ({self.chosen})",
            f"{self.grid.rows} × {self.grid.cols} cells of {self.grid.cell_m:g} m, {self.grid.crs}",
            "standard error: " + ("not known" if self.se is None else door.span(self.se)),
        )

    @property
    def unit(self) -> str:
        """Unit that ends the name, as it is written; empty where the name has none."""
        return next((unit for ending, unit in _UNITS.items() if self.name.endswith(ending)), "")

    @property
    def to_look_at(self) -> NDArray[np.float64]:
        """The values for a person: readings as they were found, a layer as it counts; shape (rows, cols)."""
        return self.values if self.found is None or not self.name.endswith("nitrate_ppm") else self.found

    def to_xarray(self) -> "DataArray":
        """
        The surface for xarray.

        Returns
        -------
        array : xarray.DataArray, dims (y, x), shape (rows, cols)
            Cell centres as coordinates, north first; a coordinate ``standard_error`` where it is known; attributes
            ``units``, ``crs``, ``cell_m`` and ``chosen``.

        Raises
        ------
        MissingExtraError
            If xarray is not installed.
        """
        try:
            from xarray import DataArray
        except ImportError:
            problem = "xarray is not installed, and this surface was asked for as one."
            raise MissingExtraError(problem, 'Install it: pip install "vrn[xarray]".') from None
        grid = self.grid
        coordinates: dict[str, object] = {"y": grid.northings_m(), "x": grid.eastings_m()}
        if self.se is not None:
            coordinates["standard_error"] = (("y", "x"), self.se)
        return DataArray(
            self.values, dims=("y", "x"), coords=coordinates, name=self.name,
            attrs={"units": self.unit, "crs": grid.crs, "cell_m": grid.cell_m, "chosen": self.chosen},
        )  # fmt: skip

    def scaled(self, factor: float) -> "Surface":
        """The surface times a number: values, errors and draws alike."""
        return replace(
            self, values=self.values * factor, se=None if self.se is None else self.se * abs(factor),
            predictive_se=None if self.predictive_se is None else self.predictive_se * abs(factor),
            choice=None if self.choice is None else self.choice.scaled(factor),
            draws=None if self.draws is None else _MovedDraws(draws=self.draws, factor=factor),
        )  # fmt: skip

    def weighted(self, weight: float, share: NDArray[np.float64], *, error_weight: float) -> "Surface":
        """
        The surface with only a part of its pattern, around its mean over the treated ground; unknown stays unknown.

        Parameters
        ----------
        weight : float
            Part of each cell's difference from the mean that counts; 1 returns the surface as it is.
        share : ndarray, shape (rows, cols)
            Share of each cell that is treated.
        error_weight : float
            Part of the error that stays.
        """
        known = np.isfinite(self.values) & (share > 0)
        if weight == 1.0 or not known.any():
            return self
        mean = float(np.average(self.values[known], weights=share[known]))
        values = mean + weight * (self.values - mean)
        draws = None
        if self.draws is not None:
            shift = values - error_weight * self.values
            draws = _MovedDraws(draws=self.draws, factor=error_weight, shift=shift, grid=self.grid)
        se = None if self.se is None else self.se * error_weight
        return replace(self, values=values, se=se, draws=draws, weight=weight, found=self.values)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _MovedDraws:
    """Draws times a number, and moved by a field."""

    draws: Draws
    factor: float
    shift: NDArray[np.float64] | None = None
    grid: Grid | None = None

    def __call__(self, count: int, *, seed: int, step: int = 1) -> NDArray[np.float32]:
        drawn = self.draws(count, seed=seed, step=step)
        drawn *= np.float32(self.factor)
        if self.shift is not None and self.grid is not None:
            blocks = self.grid.blocks(step)
            row, col, _ = self.grid.cells_of(blocks.centers_m())
            drawn += self.shift[row, col].astype(np.float32).reshape(blocks.shape)
        return drawn
