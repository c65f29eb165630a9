"""The user's own need and own surfaces: brought onto the field's grid, and kept under the user's name."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vrn.errors import CrsMismatchError, OutOfRangeError
from vrn.model.grid import Grid
from vrn.model.surface import Surface
from vrn.nitrogen.ledger import OWN_NEED, Ledger, Line

NEED: Final = "need_lb_ac"
# surfaces the need is worked out from → least and greatest value a field can have
_LIMITS: Final = {
    "nitrate_ppm": (0.0, 5000.0), "deep_nitrate_ppm": (0.0, 5000.0), "organic_matter_pct": (0.0, 100.0),
    "yield_goal_bu_ac": (0.0, 600.0), "applied_n_lb_ac": (0.0, 1000.0), NEED: (-2000.0, 2000.0),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OwnNeed:
    """A need of all cells that was brought along: as a ledger, and as a surface with what is known of its error."""

    ledger: Ledger
    surface: Surface


def own_surfaces(
    given: Mapping[str, Any], grid: Grid, share: NDArray[np.float64], *, source: str, deep_sampled: bool
) -> dict[str, Surface]:
    """
    Surfaces of the user's own, checked.

    By name with unit, on the grid. A deep nitrate needs samples of a second depth, which say where it lies. Raises
    OutOfRangeError if a name, a shape or a value cannot be used, or all treated ground is unknown. Raises
    CrsMismatchError if one is in another coordinate system.
    """
    for name in given:
        if name not in _LIMITS or name == NEED:
            problem = f'surfaces: the need is not worked out from "{name}".'
            raise OutOfRangeError(problem, f"Give one of {', '.join(key for key in _LIMITS if key != NEED)}.")
    if "deep_nitrate_ppm" in given and not deep_sampled:
        problem = "surfaces: deep_nitrate_ppm is given, and no sample says from which depth to which."
        raise OutOfRangeError(problem, "Give the samples of that depth too, or leave the surface out.")
    return {name: _on_grid(values, grid, share, name=name, source=source) for name, values in given.items()}


def own_need(given: Any, grid: Grid, share: NDArray[np.float64], *, source: str) -> OwnNeed:
    """
    The user's own need of every cell.

    Below 0 where the soil holds more than enough, NaN where unknown [lb/ac]. A `Ledger` of all cells keeps its lines,
    and its method's name only where that method worked it out. Raises OutOfRangeError, CrsMismatchError as
    `own_surfaces` does.
    """
    if isinstance(given, Ledger):
        cells = grid.rows * grid.cols
        for line in given.lines:
            if np.size(line.lb_ac) not in (1, cells):
                problem = f"need: the line {line.label} has {np.size(line.lb_ac):,} values, the grid {cells:,} cells."
                raise OutOfRangeError(problem, "Work it out for all cells of vrn.grid_of(field), row by row.")
        lines = tuple(replace(line, lb_ac=_flat(line.lb_ac)) for line in given.lines)
        ledger = replace(given, lines=lines) if given.published else replace(
            given, lines=lines, method=OWN_NEED, source=given.source or source
        )  # fmt: skip
        chosen = ledger.method if ledger.published else ledger.source
        surface = _on_grid(grid.in_rows(ledger.unclipped_lb_ac), grid, share, name=NEED, source=chosen)
        return OwnNeed(ledger=ledger, surface=surface)
    surface = _on_grid(given, grid, share, name=NEED, source=source)
    line = Line(label="Your own need", lb_ac=surface.values.ravel(), basis="as given", source=source, key="own_need")
    return OwnNeed(ledger=Ledger(lines=(line,), method=OWN_NEED, source=source), surface=surface)


def _flat(value: Any) -> Any:
    return np.asarray(value, dtype=float).reshape(-1) if np.size(value) > 1 else float(np.asarray(value).item())


def _on_grid(given: Any, grid: Grid, share: NDArray[np.float64], *, name: str, source: str) -> Surface:
    """A surface, an array of xarray, a plain array or a number as a surface of this grid."""
    if isinstance(given, Surface):
        _same_ground(given.grid.crs, grid, name)
        if given.grid != grid:
            problem = f"{name}: it is on {given.grid}, the field on {grid}."
            raise OutOfRangeError(problem, "Work it out on vrn.grid_of(field).")
        surface = replace(given, name=name, chosen=source, choice=None, findings=())
    else:
        values = _values(given, grid, name)
        surface = Surface(name=name, grid=grid, values=np.array(grid.in_rows(values)), chosen=source)
    known = surface.values[(share > 0) & ~np.isnan(surface.values)]
    if not known.size:
        problem = f"{name}: it is unknown on all of the treated ground."
        raise OutOfRangeError(problem, "Give values there; NaN stays unknown.")
    least, most = _LIMITS[name]
    if known.min() < least or known.max() > most:
        problem = f"{name}: it runs from {known.min():g} to {known.max():g}."
        raise OutOfRangeError(problem, f"Give {least:g} to {most:g}, in the unit that ends the name.")
    return surface


def _values(given: Any, grid: Grid, name: str) -> NDArray[np.float64]:
    if hasattr(given, "reindex"):  # of xarray: by its coordinates, whatever their order
        if given.attrs.get("crs") is not None:
            _same_ground(str(given.attrs["crs"]), grid, name)
        given = given.transpose("y", "x").sortby(["y", "x"]).reindex(
            y=grid.northings_m(), x=grid.eastings_m(), method="nearest", tolerance=grid.cell_m / 2
        )  # fmt: skip
    values = np.asarray(given, dtype=float)
    if values.shape not in ((), grid.shape, (grid.rows * grid.cols,)):
        problem = f"{name}: it has shape {values.shape}, the field's grid {grid.shape}."
        raise OutOfRangeError(problem, "Give one number for each cell of vrn.grid_of(field), or one for all.")
    return values


def _same_ground(crs: str, grid: Grid, name: str) -> None:
    if crs != grid.crs:
        problem = f"{name}: it is in {crs}, the field in {grid.crs}."
        raise CrsMismatchError(problem, "Work it out on vrn.grid_of(field).")
