"""What the others predict of each sample, by kriging or inverse distance; and whether samples hold a pattern at all."""

import math
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.model.variogram import Variogram
from vrn.surface.kriging import Kriging, Prediction, matches
from vrn.surface.likelihood import Likelihood
from vrn.surface.nearby import Nearby
from vrn.surface.places import corners_of, in_threads, one_blas_thread, places_of, points_of


@one_blas_thread
def leave_one_out(
    coordinates_m: ArrayLike, values: ArrayLike, *, variogram: Variogram, error_variance: ArrayLike | None = None,
    folds: ArrayLike | None = None, neighbors: int | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:  # fmt: skip
    """
    Estimate every sample from the others by ordinary kriging, without solving a system for each.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing of the samples. [m]
    values : array_like, shape (n,)
    variogram : Variogram
        Kept as it is while samples are left out.
    error_variance : array_like, shape (n,) or (), optional
        Known variance of each reading's error, besides the nugget.
    folds : array_like of int, shape (n,), optional
        Samples with the same number are left out together, as `blocked_folds` numbers them.
    neighbors : int, optional
        Nearest other places that each is estimated from, without folds; all when not given.

    Returns
    -------
    estimate : ndarray, shape (n,)
        NaN where nothing would be left.
    variance : ndarray, shape (n,)
        Of a reading around its estimate, its nugget and error included.

    Notes
    -----
    With Q = K⁻¹ − K⁻¹F(FᵀK⁻¹F)⁻¹FᵀK⁻¹ the error of left-out samples S is (Q_SS)⁻¹ (Qz)_S and its covariance (Q_SS)⁻¹:
    the mean is estimated anew each time. Readings of one place are left out together.

    References
    ----------
    Dubrule (1983), Cross validation of kriging in a unique neighborhood, Mathematical Geology 15, 687–699.

    Examples
    --------
    Three samples in a row; the middle one from its neighbours is their mean:

    >>> variogram = Variogram(model="exponential", partial_sill=1.0, range_m=30.0)
    >>> estimate, _ = leave_one_out([(0, 0), (10, 0), (20, 0)], [8.0, 9.5, 12.0], variogram=variogram)
    >>> float(estimate[1].round(9))
    10.0
    """
    places = places_of(coordinates_m, values, error_variance)
    if neighbors is not None:
        error = (
            np.zeros(len(places.values))
            + (0.0 if places.error_variance is None else places.error_variance)
            + variogram.nugget
        )
        near = Nearby.of(replace(places, error_variance=error), variogram.without_nugget())
        return near.left_out(np.arange(len(error)), neighbors)
    kriging = Kriging.of(places, variogram)
    fold_of_place = None
    if folds is not None:
        fold_of_place = np.empty(len(places), dtype=np.intp)
        fold_of_place[places.place] = np.asarray(folds)
    answer = left_out(kriging, fold_of_place)
    return answer.estimate, answer.variance


def left_out(kriging: Kriging, folds: NDArray[np.intp] | None = None) -> Prediction:
    """Cross-validate a system that is already factored.

    `folds` (p,): fold of each place; each place its own when not given.
    """
    places = kriging.places
    count, columns = kriging.drift.shape
    answer = Prediction(*np.full((2, count), np.nan))
    half = kriging.mean_root @ kriging.solved_drift.T
    contrast = kriging.root.T @ kriging.root - half.T @ half
    pull = contrast @ kriging.value
    own = contrast.diagonal()
    if folds is None:
        # without a lone place one column of the drift could not be estimated
        rows = np.flatnonzero((own > 1e-12 * own.max()) & (count > columns))
        answer.estimate[rows] = kriging.value[rows] - pull[rows] / own[rows]
        answer.variance[rows] = 1.0 / own[rows]
    else:
        for fold in np.unique(folds):
            rows = np.flatnonzero(folds == fold)
            if count - len(rows) < columns:
                continue
            spread = np.linalg.inv(contrast[np.ix_(rows, rows)])
            answer.estimate[rows] = kriging.value[rows] - spread @ pull[rows]
            answer.variance[rows] = spread.diagonal()
    own_error = kriging.variogram.nugget + (0.0 if places.error_variance is None else places.error_variance)
    variance = np.maximum((answer.variance - kriging.noise)[places.place] + own_error, 0.0)
    return Prediction(answer.estimate[places.place], variance)


def blocked_folds(coordinates_m: ArrayLike, *, count: int = 5) -> NDArray[np.intp]:
    """
    Number samples by compact blocks of ground, for cross-validation that does not lean on close neighbours.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing. [m]
    count : int
        Blocks.

    Returns
    -------
    folds : ndarray of int, shape (n,)
        From 0; blocks hold equal numbers of samples to within one, cut in halves across their longer side.

    Raises
    ------
    OutOfRangeError
        If fewer than two blocks are wanted.

    References
    ----------
    Roberts et al. (2017), Cross-validation strategies for data with temporal, spatial, hierarchical, or phylogenetic
    structure, Ecography 40, 913–929.

    Examples
    --------
    >>> blocked_folds([(0, 0), (90, 0), (10, 0), (100, 0)], count=2).tolist()
    [0, 1, 0, 1]
    """
    if count < 2:
        problem = f"Cross-validation in {count} block leaves nothing to learn from."
        raise OutOfRangeError(problem, "Give two blocks or more.")
    points = points_of(coordinates_m)
    folds = np.zeros(len(points), dtype=np.intp)

    def cut(rows: NDArray[np.intp], first: int, blocks: int) -> None:
        if blocks == 1 or not len(rows):
            folds[rows] = first
            return
        axis = int(np.ptp(points[rows, 1]) > np.ptp(points[rows, 0]))
        ordered = rows[np.lexsort((points[rows, 1 - axis], points[rows, axis]))]
        lower = blocks // 2
        middle = round(len(rows) * lower / blocks)
        cut(ordered[:middle], first, lower)
        cut(ordered[middle:], first + lower, blocks - lower)

    cut(np.arange(len(points)), 0, min(count, max(len(points), 1)))
    return folds


# Kass & Raftery (1995): below 3 a Bayes factor is "not worth more than a bare mention"
LEAST_EVIDENCE: Final = math.log(3.0)

_FEWEST, _MOST = 5, 144  # places; of more the means of so many blocks are taken
_RANGES, _SHARES = 6, 5
_TILE_NUMBERS = 65_536


@one_blas_thread
def pattern_evidence(coordinates_m: ArrayLike, values: ArrayLike) -> float:
    """
    How much better a pattern explains readings than scatter does.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing. [m]
    values : array_like, shape (n,)
        Unknown ones (NaN) take no part.

    Returns
    -------
    evidence : float
        Natural logarithm of the Bayes factor of pattern over scatter: above 0 for a pattern, below for scatter; 0 for
        fewer than five places, or where all values are the same. Of independent layers it adds up.

    Notes
    -----
    Both explain the normal scores of the places' means. Scatter is a pure nugget. A pattern is an exponential variogram
    of unknown range, even in its logarithm from half the spacing to the extent, and of unknown nugget, any share alike;
    its restricted likelihood is averaged over six ranges and five shares, the sill at its best. Of more than 144 places
    the means of 144 blocks stand for them: a pattern finer than that is nothing to draw zones on.

    References
    ----------
    Kass & Raftery (1995), Bayes factors, J. Am. Stat. Assoc. 90, 773–795.

    Examples
    --------
    A slope from west to east, and the same numbers in no order:

    >>> east = np.arange(12.0) * 50
    >>> line = np.column_stack([east, np.zeros(12)])
    >>> pattern_evidence(line, np.arange(12.0)) > LEAST_EVIDENCE
    True
    >>> pattern_evidence(line, [5, 0, 9, 2, 11, 4, 7, 1, 10, 3, 8, 6]) < 0
    True
    """
    from scipy.special import logsumexp

    points, numbers = points_of(coordinates_m), np.asarray(values, dtype=float)
    known = np.isfinite(numbers)
    if known.sum() < _FEWEST:
        return 0.0
    places = places_of(*_blocks(points[known], numbers[known]))
    mean = places.merged(1.0)[0]
    if len(places) < _FEWEST or not places.varied or not np.ptp(mean):
        return 0.0
    likelihood = Likelihood(
        places_of(places.coordinates_m, _normal_scores(mean)), Variogram(model="exponential", range_m=1.0)
    )
    along = (np.arange(_RANGES) + 0.5) / _RANGES
    ranges_m = (likelihood.spacing_m / 2) ** (1.0 - along) * likelihood.extent_m**along
    shares = (np.arange(_SHARES) + 0.5) / _SHARES
    of_pattern = [
        likelihood.log_likelihood(range_m, share) for range_m in ranges_m.tolist() for share in shares.tolist()
    ]
    return float(logsumexp(of_pattern)) - math.log(len(of_pattern)) - likelihood.log_likelihood(1.0, 1.0)


def _normal_scores(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Normal quantiles of the values' ranks; equal values share the middle of theirs."""
    from scipy.special import ndtri

    _, which, count = np.unique(values, return_inverse=True, return_counts=True)
    rank = np.cumsum(count) - (count - 1) / 2
    scores: NDArray[np.float64] = ndtri((rank[which] - 0.5) / len(values))
    return scores


def _blocks(
    points: NDArray[np.float64], values: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Means of places and values in square blocks, about 144 over their ground; few places as they are."""
    if len(points) <= _MOST:
        return points, values
    least, most = corners_of(points)
    wide, high = (most - least).tolist()
    size_m = max(math.sqrt(wide * high / _MOST), max(wide, high) / _MOST)
    if not size_m:
        return points, values
    col, row = ((points - least) // size_m).astype(np.intp).T
    block = np.unique(row * (int(wide // size_m) + 1) + col, return_inverse=True)[1].ravel()
    count = np.bincount(block)
    east, north, value = (np.bincount(block, column) / count for column in (*points.T, values))
    return np.column_stack([east, north]), value


@one_blas_thread
def inverse_distance(
    coordinates_m: ArrayLike, values: ArrayLike, targets_m: ArrayLike, *, power: float = 2.0,
    neighbors: int | None = None,
) -> NDArray[np.float64]:  # fmt: skip
    """
    Mean of the samples, weighted by one over their distance to a power.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing of the samples. [m]
    values : array_like, shape (n,)
        Several readings at one place count once, as their mean.
    targets_m : array_like, shape (m, 2)
        [m]
    power : float
        0 is the plain mean.
    neighbors : int, optional
        Nearest places that each target is estimated from; all when not given.

    Returns
    -------
    estimate : ndarray, shape (m,)
        At a sample the sample; NaN where the target's coordinates are unknown.

    Raises
    ------
    OutOfRangeError
        If there is no reading, a reading is unknown, or power or neighbors cannot be used.

    References
    ----------
    Shepard (1968), A two-dimensional interpolation function for irregularly-spaced data, Proc. 23rd ACM Conf., 517–524.

    Examples
    --------
    1 m from 10 and 2 m from 16 the weights are 4 to 1:

    >>> inverse_distance([(0, 0), (3, 0)], [10, 16], [(1, 0), (3, 0)]).round(9).tolist()
    [11.2, 16.0]
    """
    if not 0 <= power <= 50:
        problem = f"Inverse distance with power {power} cannot be worked out."
        raise OutOfRangeError(problem, "Give a power between 0 and 50; 2 is usual.")
    if neighbors is not None and neighbors < 1:
        problem = f"{neighbors} neighbors were asked for."
        raise OutOfRangeError(problem, "Give 1 or more, or leave it out to use all.")
    places = places_of(coordinates_m, values)
    value = places.merged(1.0)[0]
    targets = points_of(targets_m) - places.origin_m
    unit = float(np.ptp(places.coordinates_m, axis=0).max()) or 1.0
    points, sought = places.coordinates_m / unit, targets / unit
    if neighbors is not None and neighbors < len(places):
        estimate = _of_nearest(points, value, sought, power, neighbors)
    else:
        estimate = _of_all(points, value, sought, power)
    target, place = matches(targets, places.coordinates_m)
    estimate[target] = value[place]
    return estimate


def _of_all(
    points: NDArray[np.float64], value: NDArray[np.float64], targets: NDArray[np.float64], power: float
) -> NDArray[np.float64]:
    estimate = np.empty(len(targets))
    asked = np.vstack([value, np.ones(len(value))])
    step = max(64, _TILE_NUMBERS // len(value))

    def weigh(start: int) -> None:
        tile = slice(start, start + step)
        total, weights = asked @ _weights(_squared_distance(points, targets[tile]), power)
        estimate[tile] = total / weights

    in_threads(weigh, range(0, len(targets), step))
    return estimate


def _of_nearest(
    points: NDArray[np.float64], value: NDArray[np.float64], targets: NDArray[np.float64], power: float, neighbors: int
) -> NDArray[np.float64]:
    from scipy.spatial import cKDTree

    known = np.isfinite(targets).all(axis=1)
    estimate = np.full(len(targets), np.nan)
    distance, index = cKDTree(points).query(targets[known], k=[*range(1, neighbors + 1)], workers=-1)
    weight = _weights(distance * distance, power)
    estimate[known] = np.einsum("ij,ij->i", weight, value[index]) / weight.sum(axis=1)
    return estimate


def _squared_distance(points: NDArray[np.float64], targets: NDArray[np.float64]) -> NDArray[np.float64]:
    squared = np.subtract.outer(points[:, 0], targets[:, 0])
    squared *= squared
    other = np.subtract.outer(points[:, 1], targets[:, 1])
    other *= other
    squared += other
    return squared


def _weights(squared: NDArray[np.float64], power: float) -> NDArray[np.float64]:
    """Distance to the minus ``power``, written into the squared distances; no distance counts as hardly any."""
    np.maximum(squared, 1e-24, out=squared)
    if power == 2.0:
        return np.reciprocal(squared, out=squared)
    return np.power(squared, -power / 2, out=squared)
