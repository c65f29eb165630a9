"""The empirical variogram: half the mean squared difference of pairs, in bins of distance."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.surface.places import places_of

_MOST_IN_TILES = 4_000  # readings; above it pairs are counted by a compiled kernel (extra ``dense``)
_TILE_ROWS = 64


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EmpiricalVariogram:
    """
    Pairs of readings in bins of distance, empty bins left out.

    Parameters
    ----------
    distance_m : ndarray, shape (k,)
        Mean distance of the pairs of a bin. [m]
    semivariance : ndarray, shape (k,)
    pairs : ndarray of int, shape (k,)
    edges_m : ndarray, shape (bins + 1,)
        A bin holds the distances above its lower edge, up to and with its upper one. [m]
    """

    distance_m: NDArray[np.float64]
    semivariance: NDArray[np.float64]
    pairs: NDArray[np.intp]
    edges_m: NDArray[np.float64]


def empirical_variogram(
    coordinates_m: ArrayLike, values: ArrayLike, *, cutoff_m: float | None = None, bins: int = 15
) -> EmpiricalVariogram:
    """
    Empirical variogram of any number of readings.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing. [m]
    values : array_like, shape (n,)
    cutoff_m : float, optional
        Pairs farther apart are not counted; a third of the bounding box's diagonal when not given. [m]
    bins : int
        Bins of equal width from 0 to the cutoff.

    Returns
    -------
    empirical : EmpiricalVariogram
        Pairs at one place are not counted.

    Raises
    ------
    OutOfRangeError
        If a reading is unknown, or bins or cutoff cannot be used.
    MissingExtraError
        If there are more than 4 000 readings and the extra ``dense`` is not installed.

    References
    ----------
    Matheron (1963), Principles of geostatistics, Economic Geology 58, 1246–1266.

    Examples
    --------
    Four readings in a row, 10 m apart: at 10 m the differences are 1, 2, 1, so half the mean square is 1.

    >>> empirical = empirical_variogram([(0, 0), (10, 0), (20, 0), (30, 0)], [5, 6, 8, 7], cutoff_m=20, bins=2)
    >>> empirical.distance_m.tolist(), empirical.semivariance.tolist(), empirical.pairs.tolist()
    ([10.0, 20.0], [1.0, 2.5], [3, 2])
    """
    places = places_of(coordinates_m, values)
    points = places.coordinates_m[places.place]
    if cutoff_m is None:
        cutoff_m = float(np.hypot(*np.ptp(points, axis=0))) / 3 or 1.0
    if not (cutoff_m > 0 and np.isfinite(cutoff_m) and bins >= 1):
        problem = f"A variogram of {bins} bins up to {cutoff_m} m cannot be counted."
        raise OutOfRangeError(problem, "Give a cutoff above 0 m and at least one bin.")
    edges = np.linspace(0.0, cutoff_m, bins + 1)
    if len(points) > _MOST_IN_TILES:
        from vrn.surface.dense import count_pairs

        pairs, distance, squared = count_pairs(points, places.values, edges)
    else:
        pairs, distance, squared = _count_in_tiles(points, places.values, edges)
    some = pairs > 0
    return EmpiricalVariogram(
        distance_m=distance[some] / pairs[some],
        semivariance=squared[some] / pairs[some] / 2,
        pairs=pairs[some],
        edges_m=edges,
    )


def _count_in_tiles(
    points: NDArray[np.float64], values: NDArray[np.float64], edges: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
    """Pairs, sum of distances and sum of squared differences of each bin, some rows at a time."""
    bins = len(edges) - 1
    pairs = np.zeros(bins, dtype=np.intp)
    distances, squares = np.zeros(bins), np.zeros(bins)
    for start in range(0, len(points), _TILE_ROWS):
        rows = slice(start, start + _TILE_ROWS)
        i, j = np.triu_indices(len(points[rows]), k=1, m=len(points) - start)
        east = points[start + i, 0] - points[start + j, 0]
        north = points[start + i, 1] - points[start + j, 1]
        distance = np.sqrt(east * east + north * north)
        near = (distance > 0) & (distance <= edges[-1])
        distance = distance[near]
        difference = values[start + i[near]] - values[start + j[near]]
        bin_of = np.searchsorted(edges, distance, side="left") - 1
        pairs += np.bincount(bin_of, minlength=bins)
        distances += np.bincount(bin_of, distance, bins)
        squares += np.bincount(bin_of, difference * difference, bins)
    return pairs, distances, squares
