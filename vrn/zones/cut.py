"""Values smoothed in space, cut where least is misallocated, or put into fuzzy classes."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError
from vrn.response.payoff import Payoff, in_levels
from vrn.zones.model import FuzzyIndices

_LEVELS = 512  # finest steps a range of values is looked at in


def optimal_cuts(
    values: NDArray[np.float64], weights: NDArray[np.float64], max_count: int, *, losses: Payoff | None = None
) -> list[NDArray[np.float64]]:
    """Cut values into 1 … ``max_count`` classes, each time with the least weighted |value − mean of its class|.

    With ``losses``, with the least expected loss of the classes' best rates instead.

    `values`, `weights` (n,): finite; weights not negative. Returns at index k − 1 the k − 1 rising cuts of the best k
    classes; a value equal to a cut belongs above it. Fewer cuts where there are fewer different values.

    Dynamic programming over the sorted values (Fisher 1958), with the absolute instead of the squared deviation: a
    pound too much and a pound too little count alike. Exact for up to 512 different values; more are first put into 512
    equal steps, and the answer is exact for those.

    Source: W. D. Fisher (1958), On grouping for maximum homogeneity, J. Am. Stat. Assoc. 53:789–798.

    >>> optimal_cuts(np.array([10.0, 20.0, 90.0, 100.0]), np.ones(4), 2)[1].tolist()
    [55.0]
    """
    level, weight = in_levels(values, weights, most=_LEVELS)
    n = len(level)
    cost = _interval_costs(level, weight) if losses is None else _interval_losses(losses.table(level), weight)
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


def _interval_losses(table: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same in expected loss: of the rate that loses least on a class, by the loss of each level at each rate."""
    n = len(weight)
    sums = np.vstack([np.zeros(table.shape[1]), np.cumsum(table * weight[:, None], axis=0)])
    cost = np.full((n + 1, n + 1), np.inf)
    for i in range(n):
        cost[i, i + 1 :] = (sums[i + 1 :] - sums[i]).min(axis=1)
    return cost


