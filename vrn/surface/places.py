"""Readings sorted by place, and the threads in which surfaces are worked out."""

import functools
import math
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any, ParamSpec, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError

_P = ParamSpec("_P")
_T = TypeVar("_T")


@contextmanager
def _one_blas_thread() -> Iterator[None]:
    """Matrices of a field's size are worked out fastest by one thread, and always to the same bits."""
    controller = _controller()
    if controller is None:
        yield
        return
    with controller.limit(limits=1):
        yield


def one_blas_thread(work: Callable[_P, _T]) -> Callable[_P, _T]:
    """Run a function with the linear algebra libraries held to one thread.

    The limit is lifted when it returns or raises.
    """

    @functools.wraps(work)
    def held(*args: _P.args, **kwargs: _P.kwargs) -> _T:
        with _one_blas_thread():
            return work(*args, **kwargs)

    return held


def in_threads(work: Callable[[int], _T], items: Iterable[int]) -> list[_T]:
    """Results of work that lets go of the interpreter, in the order of the items.

    `work`: called with each item; the result must not depend on the other calls.
    """
    jobs = list(items)
    workers = min(len(jobs), os.cpu_count() or 1)
    if workers < 2:
        return [work(job) for job in jobs]
    with ThreadPoolExecutor(max_workers=workers) as pool:
        return list(pool.map(work, jobs))


@functools.cache
def _controller() -> Any:
    """Switch of the linear algebra libraries' threads; None where threadpoolctl is not installed."""
    import scipy.linalg  # noqa: F401  # brings its own library, which has to be there to be found

    try:
        from threadpoolctl import ThreadpoolController  # type: ignore[import-untyped]
    except ImportError:
        return None
    return ThreadpoolController().select(user_api="blas")


