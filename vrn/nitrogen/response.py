"""Yield response to nitrogen: the best-paying rate, how flat the return is around it, and a fit to a trial."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import InputFileError, OutOfRangeError
from vrn.findings import Finding, Quantity, note, warning
from vrn.nitrogen.ledger import Number, as_number
from vrn.nitrogen.lines import Values, applied_lines, line_of
from vrn.nitrogen.method import Example, Input, Method, Working

_SOURCE: Final = "Sawyer et al. 2006, Iowa State University PM 2015 (price ratio, return to nitrogen); calculus"
_CONVEX_REMEDY: Final = "A response that bends upwards has no best rate: check the trial, or use a published response."


def optimum_n_lb_ac(
    b: ArrayLike, c: ArrayLike, *, price_ratio: ArrayLike, highest_rate_lb_ac: ArrayLike | None = None
) -> Number:
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
        raise OutOfRangeError(problem, _CONVEX_REMEDY)
    best = np.minimum((ratio - slope) / (2 * bend), -slope / (2 * bend))
    if highest_rate_lb_ac is not None:
        best = np.minimum(best, np.asarray(highest_rate_lb_ac, dtype=float))
    return as_number(np.maximum(best, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatBand:
    """Best rate, and the rates whose return is within a sum of the best. [lb/ac]"""

    optimum_n_lb_ac: float
    low_n_lb_ac: float
    high_n_lb_ac: float


def flat_band(
    b: float, c: float, *, corn_per_bu: float, n_per_lb: float, within_per_ac: float = 1.0,
    highest_rate_lb_ac: float | None = None,
) -> FlatBand:  # fmt: skip
    """How far the rate may be off before the return falls by a sum.

    Yield is a + bN + cN², level past its top.

    Half width √(1 / (4 × 0.0025)) = 10 on the rising side:

    >>> flat_band(1.0, -0.0025, corn_per_bu=4.0, n_per_lb=0.40)
    FlatBand(optimum_n_lb_ac=180.0, low_n_lb_ac=170.0, high_n_lb_ac=190.0)
    """
    ratio = n_per_lb / corn_per_bu
    best = float(optimum_n_lb_ac(b, c, price_ratio=ratio, highest_rate_lb_ac=highest_rate_lb_ac))
    centre, top = (ratio - b) / (2 * c), -b / (2 * c)
    bend = corn_per_bu * abs(c)
    half = float(np.sqrt((within_per_ac + bend * (best - centre) ** 2) / bend))
    high = centre + half
    if high > top:  # past the top yield stays level and each pound costs its price
        spare = within_per_ac + bend * ((best - centre) ** 2 - (top - centre) ** 2)
        high = max(top, best) + spare / n_per_lb if n_per_lb > 0 else np.inf
    if highest_rate_lb_ac is not None:
        high = min(high, highest_rate_lb_ac)
    return FlatBand(optimum_n_lb_ac=best, low_n_lb_ac=max(centre - half, 0.0), high_n_lb_ac=float(high))


def maximum_return(
    sites: Sequence[tuple[float, float, float]], *, corn_per_bu: float, n_per_lb: float, within_per_ac: float = 1.0
) -> tuple[FlatBand, float]:
    """Rate with the highest mean return over many trials, the rates whose return is near it, and that return. [$/ac]

    Each trial is (a, b, c) of a quadratic that stays level past its top. Raises OutOfRangeError if there is no site or
    one does not bend down. Source: Sawyer et al. (2006), Iowa State University PM 2015.

    >>> maximum_return([(100, 1.0, -0.0025)], corn_per_bu=4.0, n_per_lb=0.40)[0].optimum_n_lb_ac
    180.0
    """
    table = np.asarray(sites, dtype=float).reshape(-1, 3)
    if not len(table) or np.any(table[:, 2] >= 0):
        problem = "There is no site, or one whose response does not bend down."
        raise OutOfRangeError(problem, _CONVEX_REMEDY)
    slope, bend = table[:, 1], table[:, 2]
    tops = np.maximum(-slope / (2 * bend), 0.0)

    def mean_return(rate: float) -> float:
        reached = np.minimum(rate, tops)
        return float(corn_per_bu * np.mean(slope * reached + bend * reached**2) - n_per_lb * rate)

    def steepness(rate: float) -> float:
        rising = np.where(tops > rate, slope + 2 * bend * rate, 0.0)
        return float(corn_per_bu * rising.mean() - n_per_lb)

    highest = float(tops.max())
    best = _crossing(steepness, 0.0, highest)
    value = mean_return(best)
    low = _crossing(lambda rate: value - within_per_ac - mean_return(rate), 0.0, best)
    far = highest + (within_per_ac + 1.0) / n_per_lb if n_per_lb > 0 else highest
    high = _crossing(lambda rate: mean_return(rate) - value + within_per_ac, best, far)
    return FlatBand(optimum_n_lb_ac=best, low_n_lb_ac=low, high_n_lb_ac=high), value


def _crossing(falling: Callable[[float], float], low: float, high: float) -> float:
    """Where a falling function crosses 0, by bisection to the last digit worth printing."""
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if falling(middle) > 0 else (low, middle)
    return round(0.5 * (low + high), 9)


def _rule(values: Values) -> Working:
    best = optimum_n_lb_ac(values["b"], values["c"], price_ratio=values["price_ratio"],
                           highest_rate_lb_ac=values.get("highest_rate_lb_ac"))  # fmt: skip
    tried = "" if "highest_rate_lb_ac" not in values else ", at most {highest_rate_lb_ac} lb/ac, the highest tried"
    line = line_of(values, key="optimum", label="Best-paying rate of the season", lb_ac=best, source=_SOURCE,
                   basis="({price_ratio} − {b}) ÷ (2 × {c}), between 0 and the top of the response" + tried,
                   )  # fmt: skip
    return Working(lines=(line, *applied_lines(values)))


ECONOMIC_OPTIMUM: Final = Method(
    key="economic-optimum",
    title="Best-paying rate of a yield response",
    formula="(price ratio − b) ÷ 2c, between 0 and −b ÷ 2c",
    region="where the response was measured",
    source=_SOURCE,
    factor="none: it takes no soil test",
    contains="everything the trial's soil supplied; a response for a rotation already holds the previous crop's credit",
    kind="season",
    inputs=(
        Input(name="b", meaning="bu/ac for the first pound", low=-10, high=10, required=True),
        Input(name="c", meaning="bend of the response, below 0", low=-1, high=1, required=True),
        Input(name="price_ratio", meaning="$/lb N over $/bu corn", low=0, high=5, required=True),
        Input(name="applied_lb_ac", meaning="already applied this season, subtracted", low=0, high=500),
        Input(name="highest_rate_lb_ac", meaning="highest rate of the trial", low=0, high=1000),
    ),
    example=Example(
        inputs={"b": 1.2, "c": -0.003, "price_ratio": 0.10},
        need_lb_ac=183.333,
        source="worked from the derivative: (0.10 − 1.2) ÷ (2 × −0.003) = 183.3 lb/ac",
    ),
    cautions=(note("methods.one-trial-is-one-draw", "nitrogen.method"),),
    rule=_rule,
)  # fmt: skip


Form = Literal["quadratic", "quadratic-plateau"]
_LEAST_RATES: Final = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Response:
    """Yield = a + bN + cN², level past its top when ``form`` is ``quadratic-plateau``."""

    form: Form
    # N in lb/ac, yield in bu/ac; a is the mean of the blocks
    a: float
    b: float
    c: float
    # standard errors; NaN without degrees of freedom
    a_se: float
    b_se: float
    c_se: float
    bc_covariance: float
    rmse_bu_ac: float  # root of the residual mean square [bu/ac]
    observations: int
    blocks: int
    # rates tried [lb/ac]
    lowest_rate_lb_ac: float
    highest_rate_lb_ac: float

    @property
    def top_n_lb_ac(self) -> float:
        """Rate of the highest yield, −b / 2c. [lb/ac]"""
        return -self.b / (2 * self.c)

    def yield_bu_ac(self, n_lb_ac: ArrayLike) -> Number:
        """Yield at a rate. [bu/ac]"""
        rate = np.asarray(n_lb_ac, dtype=float)
        if self.form == "quadratic-plateau":
            rate = np.minimum(rate, self.top_n_lb_ac)
        return as_number(self.a + self.b * rate + self.c * rate * rate)

    def optimum(self, *, price_ratio: float) -> tuple[float, float]:
        """Best-paying rate and its standard error (delta method; 0 where a bound holds it). [lb/ac]"""
        best = float(
            optimum_n_lb_ac(self.b, self.c, price_ratio=price_ratio, highest_rate_lb_ac=self.highest_rate_lb_ac)
        )
        free = (price_ratio - self.b) / (2 * self.c)
        if not np.isclose(best, free):
            return best, 0.0
        by_b, by_c = -1 / (2 * self.c), -(price_ratio - self.b) / (2 * self.c**2)
        variance = (by_b * self.b_se) ** 2 + (by_c * self.c_se) ** 2 + 2 * by_b * by_c * self.bc_covariance
        return best, float(np.sqrt(max(variance, 0.0)))

    def band(self, *, corn_per_bu: float, n_per_lb: float, within_per_ac: float = 1.0) -> FlatBand:
        """Rates whose return is within a sum of the best, none beyond the highest tried. [lb/ac]"""
        return flat_band(self.b, self.c, corn_per_bu=corn_per_bu, n_per_lb=n_per_lb, within_per_ac=within_per_ac,
                         highest_rate_lb_ac=self.highest_rate_lb_ac)  # fmt: skip

    def quantities(self) -> dict[str, Quantity]:
        """The fit with its standard errors, for a sentence."""
        numbers = {name: Quantity("number", getattr(self, name)) for name in ("b", "c", "b_se", "c_se")}
        return {"yields": Quantity("count", self.observations), "form": Quantity("text", self.form), **numbers}

    def paying_quantities(self, *, corn_per_bu: float, n_per_lb: float) -> dict[str, Quantity]:
        """The best-paying rate with its standard error, and what lies within $1/ac of it, for a sentence."""
        best, error_lb_ac = self.optimum(price_ratio=n_per_lb / corn_per_bu)
        band = self.band(corn_per_bu=corn_per_bu, n_per_lb=n_per_lb)
        pounds = {"best": best, "se": error_lb_ac, "low": band.low_n_lb_ac, "high": band.high_n_lb_ac}
        found = {name: Quantity("whole_amount", value) for name, value in pounds.items()}
        return {**found, "within": Quantity("money_area", 1.0)}

    def to_plain(self) -> dict[str, object]:
        """The response as str, numbers and None."""
        names = ("a", "b", "c", "a_se", "b_se", "c_se", "rmse_bu_ac", "lowest_rate_lb_ac", "highest_rate_lb_ac",
                 "top_n_lb_ac")  # fmt: skip
        values = {name: float(getattr(self, name)) for name in names}
        return {
            "form": self.form, "observations": self.observations, "blocks": self.blocks,
            **{name: value if np.isfinite(value) else None for name, value in values.items()},
        }  # fmt: skip


def fit_response(
    n_lb_ac: ArrayLike, yield_bu_ac: ArrayLike, *, form: Form | Literal["best"] = "best", block: ArrayLike | None = None
) -> Response:
    """Fit a yield response to a trial, or to check strips read back after harvest.

    Total nitrogen of each plot or strip, and its yield; rows with NaN are left out. `best` takes the smaller residual
    sum: both forms have three coefficients. Each `block` (replicate, zone or strip pair) gets a level of its own.
    Raises InputFileError if there are fewer than four observations or three rates, a rate is negative, or the yields do
    not bend down over the rates tried.

    Points on 100 + N − 0.0025 N² give it back:

    >>> rates = np.array([0.0, 50.0, 100.0, 150.0])
    >>> fit = fit_response(rates, 100 + rates - 0.0025 * rates**2, form="quadratic")
    >>> round(fit.b, 9), round(fit.c, 9), round(fit.optimum(price_ratio=0.1)[0], 6)
    (1.0, -0.0025, 150.0)
    """
    rate, grain = np.atleast_1d(np.asarray(n_lb_ac, dtype=float)), np.atleast_1d(np.asarray(yield_bu_ac, dtype=float))
    blocks = np.zeros(len(rate), dtype=int) if block is None else np.unique(np.asarray(block), return_inverse=True)[1]
    known = np.isfinite(rate) & np.isfinite(grain)
    rate, grain, blocks = rate[known], grain[known], np.unique(blocks[known], return_inverse=True)[1]
    if len(rate) < _LEAST_RATES or len(np.unique(rate)) < 3 or (rate < 0).any():
        problem = f"The trial holds {len(rate)} yields at {len(np.unique(rate))} rates."
        raise InputFileError(problem, "A response wants at least four yields at three rates, none below 0 lb/ac.")
    forms: tuple[Form, ...] = ("quadratic-plateau", "quadratic") if form == "best" else (form,)
    fits = [fit for fit in (_FITS[name](rate, grain, blocks) for name in forms) if fit is not None]
    if not fits:
        problem = "The yields do not bend down over the rates tried: no best rate lies between them."
        raise InputFileError(problem, "Try higher rates next season, or use a published response for your region.")
    return min(fits, key=lambda fit: round(fit.rmse_bu_ac, 9))


def _centred(values: NDArray[np.float64], blocks: NDArray[np.intp]) -> NDArray[np.float64]:
    """Values less the mean of their block."""
    counts = np.bincount(blocks)
    return values - (np.bincount(blocks, values) / counts)[blocks]


def _finish(form: Form, rate: NDArray[np.float64], grain: NDArray[np.float64], blocks: NDArray[np.intp], b: float,
            c: float) -> Response | None:  # fmt: skip
    """Response from slope and bend: levels of the blocks, residuals, and errors from the derivatives."""
    if not c < 0 or not b > 0:
        return None
    top = -b / (2 * c)
    reached = np.minimum(rate, top) if form == "quadratic-plateau" else rate
    shape = b * reached + c * reached**2
    residual = _centred(grain - shape, blocks)
    count = int(blocks.max()) + 1
    freedom = len(rate) - count - 2
    by_b, by_c = reached, reached**2  # the top moves with b and c, but yield is level there: the same derivatives
    jacobian = np.column_stack([by_b, by_c, np.eye(count)[blocks]])
    variance = float(residual @ residual) / freedom if freedom > 0 else np.nan
    covariance = variance * np.linalg.pinv(jacobian.T @ jacobian)
    levels = np.bincount(blocks, grain - shape) / np.bincount(blocks)
    a_se = float(np.sqrt(max(covariance[2:, 2:].sum(), 0.0)) / count) if freedom > 0 else np.nan
    return Response(
        form=form, a=float(levels.mean()), b=b, c=c, a_se=a_se, b_se=float(np.sqrt(covariance[0, 0])),
        c_se=float(np.sqrt(covariance[1, 1])), bc_covariance=float(covariance[0, 1]),
        rmse_bu_ac=float(np.sqrt(residual @ residual / max(freedom, 1))), observations=len(rate), blocks=count,
        lowest_rate_lb_ac=float(rate.min()), highest_rate_lb_ac=float(rate.max()),
    )  # fmt: skip


def _quadratic(rate: NDArray[np.float64], grain: NDArray[np.float64], blocks: NDArray[np.intp]) -> Response | None:
    """Least squares of a quadratic, a level for each block."""
    design = np.column_stack([_centred(rate, blocks), _centred(rate**2, blocks)])
    scale = np.abs(design).max(axis=0)
    if not (scale > 0).all():
        return None
    (b, c), *_ = np.linalg.lstsq(design / scale, _centred(grain, blocks), rcond=None)
    return _finish("quadratic", rate, grain, blocks, float(b / scale[0]), float(c / scale[1]))


def _plateau(rate: NDArray[np.float64], grain: NDArray[np.float64], blocks: NDArray[np.intp]) -> Response | None:
    """Least squares of a quadratic with a plateau: for each top the bend is linear, so only the top is searched."""
    centred = _centred(grain, blocks)

    def bend(top: float) -> tuple[float, float]:
        gap = _centred(np.maximum(top - rate, 0.0) ** 2, blocks)
        size = float(gap @ gap)
        slope = float(gap @ centred) / size if size > 0 else 0.0
        rest = centred - slope * gap
        return float(rest @ rest), slope

    second = float(np.unique(rate)[1])
    tops = np.linspace(second, 2.0 * float(rate.max()), 400)
    best = int(np.argmin([bend(top)[0] for top in tops]))
    if best == len(tops) - 1:  # still rising in a straight line: the yields hold no top
        return None
    low, high = float(tops[max(best - 1, 0)]), float(tops[min(best + 1, len(tops) - 1)])
    golden = (np.sqrt(5.0) - 1.0) / 2.0
    for _ in range(100):
        left, right = high - golden * (high - low), low + golden * (high - low)
        low, high = (low, right) if bend(left)[0] <= bend(right)[0] else (left, high)
    top = 0.5 * (low + high)
    c = bend(top)[1]
    return _finish("quadratic-plateau", rate, grain, blocks, -2.0 * c * top, c)


_FITS: Final = {"quadratic": _quadratic, "quadratic-plateau": _plateau}


def take_trial(
    options: Mapping[str, Any], n_lb_ac: ArrayLike, yield_bu_ac: ArrayLike, *, block: ArrayLike | None = None,
    corn_per_bu: float | None = None, n_per_lb: float | None = None,
) -> tuple[dict[str, object], Response | None, tuple[Finding, ...]]:  # fmt: skip
    """Put a trial's response into the options that ``need_of_cells`` and ``side_by_side`` take.

    A slope and bend in the options go before the trial's. Returns the options with `response_b`, `response_c` and
    `highest_rate_lb_ac`, and None for the response when the trial holds none. Raises InputFileError if the trial holds
    no response and the method is ``economic-optimum``.

    >>> rates = np.array([0.0, 60.0, 120.0, 180.0, 240.0])
    >>> found, response, _ = take_trial({}, rates, 90 + rates - 0.0025 * rates**2)
    >>> round(found["response_b"], 6), round(response.optimum(price_ratio=0.1)[0], 6)
    (1.0, 180.0)
    """
    taken, about = dict(options), "nitrogen.response_trial"
    try:
        response = fit_response(n_lb_ac, yield_bu_ac, block=block)
    except InputFileError as error:
        if options.get("method") == "economic-optimum" and options.get("response_b") is None:
            raise
        return taken, None, (warning("nitrogen.trial-unused", about, problem=error.problem, remedy=error.remedy),)
    findings = [note("nitrogen.trial-response", about, **response.quantities())]
    if corn_per_bu is not None and n_per_lb is not None:
        paying = response.paying_quantities(corn_per_bu=corn_per_bu, n_per_lb=n_per_lb)
        findings.append(note("nitrogen.trial-best-rate", about, **paying))
    if response.top_n_lb_ac > response.highest_rate_lb_ac:
        highest = Quantity("rate", response.highest_rate_lb_ac)
        findings.append(warning("nitrogen.trial-still-rising", about, highest=highest))
    if options.get("response_b") is not None or options.get("response_c") is not None:
        findings.append(warning("nitrogen.trial-and-numbers", about))
    else:
        taken |= {"response_b": response.b, "response_c": response.c}
        taken["highest_rate_lb_ac"] = response.highest_rate_lb_ac
    return taken, response, tuple(findings)
