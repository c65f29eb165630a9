"""Harvest records near one another: buckets, neighbours in other passes, local medians."""

from dataclasses import dataclass
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vrn.surface.dense import buckets_of, compiled, compiled_for_logs
from vrn.surface.threads import in_threads

_CHUNK = 16_384


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Near:
    """
    Points sorted into buckets, ready to be asked for neighbours.

    Parameters
    ----------
    order : ndarray of int, shape (n,)
        Place of each sorted point in the arrays it came from.
    points_m : ndarray, shape (n, 2)
        Sorted. [m]
    group : ndarray of int32, shape (n,)
        Pass of each sorted point.
    ground : tuple
        Beginnings, west, south, side, rows, columns of the buckets.
    """

    order: NDArray[np.intp]
    points_m: NDArray[np.float64]
    group: NDArray[np.int32]
    ground: tuple[Any, ...]

    @classmethod
    def of(cls, points_m: NDArray[np.float64], group: NDArray[np.int32]) -> "Near":
        """Sort points, one or more."""
        order, *ground = buckets_of(compiled(), points_m)
        return cls(order=order, points_m=points_m[order], group=group[order], ground=tuple(ground))

    def neighbours(
        self, asked: NDArray[np.intp], *, wanted: int, reach_m: float, strangers_only: bool
    ) -> NDArray[np.int32]:
        """
        Nearest points of some points.

        Parameters
        ----------
        asked : ndarray of int, shape (a,)
            In the order the points came in.
        wanted : int
        reach_m : float
            Farther ones do not count. [m]
        strangers_only : bool
            Whether points of the same pass are left out.

        Returns
        -------
        found : ndarray of int32, shape (a, wanted)
            In the order the points came in; −1 where there are no more.
        """
        place = np.empty(len(self.order), np.intp)
        place[self.order] = np.arange(len(self.order))
        kernels = compiled_for_logs()
        found = np.empty((len(asked), wanted), np.int32)

        def some(start: int) -> None:
            tile = slice(start, start + _CHUNK)
            kernels.neighbours(
                place[asked[tile]],
                self.points_m,
                self.group,
                *self.ground,
                wanted,
                reach_m,
                strangers_only,
                found[tile],
            )

        in_threads(some, range(0, len(asked), _CHUNK))
        known = found >= 0
        found[known] = self.order[found[known]]
        return found

    def local_median(
        self, value: NDArray[np.float64], *, wanted: int, reach_m: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Median of each point's neighbours and the median distance from it; NaN with fewer than five."""
        middle, spread = np.empty((2, len(value)))
        kernels: ModuleType = compiled_for_logs()
        for start in range(0, len(value), 4 * _CHUNK):
            asked = np.arange(start, min(start + 4 * _CHUNK, len(value)))
            found = self.neighbours(asked, wanted=wanted, reach_m=reach_m, strangers_only=False)
            kernels.medians(found, value, middle[asked[0] : asked[-1] + 1], spread[asked[0] : asked[-1] + 1])
        return middle, spread
