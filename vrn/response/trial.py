"""What one nitrogen trial says of the rate at which yield levels off: a likelihood on a grid, nothing optimised."""

import dataclasses
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from vrn.errors import OutOfRangeError
from vrn.response.loss import Response

Array = NDArray[np.float64]

TOPS_LB_AC: Final = np.arange(-80.0, 401.0, 8.0)
"""Rates T at which yield could level off. A grid that ended at the highest rate tried would forbid "more"."""
STEPS: Final = np.linspace(-3.0, 3.0, 13)
SMOOTH: Final = (float(np.log(0.0018)), 0.6)
"""Middle and spread of the log of c in a − c (T − N)² [bu/ac per (lb/ac)²]: Engelstad and Parks (1971)."""
KINKED: Final = (float(np.log(0.8)), 0.4)
"""Middle and spread of the log of b in a − b (T − N), bu/lb: an assumption of this project."""
_RANGES_FT: Final = (60.0, 150.0, 300.0, 600.0, 1200.0)
_NUGGETS: Final = (0.2, 0.5, 0.8, 0.999)
_NOISE_PLOTS: Final = 4
"""How many plots the usual noise is worth: an assumption of this project."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """
    One harvested plot: what it got in this pass, what it yielded, and where its middle lies.

    Parameters
    ----------
    n_lb_ac : float
        As applied. [lb N/ac]
    yield_bu_ac : float
        Dry. [bu/ac]
    block : str or int
        Plots of a block share a level of yield.
    x_ft, y_ft : float, optional
        Plots of a trial without places count as independent.
    """

    n_lb_ac: float
    yield_bu_ac: float
    block: str | int = 1
    x_ft: float | None = None
    y_ft: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """
    Plots of one zone in one season, and what the nitrogen budget said there before.

    Parameters
    ----------
    field, zone : str
    season : int
    need_lb_ac : float
        Need by the budget, nothing learned in it. [lb N/ac]
    plots : tuple of Plot
    supplies, typical : mapping
        What each source took off the need here, and in the usual zone of the farm, as positive pounds: keys
        ``soil_nitrate`` (all depths), ``mineralization``, ``credit_…``. [lb N/ac]

    Raises
    ------
    OutOfRangeError
        If a number is not finite, or plots are too few or too alike to say anything.
    """

    field: str
    zone: str
    season: int
    need_lb_ac: float
    plots: tuple[Plot, ...]
    supplies: Mapping[str, float] = dataclasses.field(default_factory=dict)
    typical: Mapping[str, float] = dataclasses.field(default_factory=dict)

    def __post_init__(self) -> None:
        numbers = [self.need_lb_ac, *self.supplies.values(), *self.typical.values()]
        for plot in self.plots:
            numbers += [plot.n_lb_ac, plot.yield_bu_ac, plot.x_ft or 0.0, plot.y_ft or 0.0]
        if not np.isfinite(numbers).all():
            problem = f"The trial in {self.field}, zone {self.zone}, {self.season} holds a number that is not finite."
            raise OutOfRangeError(
                problem, "Leave out plots without a rate or a yield, and supplies that are not known."
            )
        blocks = {plot.block for plot in self.plots}
        if len(self.plots) < len(blocks) + 2 or len({plot.n_lb_ac for plot in self.plots}) < 2:
            problem = f"The trial in {self.field}, zone {self.zone}, {self.season} has too few plots or a single rate."
            raise OutOfRangeError(problem, "Give at least two more plots than blocks, and two rates.")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Likelihood:
    """
    Log likelihood of a trial where yield levels off at T, for a smooth and a kinked response.

    Parameters
    ----------
    smooth, kinked : ndarray, shape (61, 13)
        By `TOPS_LB_AC` and by the middle of `SMOOTH` or `KINKED` plus its spread times `STEPS`.
    """

    smooth: Array
    kinked: Array

    def top(
        self, *, mean_lb_ac: float, sd_lb_ac: float, kink_weight: float = 0.25
    ) -> tuple[float, float]:  # fmt: skip
        """Mean and standard deviation of T where it was thought to be about a mean before the trial. [lb/ac]"""
        prior = -0.5 * ((TOPS_LB_AC - mean_lb_ac) / sd_lb_ac) ** 2
        steps = -0.5 * STEPS**2
        whole = np.zeros(len(TOPS_LB_AC))
        highest = max(float(self.smooth.max()), float(self.kinked.max()))
        for values, share in ((self.smooth, 1 - kink_weight), (self.kinked, kink_weight)):
            whole += share * np.exp(values - highest + prior[:, None] + steps).sum(axis=1)
        whole /= whole.sum()
        mean = float(whole @ TOPS_LB_AC)
        return mean, float(np.sqrt(whole @ (TOPS_LB_AC - mean) ** 2))


def likelihood_of(trial: Trial, *, noise_bu_ac: float = 8.0) -> Likelihood:
    """
    Likelihood of the rate at which yield levels off, with ground that is alike where it is near.

    Yields are a level for each block, a response below T, and an error that is correlated over the ground. The level is
    integrated out, the size of the error too; over ranges and shares of the correlation the likelihood is averaged.

    Parameters
    ----------
    trial : Trial
    noise_bu_ac : float
        Usual noise of a plot, worth four plots. [bu/ac]

    References
    ----------
    Restricted likelihood: Harville (1974), Biometrika 61:383.

    Examples
    --------
    Yields level off at 120 lb/ac; before the trial anything about 150 ± 50 lb/ac was likely:

    >>> plots = [Plot(n_lb_ac=n, yield_bu_ac=200 - 0.002 * max(120.0 - n, 0) ** 2) for n in (0, 40, 80, 120, 160) * 4]
    >>> grid = likelihood_of(Trial(field="A", zone="1", season=2025, need_lb_ac=150.0, plots=tuple(plots)))
    >>> [round(value) for value in grid.top(mean_lb_ac=150.0, sd_lb_ac=50.0)]
    [126, 17]
    """
    rates = np.array([plot.n_lb_ac for plot in trial.plots], dtype=float)
    yields = np.array([plot.yield_bu_ac for plot in trial.plots], dtype=float)
    names = sorted({str(plot.block) for plot in trial.plots})
    levels = np.array([[str(plot.block) == name for name in names] for plot in trial.plots], dtype=float)
    short = np.maximum(TOPS_LB_AC[:, None] - rates, 0.0)
    slopes = [np.exp(middle + spread * STEPS) for middle, spread in (SMOOTH, KINKED)]
    found: list[list[Array]] = [[], []]
    for correlation in _correlations(trial.plots):
        inverse = np.linalg.inv(correlation)
        inner = levels.T @ inverse @ levels
        rest = inverse - inverse @ levels @ np.linalg.solve(inner, levels.T @ inverse)
        size = -0.5 * (np.linalg.slogdet(correlation)[1] + np.linalg.slogdet(inner)[1])
        power = 0.5 * (len(rates) - len(names) + _NOISE_PLOTS)
        for form, shape in enumerate((-(short**2), -short)):
            cross, square = shape @ (rest @ yields), ((shape @ rest) * shape).sum(axis=1)
            left = yields @ rest @ yields - 2 * np.outer(cross, slopes[form]) + np.outer(square, slopes[form] ** 2)
            found[form].append(size - power * np.log(np.maximum(left, 0.0) + _NOISE_PLOTS * noise_bu_ac**2))
    smooth, kinked = (logsumexp(np.array(each), axis=0) - np.log(len(each)) for each in found)
    return Likelihood(smooth=smooth, kinked=kinked)


def _correlations(plots: tuple[Plot, ...]) -> list[Array]:
    places = [(plot.x_ft, plot.y_ft) for plot in plots if plot.x_ft is not None and plot.y_ft is not None]
    if len(places) < len(plots):
        return [np.eye(len(plots))]
    where = np.array(places, dtype=float)
    apart = np.hypot(*(where[:, None] - where).transpose(2, 0, 1))
    own = np.eye(len(plots))
    return [(1 - share) * np.exp(-3 * apart / reach) + share * own for reach in _RANGES_FT for share in _NUGGETS]


Rectangle = tuple[tuple[int, ...], ...]
"""Rank of the rate of each plot of a block, a row for each pass."""
_NEXT_LB_AC: Final = 28.0  # T lies about this far above the rate that pays, under a smooth response
_T_SD_LB_AC: Final = 40.0  # what is thought of T before the trial
_NOISE_BU_AC, _REACH_FT, _OWN_SHARE = 8.0, 400.0, 0.5  # of a plot's yield: assumed by this project


@cache
def rectangles(passes: int, count: int) -> tuple[Rectangle, ...]:
    """
    Every way to lay ``count`` rates in each of some passes, none twice in a column, neighbours two ranks apart at most.

    Of the 120 orders of five rates 20 keep the jump, and 240 sets of four of them keep the columns:

    >>> len(rectangles(4, 5))
    240
    """
    orders = [order for order in itertools.permutations(range(count)) if np.abs(np.diff(order)).max() <= 2]
    found: list[Rectangle] = [()]
    for _ in range(passes):
        found = [
            (*rows, order) for rows in found for order in orders
            if all(order[column] != row[column] for row in rows for column in range(count))
        ]  # fmt: skip
    return tuple(found)


def best_rectangle(
    rates: Sequence[float], passes: int, *, recommended: float, width_ft: float, length_ft: float,
    layers: Sequence[Array] = (),
) -> Rectangle:  # fmt: skip
    """
    The way to lay the rates that is expected to tell most of T, the rate at which yield levels off.

    ``layers``: what the ground differs in, plot by plot, shape (passes × rates,). The first of equals is taken: nothing
    is drawn by chance.
    """
    ways = rectangles(passes, len(rates))
    scores = [_score(np.array(way), np.array(rates), recommended, width_ft, length_ft, layers) for way in ways]
    return ways[int(np.argmin(np.round(scores, 9)))]


def _score(
    way: NDArray[np.intp], rates: Array, recommended: float, width_ft: float, length_ft: float, layers: Sequence[Array]
) -> float:
    """sd(T) × (1 + the worst correlation of the rates with place or layer) + half the mean jump in ranks."""
    rows, cols = way.shape
    row, col = np.repeat(np.arange(rows), cols).astype(float), np.tile(np.arange(cols), rows).astype(float)
    rate = rates[way.ravel()]
    beside = [one for one in map(_standard, layers) if one is not None]
    crossed = (row - row.mean()) * (col - col.mean())
    confounded = [abs(float(np.mean(_unit(rate) * _unit(one)))) for one in (row, col, crossed, *beside)]
    apart = np.hypot((row[:, None] - row) * width_ft, (col[:, None] - col) * length_ft)
    noise = _NOISE_BU_AC**2 * ((1 - _OWN_SHARE) * np.exp(-3 * apart / _REACH_FT) + _OWN_SHARE * np.eye(len(rate)))
    still = np.column_stack([np.ones(len(rate)), _unit(row), _unit(col), *beside])
    jump = float(np.abs(np.diff(way, axis=1)).mean())
    return _sd_of_top(rate, recommended, still, np.linalg.inv(noise)) * (1 + max(confounded)) + 0.5 * jump


def _sd_of_top(rate: Array, recommended: float, still: Array, weights: Array) -> float:
    """Expected standard deviation of T after the trial, over places where T may lie. [lb/ac]"""
    curvature, shape_sd = math.exp(SMOOTH[0]), SMOOTH[1]
    found = []
    for off in (-60.0, -30.0, 0.0, 30.0, 60.0):
        short = np.maximum(recommended + _NEXT_LB_AC + off - rate, 0.0)
        design = np.column_stack([-2 * curvature * short, -curvature * short**2, still])
        precision = design.T @ weights @ design
        precision[np.diag_indices(len(precision))] += [_T_SD_LB_AC**-2, shape_sd**-2, *[1e-9] * still.shape[1]]
        found.append(math.sqrt(np.linalg.inv(precision)[0, 0]))
    return float(np.mean(found))


def _unit(values: Array) -> Array:
    """Values about their mean in their standard deviations; 0 where all are alike."""
    spread = values.std()
    return (values - values.mean()) / spread if spread > 1e-9 else np.zeros_like(values)


def _standard(values: Array) -> Array | None:
    """A layer's plot means in standard deviations; None where it is unknown or does not differ."""
    return _unit(values) if np.isfinite(values).all() and values.std() > 1e-6 * max(abs(values.mean()), 1.0) else None


