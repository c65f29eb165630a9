"""Values smoothed in space, and where to cut their range so that least is misallocated."""

import numpy as np
from numpy.typing import NDArray

_LEVELS = 512  # finest steps a range of values is looked at in


def optimal_cuts(
    values: NDArray[np.float64], weights: NDArray[np.float64], max_count: int
) -> list[NDArray[np.float64]]:
    """Cut values into 1 … ``max_count`` classes, each time with the least weighted |value − mean of its class|.

    `values`, `weights` (n,): finite; weights not negative. Returns at index k − 1 the k − 1 rising cuts of the best k
    classes; a value equal to a cut belongs above it. Fewer cuts where there are fewer different values.

    Dynamic programming over the sorted values (Fisher 1958), with the absolute instead of the squared deviation: a
    pound too much and a pound too little count alike. Exact for up to 512 different values; more are first put into 512
    equal steps, and the answer is exact for those.

    Source: W. D. Fisher (1958), On grouping for maximum homogeneity, J. Am. Stat. Assoc. 53:789–798.

    >>> optimal_cuts(np.array([10.0, 20.0, 90.0, 100.0]), np.ones(4), 2)[1].tolist()
    [55.0]
    """
    level, weight = _levels(values, weights)
    n = len(level)
    cost = _interval_costs(level, weight)
    best = cost[0].copy()  # best[j]: least cost of the first j levels in k classes
    starts: list[NDArray[np.intp]] = []
    cuts = [np.empty(0)]
    for k in range(2, max_count + 1):
        if k > n:
            cuts.append(cuts[-1])
            continue
        candidates = best[:, None] + cost  # [i, j]: the last class holds the levels i … j − 1
        starts.append(np.argmin(candidates, axis=0))
        best = np.min(candidates, axis=0)
        first, j = [], n
        for step in reversed(starts):
            j = int(step[j])
            first.append(j)
        first = sorted(i for i in set(first) if 0 < i < n)
        cuts.append(np.array([(level[i - 1] + level[i]) / 2.0 for i in first]))
    return cuts


def _levels(
    values: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sorted different values and the weight at each; the weighted mean of each step when there are too many."""
    level, which = np.unique(values, return_inverse=True)
    if len(level) > _LEVELS:
        low, high = float(level[0]), float(level[-1])
        which = np.minimum(((values - low) / (high - low) * _LEVELS).astype(np.intp), _LEVELS - 1)
        weight = np.bincount(which, weights, _LEVELS).astype(float)
        total = np.bincount(which, weights * (values - low), _LEVELS)
        filled = weight > 0
        return low + total[filled] / weight[filled], weight[filled]
    weight = np.bincount(which, weights, len(level)).astype(float)
    filled = weight > 0
    return level[filled], weight[filled]


def _interval_costs(level: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Cost of a class holding levels i … j − 1 at [i, j]; infinite where it would be empty. Shape (n + 1, n + 1)."""
    n = len(level)
    sums_w = np.concatenate([[0.0], np.cumsum(weight)])
    sums_x = np.concatenate([[0.0], np.cumsum(weight * level)])
    i, j = np.triu_indices(n + 1, 1)
    mean = (sums_x[j] - sums_x[i]) / (sums_w[j] - sums_w[i])
    below = np.clip(np.searchsorted(level, mean), i, j)  # levels under the mean end here
    cost = np.full((n + 1, n + 1), np.inf)
    # deviations above the mean weigh as much as those below it
    cost[i, j] = np.maximum(2.0 * (mean * (sums_w[below] - sums_w[i]) - (sums_x[below] - sums_x[i])), 0.0)
    return cost


def smoothed(values: NDArray[np.float64], share: NDArray[np.float64], *, sd_cells: float) -> NDArray[np.float64]:
    """Gaussian mean of the cells around each cell, weighted by how much of each cell is treated.

    `values` (rows, cols): NaN where unknown: such a cell takes no part. `share` (rows, cols): share of each cell that
    is treated, 0 … 1. `sd_cells`: standard deviation of the kernel, cut off at three of them; 0 leaves the values as
    they are. [cells] Returns (rows, cols): NaN where the value is unknown or the share is 0.

    A constant stays what it is, up to the edge of the ground:

    >>> smoothed(np.full((1, 4), 120.0), np.array([[1.0, 1.0, 0.5, 0.0]]), sd_cells=2.0).round(9).tolist()
    [[120.0, 120.0, 120.0, nan]]
    """
    from scipy.ndimage import gaussian_filter

    known = np.isfinite(values) & (share > 0)
    if sd_cells > 0 and known.any():
        weight = np.where(known, share, 0.0)
        middle = float(values[known].mean())  # keeps the sums small, so that a constant comes out exact
        total = gaussian_filter(np.where(known, values - middle, 0.0) * weight, sd_cells, mode="constant", truncate=3.0)
        around = gaussian_filter(weight, sd_cells, mode="constant", truncate=3.0)
        values = middle + total / np.where(around > 0, around, np.nan)
    return np.where(known, values, np.nan)


def surroundings(
    values: NDArray[np.float64], share: NDArray[np.float64], *, inner_cells: int, outer_cells: int
) -> NDArray[np.float64]:
    """Mean of the cells in a square ring around each cell: what a neighbour would expect there.

    `values` (rows, cols): NaN where unknown: such a cell takes no part. `share` (rows, cols): share of each cell that
    is treated, 0 … 1. `inner_cells`, `outer_cells`: cells nearer than the first or farther than the second take no
    part. [cells] Returns (rows, cols): the value itself where the ring holds nothing; NaN where the value is unknown or
    the share is 0.

    Scatter from cell to cell does not show in it, structure wider than the ring does: zones drawn on scatter save
    nothing against it.

    Two cells away on either side: the first and the last see the 30 in the middle, the middle sees 1 and 5.

    >>> row = np.array([[1.0, 2.0, 30.0, 4.0, 5.0]])
    >>> surroundings(row, np.ones((1, 5)), inner_cells=2, outer_cells=2).round(9).tolist()
    [[30.0, 4.0, 3.0, 2.0, 30.0]]
    """
    from scipy.ndimage import uniform_filter

    known = np.isfinite(values) & (share > 0)
    weight = np.where(known, share, 0.0)
    weighted = np.where(known, values, 0.0) * weight

    def box(array: NDArray[np.float64], half: int) -> NDArray[np.float64]:
        # ground off the grid counts as none
        sums: NDArray[np.float64] = uniform_filter(array, 2 * half + 1, mode="constant") * (2 * half + 1) ** 2
        return sums

    inner = inner_cells - 1
    around = box(weight, outer_cells) - box(weight, inner)
    total = box(weighted, outer_cells) - box(weighted, inner)
    expected = np.where(around > 1e-6, total / np.where(around > 1e-6, around, 1.0), values)
    return np.where(known, expected, np.nan)
