"""What a farm's own trials say together: level, worth of supplies and shape, and the rate that follows from them."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise, product
from typing import Final, Literal

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray
from scipy.special import logsumexp, ndtr

from vrn.errors import OutOfRangeError
from vrn.response.loss import ANCHOR, Response, crossing, held_ratio
from vrn.response.places import LearnedRate, Spread, ZoneNeed, mixture
from vrn.response.trial import KINKED, SMOOTH, STEPS, TOPS_LB_AC, Likelihood, Trial, likelihood_of

Array = NDArray[np.float64]
Form = Literal["smooth", "kinked"]

LEVEL_SD: Final = 25.0
FIELD_SD: Final = 12.0
ZONE_SD: Final = 10.0
"""Spread of what a budget is off by, on a farm, a field and a zone of it [lb/ac]. With seasons it adds up to the 40 and
more by which published tools missed measured best rates: Ransom et al. (2020), Agronomy Journal 112:4466."""
SEASON_SDS: Final = {10.0: (0.0, 17.5), 25.0: (17.5, 33.5), 42.0: (33.5, np.inf)}
OWN_SDS: Final = {10.0: (0.0, 18.0), 26.0: (18.0, np.inf)}
"""Spreads from season to season and from place to place [lb/ac], each with the span it stands for. They are averaged
over, never estimated: a few seasons cannot tell them apart. Beforehand half-normal(30), an assumption."""
KINK_SHARE: Final = 0.25
"""Belief in a kinked response before any trial. Fits cannot tell: Cerrato and Blackmer (1990), Agronomy J. 82:138."""
MOST: Final = 60.0
"""Farthest that what was learned may take a rate from the need: a choice of this project. [lb N/ac]"""
_FARM_SHARE: Final = 0.4 / np.hypot(0.4, 0.45)
_SHAPES: Final[dict[Form, tuple[float, float]]] = {"smooth": SMOOTH, "kinked": KINKED}
_SWEEPS, _DAMPING, _STILL = 12, 0.9, 1e-3
_CURVE: Final = Response(curvature=1.0, kink_weight=0.0)
_KINK: Final = Response(curvature=0.0, kink_weight=1.0, kink_slope=1.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Node:
    """One form and pair of spreads: log weight, and joint normal of all T and log shapes, before trials and after."""

    form: Form
    season_sd: float
    own_sd: float
    log_weight: float
    prior_mean: Array
    prior: Array
    mean: Array
    covariance: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Learned:
    """
    What trials say together. With none, it is what was thought before.

    Parameters
    ----------
    trials : tuple of Trial
        In the order of season, field and zone.
    anchor_lb_ac : float
        How far T, where yield levels off, was thought to lie above the budget's need. [lb N/ac]
    """

    trials: tuple[Trial, ...]
    anchor_lb_ac: float
    _nodes: tuple[_Node, ...]

    @property
    def kink_weight(self) -> float:
        """Belief that the farm's response has a kink, 0 to 1."""
        return float(sum(w for w, node in self._weighed() if node.form == "kinked"))

    def level(self, field: str | None = None) -> Spread:
        """How far the farm's T (a field's own too) lie above need and anchor, zones and seasons apart. [lb N/ac]"""
        cross = np.array([LEVEL_SD**2 + FIELD_SD**2 * (trial.field == field) for trial in self.trials])
        return self._linear(cross, LEVEL_SD**2 + FIELD_SD**2 * (field is not None))

    def shift(self, place: ZoneNeed) -> Spread:
        """How far T of a place lies above need and anchor, what zone, season and place have of their own apart."""
        cross = np.array([_alike(place, trial) - ZONE_SD**2 * (place.field == trial.field and place.zone == trial.zone)
                          for trial in self.trials])  # fmt: skip
        return self._linear(cross, _alike(place, place) - ZONE_SD**2)

    def seen(self, trial: Trial) -> Spread:
        """Rate at which yield levelled off in one of the trials, in its own season. [lb N/ac]"""
        i = self.trials.index(trial)
        return mixture([(w, float(node.mean[i]), float(np.sqrt(node.covariance[i, i]))) for w, node in self._weighed()])

    def worth(self, supply: str) -> Spread:
        """How many pounds of need a pound of a supply takes off; 1 is face value."""
        sd = supply_sd(supply)
        off = self._linear(np.array([sd**2 * _beyond(trial, supply) for trial in self.trials]), sd**2)
        return Spread(mean=1 - off.mean, sd=off.sd, low=1 - off.high, high=1 - off.low)

    def top(self, place: ZoneNeed) -> Spread:
        """Rate at which yield levels off on a place in a season to come. [lb N/ac]"""
        parts = [(weight, mean[0], float(np.sqrt(covariance[0, 0]))) for weight, _, mean, covariance in self._at(place)]
        return mixture(parts)

    def rate(self, place: ZoneNeed, *, price_ratio: float = ANCHOR) -> float:
        """
        Rate that is expected to pay best on a place in a season to come, before limits and steps. [lb N/ac]

        ``price_ratio`` is $/lb of nitrogen over $/bu of corn, held within 0.10 to 0.20.
        """
        points, shares = hermegauss(7)
        rows: list[tuple[bool, float, float, float]] = []  # kinked; weight times steepness, mean of T, its spread
        for weight, form, mean, covariance in self._at(place):
            slope = covariance[0, 1] / covariance[1, 1]
            sd = float(np.sqrt(covariance[0, 0] - slope * covariance[0, 1]))
            for point, share in zip(points, shares / shares.sum(), strict=True):
                step = point * np.sqrt(covariance[1, 1])
                steep = float(weight * share * np.exp(mean[1] + step))
                rows.append((form == "kinked", steep, float(mean[0] + slope * step), sd))
        kinked, steep_by, tops, sds = np.array(rows).T
        ratio = held_ratio(price_ratio)

        def gain(rate: float) -> float:
            slopes = np.where(kinked, _KINK.slope_bu_lb(rate, tops, sds), _CURVE.slope_bu_lb(rate, tops, sds))
            return float(steep_by @ slopes) - ratio

        low, high = float((tops - 8 * sds).min()), float((tops + 8 * sds).max())
        return crossing(gain, low, high)

    def rates(
        self, zones: Iterable[ZoneNeed], *, corn_per_bu: float, n_per_lb: float, low: float, high: float
    ) -> list[LearnedRate]:
        """
        Rates of zones in a season to come.

        Parameters
        ----------
        zones : iterable of ZoneNeed
        corn_per_bu, n_per_lb : float
            Prices; their ratio is held within 0.10 to 0.20. [$/bu], [$/lb]
        low, high : float
            Least and most that may be applied. [lb N/ac]
        """
        found = []
        for zone in zones:
            top = self.top(zone)
            held = np.clip(self.rate(zone, price_ratio=n_per_lb / corn_per_bu) - zone.need_lb_ac, -MOST, MOST)
            known = {supply: self.worth(supply) for supply in sorted({*zone.supplies, *zone.typical})}
            found.append(LearnedRate(
                rate_n_lb_ac=float(np.clip(zone.need_lb_ac + held, low, high)),
                t_mean_lb_ac=top.mean, t_low_lb_ac=top.low, t_high_lb_ac=top.high,
                worth={supply: (worth.mean, worth.low, worth.high) for supply, worth in known.items()},
            ))  # fmt: skip
        return found

    def _weighed(self) -> list[tuple[float, _Node]]:
        logs = np.array([node.log_weight for node in self._nodes])
        return list(zip(np.exp(logs - logsumexp(logs)).tolist(), self._nodes, strict=True))

    def _linear(self, cross: Array, variance: float) -> Spread:
        """Posterior of a term with a mean of 0 and its covariance with each trial's T, over the nodes."""
        parts = []
        for weight, node in self._weighed():
            mean, left = self._given(
                node, np.concatenate([cross, np.zeros(len(cross))])[None, :], np.array([[variance]])
            )
            parts.append((weight, float(mean[0]), float(np.sqrt(left[0, 0]))))
        return mixture(parts)

    def _at(self, place: ZoneNeed) -> Iterable[tuple[float, Form, Array, Array]]:
        """Weight, form, mean and covariance of T and log shape on a place, in its season, by node."""
        count = len(self.trials)
        for weight, node in self._weighed():
            middle, spread = _SHAPES[node.form]
            across = np.zeros((2, 2 * count))
            for i, trial in enumerate(self.trials):
                across[0, i] = _alike(place, trial) + node.season_sd**2 * (place.season == trial.season)
                across[1, count + i] = (spread * _FARM_SHARE) ** 2
            own = np.diag([_alike(place, place) + node.season_sd**2 + node.own_sd**2, spread**2])
            shift, covariance = self._given(node, across, own)
            yield weight, node.form, np.array([place.need_lb_ac + self.anchor_lb_ac, middle]) + shift, covariance

    def _given(self, node: _Node, across: Array, own: Array) -> tuple[Array, Array]:
        """Shift and covariance of terms whose prior covariances with the trials, and among themselves, are given."""
        if not self.trials:
            return np.zeros(len(own)), own
        pull = np.linalg.solve(node.prior, across.T).T
        return pull @ (node.mean - node.prior_mean), own - pull @ (node.prior - node.covariance) @ pull.T


