"""Zones of a field by its field file: the user's own, on need, or on layers, sized by what the machine can answer."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.model.field import Field
from vrn.model.grid import Grid
from vrn.model.layers import PolygonLayer
from vrn.model.settings import MachineSection
from vrn.nitrogen.ledger import Ledger
from vrn.prescription.economics import prices_of
from vrn.prescription.limits import rules_of
from vrn.units import AC_M2, FT_M, MPH_M_S
from vrn.zones import Zones, by_layers, draw, from_polygons

Array = NDArray[np.float64]


def zones_of(
    field: Field,
    *,
    grid: Grid,
    share: Array,
    ledger: Ledger,
    need_se: Array | None = None,
    extra: Sequence[tuple[Array, float]] = (),
) -> Zones:
    """
    Zones a field file asks for.

    Parameters
    ----------
    share : ndarray, shape (rows, cols)
        Share of each cell that is treated.
    ledger : Ledger
        Of the cells.
    need_se : ndarray, shape (rows, cols), optional
        Standard error of a cell's need. [lb/ac]
    extra : sequence of (ndarray, float)
        The user's extra layers on the grid, with their weights, for ``by = "layers"``.

    Raises
    ------
    InputFileError
        If the user's own zones are not polygons, or do not fit the field.

    Notes
    -----
    Zones are drawn on what a cell may get: its need between 0 and the cap of this pass. Above the cap no zone can do
    better than its neighbour.
    """
    settings = field.settings
    if field.zones is not None:
        if not isinstance(field.zones, PolygonLayer):
            problem = f"zones.file: {field.zones.name} does not hold polygons."
            raise InputFileError(problem, "Give a vector file of polygons with a zone number.")
        return from_polygons(field.zones, grid=grid, share=share, treated=field.treated)
    rules = rules_of(settings)
    cap = min(rules.max_n_lb_ac, rules.machine_max_n_lb_ac)
    need = grid.in_rows(ledger.unclipped_lb_ac)
    prices = prices_of(settings)
    choices = {
        "grid": grid,
        "share": share,
        "treated": field.treated,
        "least_patch_m2": least_patch_m2(settings.machine, settings.zones.least_patch_ac),
        "least_width_m": settings.machine.swath_ft * FT_M,
        "step": settings.machine.rate_step_n_lb_ac,
        "count": settings.zones.count,
        "value_se": need_se,
        "cost_per_unit": None if prices is None else prices.misallocated_per_lb,
    }
    values = np.clip(need, 0.0, cap)
    if settings.zones.by == "layers":
        columns = [grid.in_rows(line.lb_ac) for line in ledger.lines]
        return by_layers(values, columns, extra=extra, **choices)
    return draw(values, **choices)


def least_patch_m2(machine: MachineSection, least_patch_ac: float | None) -> float:
    """Smallest patch worth a rate of its own.

    `least_patch_ac`: the user's own.

    A swath of 60 ft is 18.288 m; three are 54.9 m, four changes of 2 s at 8 mph 28.6 m; about half an acre:

    >>> round(least_patch_m2(MachineSection(swath_ft=60.0, speed_mph=8.0, rate_change_s=2.0), None), 1)
    2006.7
    """
    swath_m = machine.swath_ft * FT_M
    change_m = machine.rate_change_s * machine.speed_mph * MPH_M_S
    return max(2.0 * swath_m * max(3.0 * swath_m, 4.0 * change_m), (least_patch_ac or 0.0) * AC_M2)
