"""Loops that need a compiler: nearest places in buckets, small kriging systems, pairs, and harvest records."""

import math

import numpy as np
from numba import njit

EXPONENTIAL, SPHERICAL, GAUSSIAN, MATERN_1_5, MATERN_2_5, NUGGET = range(6)


@njit(cache=True, nogil=True)
def bucket_of(points, west, south, side, rows, cols):  # type: ignore[no-untyped-def]
    """Order of points by bucket, and where each bucket begins, shape (rows · cols + 1,)."""
    count = len(points)
    own = np.empty(count, np.int32)
    start = np.zeros(rows * cols + 1, np.int32)
    for i in range(count):
        col = min(max(int((points[i, 0] - west) / side), 0), cols - 1)
        row = min(max(int((points[i, 1] - south) / side), 0), rows - 1)
        own[i] = row * cols + col
        start[own[i] + 1] += 1
    for b in range(rows * cols):
        start[b + 1] += start[b]
    order = np.empty(count, np.int32)
    fill = start[:-1].copy()
    for i in range(count):
        order[fill[own[i]]] = i
        fill[own[i]] += 1
    return order, start


@njit(cache=True, nogil=True)
def any_twice(points, start):  # type: ignore[no-untyped-def]
    """Whether two points, in bucket order, lie at one place."""
    for b in range(len(start) - 1):
        for i in range(start[b], start[b + 1]):
            for j in range(i + 1, start[b + 1]):
                if points[i, 0] == points[j, 0] and points[i, 1] == points[j, 1]:
                    return True
    return False


@njit(cache=True, nogil=True, inline="always")
def _correlation(model, squared):  # type: ignore[no-untyped-def]
    if model == SPHERICAL:
        if squared >= 1.0:
            return 0.0
        h = math.sqrt(squared)
        return 1.0 - h * (1.5 - 0.5 * squared)
    if model == GAUSSIAN:
        return math.exp(-squared)
    if model == NUGGET:
        return 0.0
    h = math.sqrt(squared)
    if model == MATERN_1_5:
        return (1.0 + h) * math.exp(-h)
    if model == MATERN_2_5:
        return (1.0 + h + squared / 3.0) * math.exp(-h)
    return math.exp(-h)


