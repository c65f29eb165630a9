"""Readings of another unit scattered over the field, with no word, date, order or side that tells them apart."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

from vrn.ingest.mixed import TwoUnits

# Of 1,600 simulated fields (8 to 60 readings, coefficient of variation 20 to 80 %) as nature makes them, none gave more
# than _SURE and 7.5 % more than _ASK (1.7 % of those that vary by less than 60 %); of the same fields with half of the
# readings in lb/ac, 96 % gave more than _ASK and 38 % more than _SURE. Where a field varies by more than the factor
# itself, the two cannot be told apart.
_SURE, _ASK = 4.0, 0.0  # logarithm of how much more likely the readings are in two units than in one
_MOST_READINGS = 60  # looked at; of more, as many at random
_WAYS = 32  # ways to part the readings that are followed at once
_SPREADS = np.array([0.15, 0.25, 0.37, 0.5, 0.66, 0.9])  # of the logarithms of a field's readings
_USUAL, _UNUSUAL = 0.42, 0.45  # nitrate varies by 20 to 80 % in a field, most often by 40: common practice, no source
_RANGES = (0.0, 0.1, 0.3)  # of the correlation, in diameters of the field
_NUGGETS = (0.15, 0.5)  # share of the variance without correlation
_ALIKE = 0.25  # logarithms of factors that no few readings tell apart: 3.7 from 4.1 from 4.4
_BEYOND = 0.1  # logarithm by which a known factor may be above the whole range of the readings
_LEVEL = 3.0  # how far the middle of the logarithms may lie from that of the readings

Array = NDArray[np.float64]


def scattered_units(ppm: Array, coordinates_m: Array, factors: Sequence[tuple[float, str]]) -> TwoUnits | None:
    """
    Look for readings of another unit, whichever they are, among the readings of one depth.

    Parameters
    ----------
    ppm : ndarray, shape (n,)
        Above 0.
    coordinates_m : ndarray, shape (n, 2)
    factors : sequence of (float, str)
        Known ones, as `known_factors` gives them.

    Returns
    -------
    found : TwoUnits or None

    Notes
    -----
    Logarithms of the readings are a level and a spatially correlated rest, whose spread is one that fields have. How
    likely the readings are so is set against how likely they are when some, any of them, are a known factor higher;
    that is a sum over all ways to choose them, found by following some ways from reading to reading, each as often as
    it is likely (sequential imputation: Kong, Liu & Wong 1994, J. Am. Stat. Assoc. 89, 278–288). A share of them is as
    likely as any other share.
    """
    take = np.sort(np.random.default_rng(0).permutation(len(ppm))[:_MOST_READINGS])
    y, xy = np.log(ppm[take]), coordinates_m[take]
    steps = [step for step in _steps(factors) if step <= np.ptp(y) + _BEYOND]
    if not steps or len(y) < 2:
        return None
    lower, weight = _fields(xy)
    with threadpool_limits(1):  # small systems: threads that wait for each other cost more than they save
        residual = np.linalg.solve(lower, np.broadcast_to(y - y.mean(), (len(lower), len(y)))[..., None])[..., 0]
        heights = -0.5 * (residual**2).sum(axis=1) - np.log(np.diagonal(lower, axis1=1, axis2=2)).sum(axis=1)
        plain = np.logaddexp.reduce(heights + weight)
        tried = [_followed(y - y.mean(), lower, weight, step) for step in steps]
    at = int(np.argmax([height for height, _ in tried]))
    (height, higher), step = tried[at], steps[at]
    if height - plain <= _ASK:
        return None
    if higher.all() or not higher.any():
        higher = y > y.min() + step / 2
    apart = y[higher].mean() - y[~higher].mean()
    near = [one for one in factors if abs(np.log(one[0]) - step) < _ALIKE]
    factor, what = min(near, key=lambda one: abs(np.log(one[0]) - apart))
    high = np.zeros(len(ppm), dtype=bool)
    high[take] = higher
    lone = min(int(high.sum()), int((~high[take]).sum())) < 2  # one odd reading may be a slip of the pen
    sure = bool(height - plain > _SURE) and not lone
    return TwoUnits(factor=factor, what=what, group="their values", high=high, sure=sure)


def _steps(factors: Sequence[tuple[float, str]]) -> list[float]:
    """Logarithms of the factors, those near each other as one."""
    groups: list[list[float]] = []
    for step in sorted(float(np.log(factor)) for factor, _ in factors):
        if groups and step - groups[-1][0] < _ALIKE:
            groups[-1].append(step)
        else:
            groups.append([step])
    return [float(np.mean(group)) for group in groups]


def _fields(xy: Array) -> tuple[Array, Array]:
    """Cholesky factors of the covariances that a field may have, and the logarithm of how likely each is."""
    away = np.hypot(*(xy[:, None, :] - xy[None, :, :]).transpose(2, 0, 1))
    across, one = max(float(away.max()), 1e-9), np.eye(len(xy))
    shapes = [one]
    for reach in _RANGES[1:]:
        smooth = np.exp(-away / (reach * across))
        shapes += [(1.0 - nugget) * smooth + (nugget + 1e-9) * one for nugget in _NUGGETS]
    usual = -0.5 * (np.log(_SPREADS / _USUAL) / _UNUSUAL) ** 2
    covers = np.array([spread**2 * shape + _LEVEL**2 for shape in shapes for spread in _SPREADS])
    weight = np.tile(usual, len(shapes))
    return np.linalg.cholesky(covers), weight - np.logaddexp.reduce(weight)


def _followed(y: Array, lower: Array, weight: Array, step: float) -> tuple[float, NDArray[np.bool_]]:
    """Log-likelihood where any readings are a step higher, and which they are in most of the ways followed."""
    rng = np.random.default_rng(0)  # the same ways in every run
    count, fields = len(y), np.arange(len(lower))[:, None]
    rest = np.zeros((len(lower), _WAYS, count))  # whitened, of each field and way
    stepped = np.zeros((len(lower), _WAYS))  # readings of each way that are higher
    total = np.zeros(len(lower))
    steps: list[tuple[NDArray[np.intp], NDArray[np.bool_]]] = []
    for i in range(count):
        spread = lower[:, i, i, None]
        as_is = (y[i] - (rest[:, :, :i] @ lower[:, i, :i, None])[..., 0]) / spread
        lowered = as_is - step / spread
        chance = (stepped + 1.0) / (i + 2.0)
        stay, rise = np.log1p(-chance) - 0.5 * as_is**2, np.log(chance) - 0.5 * lowered**2
        either = np.logaddexp(stay, rise)
        top = either.max(axis=1, keepdims=True)
        share = np.exp(either - top)
        total += top[:, 0] + np.log(share.mean(axis=1)) - np.log(spread[:, 0])
        reached = np.cumsum(share, axis=1) / share.sum(axis=1, keepdims=True) + fields
        marks = (rng.random((len(lower), 1)) + np.arange(_WAYS)) / _WAYS + fields
        kept = np.clip(np.searchsorted(reached.ravel(), marks) - fields * _WAYS, 0, _WAYS - 1)
        up = rng.random(kept.shape) < np.exp(rise - either)[fields, kept]
        rest[:, :, :i] = rest[fields, kept, :i]
        rest[:, :, i] = np.where(up, lowered[fields, kept], as_is[fields, kept])
        stepped = stepped[fields, kept] + up
        steps.append((kept, up))
    best = int(np.argmax(total + weight))
    often, ways = np.zeros(count), np.arange(_WAYS)
    for i in reversed(range(count)):  # back along each way that is left
        kept, up = steps[i]
        often[i], ways = up[best, ways].mean(), kept[best, ways]
    return float(np.logaddexp.reduce(total + weight)), often > 0.5
