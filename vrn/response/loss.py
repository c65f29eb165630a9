"""What one rate on ground of different needs is expected to lose, and the rate that loses least."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError

Array = NDArray[np.float64]

ANCHOR: Final = 0.125
"""$/lb over $/bu at which a published need is what pays: Nebraska extension 2007 states corn to nitrogen at 8 to 1."""
HELD: Final = (0.10, 0.20)
"""Price ratios beyond which rates are not moved further: Nebraska extension 2007 holds corn to nitrogen in 10:1–5:1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """
    Yield against nitrogen below the rate T at which it levels off: smooth, kinked, or a mixture of both.

    Parameters
    ----------
    curvature : float
        c of the smooth part, a − c (T − N)². [bu/ac per (lb/ac)²] The default lies between what published rates say of
        prices (0.0020 to 0.0028) and what total gains say (0.004): a choice of this project.
    kink_weight : float
        Share of ground, or belief, that follows a − b (T − N) instead.
    kink_slope : float
        b. [bu/lb] 0.65 to 0.8 from the gains in Iowa State CROP 3073 (2015).
    """

    curvature: float = 0.0024
    kink_weight: float = 0.15
    kink_slope: float = 0.75

    def __post_init__(self) -> None:
        if not (self.curvature >= 0 and 0 <= self.kink_weight <= 1 and self.kink_slope > 0):
            problem = f"{self} is no response."
            raise OutOfRangeError(problem, "Curvature is 0 or more, the kink's weight 0 to 1, its slope above 0.")

    def lost_bu_ac(self, rate_lb_ac: float | Array, mean_lb_ac: Array, sd_lb_ac: Array) -> Array:
        """Expected yield lost below the plateau where T is normal around a mean. [bu/ac]"""
        z = (rate_lb_ac - mean_lb_ac) / sd_lb_ac
        upper, density = _tail(z)
        once, twice = density - z * upper, (1 + z**2) * upper - z * density  # unit losses of first and second order
        smooth = self.curvature * sd_lb_ac**2 * twice
        kinked = self.kink_slope * sd_lb_ac * once
        return np.asarray((1 - self.kink_weight) * smooth + self.kink_weight * kinked)

    def left_lb_ac(self, rate_lb_ac: float, need_lb_ac: Array, *, method_sd_lb_ac: float) -> Array:
        """Expected nitrogen of a rate that lies above T, and so stays in the ground after harvest. [lb/ac]"""
        z = (rate_lb_ac - need_lb_ac - self._shift(method_sd_lb_ac)) / method_sd_lb_ac
        below, density = _tail(-z)
        return np.asarray(method_sd_lb_ac * (density + z * below))

    def slope_bu_lb(self, rate_lb_ac: float, mean_lb_ac: Array, sd_lb_ac: Array) -> Array:
        """Expected yield that one more pound gives. [bu/lb]"""
        z = (rate_lb_ac - mean_lb_ac) / sd_lb_ac
        upper, density = _tail(z)
        smooth = 2 * self.curvature * sd_lb_ac * (density - z * upper)
        return np.asarray((1 - self.kink_weight) * smooth + self.kink_weight * self.kink_slope * upper)

    def best_rate(
        self, need_lb_ac: ArrayLike, se_lb_ac: ArrayLike | None, weights: ArrayLike | None, *, ratio: float,
        method_sd_lb_ac: float,
    ) -> float:  # fmt: skip
        """The one rate for some ground at a price ratio, as `best_rate` describes it. [lb/ac]"""
        need, sd, share = _cells(need_lb_ac, se_lb_ac, weights, method_sd_lb_ac)
        return self._paying(need + self._shift(method_sd_lb_ac), sd, share, ratio)

    def loss_bu_ac(
        self, rate_lb_ac: float | None, need_lb_ac: ArrayLike, se_lb_ac: ArrayLike | None,
        weights: ArrayLike | None, *, ratio: float, method_sd_lb_ac: float,
    ) -> float:  # fmt: skip
        """Expected loss of a rate (None: the best one), above the best rate of ground that all has the mean need.

        In corn: lost yield and the nitrogen at its price ratio, not held; rates that are found are. [bu/ac]
        """
        need, sd, share = _cells(need_lb_ac, se_lb_ac, weights, method_sd_lb_ac)
        held, shift = held_ratio(ratio), self._shift(method_sd_lb_ac)

        def lost(rate: float | None, means: Array, sds: Array, parts: Array) -> float:
            rate = self._paying(means, sds, parts, held) if rate is None else rate
            return float(parts @ self.lost_bu_ac(rate, means, sds)) + ratio * rate

        even = lost(None, np.array([float(share @ need)]) + shift, np.array([method_sd_lb_ac]), np.ones(1))
        return lost(rate_lb_ac, need + shift, sd, share) - even

    def table_bu_ac(self, need_lb_ac: Array, rates_lb_ac: Array, *, ratio: float, method_sd_lb_ac: float) -> Array:
        """Expected loss of each need (n,) under each rate (m,), lost yield and the nitrogen: shape (n, m). [bu/ac]"""
        means = need_lb_ac[:, None] + self._shift(method_sd_lb_ac)
        return self.lost_bu_ac(rates_lb_ac, means, np.array([method_sd_lb_ac])) + ratio * rates_lb_ac

    def loss_of_rates(
        self, rates_lb_ac: Array, need_lb_ac: Array, se_lb_ac: Array, *, ratio: float, method_sd_lb_ac: float
    ) -> Array:
        """Expected loss of needs under rates of their own, lost yield and the nitrogen, shape of all. [bu/ac]"""
        means, sd = need_lb_ac + self._shift(method_sd_lb_ac), np.hypot(method_sd_lb_ac, se_lb_ac)
        return self.lost_bu_ac(rates_lb_ac, means, np.broadcast_to(sd, means.shape)) + ratio * rates_lb_ac

    def least_loss_bu_ac(self, sd_lb_ac: float, *, ratio: float) -> float:
        """Loss of the best rate where T is normal about a rate, and nitrogen up to that rate is free. [bu/ac]"""
        mean, sd = np.zeros(1), np.array([sd_lb_ac])
        rate = self._paying(mean, sd, np.ones(1), ratio)
        return float(self.lost_bu_ac(rate, mean, sd)[0]) + ratio * rate

    @lru_cache(maxsize=64)  # noqa: B019 - a small frozen thing
    def _shift(self, method_sd: float) -> float:
        """T less the need that a published method names, so that ground of one need gets just that at the anchor."""
        return -self._paying(np.zeros(1), np.array([method_sd]), np.ones(1), ANCHOR)

    def _paying(self, means: Array, sd: Array, share: Array, ratio: float) -> float:
        """Rate where one more pound returns its price; the lower end of the search where it never does."""
        low, high = float((means - 8 * sd).min()), float((means + 8 * sd).max())

        def gain(rate: float) -> float:
            return float(share @ self.slope_bu_lb(rate, means, sd)) - ratio

        return crossing(gain, low, high)


