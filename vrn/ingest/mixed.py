"""Readings of two units in one file: in halves, or scattered among each other."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

from vrn.model.samples import SoilSamples
from vrn.units import LB_AC_KG_HA, LB_AC_PER_PPM_IN, NO3_N_SHARE

SIDES = ("east and west", "north and south")
_FEWEST = 3  # readings of a part
_FEWEST_PAIRS, _ALIKE = 4, 0.5  # places with two depths, and how far their log ratios may spread
_IN_STEP = 0.1  # spread of log ratios below which two depths are in step, as no field's are
_LEAST_SHARE = 0.15  # of the readings in the smaller part
_MOST_READINGS = 120  # compared at once; of more, as many at random
_LEAST_FACTOR = 2.5  # parts of a field often differ by less than this of themselves: common practice, no source
_GAIN_GROUP, _GAIN_ORDER = 4.5, 7.0  # of log-likelihood, tuned to false alarms on simulated fields
_DOUBT = 1.5  # short of that gain by so much it is a question
_OFF = 3.5  # log-likelihood that the best free factor may gain over the known one
_NEAR = (-0.1, -0.05, 0.0, 0.05, 0.1)  # logarithms about a factor: pounds are also counted as 3.6 or 4 to the ppm
_RANGES = (0.0, 0.08, 0.2, 0.5)  # of the correlation, in diameters of the field
_NUGGETS = (0.15, 0.5)  # share of the variance without correlation


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoUnits:
    """
    Two parts of the readings that a known factor parts.

    Parameters
    ----------
    factor : float
        The known one.
    what : str
        What it is between, as ``"NO3 and NO3-N"``.
    group : str
        What tells the parts apart.
    high : ndarray of bool, shape (n,)
        Readings of the higher part.
    sure : bool
        Whether chance seldom makes two such parts; else it is a question.
    """

    factor: float
    what: str
    group: str
    high: NDArray[np.bool_]
    sure: bool


def known_factors(*, thickness_in: float, bulk_density_g_cm3: float) -> tuple[tuple[float, str], ...]:
    """Factors between the ways to write the nitrate of a core; 2 and its like are left out, as fields hold them."""
    pounds = LB_AC_PER_PPM_IN * thickness_in * bulk_density_g_cm3
    every = (
        (1.0 / NO3_N_SHARE, "NO3 and NO3-N"),
        (pounds, "a rate in lb/ac and ppm"),
        (pounds * LB_AC_KG_HA, "a rate in kg/ha and ppm"),
        (10.0, "a slipped decimal point"),
        (100.0, "a slipped decimal point"),
        (1000.0, "ppb, or mg for g, and ppm"),
    )
    return tuple((factor, what) for factor, what in every if factor >= _LEAST_FACTOR)


def two_units(
    ppm: NDArray[np.float64],
    coordinates_m: NDArray[np.float64],
    labels: Sequence[tuple[str, Sequence[object]]],
    factors: Sequence[tuple[float, str]],
) -> TwoUnits | None:
    """
    Look for two kinds of unit among the readings of one depth.

    Parameters
    ----------
    ppm : ndarray, shape (n,)
        Above 0, in the order of the file.
    coordinates_m : ndarray, shape (n, 2)
    labels : sequence of (str, sequence of object)
        What groups readings, as the date, and the value of each reading.
    factors : sequence of (float, str)

    Returns
    -------
    found : TwoUnits or None

    Notes
    -----
    Logarithms of the readings are a mean and a spatially correlated rest (exponential, with a nugget). For each way of
    parting the readings (by label; by row, easting or northing at any place) the likelihood with the known factor taken
    out is set against the likelihood without, each at its best correlation. A part of a field that is higher by nature
    is a matter of correlation; a change of unit is not.
    """
    take = np.sort(np.random.default_rng(0).permutation(len(ppm))[:_MOST_READINGS])
    y, xy = np.log(ppm[take]), coordinates_m[take]
    parts = list(_parts(y, xy, [(name, [values[i] for i in take]) for name, values in labels]))
    if not parts:
        return None
    masks = np.array([mask for _, _, mask in parts], dtype=float)
    steps = np.log([factor for factor, _ in factors])
    near = np.repeat(steps, len(_NEAR)) + np.tile(_NEAR, len(steps))
    with threadpool_limits(1):  # small systems: threads that wait for each other cost more than they save
        plain, stepped, free = _likelihoods(y, xy, masks, near)
    needed = np.array([gain for _, gain, _ in parts])
    gain = np.where(free[:, None] - stepped <= _OFF, stepped - plain, -np.inf) - needed[:, None]
    at, place = np.unravel_index(int(np.argmax(gain)), gain.shape)
    if gain[at, place] <= -_DOUBT:
        return None
    which = int(place) // len(_NEAR)
    high = np.zeros(len(ppm), dtype=bool)
    high[take] = parts[at][2]
    return TwoUnits(
        factor=factors[which][0], what=factors[which][1], group=parts[at][0], high=high, sure=bool(gain[at, place] > 0)
    )


def deeper_in_another_unit(readings: SoilSamples, bulk_density_g_cm3: float) -> tuple[float, str]:
    """
    How many times deeper cores hold what the ones over them do, and what such a factor is between, empty if unknown.

    Less deep than above is usual: a known factor less is one of units only where every place has it. Deeper cores that
    hold more than those above, or as little as the least factor less, alike all over the field, are told by how much;
    1 without them.
    """
    depths = readings.depths_in()
    most = least = 1.0
    places = [tuple(place) for place in readings.coordinates_m.round(1).tolist()]
    for (top, bottom), (deep_top, deep_bottom) in pairwise(depths):
        above, below = (
            {
                places[i]: float(readings.nitrate_ppm[i])
                for i in np.flatnonzero((readings.top_in == one) & (readings.bottom_in == end))
            }
            for one, end in ((top, bottom), (deep_top, deep_bottom))
        )
        steps = np.log([below[place] / above[place] for place in above if place in below])
        if len(steps) < _FEWEST_PAIRS:
            continue
        if steps.std() > _ALIKE:  # no one factor is between them; by how much at least they hold more, is known
            most = max(most, float(np.exp(steps.mean() - 2 * steps.std() / np.sqrt(len(steps)))))
            continue
        known = known_factors(thickness_in=deep_bottom - deep_top, bulk_density_g_cm3=bulk_density_g_cm3)
        for factor, what in known:
            if abs(steps.mean() - np.log(factor)) < _NEAR[-1] + 2 * steps.std() / np.sqrt(len(steps)):
                return factor, what
            if abs(steps.mean() + np.log(factor)) < _NEAR[-1] and steps.std() < _IN_STEP:
                return 1.0 / factor, what
        ratio = float(np.exp(steps.mean()))
        most = max(most, ratio)
        if np.log(ratio) < _NEAR[-1] - np.log(min(factor for factor, _ in known)):
            least = min(least, ratio)
    return (least, "") if least < 1.0 else (most, "")


def _parts(
    y: NDArray[np.float64], xy: NDArray[np.float64], labels: Sequence[tuple[str, Sequence[object]]]
) -> Iterator[tuple[str, float, NDArray[np.bool_]]]:
    """Every way to part the readings, the higher part marked: its name, the gain it needs, the mark."""
    fewest = max(_FEWEST, int(np.ceil(_LEAST_SHARE * len(y))))

    def marked(name: str, gain: float, mask: NDArray[np.bool_]) -> Iterator[tuple[str, float, NDArray[np.bool_]]]:
        if fewest <= mask.sum() <= len(y) - fewest:
            yield name, gain, mask if y[mask].mean() > y[~mask].mean() else ~mask

    for name, values in labels:
        marks = {
            str(value): np.array([str(one) == str(value) for one in values])
            for value in dict.fromkeys(values)
            if value is not None and value != ""
        }
        for value, mask in sorted(
            marks.items(), key=lambda item: (-y[item[1]].mean(), item[0])
        ):  # the higher one first
            yield from marked(f"{name} {value}", _GAIN_GROUP, mask)
    orders = (("the order of the rows", np.arange(len(y))), *zip(SIDES, xy.T, strict=True))
    for name, order in orders:
        ranks = np.argsort(np.argsort(order, kind="stable"), kind="stable")
        for cut in range(fewest, len(y) - fewest + 1):
            yield from marked(name, _GAIN_ORDER, ranks < cut)


def _likelihoods(
    y: NDArray[np.float64], xy: NDArray[np.float64], masks: NDArray[np.float64], steps: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64], NDArray[np.float64]]:
    """Best log-likelihood without a step, (p, f) with each known one on each part, (p,) with a free one."""
    n = len(y)
    distance = np.hypot(*(xy[:, None, :] - xy[None, :, :]).transpose(2, 0, 1))
    across = max(float(distance.max()), 1e-9)
    plain, stepped, free = -np.inf, np.full((len(masks), len(steps)), -np.inf), np.full(len(masks), -np.inf)
    for reach in _RANGES:
        for nugget in _NUGGETS if reach else (1.0,):
            smooth = np.exp(-distance / (reach * across)) if reach else np.zeros((n, n))
            lower = np.linalg.cholesky((1.0 - nugget) * smooth + (nugget + 1e-9) * np.eye(n))
            white = np.linalg.solve(lower, np.column_stack([np.ones(n), y, masks.T]))
            one = white[:, 0] / np.linalg.norm(white[:, 0])
            rest = white[:, 1:] - np.outer(one, one @ white[:, 1:])
            known, marks = rest[:, 0], rest[:, 1:]
            yy, ym, mm = float(known @ known), marks.T @ known, (marks**2).sum(axis=0)
            base = -np.log(np.diag(lower)).sum()

            def height(left: NDArray[np.float64] | float, base: float = base) -> NDArray[np.float64]:
                return np.asarray(base - 0.5 * n * np.log(np.maximum(left, 1e-6 * n) / n))

            plain = max(plain, float(height(yy)))
            stepped = np.maximum(stepped, height(yy - 2 * np.outer(ym, steps) + np.outer(mm, steps**2)))
            free = np.maximum(free, height(yy - ym**2 / np.maximum(mm, 1e-12)))
    return plain, stepped, free


# Of 1,600 simulated fields (8 to 60 readings, coefficient of variation 20 to 80 %) as nature makes them, none gave more
# than _SURE and 7.5 % more than _ASK (1.7 % of those that vary by less than 60 %); of the same fields with half of the
# readings in lb/ac, 96 % gave more than _ASK and 38 % more than _SURE. Where a field varies by more than the factor
# itself, the two cannot be told apart.
_SURE, _ASK = 4.0, 0.0  # logarithm of how much more likely the readings are in two units than in one
_MOST_SCATTERED = 60  # looked at; of more, as many at random
_WAYS = 32  # ways to part the readings that are followed at once
_SPREADS = np.array([0.15, 0.25, 0.37, 0.5, 0.66, 0.9])  # of the logarithms of a field's readings
_USUAL, _UNUSUAL = 0.42, 0.45  # nitrate varies by 20 to 80 % in a field, most often by 40: common practice, no source
_REACHES = (0.0, 0.1, 0.3)  # of the correlation, in diameters of the field
_UNRELATED = (0.15, 0.5)  # share of the variance without correlation
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
    take = np.sort(np.random.default_rng(0).permutation(len(ppm))[:_MOST_SCATTERED])
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
    for reach in _REACHES[1:]:
        smooth = np.exp(-away / (reach * across))
        shapes += [(1.0 - nugget) * smooth + (nugget + 1e-9) * one for nugget in _UNRELATED]
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