def learn(trials: Sequence[Trial], *, anchor_lb_ac: float = 0.0) -> Learned:
    """
    Put all trials of a farm together.

    T of a trial is need plus anchor, plus what the budget is off by on the farm, the field and the zone, plus what a
    supply is worth beyond or below its face value times how much more of it there was than usual, plus a season that
    all its trials share, plus its own. Terms are normal about 0, the response is smooth or kinked, and nothing is drawn
    by chance: the same trials give the same numbers, whatever their order.

    Parameters
    ----------
    trials : sequence of Trial
    anchor_lb_ac : float
        How far T is thought to lie above the need before any trial. [lb N/ac]

    Raises
    ------
    OutOfRangeError
        If one place was harvested twice in a season.

    References
    ----------
    Expectation propagation: Minka (2001), Uncertainty in Artificial Intelligence 17:362.

    Examples
    --------
    Without a trial nothing moves; trials that level off 40 lb/ac above the need raise the next one:

    >>> from vrn.response.trial import Plot
    >>> place = ZoneNeed(field="A", zone="1", season=2026, need_lb_ac=120.0)
    >>> round(learn([]).top(place).mean, 3)
    120.0
    >>> rates = (30, 60, 90, 120, 180) * 4
    >>> plots = tuple(Plot(n_lb_ac=n, yield_bu_ac=200 - 0.0018 * max(160.0 - n, 0) ** 2) for n in rates)
    >>> seen = [Trial(field="A", zone="1", season=year, need_lb_ac=120.0, plots=plots) for year in (2023, 2024, 2025)]
    >>> 10 < learn(seen).top(place).mean - 120 < 40
    True
    """
    ordered = tuple(sorted(trials, key=lambda trial: (trial.season, trial.field, trial.zone)))
    names = [(trial.season, trial.field, trial.zone) for trial in ordered]
    for one, other in pairwise(names):
        if one == other:
            problem = f"Two trials are from zone {one[2]} of {one[1]} in {one[0]}."
            raise OutOfRangeError(problem, "Put the plots of both into one trial, as blocks, or leave one out.")
    seen = [likelihood_of(trial) for trial in ordered]
    nodes = tuple(
        _node(ordered, seen, form, season_sd, own_sd, anchor_lb_ac)
        for form, season_sd, own_sd in product(_SHAPES, SEASON_SDS, OWN_SDS)
    )
    return Learned(trials=ordered, anchor_lb_ac=anchor_lb_ac, _nodes=nodes)


