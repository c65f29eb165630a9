"""Up a smooth hill inside bounds: to near its top, to the top itself, and how sharply it bends there."""

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

_Floats = NDArray[np.float64]
_STEP: Final = 1e-3
_LONGEST: Final = 1.0
_MOST_STEPS: Final = 20
_MOST_SHORTER: Final = 4
_CLOSE: Final = 1e-7  # of a step, to call it the top
_SAME: Final = 1e-9  # of heights
_AT_BOUND: Final = 1e-9
_FLATTEST: Final = 1e-6


def climb(cost: Callable[[_Floats], float], start: _Floats, bounds: list[tuple[float, float]]) -> tuple[_Floats, float]:
    """Near the top, from a start.

    `cost`: minus the height. `bounds`: least and most of each parameter; one whose bounds are equal stays.
    """
    from scipy.optimize import minimize

    free = np.array([low < high for low, high in bounds])
    point = start.copy()

    def moved(part: _Floats) -> float:
        point[free] = part
        return cost(point)

    chosen = [pair for pair, some in zip(bounds, free, strict=True) if some]
    found = minimize(moved, start[free], method="L-BFGS-B", bounds=chosen)
    point[free] = found.x
    return point.copy(), -float(found.fun)


def to_top(height: Callable[[_Floats], float], start: _Floats, least: _Floats, most: _Floats) -> tuple[_Floats, float]:
    """From near the top to the top, by Newton's steps.

    A climb that stops where the ground looks level stops elsewhere when the last digit of a reading differs, and on the
    long ridges of a likelihood elsewhere is far away. Parameters at a bound stay there.

    The height is never below that of the start.

    >>> point, high = to_top(lambda x: -float((x[0] - 3.0) ** 2), np.array([2.5]), np.array([0.0]), np.array([9.0]))
    >>> round(float(point[0]), 6), abs(high) < 1e-12
    (3.0, True)
    """
    at, best = start, height(start)
    for _ in range(_MOST_STEPS):
        free = np.flatnonzero((at > least + _AT_BOUND) & (at < most - _AT_BOUND)).tolist()
        if not free:
            break
        slope, curvature = derivatives(height, at, free, np.full(len(at), _STEP))
        bend, along = np.linalg.eigh(curvature)
        # uphill along every axis, also where the ground bends the other way
        move = np.zeros(len(at))
        move[free] = along @ (along.T @ slope / np.maximum(np.abs(bend), _FLATTEST))
        room = np.where(move > 0, most - at, at - least)[free] / np.maximum(np.abs(move[free]), 1e-300)
        move *= min(1.0, _LONGEST / max(np.abs(move).max(), 1e-300), room.min())
        for _ in range(_MOST_SHORTER):
            there = np.clip(at + move, least, most)
            high = height(there)
            if high >= best - _SAME:
                break
            move /= 4
        else:
            break
        at, best = there, max(high, best)
        if np.abs(move).max() < _CLOSE:
            break
    return at, best


def derivatives(
    height: Callable[[_Floats], float], point: _Floats, free: list[int], step: _Floats
) -> tuple[_Floats, _Floats]:
    """First and second derivatives by central differences.

    `free`: parameters whose derivatives are wanted.
    """
    slope, curvature = np.empty(len(free)), np.empty((len(free), len(free)))
    top = height(point)

    def moved(*signs: tuple[int, float]) -> float:
        at = point.copy()
        for i, sign in signs:
            at[i] += sign * step[i]
        return height(at)

    for a, i in enumerate(free):
        above, below = moved((i, 1)), moved((i, -1))
        slope[a] = (above - below) / (2 * step[i])
        curvature[a, a] = (above - 2 * top + below) / step[i] ** 2
        for b, j in enumerate(free[:a]):
            cross = moved((i, 1), (j, 1)) - moved((i, 1), (j, -1)) - moved((i, -1), (j, 1)) + moved((i, -1), (j, -1))
            curvature[a, b] = curvature[b, a] = cross / (4 * step[i] * step[j])
    return slope, curvature