_FIELDS, _ZONES = 3, 3  # of a farm, each with corn
_SPREADS: Final = {"level": 20.0, "field": 12.0, "zone": 10.0, "season": 22.0, "own": 18.0}
"""How far T strays [lb/ac]: assumptions of this project, by which a trial's gain is worked out before it is laid."""
BLOCK_SE: Final = 30.0
PAIR_SE: Final = 50.0
"""Error of T from a block of 20 plots, and from a pair of check strips [lb/ac]: simulations of this project."""


def expected_gain(
    blocks: int, *, error_lb_ac: float = BLOCK_SE, seasons: int = 1, corn_per_bu: float, n_per_lb: float
) -> float:  # fmt: skip
    """
    What trial blocks are expected to bring in each acre of the next season's corn, at least. [$/ac]

    The rate that pays is missed by less where T is known better, on a farm of three fields with three zones each. Every
    season one field has the blocks, in zones of their own. Only the level is counted, not shape or worth of supplies.

    Parameters
    ----------
    blocks : int
        In a season.
    error_lb_ac : float
        Of T from one of them. [lb/ac]
    seasons : int
        Seasons that have such blocks.

    Examples
    --------
    A block in one season, in two, and two blocks in one; corn at 4.40 $/bu, nitrogen at 0.60 $/lb:

    >>> each = [(1, 1), (1, 2), (2, 1)]
    >>> [round(expected_gain(b, seasons=s, corn_per_bu=4.40, n_per_lb=0.60), 2) for b, s in each]
    [0.67, 1.16, 0.94]
    """
    places = [(season, season % _FIELDS, (season // _FIELDS * blocks + block) % _ZONES)
              for season in range(seasons) for block in range(blocks)]  # fmt: skip
    squares = {name: spread**2 for name, spread in _SPREADS.items()}

    def alike(one: tuple[int, int], other: tuple[int, int]) -> float:
        return squares["level"] + (one[0] == other[0]) * (squares["field"] + (one[1] == other[1]) * squares["zone"])

    seen = np.array([[alike(a[1:], b[1:]) + (a[0] == b[0]) * squares["season"] for b in places] for a in places])
    seen += (squares["own"] + error_lb_ac**2) * np.eye(len(places))
    before = sum(squares.values())
    response = Response(curvature=math.exp(SMOOTH[0] + SMOOTH[1] ** 2 / 2), kink_weight=0.0)

    def lost(variance: float) -> float:
        return response.least_loss_bu_ac(math.sqrt(variance), ratio=n_per_lb / corn_per_bu)

    after = []
    for place in np.ndindex(_FIELDS, _ZONES):
        shared = np.array([alike((place[0], place[1]), one[1:]) for one in places])
        after.append(lost(before - float(shared @ np.linalg.solve(seen, shared))))
    return corn_per_bu * (lost(before) - float(np.mean(after)))
