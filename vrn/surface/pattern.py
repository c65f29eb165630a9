"""Whether readings hold a pattern at all, or what scatter alone would show."""

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.model.variogram import Variogram
from vrn.surface.likelihood import Likelihood
from vrn.surface.places import corners_of, places_of, points_of
from vrn.surface.threads import one_blas_thread

# Kass & Raftery (1995): below 3 a Bayes factor is "not worth more than a bare mention"
LEAST_EVIDENCE: Final = math.log(3.0)

_FEWEST, _MOST = 5, 144  # places; of more the means of so many blocks are taken
_RANGES, _SHARES = 6, 5


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