def crossing(falling: Callable[[float], float], low: float, high: float, *, within: float = 1e-9) -> float:
    """Where a function that falls from ``low`` to ``high`` meets 0, to ``within``; the end where it never does.

    Inverse quadratic steps where they are safe, else halves (Chandrupatla 1997, Adv. Eng. Software 28:145). SciPy's own
    would load all of ``scipy.optimize``, an eighth of what a build loads.

    >>> round(crossing(lambda x: 2 - x**3, 0.0, 9.0), 9)
    1.25992105
    """
    a, b, c = high, low, high
    fa, fb = falling(a), falling(b)
    if fb <= 0 or fa >= 0:
        return low if fb <= 0 else high
    fc, part = fa, 0.5
    while True:
        x = a + part * (b - a)
        fx = falling(x)
        if (fx > 0) == (fa > 0):
            c, fc = a, fa
        else:
            c, b, fc, fb = b, a, fb, fa
        a, fa = x, fx
        best, least = (a, fa) if abs(fa) < abs(fb) else (b, fb)
        step = (0.5 * within + 4e-16 * abs(best)) / abs(b - a)
        if step > 0.5 or least == 0:
            return best
        xi, phi = (a - b) / (c - b), (fa - fb) / (fc - fb)
        part = 0.5
        if phi**2 < xi and (1 - phi) ** 2 < 1 - xi:
            part = fa / (fb - fa) * fc / (fb - fc) + (c - a) / (b - a) * fa / (fc - fa) * fb / (fc - fb)
        part = min(max(part, step), 1 - step)


def _tail(z: Array) -> tuple[Array, Array]:
    """Share of a standard normal above z, and its density there."""
    from scipy.special import ndtr

    return np.asarray(ndtr(-z)), np.exp(-(z**2) / 2) / np.sqrt(2 * np.pi)


DEFAULT: Final = Response()


def held_ratio(price_ratio: float) -> float:
    """The price ratio that rates go by: $/lb over $/bu, held within 0.10 to 0.20.

    Raises OutOfRangeError if it is not above 0.

    >>> held_ratio(0.60 / 4.40), held_ratio(0.27)
    (0.13636363636363635, 0.2)
    """
    if not price_ratio > 0:
        problem = f"A price ratio of {price_ratio} is not above 0."
        raise OutOfRangeError(problem, "Give the price of nitrogen in $/lb over the price of corn in $/bu.")
    return float(np.clip(price_ratio, *HELD))