@njit(cache=True, nogil=True)
def _nearest(  # type: ignore[no-untyped-def]
    x, y, points, start, west, south, side, rows, cols, wanted, reach_squared, group, but, found, squared
):
    """Indices and squared distances of the nearest points within reach, nearest first, without group ``but``."""
    col = min(max(math.floor((x - west) / side), 0), cols - 1)
    row = min(max(math.floor((y - south) / side), 0), rows - 1)
    have = 0
    worst = reach_squared
    for ring in range(max(rows, cols)):
        for r in range(max(row - ring, 0), min(row + ring, rows - 1) + 1):
            step = 1 if r in (row - ring, row + ring) else max(2 * ring, 1)
            for c in range(col - ring, col + ring + 1, step):
                if c < 0 or c >= cols:
                    continue
                for i in range(start[r * cols + c], start[r * cols + c + 1]):
                    dx = points[i, 0] - x
                    dy = points[i, 1] - y
                    d = dx * dx + dy * dy
                    if d < worst and (but < 0 or group[i] != but):
                        if have < wanted:
                            have += 1
                        k = have - 1
                        while k > 0 and squared[k - 1] > d:
                            squared[k] = squared[k - 1]
                            found[k] = found[k - 1]
                            k -= 1
                        squared[k] = d
                        found[k] = i
                        if have == wanted:
                            worst = squared[wanted - 1]
        left = x - (west + (col - ring) * side)
        right = west + (col + ring + 1) * side - x
        below = y - (south + (row - ring) * side)
        above = south + (row + ring + 1) * side - y
        clear = min(min(left, right), min(below, above))
        if clear > 0.0 and clear * clear >= worst:
            break
    return have


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz"})
def _covariances(found, squared, have, points, noise, partial_sill, model, system, near):  # type: ignore[no-untyped-def]
    """Lower half of the neighbours' covariance, and their covariance to the target."""
    for i in range(have):
        a = found[i]
        for j in range(i):
            dx = points[a, 0] - points[found[j], 0]
            dy = points[a, 1] - points[found[j], 1]
            system[i, j] = partial_sill * _correlation(model, dx * dx + dy * dy)
        system[i, i] = partial_sill + noise[a]
        near[0, i] = partial_sill * _correlation(model, squared[i])


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz"})
def _solve(have, system, near):  # type: ignore[no-untyped-def]
    """Cholesky factor of the system, and ``near`` solved by it, in place; False where it is singular."""
    for i in range(have):
        for j in range(i):
            s = system[i, j]
            for k in range(j):
                s -= system[i, k] * system[j, k]
            system[i, j] = s * system[j, j]
        s = system[i, i]
        least = 1e-13 * s
        for k in range(i):
            s -= system[i, k] * system[i, k]
        if not s > least:
            return False
        inverse = 1.0 / math.sqrt(s)
        system[i, i] = inverse
        for r in range(3):
            s = near[r, i]
            for k in range(i):
                s -= system[i, k] * near[r, k]
            near[r, i] = s * inverse
    return True


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz"})
def krige_chunk(  # type: ignore[no-untyped-def]
    targets, points, value, noise, own_nugget, start, west, south, side, rows, cols,
    wanted, model, partial_sill, nugget, exact, estimate, variance,
):  # fmt: skip
    """Local ordinary kriging of some targets; False where a system was singular."""
    found = np.empty(wanted, np.int32)
    squared = np.empty(wanted, np.float64)
    system = np.empty((wanted, wanted), np.float64)
    near = np.empty((3, wanted), np.float64)  # covariance to the target, ones, values
    nobody = min(wanted, 0) - 1  # not a literal, so that `nearest` is compiled once
    for t in range(len(targets)):
        x = targets[t, 0]
        y = targets[t, 1]
        if not (math.isfinite(x) and math.isfinite(y)):
            estimate[t] = np.nan
            variance[t] = np.nan
            continue
        have = _nearest(
            x, y, points, start, west, south, side, rows, cols, wanted, math.inf, found, nobody, found, squared
        )
        if exact and squared[0] == 0.0:
            estimate[t] = value[found[0]]
            variance[t] = 0.0
            continue
        _covariances(found, squared, have, points, noise, partial_sill, model, system, near)
        top = partial_sill + nugget
        if squared[0] == 0.0:
            near[0, 0] += own_nugget[found[0]]
            top = partial_sill + own_nugget[found[0]]
        for i in range(have):
            near[1, i] = 1.0
            near[2, i] = value[found[i]]
        if not _solve(have, system, near):
            return False
        ones = mean = pulled = short = explained = 0.0
        for i in range(have):
            ones += near[1, i] * near[1, i]
            mean += near[1, i] * near[2, i]
            pulled += near[0, i] * near[2, i]
            short += near[0, i] * near[1, i]
            explained += near[0, i] * near[0, i]
        short = 1.0 - short
        estimate[t] = mean / ones * short + pulled
        variance[t] = max(top - explained + short * short / ones, 0.0)
    return True


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz"})
def _differences(i, first, last, east, north, value, distance, square):  # type: ignore[no-untyped-def]
    """Distances and squared differences of point ``i`` and points ``first`` to ``last``."""
    for k in range(last - first):
        dx = east[first + k] - east[i]
        dy = north[first + k] - north[i]
        dv = value[first + k] - value[i]
        distance[k] = math.sqrt(dx * dx + dy * dy)
        square[k] = dv * dv


@njit(cache=True, nogil=True)
def pairs_chunk(first_row, last_row, east, north, value, start, rows, cols, reach, edges):  # type: ignore[no-untyped-def]
    """Pairs, distances and squared differences by bin, of the points of some rows of buckets with all later ones."""
    bins = len(edges) - 1
    pairs = np.zeros((4, bins), np.int64)  # four of each, so that one addition need not wait for the last
    distances = np.zeros((4, bins))
    squares = np.zeros((4, bins))
    cutoff = edges[bins]
    scale = bins / cutoff
    distance = np.empty(512)
    square = np.empty(512)
    for row in range(first_row, last_row):
        for col in range(cols):
            for other in range(row, min(row + reach, rows - 1) + 1):
                here = other * cols
                begin = start[here + max(col - reach, 0)]
                end = start[here + min(col + reach, cols - 1) + 1]
                for i in range(start[row * cols + col], start[row * cols + col + 1]):
                    at = max(begin, i + 1)
                    while at < end:
                        upto = min(at + 512, end)
                        _differences(i, at, upto, east, north, value, distance, square)
                        for k in range(upto - at):
                            d = distance[k]
                            if d > cutoff or d == 0.0:
                                continue
                            b = min(int(d * scale), bins - 1)
                            if d <= edges[b]:
                                b -= 1
                            elif d > edges[b + 1]:
                                b += 1
                            pairs[k & 3, b] += 1
                            distances[k & 3, b] += d
                            squares[k & 3, b] += square[k]
                        at = upto
    for way in range(1, 4):
        for b in range(bins):
            pairs[0, b] += pairs[way, b]
            distances[0, b] += distances[way, b]
            squares[0, b] += squares[way, b]
    return pairs[0], distances[0], squares[0]


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
        have = _nearest(
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
