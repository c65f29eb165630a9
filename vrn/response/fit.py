"""A nitrogen trial: the curve through its yields, its best-paying rate, and how well it bounds that rate."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import InputFileError, OutOfRangeError
from vrn.findings import Finding, Quantity, note

Array = NDArray[np.float64]
Form = Literal["quadratic", "quadratic-plateau"]
_LEAST_YIELDS, _LEAST_RATES = 4, 3
_SURE: Final = 0.90  # of the intervals that people read


def optimum_n_lb_ac(
    b: ArrayLike, c: ArrayLike, *, price_ratio: ArrayLike, highest_rate_lb_ac: ArrayLike | None = None
) -> float | Array:
    """Best-paying rate of a yield response a + bN + cN² that stays level past its top.

    N in lb/ac, yield in bu/ac, c below 0; price ratio in $/lb N over $/bu corn; no optimum beyond the highest rate that
    was tried. Raises OutOfRangeError if c is not below 0. Source: Sawyer et al. (2006), Iowa State University PM 2015.

    (0.10 − 1.0) / (2 × −0.0025) = 180:

    >>> optimum_n_lb_ac(1.0, -0.0025, price_ratio=0.10)
    180.0
    """
    slope, bend, ratio = (np.asarray(part, dtype=float) for part in (b, c, price_ratio))
    if np.any(np.greater_equal(bend, 0)):
        problem = f"c is {np.nanmax(bend):g}: the response does not bend down."
        remedy = "A response that bends upwards has no best rate: check the trial, or use a published response."
        raise OutOfRangeError(problem, remedy)
    best = np.minimum((ratio - slope) / (2 * bend), -slope / (2 * bend))
    if highest_rate_lb_ac is not None:
        best = np.minimum(best, np.asarray(highest_rate_lb_ac, dtype=float))
    best = np.maximum(best, 0.0)
    return float(best) if best.ndim == 0 else best


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatBand:
    """Best rate, the rates whose return is within a sum of it [lb/ac], and the return to nitrogen there. [$/ac]"""

    optimum_n_lb_ac: float
    low_n_lb_ac: float
    high_n_lb_ac: float
    return_per_ac: float


def flat_band(
    b: ArrayLike, c: ArrayLike, *, corn_per_bu: float, n_per_lb: float, within_per_ac: float = 1.0,
    highest_rate_lb_ac: float | None = None,
) -> FlatBand:  # fmt: skip
    """How far the rate may be off before the return falls by a sum: of one trial, or the mean return over many.

    Each yield is a + bN + cN², level past its top. Raises OutOfRangeError if one does not bend down. Source: Sawyer et
    al. (2006), Iowa State University PM 2015.

    Half width √(1 / (4 × 0.0025)) = 10 on the rising side:

    >>> flat_band(1.0, -0.0025, corn_per_bu=4.0, n_per_lb=0.40)
    FlatBand(optimum_n_lb_ac=180.0, low_n_lb_ac=170.0, high_n_lb_ac=190.0, return_per_ac=324.0)
    """
    slope, bend = (np.atleast_1d(np.asarray(part, dtype=float)) for part in (b, c))
    tops = np.atleast_1d(optimum_n_lb_ac(slope, bend, price_ratio=0.0))
    most = np.inf if highest_rate_lb_ac is None else highest_rate_lb_ac

    def paid(rate: float) -> float:
        reached = np.minimum(rate, tops)
        return float(corn_per_bu * np.mean(slope * reached + bend * reached**2) - n_per_lb * rate)

    def one_more(rate: float) -> float:
        return float(corn_per_bu * np.where(tops > rate, slope + 2 * bend * rate, 0.0).mean() - n_per_lb)

    highest = min(float(tops.max()), most)
    best = _crossing(one_more, 0.0, highest)
    value = paid(best)
    low = _crossing(lambda rate: value - within_per_ac - paid(rate), 0.0, best)
    far = float(tops.max()) + (within_per_ac + value) / n_per_lb if n_per_lb > 0 else most
    high = min(_crossing(lambda rate: paid(rate) - value + within_per_ac, best, far), most)
    return FlatBand(optimum_n_lb_ac=best, low_n_lb_ac=low, high_n_lb_ac=high, return_per_ac=round(value, 9))


def _crossing(falling: Callable[[float], float], low: float, high: float) -> float:
    """Where a falling function crosses 0, by bisection to the last digit worth printing."""
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if falling(middle) > 0 else (low, middle)
    return round(0.5 * (low + high), 9)


@dataclass(frozen=True, slots=True, kw_only=True)
class Optimum:
    """
    Best rate of a fitted curve, and Fieller's interval of it.

    Parameters
    ----------
    point : float
        NaN where the curve does not bend down.
    low, high : float
        Ends of the interval where ``kind`` is ``"between"``; of what is left out where it is ``"outside"``; NaN where
        it is ``"everything"``: the trial does not bound the best rate.
    kind : {"between", "outside", "everything"}
    """

    point: float
    low: float
    high: float
    kind: Literal["between", "outside", "everything"]

    def cut_to(self, lowest: float, highest: float) -> tuple[float, float]:
        """The interval on the rates that were tried: −∞ or ∞ for an end that they do not show."""
        if self.kind == "everything":
            return -np.inf, np.inf
        if self.kind == "between":
            return (self.low if self.low > lowest else -np.inf, self.high if self.high < highest else np.inf)
        below, above = self.low > lowest, self.high < highest  # the two arms that reach the rates tried
        if below == above:
            return (-np.inf, np.inf) if below else (highest, np.inf)
        return (-np.inf, min(self.low, highest)) if below else (max(self.high, lowest), np.inf)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrialFit:
    """
    Yield on nitrogen by least squares, y = a + b N + c N², in any consistent units.

    Parameters
    ----------
    form : {"quadratic", "quadratic-plateau"}
        The second is level past its top.
    coefficients : ndarray, shape (3,)
        a, the mean of the blocks' levels; b, c.
    covariance : ndarray, shape (3, 3)
        NaN without degrees of freedom.
    freedom : int
        Degrees of freedom of the residuals.
    rmse : float
        Root of the residual mean square.
    observations, blocks : int
    lowest, highest : float
        Rates tried.
    """

    form: Form
    coefficients: Array
    covariance: Array
    freedom: int
    rmse: float
    observations: int
    blocks: int
    lowest: float
    highest: float

    @property
    def errors(self) -> Array:
        """Standard errors of a, b and c."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def top(self) -> float:
        """Rate of the highest yield, −b / 2c."""
        return float(-self.coefficients[1] / (2 * self.coefficients[2]))

    def optimum(self, *, price_ratio: float, confidence: float = 0.95) -> Optimum:
        """
        Best rate at a price ratio (nitrogen over grain, in the units of the fit), with its confidence interval.

        References
        ----------
        Fieller (1954), J. Royal Statistical Society B 16:175: the rates N for which b + 2 c N = price ratio is not
        refused. Unlike the delta method it says when a trial bounds the best rate on one side only, or not at all.

        Examples
        --------
        >>> n = np.repeat([0.0, 50.0, 100.0, 150.0, 200.0], 2)
        >>> grain = 100 + 0.8 * n - 0.002 * n**2 + np.tile([1.0, -1.0], 5)
        >>> found = fit_quadratic(n, grain).optimum(price_ratio=0.1)
        >>> round(found.point, 3), found.kind
        (175.0, 'between')
        """
        from scipy.special import stdtrit

        _, b, c = self.coefficients
        point = float((price_ratio - b) / (2 * c)) if c < 0 else float("nan")
        if self.freedom > 0:
            v_b, v_bc, v_c = self.covariance[1, 1], self.covariance[1, 2], self.covariance[2, 2]
            t2, more = float(stdtrit(self.freedom, 0.5 + confidence / 2)) ** 2, b - price_ratio
            a2, a1 = c**2 - t2 * v_c, more * c - t2 * v_bc
            under_root = t2 * (v_c * more**2 + v_b * c**2 - 2 * more * c * v_bc + t2 * (v_bc**2 - v_b * v_c))
            if under_root >= 0 and a2 != 0:
                low, high = sorted((-a1 + sign * np.sqrt(under_root)) / (2 * a2) for sign in (-1.0, 1.0))
                return Optimum(point=point, low=float(low), high=float(high), kind="between" if a2 > 0 else "outside")
        return Optimum(point=point, low=float("nan"), high=float("nan"), kind="everything")

    def best(self, *, price_ratio: float) -> tuple[float, float, float]:
        """Best-paying rate among those tried, and the ends of its 90 % interval that the rates tried show. [lb/ac]"""
        _, b, c = self.coefficients
        held = optimum_n_lb_ac(b, c, price_ratio=price_ratio, highest_rate_lb_ac=self.highest)
        return (float(held), *self.optimum(price_ratio=price_ratio, confidence=_SURE).cut_to(self.lowest, self.highest))

    def band(self, *, corn_per_bu: float, n_per_lb: float, within_per_ac: float = 1.0) -> FlatBand:
        """Rates whose return is within a sum of the best, none beyond the highest tried. [lb/ac]"""
        _, b, c = self.coefficients
        return flat_band(b, c, corn_per_bu=corn_per_bu, n_per_lb=n_per_lb, within_per_ac=within_per_ac,
                         highest_rate_lb_ac=self.highest)  # fmt: skip

    def quantities(self) -> dict[str, Quantity]:
        """The fit with its standard errors, for a sentence."""
        (_, b, c), (_, b_se, c_se) = self.coefficients, self.errors
        numbers = {"b": b, "c": c, "b_se": b_se, "c_se": c_se}
        words = {name: Quantity("number", float(value)) for name, value in numbers.items()}
        return {"yields": Quantity("count", self.observations), "form": Quantity("text", self.form), **words}

    def paying(self, code: str, about: str, corn_per_bu: float, n_per_lb: float) -> tuple[Finding, Finding]:
        """The best-paying rate with what lies within $1/ac of it, under a code, and how well the trial bounds it."""
        best, low, high = self.best(price_ratio=n_per_lb / corn_per_bu)
        band = self.band(corn_per_bu=corn_per_bu, n_per_lb=n_per_lb)
        rates = {"best": best, "low": band.low_n_lb_ac, "high": band.high_n_lb_ac}
        first = note(code, about, within=Quantity("money_area", 1.0),
                     **{name: Quantity("whole_amount", value) for name, value in rates.items()})  # fmt: skip
        sure, ends = Quantity("share", _SURE), {"low": max(low, self.lowest), "high": min(high, self.highest)}
        shown = {name: Quantity("whole_amount", value) for name, value in ends.items()}
        if np.isfinite(high):
            return first, note("nitrogen.best-rate-between", about, sure=sure, **shown)
        if np.isfinite(low):
            return first, note("nitrogen.best-rate-or-more", about, sure=sure, low=shown["low"])
        return first, note("nitrogen.best-rate-unbounded", about, sure=sure, **shown)


