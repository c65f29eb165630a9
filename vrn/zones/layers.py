"""Zones meant to last beyond one rate: fuzzy classes of the layers behind the need."""

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.model.grid import Grid
from vrn.zones.draw import checked
from vrn.zones.finish import Ground, finished
from vrn.zones.fuzzy import fuzzy_c_means, index_row, memberships_of
from vrn.zones.model import Zones
from vrn.zones.smooth import smoothed

Array = NDArray[np.float64]
_MOST_ROWS = 40_000  # classes are found on an even sample of the cells, then every cell goes to the nearest


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
        ``details["indices"]``: fuzziness index and normalised entropy for 2 … ``max_count`` classes.

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
    ground = Ground(
        grid=grid, share=share, treated=treated, least_patch_m2=least_patch_m2, least_width_m=least_width_m,
        tolerance_m=grid.cell_m if tolerance_m is None else tolerance_m,
        step=step, least_saving=step / 20.0 if least_saving is None else least_saving,
    )  # fmt: skip
    checked(values, ground, count, max_count)
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
    every = max(1, -(-len(data) // _MOST_ROWS))
    sample, area = data[::every], share[known][::every]
    candidates: list[NDArray[np.int32]] = []
    indices: list[dict[str, float]] = []
    for k in range(1, max(max_count, count or 1) + 1):
        labels = np.where(known, 1, 0).astype(np.int32)
        if k > 1 and len(np.unique(sample, axis=0)) >= k:
            classes = fuzzy_c_means(sample, k, exponent=exponent, weights=area, tolerance=1e-4, most_steps=200)
            labels[known] = 1 + np.argmax(memberships_of(data, classes.centers, exponent=exponent), axis=1)
            indices.append(index_row(k, classes.memberships, area))
        candidates.append(labels)
    return finished(
        candidates, values=np.where(known, values, np.nan), even=even, value_se=value_se, ground=ground, count=count,
        max_count=max_count, cost_per_unit=cost_per_unit,
        details={
            "by": "layers",
            "kernel": "Gaussian, cut off at three standard deviations",
            "smooth_m": float(smooth_m),
            "exponent": float(exponent),
            "indices": indices,
        },
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
