"""Zones drawn on the need, or by fuzzy classes of the layers behind it where they are meant to last."""

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.model.grid import Grid
from vrn.zones.cut import optimal_cuts, smoothed
from vrn.zones.finish import ZoneGround, finalize_zones
from vrn.zones.fuzzy import fuzzy_c_means, indices_of, memberships_of
from vrn.zones.model import FuzzyIndices, Zones, ZonesReport

Array = NDArray[np.float64]
_MOST_IN_INDICES = 5_000  # cells; they need no more
_MOST_IN_CLASSES = 40_000  # cells they are found on; then every cell goes to the nearest


def draw(
    values: NDArray[np.float64],
    *,
    grid: Grid,
    share: NDArray[np.float64],
    treated: shapely.Geometry,
    least_patch_m2: float,
    least_width_m: float,
    step: float,
    count: int | None = None,
    max_count: int = 8,
    value_se: NDArray[np.float64] | None = None,
    cost_per_unit: float | None = None,
    smooth_m: float | None = None,
    tolerance_m: float | None = None,
    least_saving: float | None = None,
) -> Zones:
    """
    Zones that leave the least misallocated: the value is smoothed, cut where it pays most, and tidied to be driven.

    Parameters
    ----------
    values : ndarray, shape (rows, cols)
        What a cell should get; NaN where unknown. [lb/ac]
    share : ndarray, shape (rows, cols)
        Share of each cell that is treated, 0 … 1.
    treated : shapely Polygon or MultiPolygon
        Ground to draw on, in the grid's system.
    least_patch_m2 : float
        No patch is smaller, unless it stands alone. [m²]
    least_width_m : float
        No neck is narrower, to within a cell. [m]
    step : float
        Step of the rate: zones nearer to each other than this are not told apart. [lb/ac]
    count : int, optional
        Number of zones, whatever it saves; fewer only where the values or the least patch allow no more.
    max_count : int
        Most zones tried.
    value_se : ndarray, shape (rows, cols), optional
        Standard error of the values; a saving counts only as far as it outlives that error. [lb/ac]
    cost_per_unit : float, optional
        What a misallocated pound costs. [$/lb]
    smooth_m : float, optional
        Standard deviation of the Gaussian kernel; half the least width when not given. [m]
    tolerance_m : float, optional
        Of the outlines; a cell when not given. [m]
    least_saving : float, optional
        What one more zone must save; a twentieth of the step when not given: a choice of this project. [lb/ac]

    Returns
    -------
    zones : Zones
        1 … k by rising value. Unknown ground larger than the least patch is a zone of its own, the last.

    Raises
    ------
    OutOfRangeError
        If no value on the treated ground is known, or shapes or numbers make no sense.

    Examples
    --------
    Half the field needs 80, half 140 lb/ac, and two zones leave nothing to save:

    >>> grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=200.0, cell_m=10.0, rows=20, cols=20)
    >>> need = np.where(np.arange(20) < 10, 80.0, 140.0) * np.ones((20, 1))
    >>> zones = draw(need, grid=grid, share=np.ones((20, 20)), treated=shapely.box(0, 0, 200, 200),
    ...              least_patch_m2=2000.0, least_width_m=20.0, step=5.0)
    >>> [round(outline.area) for outline in zones.outlines], zones.choice[1].misallocated_lb_ac
    ([20000, 20000], 0.0)
    """
    smooth_m = least_width_m / 2.0 if smooth_m is None else smooth_m
    ground = ZoneGround(
        grid=grid, share=share, treated=treated, least_patch_m2=least_patch_m2, least_width_m=least_width_m,
        tolerance_m=grid.cell_m if tolerance_m is None else tolerance_m,
        step=step, least_saving=step / 20.0 if least_saving is None else least_saving,
    )  # fmt: skip
    ground.check(values, count, max_count)
    known = np.isfinite(values) & (share > 0)
    even = smoothed(values, share, sd_cells=smooth_m / grid.cell_m)
    cuts = optimal_cuts(even[known], share[known], max(max_count, count or 1))
    candidates = [
        _least_misallocated(values, share, _means(even[known], share[known], cut), sd_cells=smooth_m / grid.cell_m)
        for cut in cuts
    ]
    return finalize_zones(
        candidates, values=values, even=even, value_se=value_se, ground=ground, count=count, max_count=max_count,
        cost_per_unit=cost_per_unit,
        report=ZonesReport(
            by="need", reason="asked", drawn=0, smooth_m=smooth_m, indices=_indices(even[known], share[known], cuts)
        ),
    )  # fmt: skip


def _means(even: Array, area: Array, cut: Array) -> Array:
    """Mean of each class between cuts; classes without a value left out. Shape (k,)."""
    which = np.searchsorted(cut, even, side="right")
    held = np.bincount(which, area, len(cut) + 1)
    total = np.bincount(which, area * even, len(cut) + 1)
    means: Array = total[held > 0] / held[held > 0]
    return means


def _least_misallocated(values: Array, share: Array, means: Array, *, sd_cells: float) -> NDArray[np.int32]:
    """Class of each cell: the one whose value leaves least misallocated around it; 0 where unknown."""
    best = np.full(values.shape, np.inf)
    labels = np.zeros(values.shape, dtype=np.int32)
    for number, mean in enumerate(means, start=1):
        cost = smoothed(np.abs(values - mean), share, sd_cells=sd_cells)
        better = cost < best
        labels[better] = number
        best[better] = cost[better]
    return labels