def fit_quadratic(n: ArrayLike, yield_: ArrayLike, block: ArrayLike | None = None) -> TrialFit:
    """
    Fit a quadratic to a trial by least squares, whichever way it bends.

    Parameters
    ----------
    n, yield_ : array_like, shape (plots,)
        In any consistent units; a plot with NaN is left out.
    block : array_like, shape (plots,), optional
        Each replicate, zone or strip pair gets a level of its own.

    Raises
    ------
    InputFileError
        If fewer than four yields at three rates are left, or a rate is negative.

    Examples
    --------
    >>> fit = fit_quadratic([0, 60, 120, 180, 240], [90, 132, 160, 174, 174])
    >>> [round(float(value), 4) for value in fit.coefficients]
    [90.0, 0.8167, -0.0019]
    """
    rate, grain, blocks = _plots(n, yield_, block)
    scale = float(rate.max())
    design = np.column_stack([_centred(rate / scale, blocks), _centred((rate / scale) ** 2, blocks)])
    (b, c), *_ = np.linalg.lstsq(design, _centred(grain, blocks), rcond=None)
    return _finish("quadratic", rate, grain, blocks, float(b / scale), float(c / scale**2))


def fit_response(
    n_lb_ac: ArrayLike, yield_bu_ac: ArrayLike, *, form: Form | Literal["best"] = "best", block: ArrayLike | None = None
) -> TrialFit:
    """Fit a yield response that has a best rate to a trial, or to check strips read back after harvest.

    Total nitrogen of each plot or strip, and its yield; rows with NaN are left out. `best` takes the smaller residual
    sum: both forms have three coefficients. Each `block` (replicate, zone or strip pair) gets a level of its own.
    Raises InputFileError as `fit_quadratic` does, and if the yields do not bend down over the rates tried.

    Points on 100 + N − 0.0025 N² give it back:

    >>> rates = np.array([0.0, 50.0, 100.0, 150.0])
    >>> fit = fit_response(rates, 100 + rates - 0.0025 * rates**2, form="quadratic")
    >>> [round(float(value), 9) for value in fit.coefficients]
    [100.0, 1.0, -0.0025]
    """
    plots = _plots(n_lb_ac, yield_bu_ac, block)
    fits = [] if form == "quadratic" else [_plateau(*plots)]
    if form != "quadratic-plateau":
        fits.append(fit_quadratic(*plots))
    bent = [fit for fit in fits if fit is not None and fit.coefficients[1] > 0 > fit.coefficients[2]]
    if not bent:
        problem = "The yields do not bend down over the rates tried: no best rate lies between them."
        raise InputFileError(problem, "Try higher rates next season, or use a published response for your region.")
    return min(bent, key=lambda fit: round(fit.rmse, 9))