_MOST_AT_ONCE = 4_096
_MOST_PLACES = 20_000  # above it bins of ground stand for places
_ROUNDING, _NOTHING = 1e-8, 1e-100  # of the largest value, and of itself: below it, values are the same


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """Where readings were taken, each place once."""

    coordinates_m: NDArray[np.float64]  # of the places, in order of easting, less ``origin_m``, shape (p, 2)
    # middle of the places: distances are taken from here, so that large coordinates lose nothing, shape (2,)
    origin_m: NDArray[np.float64]
    place: NDArray[np.intp]  # place of each reading, shape (n,)
    values: NDArray[np.float64]  # shape (n,)
    error_variance: NDArray[np.float64] | None  # known variance of each reading's error, shape (n,)

    def __len__(self) -> int:
        return len(self.coordinates_m)

    def at_once(self) -> int:
        """Number of places, for one system of all of them; refused where its matrices would fill the memory."""
        if len(self) > _MOST_AT_ONCE:
            problem = f"{len(self):,} places are too many for one kriging system; {_MOST_AT_ONCE:,} is the most."
            raise OutOfRangeError(problem, "Estimate from the nearest places (neighbors), or from some of them.")
        return len(self)

    def binned(self, most: int = _MOST_PLACES) -> "Places":
        """Places by square bins of ground, about as many as the most, where there are more: a bin is one place."""
        if len(self) <= most:
            return self
        points = self.coordinates_m[self.place]
        least, most_m = corners_of(points)
        wide, high = (most_m - least).tolist()
        size_m = max(math.sqrt(wide * high / most), max(wide, high) / most)
        col, row = ((points - least) // size_m).astype(np.intp).T
        bins, place, count = np.unique(
            col * (int(high // size_m) + 1) + row, return_inverse=True, return_counts=True
        )  # fmt: skip
        middle = np.column_stack([np.bincount(place.ravel(), axis) / count for axis in points.T])
        order = np.lexsort((middle[:, 1], middle[:, 0]))
        rank = np.empty(len(bins), np.intp)
        rank[order] = np.arange(len(bins))
        return replace(self, coordinates_m=middle[order], place=rank[place.ravel()])

    @property
    def varied(self) -> bool:
        """Whether the values differ by more than rounding leaves of them."""
        least, most = float(self.values.min()), float(self.values.max())
        return most - least > max(_ROUNDING * max(abs(least), abs(most)), _NOTHING)

    def merged(
        self, nugget: float, values: NDArray[np.float64] | None = None
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """One value for each place: the mean of its readings, weighted by one over their variance.

        `nugget`: variance that every reading has on its own, besides its known error. `values` (n,): other values at
        the same readings. Returns `noise` (p,): variance of that mean around the smooth field; `nugget_part` (p,): what
        of it comes from the nugget.
        """
        values = self.values if values is None else values
        variance = np.full(len(self.values), float(nugget))
        if self.error_variance is not None:
            variance += self.error_variance
        count = len(self)
        if count == len(self.values):
            order = np.empty(count, dtype=np.intp)
            order[self.place] = np.arange(count)
            return values[order], variance[order], np.full(count, float(nugget))
        weight = 1.0 / np.maximum(variance, max(1e-12 * float(variance.max()), 1e-300))
        weight /= np.bincount(self.place, weight, count)[self.place]
        columns = values.reshape(len(values), -1)
        value = np.column_stack([np.bincount(self.place, weight * column, count) for column in columns.T])
        squared = weight * weight
        noise = np.bincount(self.place, squared * variance, count)
        part = np.bincount(self.place, squared * nugget, count)
        merged = np.asarray(value, dtype=float).reshape(count, *values.shape[1:])
        return merged, np.asarray(noise, dtype=float), np.asarray(part, dtype=float)


def places_of(coordinates_m: ArrayLike, values: ArrayLike, error_variance: ArrayLike | None = None) -> Places:
    """Check readings and sort them by place.

    `coordinates_m` (n, 2): easting, northing; integers are taken as they are. `error_variance` (n,): known variance of
    each reading's error. Raises OutOfRangeError if there is no reading, lengths differ, or a number is unknown,
    infinite or (a variance) negative.
    """
    points, numbers, variance = readings_of(coordinates_m, values, error_variance)
    least, most = corners_of(points)
    origin = (least + most) / 2
    moved = points - origin
    order = np.lexsort(moved.T[::-1])  # by easting, then northing: three times as fast as `numpy.unique` of rows
    ranked = moved[order]
    new = np.r_[True, (ranked[1:] != ranked[:-1]).any(axis=1)]
    place = np.empty(len(order), dtype=np.intp)
    place[order] = np.cumsum(new) - 1
    return Places(coordinates_m=ranked[new], origin_m=origin, place=place, values=numbers, error_variance=variance)


def readings_of(
    coordinates_m: ArrayLike, values: ArrayLike, error_variance: ArrayLike | None = None
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64] | None]:
    """Coordinates, values and error variances as arrays of one length, or a clear refusal."""
    points = points_of(coordinates_m)
    numbers = np.asarray(values, dtype=float)
    if numbers.ndim != 1 or len(numbers) != len(points):
        problem = f"There are {len(points)} places and values of shape {numbers.shape}."
        raise OutOfRangeError(problem, "Give one value for each place.")
    if not len(numbers):
        problem = "There is no reading to work from."
        raise OutOfRangeError(problem, "Give at least one place with a value.")
    _all_known("place", points)
    _all_known("value", numbers)
    if error_variance is None:
        return points, numbers, None
    variance = np.broadcast_to(np.asarray(error_variance, dtype=float), numbers.shape).copy()
    if not (np.isfinite(variance) & (variance >= 0)).all():
        problem = "An error variance of a reading is negative or unknown."
        raise OutOfRangeError(problem, "Give a variance of 0 or more for each reading.")
    return points, numbers, variance


def _all_known(name: str, numbers: NDArray[np.float64]) -> None:
    if not np.isfinite(numbers).all():
        known = np.asarray(np.isfinite(numbers.reshape(len(numbers), -1)).all(axis=1))
        problem = f"The {name} of reading {int(known.argmin())} is unknown ({int((~known).sum())} of {len(known)} are)."
        raise OutOfRangeError(problem, "Leave such readings out: an unknown reading says nothing of the field.")


def corners_of(points: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """South-west and north-east corner of the box around points, column by column (many times faster than by rows)."""
    columns = (points[:, 0], points[:, 1])
    return np.array([column.min() for column in columns]), np.array([column.max() for column in columns])


def by_place(values: NDArray[np.float64], place: NDArray[np.intp] | None) -> NDArray[np.float64]:
    """Means over the readings of each place, which counts once however often it was read; as they are without one."""
    return values if place is None else np.bincount(place, values) / np.bincount(place)


def points_of(coordinates_m: ArrayLike) -> NDArray[np.float64]:
    """Coordinates as an array of shape (n, 2), or a clear refusal. [m]"""
    points = np.asarray(coordinates_m, dtype=float)
    if points.size == 0:
        return points.reshape(0, 2)
    if points.ndim != 2 or points.shape[1] != 2:
        problem = f"The coordinates have shape {points.shape}."
        raise OutOfRangeError(problem, "Give one row (easting, northing) in metres for each place.")
    return points