def best_rate(
    need_lb_ac: ArrayLike,
    *,
    se_lb_ac: ArrayLike | None = None,
    weights: ArrayLike | None = None,
    price_ratio: float,
    method_sd_lb_ac: float,
    curvature: float = DEFAULT.curvature,
    kink_weight: float = DEFAULT.kink_weight,
    kink_slope: float = DEFAULT.kink_slope,
) -> float:
    """
    The one rate for some ground that is expected to lose least.

    Parameters
    ----------
    need_lb_ac : array_like, shape (n,)
        Need of each cell, as a published method names it: what paid at ordinary prices. [lb/ac]
    se_lb_ac : array_like, shape (n,), optional
        Standard error of each cell that is its own; 0 when not given. [lb/ac]
    weights : array_like, shape (n,), optional
        Ground of each cell; all the same when not given.
    price_ratio : float
        $/lb of nitrogen over $/bu of corn; held within 0.10 to 0.20.
    method_sd_lb_ac : float
        Error of the method's level, shared by all cells. [lb/ac]
    curvature, kink_weight, kink_slope : float
        As for `Response`.

    Returns
    -------
    rate_lb_ac : float
        May be negative where hardly anything is needed: limits come later.

    Raises
    ------
    OutOfRangeError
        If no need is finite, weights do not fit, or an error or a price is not possible.

    References
    ----------
    Loss of a normal demand as in the newsvendor problem; anchor and bounds of the ratio: Nebraska extension 2007.

    Examples
    --------
    Ground of one need gets just that at 0.125, more where nitrogen is cheap:

    >>> [round(best_rate([110.0], price_ratio=ratio, method_sd_lb_ac=40.0), 2) for ratio in (0.10, 0.125, 0.20)]
    [118.23, 110.0, 88.97]
    """
    response = Response(curvature=curvature, kink_weight=kink_weight, kink_slope=kink_slope)
    ratio = held_ratio(price_ratio)
    return response.best_rate(need_lb_ac, se_lb_ac, weights, ratio=ratio, method_sd_lb_ac=method_sd_lb_ac)


def expected_loss(
    need_lb_ac: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    corn_per_bu: float,
    n_per_lb: float,
    method_sd_lb_ac: float,
    se_lb_ac: ArrayLike | None = None,
    rate_lb_ac: float | None = None,
    curvature: float = DEFAULT.curvature,
    kink_weight: float = DEFAULT.kink_weight,
    kink_slope: float = DEFAULT.kink_slope,
) -> float:
    """
    What the spread of needs is expected to cost when the ground gets one rate. [$/ac]

    Parameters
    ----------
    need_lb_ac, se_lb_ac : array_like, shape (n,)
        Need of each cell, and its own standard error. [lb/ac]
    weights : array_like, shape (n,), optional
        Ground of each cell.
    corn_per_bu, n_per_lb : float
        [$/bu], [$/lb]
    method_sd_lb_ac : float
        Error of the method's level, shared by all cells. [lb/ac]
    rate_lb_ac : float, optional
        The rate; the best one when not given. [lb/ac]
    curvature, kink_weight, kink_slope : float
        As for `Response`.

    Examples
    --------
    Half the ground needs 20 lb/ac more than the mean, half 20 less:

    >>> round(expected_loss([90.0, 130.0], corn_per_bu=4.40, n_per_lb=0.60, method_sd_lb_ac=40.0), 2)
    2.88
    """
    response = Response(curvature=curvature, kink_weight=kink_weight, kink_slope=kink_slope)
    ratio = n_per_lb / corn_per_bu
    lost_bu = response.loss_bu_ac(
        rate_lb_ac, need_lb_ac, se_lb_ac, weights, ratio=ratio, method_sd_lb_ac=method_sd_lb_ac
    )
    return corn_per_bu * lost_bu


def _cells(
    need_lb_ac: ArrayLike, se_lb_ac: ArrayLike | None, weights: ArrayLike | None, method_sd: float
) -> tuple[Array, Array, Array]:
    """Known needs, their whole standard deviations, and their shares of the ground."""
    need = np.atleast_1d(np.asarray(need_lb_ac, dtype=float)).ravel()
    given_se = np.broadcast_to(np.asarray(0.0 if se_lb_ac is None else se_lb_ac, dtype=float), need.shape)
    given = np.broadcast_to(np.asarray(1.0 if weights is None else weights, dtype=float), need.shape)
    known = np.isfinite(need) & (given > 0)
    if not known.any() or not method_sd > 0 or (given < 0).any() or (given_se[known] < 0).any():
        problem = "There is no ground with a need, or an error or a weight is below 0."
        raise OutOfRangeError(problem, "Give finite needs, weights of 0 or more, and a method's error above 0.")
    sd = np.hypot(method_sd, np.nan_to_num(given_se[known]))
    return need[known], sd, given[known] / given[known].sum()
