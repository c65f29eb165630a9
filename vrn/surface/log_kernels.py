"""Loops over harvest records that need a compiler: neighbours, local medians, ground already cut."""

import math

import numpy as np
from numba import njit

from vrn.surface.kernels import nearest


@njit(cache=True, nogil=True)
def split_at_turns(points, new, usual, cosine):  # type: ignore[no-untyped-def]
    """Begin a pass, too, where a step leaves the way of the six records before it."""
    first = 0
    for i in range(1, len(points)):
        if new[i]:
            first = i
            continue
        back = max(first, i - 7)
        wx = points[i - 1, 0] - points[back, 0]
        wy = points[i - 1, 1] - points[back, 1]
        sx = points[i, 0] - points[i - 1, 0]
        sy = points[i, 1] - points[i - 1, 1]
        way = math.hypot(wx, wy)
        step = math.hypot(sx, sy)
        if way > 0.5 * usual and step > 0.5 * usual and wx * sx + wy * sy < cosine * way * step:
            new[i] = True
            first = i


@njit(cache=True, nogil=True)
def neighbours(  # type: ignore[no-untyped-def]
    asked, points, group, start, west, south, side, rows, cols, wanted, reach_m, strangers_only, found
):
    """Up to ``wanted`` nearest points within reach of some points, all in bucket order; −1 fills up the rest."""
    squared = np.empty(wanted + 1)
    index = np.empty(wanted + 1, np.int32)
    for a in range(len(asked)):
        me = asked[a]
        but = group[me] if strangers_only else -1
        have = nearest(
            points[me, 0], points[me, 1], points, start, west, south, side, rows, cols, wanted + 1,
            reach_m * reach_m, group, but, index, squared,
        )  # fmt: skip
        filled = 0
        for k in range(have):
            if index[k] != me and filled < wanted:
                found[a, filled] = index[k]
                filled += 1
        for k in range(filled, wanted):
            found[a, k] = -1


@njit(cache=True, nogil=True)
def _sorted_median(some, have):  # type: ignore[no-untyped-def]
    """Median of the first few numbers, which are put in order."""
    for i in range(1, have):
        value = some[i]
        k = i
        while k > 0 and some[k - 1] > value:
            some[k] = some[k - 1]
            k -= 1
        some[k] = value
    return 0.5 * (some[(have - 1) // 2] + some[have // 2])


@njit(cache=True, nogil=True)
def medians(found, value, middle, spread):  # type: ignore[no-untyped-def]
    """Median of the neighbours' values, and the median distance from it; NaN with fewer than five."""
    some = np.empty(found.shape[1])
    for a in range(len(found)):
        have = 0
        while have < found.shape[1] and found[a, have] >= 0:
            some[have] = value[found[a, have]]
            have += 1
        if have < 5:
            middle[a] = np.nan
            spread[a] = np.nan
            continue
        middle[a] = _sorted_median(some, have)
        for k in range(have):
            some[k] = abs(some[k] - middle[a])
        spread[a] = _sorted_median(some, have)


@njit(cache=True, nogil=True)
def already_cut(east, north, along_e, along_n, length, swath, run, west, south, rows, cols):  # type: ignore[no-untyped-def]
    """Share of each record's swath that an earlier pass has cut, on squares of 1 m, in the order of the records."""
    owner = np.full((rows, cols), -1, np.int32)
    share = np.zeros(len(east))
    for i in range(len(east)):
        across = max(round(swath[i]), 1)
        steps = max(math.ceil(length[i]), 1)
        total = 0
        cut = 0
        for mark in range(2):
            for s in range(steps):
                back = (s + 0.5) / steps * length[i]
                for a in range(across):
                    off = (a + 0.5) / across * swath[i] - swath[i] / 2
                    x = east[i] - along_e[i] * back + along_n[i] * off
                    y = north[i] - along_n[i] * back - along_e[i] * off
                    c = int(x - west)
                    r = int(y - south)
                    if r < 0 or c < 0 or r >= rows or c >= cols:
                        continue
                    if mark == 0:
                        total += 1
                        if owner[r, c] >= 0 and owner[r, c] != run[i]:
                            cut += 1
                    elif owner[r, c] < 0:
                        owner[r, c] = run[i]
        if total > 0:
            share[i] = cut / total
    return share


@njit(cache=True, nogil=True)
def shift_by(run, steps, value, shifted):  # type: ignore[no-untyped-def]
    """Value of the record ``steps`` later in the same pass; NaN where the pass ends before."""
    n = len(run)
    for i in range(n):
        j = i + steps
        shifted[i] = value[j] if 0 <= j < n and run[j] == run[i] else np.nan
