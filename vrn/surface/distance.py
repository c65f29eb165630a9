"""Inverse distance weighting."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.surface.kriging import matches
from vrn.surface.places import Places, in_threads, one_blas_thread, places_of, points_of

_TILE_NUMBERS = 65_536


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


def inverse_distance_left_out(places: Places, powers: tuple[float, ...]) -> NDArray[np.float64]:
    """Estimate every reading from the other places by inverse distance.

    `places`: two places or more. Returns (k, n): a row for each power; readings of one place are left out together.
    """
    value = places.merged(1.0)[0]
    unit = float(np.ptp(places.coordinates_m, axis=0).max()) or 1.0
    points = places.coordinates_m / unit
    estimate = np.empty((len(powers), len(places)))
    step = max(1, 4_000_000 // len(places))
    for start in range(0, len(places), step):
        rows = np.arange(start, min(start + step, len(places)))
        squared = _squared_distance(points, points[rows])
        squared[rows, rows - start] = np.inf
        for k, power in enumerate(powers):
            weight = squared ** (-power / 2)
            if power == 0:
                weight[rows, rows - start] = 0.0
            estimate[k, rows] = value @ weight / weight.sum(axis=0)
    return estimate[:, places.place]


def distance_weights(places: Places, targets_m: NDArray[np.float64], power: float) -> NDArray[np.float64]:
    """Weights of all places, adding up to 1 at each target.

    `targets_m` (t, 2): less the places' ``origin_m``. Returns (p, t).
    """
    unit = float(np.ptp(places.coordinates_m, axis=0).max()) or 1.0
    weights = _weights(_squared_distance(places.coordinates_m / unit, targets_m / unit), power)
    weights /= weights.sum(axis=0)
    return weights


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