def _plots(n: ArrayLike, yield_: ArrayLike, block: ArrayLike | None) -> tuple[Array, Array, NDArray[np.intp]]:
    """Rates, yields and blocks (0, 1, …) of the plots that have both."""
    rate, grain = np.asarray(n, dtype=float).ravel(), np.asarray(yield_, dtype=float).ravel()
    if rate.shape != grain.shape:
        problem = f"The trial holds {len(rate)} rates and {len(grain)} yields."
        raise InputFileError(problem, "Give one yield for each rate.")
    names = np.zeros(len(rate), dtype=int) if block is None else np.asarray(block)
    known = np.isfinite(rate) & np.isfinite(grain)
    rate, grain, blocks = rate[known], grain[known], np.unique(names[known], return_inverse=True)[1]
    if len(rate) < _LEAST_YIELDS or len(np.unique(rate)) < _LEAST_RATES or (rate < 0).any():
        problem = f"The trial holds {len(rate)} yields at {len(np.unique(rate))} rates."
        raise InputFileError(problem, "A response wants at least four yields at three rates, none below 0 lb/ac.")
    return rate, grain, blocks


def _centred(values: Array, blocks: NDArray[np.intp]) -> Array:
    """Values less the mean of their block."""
    return np.asarray(values - (np.bincount(blocks, values) / np.bincount(blocks))[blocks])