def usual_anchor_lb_ac() -> float:
    """How far above a need T must be thought to lie for the rate without any trial to be the need itself. [lb N/ac]"""
    return -learn([]).rate(ZoneNeed(field="", zone="", season=0, need_lb_ac=0.0))


def _beyond(place: ZoneNeed | Trial, supply: str) -> float:
    """Pounds of a supply above the farm's usual; a supply that nobody counted is the usual one."""
    usual = place.typical.get(supply, 0.0)
    return place.supplies.get(supply, usual) - usual


def share_of_one_season() -> float:
    """How much of what a field's first trial says, a block of twenty, counts as level, field and zone."""
    lasting = LEVEL_SD**2 + FIELD_SD**2 + ZONE_SD**2
    seasons, owns = (sum(_mass(span) * sd**2 for sd, span in each.items()) for each in (SEASON_SDS, OWN_SDS))
    return lasting / (lasting + seasons + owns + _BLOCK_SE**2)


_BLOCK_SE: Final = 30.0  # standard error of T from one block of twenty plots [lb N/ac]


def supply_sd(supply: str) -> float:
    """Spread beforehand of what a pound of a supply counts for, about 1."""
    return {"soil_nitrate": 0.7, "mineralization": 0.4}.get(supply, 0.3)


def _alike(one: ZoneNeed | Trial, other: ZoneNeed | Trial) -> float:
    """Covariance of T of two places, seasons and what is a place's own apart. [(lb/ac)²]"""
    shared = LEVEL_SD**2 + (FIELD_SD**2 + (one.zone == other.zone) * ZONE_SD**2) * (one.field == other.field)
    for supply in sorted({*one.supplies, *one.typical}):
        shared += supply_sd(supply) ** 2 * _beyond(one, supply) * _beyond(other, supply)
    return shared


def _prior(
    trials: Sequence[Trial], form: Form, season_sd: float, own_sd: float, anchor_lb_ac: float
) -> tuple[Array, Array]:
    """Mean and covariance of all T, then of all log shapes, before any plot is seen."""
    count = len(trials)
    middle, spread = _SHAPES[form]
    tops = np.array([[_alike(a, b) + season_sd**2 * (a.season == b.season) for b in trials] for a in trials])
    farm = (spread * _FARM_SHARE) ** 2
    covariance = np.zeros((2 * count, 2 * count))
    covariance[:count, :count] = tops + own_sd**2 * np.eye(count)
    covariance[count:, count:] = farm + (spread**2 - farm) * np.eye(count)
    needs = np.array([trial.need_lb_ac + anchor_lb_ac for trial in trials])
    return np.concatenate([needs, np.full(count, middle)]), covariance


