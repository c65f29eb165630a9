"""A value for every cell of the field's grid, and how sure it is."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Protocol

import numpy as np
from numpy.typing import NDArray

from vrn import door
from vrn.errors import MissingExtraError, OutOfRangeError
from vrn.findings import Finding
from vrn.model.grid import Grid
from vrn.model.surface_choice import SurfaceChoice

if TYPE_CHECKING:
    from xarray import DataArray

_UNITS: Final = {"_lb_ac": "lb/ac", "_bu_ac": "bu/ac", "_ppm": "ppm", "_pct": "%"}


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
        How it was made, as ``"ordinary kriging"``, ``"inverse distance"``, ``"mean"``, ``"constant"``.
    choice : SurfaceChoice or None
        What its making rests on; None where there was nothing to choose.
    findings : tuple of Finding
        What its making leaves for a person to know.
    draws : Draws or None
        Whole fields that what is known allows, for totals and all that is not linear; None where nothing is known of
        the error.
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
        coordinates: dict[str, Any] = {"y": grid.northings_m(), "x": grid.eastings_m()}
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
            draws=None if self.draws is None else _ScaledDraws(draws=self.draws, factor=factor),
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _ScaledDraws:
    draws: Draws
    factor: float

    def __call__(self, count: int, *, seed: int, step: int = 1) -> NDArray[np.float32]:
        drawn = self.draws(count, seed=seed, step=step)
        drawn *= np.float32(self.factor)
        return drawn
