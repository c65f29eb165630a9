"""Dense data: kriging from the nearest places and pairs by the hundred million, on compiled loops (extra ``dense``)."""

from importlib import import_module
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import MissingExtraError, OutOfRangeError
from vrn.model.variogram import Variogram
from vrn.surface.places import Places, corners_of, in_threads, places_of, points_of, readings_of

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