def _indices(even: Array, area: Array, cuts: list[Array]) -> tuple[FuzzyIndices, ...]:
    """Fuzziness index and normalised entropy of memberships about the zones' means, on an even sample of the cells."""
    every = max(1, -(-len(even) // _MOST_IN_INDICES))
    sample, weight = even[::every], area[::every]
    rows = []
    for cut in cuts[1:]:
        means = _means(sample, weight, cut)
        if len(means) > 1:
            rows.append(indices_of(len(means), memberships_of(sample[:, None], means[:, None]), weight))
    return tuple(rows)


def by_layers(
    values: Array,
    columns: Sequence[Array],
    *,
    grid: Grid,
    share: Array,
    treated: shapely.Geometry,
    least_patch_m2: float,
    least_width_m: float,
    step: float,
    extra: Sequence[tuple[Array, float]] = (),
    exponent: float = 1.5,
    count: int | None = None,
    max_count: int = 8,
    value_se: Array | None = None,
    cost_per_unit: float | None = None,
    smooth_m: float | None = None,
    tolerance_m: float | None = None,
    least_saving: float | None = None,
) -> Zones:
    """
    Zones by fuzzy c-means on several layers.

    Parameters
    ----------
    values : ndarray, shape (rows, cols)
        What a cell should get: for the choice of how many, and to number the zones. [lb/ac]
    columns : sequence of ndarray, shape (rows, cols)
        Layers in pounds, as the ledger's lines: they are compared pound by pound. Constant ones do not matter. [lb/ac]
    grid, share, treated, least_patch_m2, least_width_m, step, count, max_count, value_se, cost_per_unit, smooth_m, \
tolerance_m, least_saving
        As for ``draw``.
    extra : sequence of (ndarray, float)
        Layers in any unit with their weight: 1 counts as much as the columns do on average.
    exponent : float
        Fuzziness of the classes.

    Returns
    -------
    zones : Zones
        ``report.indices``: fuzziness index and normalised entropy for 2 … ``max_count`` classes.

    Raises
    ------
    OutOfRangeError
        As for ``draw``.

    Examples
    --------
    >>> grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=200.0, cell_m=10.0, rows=20, cols=20)
    >>> soil = np.where(np.arange(20) < 10, -40.0, -70.0) * np.ones((20, 1))
    >>> zones = by_layers(200.0 + soil, [soil], grid=grid, share=np.ones((20, 20)), count=2,
    ...                   treated=shapely.box(0, 0, 200, 200), least_patch_m2=2000.0, least_width_m=20.0, step=5.0)
    >>> [round(outline.area) for outline in zones.outlines]
    [20000, 20000]
    """
    smooth_m = least_width_m / 2.0 if smooth_m is None else smooth_m
    ground = ZoneGround(
        grid=grid, share=share, treated=treated, least_patch_m2=least_patch_m2, least_width_m=least_width_m,
        tolerance_m=grid.cell_m if tolerance_m is None else tolerance_m,
        step=step, least_saving=step / 20.0 if least_saving is None else least_saving,
    )  # fmt: skip
    ground.check(values, count, max_count)
    layers = [*columns, *(layer for layer, _ in extra)]
    known = (share > 0) & np.isfinite(values) & np.all([np.isfinite(layer) for layer in layers], axis=0)
    even = smoothed(np.where(known, values, np.nan), share, sd_cells=smooth_m / grid.cell_m)
    data = _scaled(
        [smoothed(np.where(known, layer, np.nan), share, sd_cells=smooth_m / grid.cell_m)[known] for layer in columns],
        [
            (smoothed(np.where(known, layer, np.nan), share, sd_cells=smooth_m / grid.cell_m)[known], weight)
            for layer, weight in extra
        ],
        share[known],
    )
    every = max(1, -(-len(data) // _MOST_IN_CLASSES))
    sample, area = data[::every], share[known][::every]
    candidates: list[NDArray[np.int32]] = []
    indices: list[FuzzyIndices] = []
    for k in range(1, max(max_count, count or 1) + 1):
        labels = np.where(known, 1, 0).astype(np.int32)
        if k > 1 and len(np.unique(sample, axis=0)) >= k:
            classes = fuzzy_c_means(sample, k, exponent=exponent, weights=area, tolerance=1e-4, most_steps=200)
            labels[known] = 1 + np.argmax(memberships_of(data, classes.centers, exponent=exponent), axis=1)
            indices.append(indices_of(k, classes.memberships, area))
        candidates.append(labels)
    return finalize_zones(
        candidates, values=np.where(known, values, np.nan), even=even, value_se=value_se, ground=ground, count=count,
        max_count=max_count, cost_per_unit=cost_per_unit,
        report=ZonesReport(
            by="layers", reason="asked", drawn=0, smooth_m=smooth_m, exponent=exponent, indices=tuple(indices)
        ),
    )  # fmt: skip


def _scaled(columns: list[Array], extra: list[tuple[Array, float]], area: Array) -> Array:
    """Columns as they are; extra layers with the columns' usual spread times their weight. Shape (n, p)."""

    def spread(values: Array) -> float:
        return float(np.sqrt(np.average((values - np.average(values, weights=area)) ** 2, weights=area)))

    spreads = [spread(column) for column in columns]
    usual = (
        float(np.sqrt(np.mean(np.square([s for s in spreads if s > 1e-9])))) if max(spreads, default=0) > 1e-9 else 1.0
    )
    kept = [column for column, s in zip(columns, spreads, strict=True) if s > 1e-9]
    for layer, weight in extra:
        own = spread(layer)
        if own > 1e-9 * max(1.0, float(np.abs(layer).max())):
            kept.append((layer - np.average(layer, weights=area)) / own * usual * weight)
    return np.column_stack(kept) if kept else np.zeros((len(area), 1))
