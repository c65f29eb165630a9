"""Where to cut a range of values so that least is misallocated: exact optimal partition in one dimension."""

import numpy as np
from numpy.typing import NDArray

_LEVELS = 512  # finest steps a range of values is looked at in


def optimal_cuts(
    values: NDArray[np.float64], weights: NDArray[np.float64], max_count: int
) -> list[NDArray[np.float64]]:
    """
    Cut values into 1 … ``max_count`` classes, each time with the least weighted |value − mean of its class|.

    Parameters
    ----------
    values, weights : ndarray, shape (n,)
        Finite; weights not negative.
    max_count : int

    Returns
    -------
    cuts : list of ndarray
        At index k − 1 the k − 1 rising cuts of the best k classes; a value equal to a cut belongs above it.
        Fewer cuts where there are fewer different values.

    Notes
    -----
    Dynamic programming over the sorted values (Fisher 1958), with the absolute instead of the squared deviation: a
    pound too much and a pound too little count alike. Exact for up to 512 different values; more are first put into
    512 equal steps, and the answer is exact for those.

    References
    ----------
    W. D. Fisher (1958), On grouping for maximum homogeneity, J. Am. Stat. Assoc. 53:789–798.

    Examples
    --------
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
