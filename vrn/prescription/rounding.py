"""Rates rounded to the machine's step so that the field's total stays what it was."""

import itertools
import math

import numpy as np

_CLOSE = 1e-9
_ALL_WAYS = 12  # zones up to which every way of rounding is looked at


def rounded(rates: list[float], acres: list[float], windows: list[tuple[float, float]], *, step: float) -> list[float]:
    """
    Multiples of the step, each next to its rate, with the field's total kept.

    Parameters
    ----------
    rates : list of float, length k
        Within their limits. [lb/ac]
    acres : list of float, length k
        [ac]
    windows : list of (least, most), length k
        Limits of a rate above 0, multiples of the step. [lb/ac]
    step : float
        [lb/ac]

    Returns
    -------
    rates : list of float, length k

    Notes
    -----
    Each rate goes to the multiple below or above it. Among the ways that move the field's total by no more than half a
    step on its largest zone, the one that moves the pounds least, zone by zone, is taken. One such way always exists
    where no limit is in the way: raise the zones one after another from all down to all up; each moves the total by at
    most a step on the largest zone, so one of the two totals around zero is within half of it.

    Examples
    --------
    Rounded one by one, 102, 102 and 107.4 would lose 6.4 lb in all (100, 100, 105); raising 107.4 instead loses 1.4:

    >>> rounded([102.0, 102.0, 107.4], [1.0, 1.0, 1.0], [(5.0, 200.0)] * 3, step=5.0)
    [100.0, 100.0, 110.0]
    """
    ways = [_neighbours(rate, window, step) for rate, window in zip(rates, windows, strict=True)]
    nearest = [min(way, key=lambda r, rate=rate: (abs(r - rate), r)) for way, rate in zip(ways, rates, strict=True)]  # type: ignore[misc]
    bound = 0.5 * step * max(acres, default=0.0) + _CLOSE
    open_zones = [i for i, way in enumerate(ways) if len(way) > 1]
    weight = np.array(acres)
    wanted = np.array(rates)

    def moved(result: list[float]) -> float:
        return float(abs(np.sum(weight * (np.array(result) - wanted))))

    if moved(nearest) <= bound:
        return nearest
    if len(open_zones) > _ALL_WAYS:
        return _greedy(nearest, rates, acres, ways, bound)

    def worth(result: list[float]) -> tuple[float, float]:
        pounds = float(np.sum(weight * np.abs(np.array(result) - wanted)))
        return max(moved(result) - bound, 0.0), round(pounds, 9)

    best, least = nearest, worth(nearest)
    for choice in itertools.product(*(ways[i] for i in open_zones)):
        result = list(nearest)
        for i, rate in zip(open_zones, choice, strict=True):
            result[i] = rate
        if (here := worth(result)) < least:
            best, least = result, here
    return best


def _neighbours(rate: float, window: tuple[float, float], step: float) -> tuple[float, ...]:
    """Multiples of the step next to a rate, within its limits."""
    if rate <= 0:
        return (0.0,)
    low, high = window
    below = math.floor(rate / step + _CLOSE) * step
    ways = {min(max(way, low), high) for way in (below, below if abs(rate - below) < _CLOSE else below + step)}
    return tuple(sorted(round(way, 9) for way in ways))


def _greedy(
    nearest: list[float], rates: list[float], acres: list[float], ways: list[tuple[float, ...]], bound: float
) -> list[float]:
    """Turn the zones nearest to the middle between two steps, one after another, until the total is close enough."""
    result = list(nearest)
    off = sum(a * (r - x) for a, r, x in zip(acres, result, rates, strict=True))
    costs = sorted((abs(2 * rates[i] - sum(way)) * acres[i], i) for i, way in enumerate(ways) if len(way) > 1)
    for _, i in costs:
        if abs(off) <= bound:
            break
        other = ways[i][0] if result[i] == ways[i][1] else ways[i][1]
        change = acres[i] * (other - result[i])
        if abs(off + change) < abs(off):
            result[i] = other
            off += change
    return result