def smoothed(values: NDArray[np.float64], share: NDArray[np.float64], *, sd_cells: float) -> NDArray[np.float64]:
    """Gaussian mean of the cells around each cell, weighted by how much of each cell is treated.

    `values` (rows, cols): NaN where unknown: such a cell takes no part. `share` (rows, cols): share of each cell that
    is treated, 0 … 1. `sd_cells`: standard deviation of the kernel, cut off at three of them; 0 leaves the values as
    they are. NaN where the value is unknown or the share is 0.

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


Array = NDArray[np.float64]
_TINY = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FuzzyClasses:
    """A fuzzy partition."""

    centers: Array  # shape (c, p)
    memberships: Array  # each row adds up to 1, shape (n, c)
    objective: float  # σ w u^m d², what the centres make least
    steps: int  # until nothing moved any more


def fuzzy_c_means(
    data: Array, count: int, *, exponent: float = 2.0, weights: Array | None = None, tolerance: float = 1e-9,
    most_steps: int = 1000,
) -> FuzzyClasses:  # fmt: skip
    """Fuzzy c-means from a start that is always the same.

    `data` (n, p): finite, in units that may be compared. `count`: classes, at least 1 and at most n. `exponent`:
    fuzziness m, above 1; 1.3 to 2 is usual. `weights` (n,): area of each row. `tolerance`: stops when no centre moves
    by more than this share of the data's spread. Raises OutOfRangeError if the exponent or the number of classes makes
    no sense, or data are not finite.

    Centres v = Σ w u^m x / Σ w u^m, memberships u = 1 / Σ (d / d_j)^(2 / (m − 1)). The start is the means of equal
    shares of the data along its longest axis.

    Source: J. C. Bezdek (1981), Pattern Recognition with Fuzzy Objective Function Algorithms, Plenum Press.

    Two clusters far apart; their centres come out between 6 and 8, and between 14 and 16:

    >>> ppm = np.array([6, 7, 8, 7.5, 6.5, 14, 15, 16, 15.5, 14.5])[:, None]
    >>> fuzzy_c_means(ppm, 2).centers.ravel().round(4).tolist()
    [6.9975, 15.0025]
    """
    data = np.asarray(data, dtype=float)
    if exponent <= 1 or not 1 <= count <= len(data) or not np.isfinite(data).all():
        problem = f"Fuzzy classes cannot be made of {len(data)} rows with {count} classes and exponent {exponent}."
        raise OutOfRangeError(problem, "Give finite rows, no more classes than rows, and an exponent above 1.")
    area = np.ones(len(data)) if weights is None else np.asarray(weights, dtype=float)
    centers = _start(data, area, count)
    scale = float(
        np.sqrt(np.average(np.square(data - np.average(data, axis=0, weights=area)).sum(axis=1), weights=area))
    )
    steps = 0
    while steps < most_steps:
        steps += 1
        raised = _raised(memberships_of(data, centers, exponent=exponent), exponent) * area[:, None]
        moved = (raised.T @ data) / raised.sum(axis=0)[:, None]
        shift = float(np.abs(moved - centers).max())
        centers = moved
        if shift <= tolerance * max(scale, _TINY):
            break
    memberships = memberships_of(data, centers, exponent=exponent)
    objective = float((_raised(memberships, exponent) * area[:, None] * _squared_distances(data, centers)).sum())
    return FuzzyClasses(centers=centers, memberships=memberships, objective=objective, steps=steps)


def memberships_of(data: Array, centers: Array, *, exponent: float = 2.0) -> Array:
    """Membership of each row in the class of each centre.

    `data` (n, p). `centers` (c, p). Returns (n, c): a row on a centre belongs to it alone.

    At 1 between centres 0 and 3 the distances are 1 and 2; with exponent 2 memberships go with 1/1 and 1/4:

    >>> memberships_of(np.array([[1.0]]), np.array([[0.0], [3.0]])).round(3).tolist()
    [[0.8, 0.2]]
    """
    squared = _squared_distances(data, centers)
    squared = np.maximum(squared, _TINY * max(float(squared.max(initial=0.0)), _TINY))
    nearness = (squared.min(axis=1, keepdims=True) / squared) ** (1.0 / (exponent - 1.0))
    shares: Array = nearness / nearness.sum(axis=1, keepdims=True)
    return shares


def fuzziness_index(memberships: Array, weights: Array | None = None) -> float:
    """Fuzziness performance index: 0 where every row belongs to one class, 1 where all belong to all alike.

    `memberships` (n, c).

    Source: A. B. McBratney, A. W. Moore (1985), Application of fuzzy sets to climatic classification, Agric. For.
    Meteorol. 35:165–185.

    F = (.82 + .68 + .58 + .905) / 4 = .74625

    >>> round(fuzziness_index(np.array([[.9, .1], [.8, .2], [.3, .7], [.05, .95]])), 4)
    0.5075
    """
    count = memberships.shape[1]
    if count < 2:
        return 0.0
    coefficient = float(np.average(np.square(memberships).sum(axis=1), weights=weights))
    return float(count * (1.0 - coefficient) / (count - 1.0))


def _normalised_entropy(memberships: Array, weights: Array | None = None) -> float:
    """Entropy of a partition over that of one where all belong to all alike.

    `memberships` (n, c).

    Source: McBratney and Moore (1985), as for the fuzziness index.

    >>> round(_normalised_entropy(np.array([[.9, .1], [.8, .2], [.3, .7], [.05, .95]])), 6)
    0.589653
    """
    count = memberships.shape[1]
    if count < 2:
        return 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(memberships > 0, memberships * np.log(memberships), 0.0)
    return -float(np.average(terms.sum(axis=1), weights=weights)) / math.log(count)


def indices_of(count: int, memberships: Array, area: Array) -> FuzzyIndices:
    """Both indices of one number of classes."""
    return FuzzyIndices(
        zones=count, fuzziness_index=fuzziness_index(memberships, area),
        normalised_entropy=_normalised_entropy(memberships, area),
    )  # fmt: skip


def _start(data: Array, area: Array, count: int) -> Array:
    """Means of ``count`` equal shares of the data along its longest axis."""
    middle = data - np.average(data, axis=0, weights=area)
    _, axes = np.linalg.eigh((middle * area[:, None]).T @ middle)
    axis = axes[:, -1] * np.sign(axes[np.argmax(np.abs(axes[:, -1])), -1])  # the same way round on every machine
    order = np.argsort(middle @ axis, kind="stable")
    return np.array([np.average(data[rows], axis=0, weights=area[rows]) for rows in np.array_split(order, count)])


def _squared_distances(data: Array, centers: Array) -> Array:
    squared = np.square(data[:, None, 0] - centers[None, :, 0])
    for column in range(1, data.shape[1]):
        squared = squared + np.square(data[:, None, column] - centers[None, :, column])
    return squared


def _raised(memberships: Array, exponent: float) -> Array:
    raised: Array = np.square(memberships) if exponent == 2.0 else memberships**exponent
    return raised
