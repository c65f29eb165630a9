"""The order in which to walk the samples."""

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

_MOST_ROUNDS = 200


def walking_order(
    coordinates_m: ArrayLike, *, start_m: ArrayLike | None = None, ground: shapely.Geometry | None = None
) -> NDArray[np.intp]:
    """A short way past every place: nearest neighbour first, then mended by reversing stretches and moving places.

    From `start_m` when given, else from any end; the walk need not come back. Metres outside `ground` (over the fence,
    through a pond) count three times. Sources: Croes (1958), A method for solving traveling-salesman problems, Oper.
    Res. 6:791-812 (2-opt); Or (1976, thesis, Northwestern University) for moving short stretches.

    >>> walking_order([(0, 0), (30, 0), (10, 0), (20, 0)], start_m=(-5, 0)).tolist()
    [0, 2, 3, 1]
    """
    places = np.asarray(coordinates_m, dtype=float).reshape(-1, 2)
    count = len(places)
    if count < 2:
        return np.arange(count)
    away = walking_distances_m(places, ground)
    entry = None if start_m is None else np.hypot(*(places - np.asarray(start_m, dtype=float)).T)
    starts = _first_places(places) if entry is None else [int(np.argmin(entry))]
    entry = np.zeros(count) if entry is None else entry
    walks = [_mended(_nearest_first(away, first), away, entry) for first in starts]
    return np.array(min(walks, key=lambda walk: _length(walk, away, entry)), dtype=np.intp)


def walking_distances_m(places: NDArray[np.float64], ground: shapely.Geometry | None) -> NDArray[np.float64]:
    """Length of every leg, shape (n, n); metres outside the ground count three times. [m]"""
    away: NDArray[np.float64] = np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    if ground is None or len(places) < 2:
        return away
    one, other = np.triu_indices(len(places), 1)
    legs = np.asarray(shapely.linestrings(np.stack([places[one], places[other]], axis=1)))
    shapely.prepare(ground)
    leaves = ~shapely.covers(ground, legs)
    outside = np.zeros(len(legs))
    outside[leaves] = shapely.length(shapely.difference(legs[leaves], ground))
    away[one, other] += 2 * outside
    away[other, one] = away[one, other]
    return away


def _first_places(places: NDArray[np.float64]) -> list[int]:
    """Places at the corners: the ends of a short walk usually lie there."""
    east, north = places.T
    corners = {int(np.argmin(a * east + b * north)) for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1))}
    return sorted(corners)


def _nearest_first(away: NDArray[np.float64], first: int) -> list[int]:
    walk, left = [first], set(range(len(away))) - {first}
    while left:
        here = walk[-1]
        walk.append(min(left, key=lambda place: (away[here, place], place)))
        left.remove(walk[-1])
    return walk


def _length(walk: list[int], away: NDArray[np.float64], entry: NDArray[np.float64]) -> float:
    return float(entry[walk[0]] + away[walk[:-1], walk[1:]].sum())


def _mended(walk: list[int], away: NDArray[np.float64], entry: NDArray[np.float64]) -> list[int]:
    """Reverse stretches and move up to three places until neither shortens the walk."""
    # a closed walk through a gate that costs the entry on one side and nothing on the other
    count = len(walk)
    padded = np.zeros((count + 2, count + 2))
    padded[:count, :count] = away
    padded[count, :count] = padded[:count, count] = entry
    padded[count, count + 1] = padded[count + 1, count] = 0.0
    tour = [count, *walk, count + 1]
    for _ in range(_MOST_ROUNDS):
        if not (_reverse_best(tour, padded) or _move_best(tour, padded)):
            break
    return tour[1:-1]


def _reverse_best(tour: list[int], away: NDArray[np.float64]) -> bool:
    """Reverse the stretch that saves most; False when none saves anything."""
    at = np.array(tour)
    step = away[at[:-1], at[1:]]
    # stretch i … j (1 ≤ i ≤ j ≤ n): before it at[i-1], after it at[j+1]
    n = len(at) - 2
    i, j = np.triu_indices(n, 1)
    i, j = i + 1, j + 1
    saved = step[i - 1] + step[j] - away[at[i - 1], at[j]] - away[at[i], at[j + 1]]
    if not len(saved) or saved.max() <= 1e-9:
        return False
    best = int(np.argmax(saved))
    tour[i[best] : j[best] + 1] = tour[i[best] : j[best] + 1][::-1]
    return True


def _move_best(tour: list[int], away: NDArray[np.float64]) -> bool:
    """Move a stretch of one to three places to where it saves most, either way round."""
    best, change = 1e-9, None
    for size in (1, 2, 3):
        for i in range(1, len(tour) - size):
            piece = tour[i : i + size]
            before, after = tour[i - 1], tour[i + size]
            freed = away[before, piece[0]] + away[piece[-1], after] - away[before, after]
            if freed <= best:
                continue
            rest = np.array(tour[:i] + tour[i + size :])
            base = away[rest[:-1], rest[1:]]
            for turned in (piece, piece[::-1]):
                cost = away[rest[:-1], turned[0]] + away[turned[-1], rest[1:]] - base
                k = int(np.argmin(cost))
                if freed - cost[k] > best:
                    best, change = freed - cost[k], (i, size, k, turned)
    if change is None:
        return False
    i, size, k, turned = change
    kept = tour[:i] + tour[i + size :]
    tour[:] = [*kept[: k + 1], *turned, *kept[k + 1 :]]
    return True
