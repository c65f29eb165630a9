"""What prices make of a need: the rule that rates follow, and what rates are expected to be worth."""

import math
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError
from vrn.response.loss import DEFAULT, Response, held_ratio

Array = NDArray[np.float64]
RateRule = Literal["need", "return", "kinked response"]
N_PER_BUSHEL_LB: Final = 1.1  # where the field file gives none: the default of the mass balance
GRAIN_LB_BU: Final = 0.67  # nitrogen in a bushel: 24 lb a ton (Heckman 2003, as quoted by a California state page)
_LEVELS: Final = 200  # steps that the needs of a class are looked at in
ENDS: Final = (Response(curvature=0.0018, kink_weight=0.0), Response(kink_weight=1.0))
"""Smooth with a small bend, and a kink alone: money is stated over these and the response that the rates go by."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Payoff:
    """
    Prices, the response of corn, and the method's error: what a rate is worth.

    Raises OutOfRangeError if a pound of nitrogen costs more than the corn it makes.

    >>> paid = Payoff(corn_per_bu=4.4, n_per_lb=0.6, method_sd_lb_ac=40.0, rule="kinked response")
    >>> round(paid.covered_share, 2), round(paid.ratio, 3)
    (0.85, 0.136)
    """

    corn_per_bu: float
    n_per_lb: float
    method_sd_lb_ac: float  # of the level, the same for all zones
    rule: RateRule = "return"
    response: Response = DEFAULT
    n_per_bushel_lb: float = N_PER_BUSHEL_LB  # nitrogen a bushel takes up
    least_saving_bu_ac: float = 0.012  # that one more zone must save, in corn: a choice of this project

    def __post_init__(self) -> None:
        if self.corn_per_bu / self.n_per_bushel_lb <= self.n_per_lb:
            problem = (
                f"A pound of nitrogen at ${self.n_per_lb:g} costs more than the "
                f"{1 / self.n_per_bushel_lb:.2f} bu of corn at ${self.corn_per_bu:g} it makes."
            )
            raise OutOfRangeError(problem, "Check prices.corn_per_bu and prices.n_per_lb.")

    @property
    def ratio(self) -> float:
        """Price of nitrogen over price of corn. [bu/lb]"""
        return self.n_per_lb / self.corn_per_bu

    @property
    def least_saving_per_ac(self) -> float:
        """What one more zone must save: by corn, so that the ratio of prices alone decides. [$/ac]"""
        return self.least_saving_bu_ac * self.corn_per_bu

    @property
    def held(self) -> float:
        """The ratio that the rates go by."""
        return held_ratio(self.ratio)

    @property
    def covered_share(self) -> float:
        """Share of needs the cheapest rate covers if corn pays for every pound up to its need: a kinked response."""
        return 1.0 - self.n_per_lb / (self.corn_per_bu / self.n_per_bushel_lb)

    def rate(self, need: Array, se: Array, weights: Array) -> float:
        """The rate that prices want on some ground, by either rule that follows them; limits come later. [lb/ac]"""
        if self.rule == "kinked response":
            return covering_rate(need, se, weights, share=self.covered_share)
        return self.response.best_rate(
            need, np.nan_to_num(se), weights, ratio=self.held, method_sd_lb_ac=self.method_sd_lb_ac
        )

    def best(self, need: Array, weights: Array) -> float:
        """The rate that some ground gets by the rule, its needs taken as they are. [lb/ac]"""
        if self.rule == "need":
            return float(np.average(need, weights=weights))
        need, weights = in_levels(need, weights, most=_LEVELS)
        return max(self.rate(need, np.zeros_like(need), weights), 0.0)

    def table(self, need: Array) -> Array:
        """Loss of each need (n,) under rates a pound apart, from the best of the least to that of the most. [$/ac]"""
        low, high = (
            self.response.best_rate([end], None, None, ratio=self.held, method_sd_lb_ac=self.method_sd_lb_ac)
            for end in (need.min(), need.max())
        )
        rates = np.linspace(low, high, math.ceil(high - low) + 1)
        return self.corn_per_bu * self.response.table_bu_ac(
            need, rates, ratio=self.held, method_sd_lb_ac=self.method_sd_lb_ac
        )

    def lost_per_ac(self, need: Array, weights: Array, rate: float | None = None) -> float:
        """Expected loss of a rate (None: the best one), above even ground of the same mean need. [$/ac]"""
        need, weights = in_levels(need, weights, most=_LEVELS)
        lost_bu = self.response.loss_bu_ac(
            rate, need, None, weights, ratio=self.ratio, method_sd_lb_ac=self.method_sd_lb_ac
        )
        return self.corn_per_bu * lost_bu


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """
    What rates are expected to be worth over others, from the least to the most of the responses. [$/ac]

    Parameters
    ----------
    over_flat, over_nothing : (float, float, float)
        Least, the response that the rates go by, most.
    """

    over_flat: tuple[float, float, float]
    over_nothing: tuple[float, float, float]
    flat_over_nothing: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceReport:
    """What prices say of the rates."""

    payoff: Payoff
    worth: Worth | None  # None where no need is known


@dataclass(frozen=True, slots=True, kw_only=True)
class AfterHarvest:
    """
    What is expected to stay in the ground, and the field's nitrogen balance. [lb N/ac]

    Parameters
    ----------
    left_lb_ac, flat_left_lb_ac : float
        Expected nitrogen of this pass beyond the rate at which yield levels off: by zones, and by one flat rate.
    put_on_lb_ac : float
        This pass and what was already on; NaN where that is not known.
    grain_lb_ac : float
        What grain carries off at the yield goal.
    """

    left_lb_ac: float
    flat_left_lb_ac: float
    put_on_lb_ac: float
    grain_lb_ac: float

    @classmethod
    def of(
        cls, response: Response, need: Array, weights: Array, rate: Array, *, flat: float, method_sd_lb_ac: float,
        applied_lb_ac: float, yield_goal_bu_ac: float,
    ) -> "AfterHarvest":  # fmt: skip
        """What stays in the ground under rates (n,) on cells with a need (n,), and one flat rate."""
        share = weights / weights.sum()
        left, by_flat = (
            sum(float(share[rate_here] @ response.left_lb_ac(one, need[rate_here], method_sd_lb_ac=method_sd_lb_ac))
                for one, rate_here in parts)
            for parts in (
                [(float(one), rate == one) for one in np.unique(rate)], [(flat, np.ones(len(need), dtype=bool))],
            )
        )  # fmt: skip
        return cls(
            left_lb_ac=left, flat_left_lb_ac=by_flat, put_on_lb_ac=float(share @ rate) + applied_lb_ac,
            grain_lb_ac=yield_goal_bu_ac * GRAIN_LB_BU,
        )  # fmt: skip


def worth_of(
    payoff: Payoff, need: Array, weights: Array, labels: NDArray[np.int32], rate_by_zone: Array, flat: float
) -> Worth | None:
    """Worth of zone rates over one flat rate and over no nitrogen, on the same cells (n,) with a need that is known."""
    if not len(need):
        return None
    over_flat, over_nothing, flat_over_nothing = [], [], []
    for response in (payoff.response, *ENDS):
        one = replace(payoff, response=response)
        lost = 0.0
        for zone in np.unique(labels):
            here = labels == zone
            lost += weights[here].sum() * one.lost_per_ac(need[here], weights[here], float(rate_by_zone[zone]))
        lost /= weights.sum()
        over_flat.append(one.lost_per_ac(need, weights, flat) - lost)
        over_nothing.append(one.lost_per_ac(need, weights, 0.0) - lost)
        flat_over_nothing.append(over_nothing[-1] - over_flat[-1])
    return Worth(over_flat=_span(over_flat), over_nothing=_span(over_nothing),
                 flat_over_nothing=_span(flat_over_nothing))  # fmt: skip


def _span(values: list[float]) -> tuple[float, float, float]:
    return float(min(values)), float(values[0]), float(max(values))


def covering_rate(need: Array, se: Array | None, weights: Array, *, share: float) -> float:
    """Rate that covers the need on a share of the ground.

    `need`, `weights` (n,): finite. [lb/ac], area. `se` (n,): standard error of the need; None takes it as known.
    [lb/ac] `share`: between 0 and 1.

    Source: The critical ratio of the newsvendor problem: K. J. Arrow, T. Harris, J. Marschak (1951), Optimal inventory
    policy, Econometrica 19:250–272.

    >>> need = np.array([80.0, 90.0, 100.0, 110.0, 120.0])
    >>> covering_rate(need, None, np.ones(5), share=0.7)
    110.0
    >>> round(covering_rate(np.array([100.0]), np.array([10.0]), np.ones(1), share=0.8413447), 3)
    110.0
    """
    known_se = np.zeros_like(need) if se is None else np.where(np.isfinite(se), np.maximum(se, 0.0), 0.0)
    if not (known_se > 0).any():
        order = np.argsort(need, kind="stable")
        reached = np.cumsum(weights[order]) / weights.sum()
        return max(float(need[order][min(int(np.searchsorted(reached, share - 1e-12)), len(need) - 1)]), 0.0)
    from scipy.special import ndtr

    spread = np.maximum(known_se, 1e-9)
    low = float((need - 8.0 * spread).min())
    high = float((need + 8.0 * spread).max())
    for _ in range(60):
        middle = (low + high) / 2.0
        if np.average(ndtr((middle - need) / spread), weights=weights) < share:
            low = middle
        else:
            high = middle
    return max((low + high) / 2.0, 0.0)


def in_levels(values: Array, weights: Array, *, most: int) -> tuple[Array, Array]:
    """Sorted different values and the weight at each; the weighted mean of each step when there are too many."""
    level, which = np.unique(values, return_inverse=True)
    if len(level) > most:
        low, high = float(level[0]), float(level[-1])
        which = np.minimum(((values - low) / (high - low) * most).astype(np.intp), most - 1)
        weight = np.bincount(which, weights, most).astype(float)
        total = np.bincount(which, weights * (values - low), most)
        filled = weight > 0
        return low + total[filled] / weight[filled], weight[filled]
    weight = np.bincount(which, weights, len(level)).astype(float)
    filled = weight > 0
    return level[filled], weight[filled]
