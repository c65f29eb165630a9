"""From cells to zones: smooth, cut, tidy, choose how many, outline."""

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError
from vrn.model.grid import Grid
from vrn.zones.cut import optimal_cuts
from vrn.zones.finish import Ground, finished
from vrn.zones.fuzzy import index_row, memberships_of
from vrn.zones.model import Zones
from vrn.zones.smooth import smoothed

Array = NDArray[np.float64]
_MOST_ROWS = 5_000  # the indices need no more


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
    grid : Grid
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
    ground = Ground(
        grid=grid, share=share, treated=treated, least_patch_m2=least_patch_m2, least_width_m=least_width_m,
        tolerance_m=grid.cell_m if tolerance_m is None else tolerance_m,
        step=step, least_saving=step / 20.0 if least_saving is None else least_saving,
    )  # fmt: skip
    checked(values, ground, count, max_count)
    known = np.isfinite(values) & (share > 0)
    even = smoothed(values, share, sd_cells=smooth_m / grid.cell_m)
    cuts = optimal_cuts(even[known], share[known], max(max_count, count or 1))
    candidates = [
        _least_misallocated(values, share, _means(even[known], share[known], cut), sd_cells=smooth_m / grid.cell_m)
        for cut in cuts
    ]
    return finished(
        candidates, values=values, even=even, value_se=value_se, ground=ground, count=count, max_count=max_count,
        cost_per_unit=cost_per_unit,
        details={
            "by": "need",
            "kernel": "Gaussian, cut off at three standard deviations",
            "smooth_m": float(smooth_m),
            "indices": _indices(even[known], share[known], cuts),
        },
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


def _indices(even: Array, area: Array, cuts: list[Array]) -> list[dict[str, float]]:
    """Fuzziness index and normalised entropy of memberships about the zones' means, on an even sample of the cells."""
    every = max(1, -(-len(even) // _MOST_ROWS))
    sample, weight = even[::every], area[::every]
    rows = []
    for cut in cuts[1:]:
        means = _means(sample, weight, cut)
        if len(means) > 1:
            rows.append(index_row(len(means), memberships_of(sample[:, None], means[:, None]), weight))
    return rows


def checked(values: NDArray[np.float64], ground: Ground, count: int | None, max_count: int) -> None:
    """
    Refuse what cannot be drawn on.

    Raises
    ------
    OutOfRangeError
        If shapes or numbers make no sense, or no value on the treated ground is known.
    """
    share, shape = ground.share, ground.grid.shape
    if values.shape != shape or share.shape != shape:
        problem = f"Values of shape {values.shape} and shares of {share.shape} do not lie on a grid of {shape}."
        raise OutOfRangeError(problem, "Give one number for each cell.")
    if ground.step <= 0 or max_count < 1 or (count is not None and count < 1):
        problem = f"Zones cannot be drawn with step {ground.step}, count {count}, max_count {max_count}."
        raise OutOfRangeError(problem, "Give a step above 0 and at least one zone.")
    if not (np.isfinite(values) & (share > 0)).any():
        problem = "The need is unknown everywhere on the treated ground."
        raise OutOfRangeError(problem, "Check that the layers cover the field.")
