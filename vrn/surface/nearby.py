"""Ordinary kriging; of many places from the nearest, by tiles or on compiled loops (extra ``dense``)."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import import_module
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import MissingExtraError, OutOfRangeError
from vrn.model.variogram import Variogram
from vrn.surface.kriging import Kriging, Prediction, with_constant
from vrn.surface.places import Places, corners_of, in_threads, one_blas_thread, places_of, points_of, readings_of

_NEAREST = 40  # places a tile's cells are estimated from
_OF_ONE = 24  # places a reading left out is estimated from
MOST_AT_ONCE = 3_000  # places; above it each target is estimated from the nearest
USUAL_NEIGHBORS = 24  # places each target is estimated from where all would be too many
_NUMBERS = 4_000_000  # held at a time
SOME = 300  # places that a likelihood and the slopes of a drift come from

_Floats = NDArray[np.float64]


def some_of(count: int) -> NDArray[np.intp]:
    """As many of some places as a likelihood is worked out for, picked at random and always the same."""
    return np.sort(np.random.default_rng(0).permutation(count)[:SOME])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Nearby:
    """Kriging from the nearest places; asked like `Kriging`.

    Slopes along a drift come from 300 of the places, and what they leave is kriged.
    """

    places: Places
    variogram: Variogram
    drift: _Floats  # a constant and the layers that the values follow, at the places, shape (p, q)
    value: _Floats  # shape (p,)
    noise: _Floats  # variance of each place's error, shape (p,)
    slopes_from: _Floats  # slopes of the drift as weights of the places' values, shape (q - 1, p)

    @classmethod
    def of(
        cls, places: Places, variogram: Variogram, drift: _Floats | None = None, *, slope_variance: float = math.inf
    ) -> "Nearby":
        """Of places whose errors are known, as `Kriging.of` takes them."""
        value, noise, _ = places.merged(0.0)
        trend = with_constant(len(value), None if drift is None else places.merged(0.0, drift)[0]).T
        slopes_from = np.zeros((trend.shape[1] - 1, len(value)))
        if len(slopes_from):
            some = some_of(len(places))
            few = Places(
                coordinates_m=places.coordinates_m[some], origin_m=places.origin_m, place=np.arange(len(some)),
                values=value[some], error_variance=noise[some],
            )  # fmt: skip
            system = Kriging.of(few, variogram, trend[some, 1:], slope_variance=slope_variance)
            slopes_from[:, some] = system.coefficients(np.eye(len(some)))[1:]
        return cls(places=places, variogram=variogram, drift=trend, value=value, noise=noise, slopes_from=slopes_from)

    def at(self, targets_m: ArrayLike, target_drift: _Floats | None = None) -> Prediction:
        """Estimate and variance at targets, as `Kriging.at` gives them."""
        targets = points_of(targets_m) - self.places.origin_m
        answer = Prediction(*np.full((2, len(targets)), np.nan))
        slopes, rest = self._split(self.value)
        for rows, near, weights, variance in self._tiles(targets):
            answer.estimate[rows] = np.einsum("tkc,tk->tc", weights, rest[near])
            answer.variance[rows] = variance
        answer.estimate[:] += slopes @ with_constant(len(targets), target_drift)[1:]
        return answer

    def of_values(self, values: _Floats, targets_m: _Floats, target_drift: _Floats | None) -> NDArray[np.float32]:
        """Estimates from other values at the same places, as `Kriging.of_values` gives them."""
        targets = targets_m - self.places.origin_m
        slopes, rest = self._split(values)
        estimates = np.empty((values.shape[1], len(targets)), np.float32)
        rest = rest.astype(np.float32)
        for rows, near, weights, _ in self._tiles(targets):
            drawn = np.swapaxes(weights, 1, 2).astype(np.float32) @ rest[near]
            estimates[:, rows.ravel()] = drawn.reshape(rows.size, -1).T
        estimates += (slopes.T @ with_constant(len(targets), target_drift)[1:]).astype(np.float32)
        return estimates

    def weights(self, targets_m: ArrayLike) -> tuple[NDArray[np.intp], _Floats, _Floats]:
        """Places nearest to each target and their weights, shape (t, k), and the variance of what they give, (t,)."""
        targets = points_of(targets_m) - self.places.origin_m
        near = self._nearest(targets, min(_NEAREST, len(self.places)))
        weights, variance = self._solved(near, targets[:, None])
        return near, weights[..., 0], variance[:, 0]

    def left_out(self, held: NDArray[np.intp], neighbors: int = _OF_ONE) -> Prediction:
        """Some readings, shape (k,), from the places nearest to theirs, and the variance of a reading about that."""
        points, error = self.places.coordinates_m, self.places.error_variance
        slopes, rest = self._split(self.value)
        answer = Prediction(*np.empty((2, len(held))))
        step = max(1, _NUMBERS // (neighbors + 2) ** 2)
        for some in (slice(start, start + step) for start in range(0, len(held), step)):
            at = self.places.place[held[some]]
            near = self._nearest(points[at], min(neighbors + 1, len(points)))
            others = np.argsort(near == at[:, None], axis=1, kind="stable")[:, :-1]
            near = np.take_along_axis(near, others, axis=1)
            weights, variance = self._solved(near, points[at][:, None])
            answer.estimate[some] = np.einsum("tk,tk->t", weights[..., 0], rest[near]) + self.drift[at, 1:] @ slopes
            answer.variance[some] = variance[:, 0] + (0.0 if error is None else error[held[some]])
        return answer

    def _split(self, values: _Floats) -> tuple[_Floats, _Floats]:
        """Slopes along the drift, and what they leave of values at the places."""
        slopes = self.slopes_from @ values
        return slopes, values - self.drift[:, 1:] @ slopes

    def _nearest(self, points: _Floats, count: int) -> NDArray[np.intp]:
        from scipy.spatial import cKDTree

        return np.asarray(cKDTree(self.places.coordinates_m).query(points, k=count)[1])

    def _tiles(self, targets: _Floats) -> Iterator[tuple[NDArray[np.intp], NDArray[np.intp], _Floats, _Floats]]:
        """Targets by tile, shape (t, c); the places near it (t, k), their weights (t, k, c) and the variance (t, c)."""
        known = np.flatnonzero(np.isfinite(targets).all(axis=1))
        if not len(known):
            return
        side = math.sqrt(2.0 * float(np.prod(np.ptp(self.places.coordinates_m, axis=0))) / len(self.places)) or 1.0
        col, row = np.floor(targets[known] / side).astype(np.intp).T
        row -= row.min()
        tile = np.unique((col - col.min()) * (int(row.max()) + 1) + row, return_inverse=True)[1].ravel()
        order = known[np.argsort(tile, kind="stable")]
        count = np.bincount(tile)
        first, most = np.cumsum(count) - count, int(count.max())
        every = order[first[:, None] + np.minimum(np.arange(most), count[:, None] - 1)]  # the last one fills up
        near = self._nearest(np.stack([np.bincount(tile, targets[known, axis]) / count for axis in (0, 1)], axis=1),
                             min(_NEAREST, len(self.places)))  # fmt: skip
        step = max(1, _NUMBERS // (near.shape[1] * (near.shape[1] + most)))
        for start in range(0, len(count), step):
            some = slice(start, start + step)
            yield every[some], near[some], *self._solved(near[some], targets[every[some]])

    def _solved(self, near: NDArray[np.intp], targets: _Floats) -> tuple[_Floats, _Floats]:
        """Weights of the places near each group of targets, shape (t, k, c), and the variance of what they give."""
        among = self._covariance(self.places.coordinates_m[near], self.places.coordinates_m[near])
        index = np.arange(near.shape[1])
        among[:, index, index] += self.noise[near]
        to = self._covariance(self.places.coordinates_m[near], targets)
        found = np.linalg.solve(among, np.concatenate([to, np.ones((*near.shape, 1))], axis=2))
        simple, one = found[..., :-1], found[..., -1:]
        gap, whole = 1.0 - simple.sum(axis=1), one.sum(axis=1)
        variance = self.variogram.sill - np.einsum("tkc,tkc->tc", simple, to) + gap**2 / whole
        return simple + one * (gap / whole)[:, None], np.maximum(variance, 0.0)

    def _covariance(self, places: _Floats, targets: _Floats) -> _Floats:
        """Covariances of groups of points, shape (t, k, c)."""
        one, other = (self.variogram.scaled(at.reshape(-1, 2)).reshape(at.shape) for at in (places, targets))
        east, north = (one[..., axis][:, :, None] - other[..., axis][:, None] for axis in (0, 1))
        covariance = self.variogram.correlation(np.hypot(east, north))
        covariance *= self.variogram.partial_sill
        return covariance


@one_blas_thread
def ordinary_kriging(
    coordinates_m: ArrayLike, values: ArrayLike, targets_m: ArrayLike, *, variogram: Variogram,
    neighbors: int | None = None, error_variance: ArrayLike | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:  # fmt: skip
    """
    Best linear unbiased estimate with a constant unknown mean, and its variance.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing of the samples. [m]
    values : array_like, shape (n,)
        Several readings at one place count as their mean, with a nugget of their own each.
    targets_m : array_like, shape (m, 2)
        Where to estimate. [m]
    neighbors : int, optional
        Nearest places that each target is estimated from; all when not given and there are no more than 3 000, else 24.
        Needs the extra ``dense``.
    error_variance : array_like, shape (n,) or (), optional
        Known variance of each reading's error. Without it the answer is exact: at a sample it is the sample, with
        variance 0. With it the answer is the field under the readings, and no sample is reproduced.

    Returns
    -------
    estimate : ndarray, shape (m,)
        NaN where the target's coordinates are unknown.
    variance : ndarray, shape (m,)

    Raises
    ------
    OutOfRangeError
        If there is no reading, a reading is unknown, or the system cannot be solved.
    MissingExtraError
        If neighbors are wanted and the extra ``dense`` is not installed.

    References
    ----------
    Isaaks & Srivastava (1989), An Introduction to Applied Geostatistics, ch. 12.

    Examples
    --------
    Midway between two samples each gets half the weight; a third of the way, at the end of the range, nothing changes:

    >>> variogram = Variogram(model="spherical", partial_sill=1.0, range_m=10.0)
    >>> estimate, variance = ordinary_kriging([(0, 0), (8, 0)], [10, 14], [(4, 0), (0, 0)], variogram=variogram)
    >>> estimate.tolist(), variance.round(4).tolist()
    ([12.0, 10.0], [0.664, 0.0])
    """
    if neighbors is None and len(points_of(coordinates_m)) <= MOST_AT_ONCE:
        answer = Kriging.of(places_of(coordinates_m, values, error_variance), variogram).at(targets_m)
        return answer.estimate, answer.variance
    return local_kriging(
        coordinates_m, values, targets_m, variogram=variogram,
        neighbors=USUAL_NEIGHBORS if neighbors is None else neighbors, error_variance=error_variance,
    )  # fmt: skip


_POINTS_A_BUCKET = 3.0
_CHUNK = 2_048
_REACH = 6  # buckets to the cutoff of a variogram


def compiled() -> ModuleType:
    """Compiled loops over points and harvest records.

    Raises MissingExtraError if numba is not installed, or cannot keep what it compiles.
    """
    try:
        return import_module("vrn.surface.kernels")
    except ImportError as error:
        problem = "Dense data need numba, which is not installed."
        raise MissingExtraError(problem, 'Install it with: pip install "vrn[dense]".') from error
    except RuntimeError as error:
        problem = f"numba cannot be used here: {error}."
        raise MissingExtraError(problem, "Set NUMBA_CACHE_DIR to a folder that can be written.") from error


def local_kriging(
    coordinates_m: ArrayLike, values: ArrayLike, targets_m: ArrayLike, *, variogram: Variogram, neighbors: int,
    error_variance: ArrayLike | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:  # fmt: skip
    """Ordinary kriging of each target from its nearest places.

    `neighbors`: nearest places, by the variogram's own distance where it is anisotropic. Raises OutOfRangeError if a
    reading is unknown, neighbors is below 1, or a system cannot be solved. Raises MissingExtraError if numba is not
    installed.
    """
    if neighbors < 1:
        problem = f"{neighbors} neighbors were asked for."
        raise OutOfRangeError(problem, "Give 1 or more, or leave it out to use all.")
    kernels = compiled()
    points, value, error = readings_of(coordinates_m, values, error_variance)
    nugget = float(variogram.nugget)
    noise = np.full(len(value), nugget) if error is None else nugget + error
    own = np.full(len(value), nugget)
    least, most = corners_of(points)
    origin = (least + most) / 2
    scaled = variogram.scaled(points - origin)
    buckets = buckets_of(kernels, scaled)
    sorted_points = scaled[buckets[0]]
    if kernels.any_twice(sorted_points, buckets[1]):
        places: Places = places_of(points, value, error)
        value, noise, own = places.merged(nugget)
        scaled = variogram.scaled(places.coordinates_m + places.origin_m - origin)
        buckets = buckets_of(kernels, scaled)
        sorted_points = scaled[buckets[0]]
    if variogram.sill == 0 and error is None and np.ptp(value):
        problem = "The variogram has a sill of 0, and the values differ."
        raise OutOfRangeError(problem, "Fit the variogram to these values.")
    order, *ground = buckets
    targets = np.ascontiguousarray(variogram.scaled(points_of(targets_m) - origin))
    estimate, variance = np.empty(len(targets)), np.empty(len(targets))
    fixed = (
        sorted_points, value[order], noise[order], own[order], *ground,
        min(neighbors, len(value)), _code(kernels, variogram), float(variogram.partial_sill), nugget, error is None,
    )  # fmt: skip

    def some(start: int) -> bool:
        tile = slice(start, start + _CHUNK)
        return bool(kernels.krige_chunk(targets[tile], *fixed, estimate[tile], variance[tile]))

    if not all(in_threads(some, range(0, len(targets), _CHUNK))):
        problem = "A local kriging system cannot be solved: some samples lie too close for this variogram."
        raise OutOfRangeError(problem, "Give the variogram a nugget above 0, or fit it to these values.")
    return estimate, variance


def count_pairs(
    points: NDArray[np.float64], values: NDArray[np.float64], edges: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
    """Pairs, sum of distances and sum of squared differences in bins of distance.

    `points` (n, 2). `edges` (bins + 1,): from 0, of equal width; a bin holds its upper edge. [m] Raises
    MissingExtraError if numba is not installed.
    """
    kernels = compiled()
    (west, south), most = corners_of(points)
    width, height = most[0] - west, most[1] - south
    side = max(float(edges[-1]) / _REACH, max(float(width), float(height)) / 2_000.0)
    cols, rows = int(width / side) + 1, int(height / side) + 1
    order, start = kernels.bucket_of(points, west, south, side, rows, cols)
    east, north = (np.ascontiguousarray(points[order, axis]) for axis in (0, 1))
    value = values[order]
    reach = int(np.ceil(edges[-1] / side))

    def some(row: int) -> Any:
        return kernels.pairs_chunk(row, row + 1, east, north, value, start, rows, cols, reach, edges)

    parts = in_threads(some, range(rows))
    pairs, distances, squares = (np.sum([part[k] for part in parts], axis=0) for k in range(3))
    return pairs, distances, squares


def buckets_of(kernels: ModuleType, points: NDArray[np.float64]) -> tuple[Any, ...]:
    """Sort points into buckets of about three.

    The order of the points (one or more) by bucket, where each bucket begins, and the lattice of the buckets.
    """
    (west, south), most = corners_of(points)
    width, height = most[0] - west, most[1] - south
    side = float(np.sqrt(max(width * height, 1e-12 * max(width, height, 1e-12) ** 2) * _POINTS_A_BUCKET / len(points)))
    side = max(side, max(float(width), float(height)) / 2_000.0)
    cols, rows = int(width / side) + 1, int(height / side) + 1
    order, start = kernels.bucket_of(points, west, south, side, rows, cols)
    return order, start, west, south, side, rows, cols


def _code(kernels: ModuleType, variogram: Variogram) -> int:
    if variogram.model == "matern":
        codes = {0.5: kernels.EXPONENTIAL, 1.5: kernels.MATERN_1_5, 2.5: kernels.MATERN_2_5}
        if variogram.nu not in codes:
            problem = f"Local kriging knows the Matérn model with nu 0.5, 1.5 and 2.5, and nu is {variogram.nu}."
            raise OutOfRangeError(problem, "Choose one of these, or leave neighbors out.")
        return int(codes[variogram.nu])
    return int(getattr(kernels, variogram.model.upper()))