def _finish(form: Form, rate: Array, grain: Array, blocks: NDArray[np.intp], b: float, c: float) -> TrialFit:
    """The fit from slope and bend: levels of the blocks, residuals, and errors from the derivatives."""
    reached = np.minimum(rate, -b / (2 * c)) if form == "quadratic-plateau" else rate
    above = grain - b * reached - c * reached**2
    residual, count, scale = _centred(above, blocks), int(blocks.max()) + 1, float(rate.max())
    freedom = len(rate) - count - 2
    variance = float(residual @ residual) / freedom if freedom > 0 else np.nan
    # the top moves with b and c, but yield is level there: the same derivatives
    slopes = np.column_stack([np.eye(count)[blocks], reached / scale, (reached / scale) ** 2])
    means = np.zeros((3, count + 2))  # from levels, b and c in scale, to their mean, b and c
    means[0, :count], means[1, count], means[2, count + 1] = 1 / count, 1 / scale, 1 / scale**2
    return TrialFit(
        form=form, coefficients=np.array([float((np.bincount(blocks, above) / np.bincount(blocks)).mean()), b, c]),
        covariance=variance * (means @ np.linalg.pinv(slopes.T @ slopes) @ means.T), freedom=freedom,
        rmse=float(np.sqrt(residual @ residual / max(freedom, 1))), observations=len(rate), blocks=count,
        lowest=float(rate.min()), highest=float(rate.max()),
    )  # fmt: skip


def _plateau(rate: Array, grain: Array, blocks: NDArray[np.intp]) -> TrialFit | None:
    """Least squares of a quadratic with a plateau: for each top the bend is linear, so only the top is searched."""
    from scipy.optimize import minimize_scalar

    centred = _centred(grain, blocks)

    def bend(top: float) -> tuple[float, float]:
        gap = _centred(np.maximum(top - rate, 0.0) ** 2, blocks)
        size = float(gap @ gap)
        slope = float(gap @ centred) / size if size > 0 else 0.0
        rest = centred - slope * gap
        return float(rest @ rest), slope

    tops = np.linspace(float(np.unique(rate)[1]), 2.0 * float(rate.max()), 400)
    best = int(np.argmin([bend(top)[0] for top in tops]))
    if best == len(tops) - 1:  # still rising in a straight line: the yields hold no top
        return None
    span = (float(tops[max(best - 1, 0)]), float(tops[best + 1]))
    top = float(minimize_scalar(lambda at: bend(at)[0], bounds=span, method="bounded", options={"xatol": 1e-9}).x)
    c = bend(top)[1]
    return _finish("quadratic-plateau", rate, grain, blocks, -2.0 * c * top, c) if c < 0 else None
