"""The rate that pays best on a quadratic yield response, and how flat the return is around it."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from vrn.errors import OutOfRangeError
from vrn.findings import note
from vrn.nitrogen.ledger import Number, as_number
from vrn.nitrogen.lines import applied_lines, line_of
from vrn.nitrogen.method import Example, Input, Method, Values, Working

_SOURCE: Final = "Sawyer et al. 2006, Iowa State University PM 2015 (price ratio, return to nitrogen); calculus"
_CONVEX_REMEDY: Final = "A response that bends upwards has no best rate: check the trial, or use a published response."


def optimum_n_lb_ac(
    b: ArrayLike, c: ArrayLike, *, price_ratio: ArrayLike, highest_rate_lb_ac: ArrayLike | None = None
) -> Number:
    """
    Best-paying rate of a yield response a + bN + cN² that stays level past its top.

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
    """
    How far the rate may be off before the return falls by a sum.

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


@dataclass(frozen=True, slots=True, kw_only=True)
class BestReturn:
    """Rate of the highest mean return over sites, that return, and the band around it. [lb/ac], [$/ac]"""

    rate_n_lb_ac: float
    return_per_ac: float
    low_n_lb_ac: float
    high_n_lb_ac: float


def maximum_return(
    sites: Sequence[tuple[float, float, float]], *, corn_per_bu: float, n_per_lb: float, within_per_ac: float = 1.0
) -> BestReturn:
    """
    Rate with the highest mean return over many trials, each a quadratic that stays level past its top.

    Raises OutOfRangeError if there is no site or one does not bend down. Source: Sawyer et al. (2006), Iowa State
    University PM 2015.

    Parameters
    ----------
    sites : sequence of (a, b, c)
        Yield a + bN + cN². [bu/ac]
    corn_per_bu, n_per_lb : float
        [$/bu], [$/lb N]
    within_per_ac : float
        Width of the profitable range. [$/ac]

    Examples
    --------
    >>> maximum_return([(100, 1.0, -0.0025)], corn_per_bu=4.0, n_per_lb=0.40).rate_n_lb_ac
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
        rising = tops > rate
        return float(corn_per_bu * np.sum(np.where(rising, slope + 2 * bend * rate, 0.0)) / len(table) - n_per_lb)

    highest = float(tops.max())
    best = 0.0 if steepness(0.0) <= 0 else _crossing(steepness, 0.0, highest)
    value = mean_return(best)

    def short(rate: float) -> float:
        return mean_return(rate) - (value - within_per_ac)

    low = 0.0 if short(0.0) >= 0 else _crossing(lambda rate: -short(rate), 0.0, best)
    far = highest + (within_per_ac + 1.0) / n_per_lb if n_per_lb > 0 else highest
    high = far if short(far) >= 0 else _crossing(short, best, far)
    return BestReturn(rate_n_lb_ac=best, return_per_ac=value, low_n_lb_ac=low, high_n_lb_ac=high)


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