def _node(
    trials: Sequence[Trial],
    seen: Sequence[Likelihood],
    form: Form,
    season_sd: float,
    own_sd: float,
    anchor_lb_ac: float,
) -> _Node:
    """Expectation propagation with one two-dimensional normal in place of each trial's likelihood."""
    log_weight = float(np.log((1 - KINK_SHARE if form == "smooth" else KINK_SHARE) * _mass(SEASON_SDS[season_sd])))
    log_weight += float(np.log(_mass(OWN_SDS[own_sd])))
    mean, covariance = prior = _prior(trials, form, season_sd, own_sd, anchor_lb_ac)
    if trials:
        grids = [likelihood.smooth if form == "smooth" else likelihood.kinked for likelihood in seen]
        mean, covariance, evidence = _propagated(*prior, grids, _SHAPES[form])
        log_weight += evidence
    return _Node(form=form, season_sd=season_sd, own_sd=own_sd, log_weight=log_weight, prior_mean=prior[0],
                 prior=prior[1], mean=mean, covariance=covariance)  # fmt: skip


def _mass(span: tuple[float, float]) -> float:
    """Probability of a span under half-normal(30)."""
    return float(2 * (ndtr(span[1] / 30.0) - ndtr(span[0] / 30.0)))


def _propagated(
    prior_mean: Array, prior: Array, grids: Sequence[Array], shape: tuple[float, float]
) -> tuple[Array, Array, float]:
    """Mean, covariance and log evidence of all T and log shapes, given a likelihood on a grid for each pair of them."""
    count = len(grids)
    pairs = [np.array([i, count + i]) for i in range(count)]
    steps = shape[0] + shape[1] * STEPS
    cell = np.array([TOPS_LB_AC[1] - TOPS_LB_AC[0], steps[1] - steps[0]])
    nodes = np.stack(np.meshgrid(TOPS_LB_AC, steps, indexing="ij"), axis=-1).reshape(-1, 2)
    precision0, pull0 = np.linalg.inv(prior), np.linalg.solve(prior, prior_mean)
    precision, pull = precision0.copy(), pull0.copy()
    sites, pulls, norms = np.zeros((count, 2, 2)), np.zeros((count, 2)), np.zeros(count)
    mean, covariance = prior_mean, prior
    for _ in range(_SWEEPS):
        before = mean
        for i, at in enumerate(pairs):
            around, toward = _without(mean, covariance, at, sites[i], pulls[i])
            off = nodes - np.linalg.solve(around, toward)
            log_cavity = 0.5 * np.linalg.slogdet(around)[1] - np.log(2 * np.pi) - 0.5 * (off @ around * off).sum(axis=1)
            tilted = grids[i].ravel() + log_cavity + np.log(cell.prod())
            norms[i] = logsumexp(tilted)
            share = np.exp(tilted - norms[i])
            middle = share @ nodes
            spread = (share[:, None] * (nodes - middle)).T @ (nodes - middle) + np.diag(cell**2 / 12)
            values, vectors = np.linalg.eigh(np.linalg.inv(spread) - around)
            site = (vectors * np.maximum(values, 0.0)) @ vectors.T - sites[i]
            shift = (around + sites[i] + site) @ middle - toward - pulls[i]
            sites[i] += _DAMPING * site
            pulls[i] += _DAMPING * shift
            precision[np.ix_(at, at)] += _DAMPING * site
            pull[at] += _DAMPING * shift
            covariance = np.linalg.inv(precision)
            mean = covariance @ pull
        if float(np.abs(mean - before).max()) < _STILL:
            break
    evidence = _potential(precision, pull) - _potential(precision0, pull0)
    for i, at in enumerate(pairs):
        around, toward = _without(mean, covariance, at, sites[i], pulls[i])
        evidence += norms[i] + _potential(around, toward) - _potential(around + sites[i], toward + pulls[i])
    return mean, (covariance + covariance.T) / 2, float(evidence)


def _without(mean: Array, covariance: Array, at: NDArray[np.int_], site: Array, pull: Array) -> tuple[Array, Array]:
    """Precision and pull of one pair, its own trial left out."""
    inverse = np.linalg.inv(covariance[np.ix_(at, at)])
    return inverse - site, inverse @ mean[at] - pull


def _potential(precision: NDArray[np.floating], pull: NDArray[np.floating]) -> float:
    """Log of the integral of exp(pull'x − x'precision x / 2), but for its powers of 2π."""
    return float(0.5 * pull @ np.linalg.solve(precision, pull) - 0.5 * np.linalg.slogdet(precision)[1])
