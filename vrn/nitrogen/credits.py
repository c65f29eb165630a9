"""Nitrogen from elsewhere: manure, irrigation water, and what was applied and was not yet nitrate at sampling."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from vrn.errors import OutOfRangeError
from vrn.nitrogen.ledger import Line, Number, as_number
from vrn.nitrogen.losses import nitrate_share_band, product_kind, volatilized_share_band

CORNELL_SOURCE: Final = "Cornell University css412: organic N of manure freed by year"
NEBRASKA_SOURCE: Final = "University of Nebraska-Lincoln, CropWatch 4 April 2022"
# share of manure's organic nitrogen freed in the first, second and third year after it was spread
ORGANIC_RELEASE_SHARE: Final = {
    "liquid": (0.35, 0.12, 0.05),  # under 18 % dry matter: cow, swine, sheep (Cornell)
    "solid": (0.25, 0.12, 0.05),  # 18 % dry matter and more (Cornell)
    "poultry": (0.55, 0.12, 0.05),  # Cornell
    "nebraska": (0.40, 0.20, 0.10),  # most manures (Nebraska)
}
# share of manure's ammonium kept by days to incorporation; one day is published (half), the others from memory
AMMONIUM_KEPT_SHARE: Final = ((0.0, 0.95), (1.0, 0.50), (2.0, 0.25), (4.0, 0.15), (7.0, 0.0))
WATER_LB_AC_PER_PPM_IN: Final = 0.2266  # 1 acre-inch of water weighs 226,600 lb: NRDs, UC, UNL print 0.227


@dataclass(frozen=True, slots=True, kw_only=True)
class Credit:
    """Nitrogen that appears after sampling, with its arithmetic and source; ``lb_ac`` is float or ndarray. [lb/ac]"""

    lb_ac: Number
    basis: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Applied:
    """
    One application of nitrogen.

    Parameters
    ----------
    on : date
    product : str
        Its name; the kind of nitrogen is read from it.
    n_lb_ac : float
        [lb/ac]
    placement : {"broadcast", "incorporated", "banded", "injected", "unknown"}
    inhibitor : {"none", "nitrification", "urease", "both"}
    """

    on: date
    product: str
    n_lb_ac: float
    placement: str = "unknown"
    inhibitor: str = "none"

    def __post_init__(self) -> None:
        if not self.n_lb_ac >= 0:
            problem = f"{self.product} on {self.on}: {self.n_lb_ac:g} lb N/ac was applied."
            raise OutOfRangeError(problem, "Give the nitrogen of each application as 0 or more.")


def manure_organic_n_lb_ac(organic_n_lb_ac: Sequence[float], *, manure: str = "solid") -> float:
    """
    Organic nitrogen of manure that this season frees in all.

    Parameters
    ----------
    organic_n_lb_ac : sequence of float
        Organic N spread for this season, a year earlier, two years earlier. [lb/ac]
    manure : {"liquid", "solid", "poultry", "nebraska"}
        Schedule of release.

    Returns
    -------
    freed_lb_ac : float
        Of the whole season: take the share still to come for what appears after sampling. [lb/ac]

    Raises
    ------
    OutOfRangeError
        If the schedule is not known or an amount is negative.

    References
    ----------
    Cornell University css412; University of Nebraska-Lincoln, CropWatch 4 April 2022.

    Examples
    --------
    10 tons of 5 lb organic N three years running: 50 × (0.35 + 0.12 + 0.05) = 26:

    >>> manure_organic_n_lb_ac([50.0, 50.0, 50.0], manure="liquid")
    26.0
    """
    if manure not in ORGANIC_RELEASE_SHARE:
        problem = f"There is no release schedule {manure!r}."
        raise OutOfRangeError(problem, "Use one of: " + ", ".join(ORGANIC_RELEASE_SHARE) + ".")
    if any(amount < 0 for amount in organic_n_lb_ac):
        problem = "An amount of manure nitrogen is below 0."
        raise OutOfRangeError(problem, "Give organic N of each year as 0 or more.")
    shares = ORGANIC_RELEASE_SHARE[manure]
    return float(sum(amount * share for amount, share in zip(organic_n_lb_ac, shares, strict=False)))


def ammonium_kept_share(days_to_incorporation: ArrayLike) -> Number:
    """
    Share of manure's ammonium that is not lost to the air; from memory but for one day.

    Parameters
    ----------
    days_to_incorporation : array_like
        0 when injected; a week or more is never. [days]

    Returns
    -------
    share : float or ndarray

    References
    ----------
    Half for solid beef manure within a day: University of Nebraska, as quoted by Feedstuffs; other days from memory.

    Examples
    --------
    >>> ammonium_kept_share(1.0)
    0.5
    """
    table = np.array(AMMONIUM_KEPT_SHARE)
    return as_number(np.interp(np.asarray(days_to_incorporation, dtype=float), table[:, 0], table[:, 1]))


def manure_after_sampling_lb_ac(
    organic_n_lb_ac: Sequence[float], *, share_left: Number, manure: str = "solid", ammonium_after_lb_ac: float = 0.0,
    days_to_incorporation: float = 0.0,
) -> Number:  # fmt: skip
    """
    Manure nitrogen that appears after sampling: the credit ``manure`` of a mass balance.

    Parameters
    ----------
    organic_n_lb_ac : sequence of float
        Organic N spread for this season, a year earlier, two years earlier. [lb/ac]
    share_left : float or ndarray
        Share of the season's mineralization still to come.
    manure : str
        Schedule of release.
    ammonium_after_lb_ac : float
        Ammonium N of manure spread after sampling; what was spread before stands in the reading. [lb/ac]
    days_to_incorporation : float
        [days]

    Returns
    -------
    credit_lb_ac : float or ndarray
        [lb/ac]

    Examples
    --------
    50 lb of organic N at Nebraska's 40 %, 69 % of the season to come: 13.8:

    >>> round(manure_after_sampling_lb_ac([50.0], share_left=0.69, manure="nebraska"), 1)
    13.8
    """
    organic = manure_organic_n_lb_ac(organic_n_lb_ac, manure=manure) * share_left
    return as_number(organic + ammonium_after_lb_ac * float(ammonium_kept_share(days_to_incorporation)))


def manure_credit(
    organic_n_lb_ac: Sequence[float], *, share_left: Number, manure: str = "solid", ammonium_after_lb_ac: float = 0.0,
    days_to_incorporation: float = 0.0,
) -> Credit:  # fmt: skip
    """
    The same as a line of the ledger wants it, with its arithmetic.

    Parameters
    ----------
    organic_n_lb_ac, share_left, manure, ammonium_after_lb_ac, days_to_incorporation
        As ``manure_after_sampling_lb_ac`` takes them.

    Returns
    -------
    credit : Credit

    Examples
    --------
    >>> credit = manure_credit([50.0, 30.0], share_left=0.7, manure="liquid")
    >>> credit.basis
    '(50 × 0.35 + 30 × 0.12) lb/ac of organic N × 0.7 still to come'
    >>> round(credit.lb_ac, 2)
    14.77
    """
    pounds = manure_after_sampling_lb_ac(
        organic_n_lb_ac, share_left=share_left, manure=manure, ammonium_after_lb_ac=ammonium_after_lb_ac,
        days_to_incorporation=days_to_incorporation,
    )  # fmt: skip
    shares = ORGANIC_RELEASE_SHARE[manure]
    freed = " + ".join(f"{n:g} × {share:g}" for n, share in zip(organic_n_lb_ac, shares, strict=False) if n)
    still = "each cell's share" if np.ndim(share_left) else f"{share_left:.6g}"
    words = [f"({freed}) lb/ac of organic N × {still} still to come"] if freed else []
    if ammonium_after_lb_ac:
        kept = float(ammonium_kept_share(days_to_incorporation))
        words.append(f"{ammonium_after_lb_ac:g} lb/ac of ammonium N spread after sampling × {kept:g} kept")
    source = NEBRASKA_SOURCE if manure == "nebraska" else CORNELL_SOURCE
    if ammonium_after_lb_ac:
        source += "; ammonium kept: half within a day (University of Nebraska), other days from memory"
    return Credit(lb_ac=pounds, basis=" + ".join(words), source=source)


def water_credit(nitrate_ppm: float, *, water_in: float) -> Credit:
    """
    Nitrate in irrigation water still to come, with its arithmetic.

    Parameters
    ----------
    nitrate_ppm : float
        NO3-N of the water. [ppm]
    water_in : float
        Still to be applied, and used by the crop. [in]

    Returns
    -------
    credit : Credit

    Examples
    --------
    >>> water_credit(10.0, water_in=6.0).basis
    '10 ppm × 6 in × 0.2266 lb/ac per ppm and in'
    """
    return Credit(
        lb_ac=irrigation_n_lb_ac(nitrate_ppm, water_in=water_in),
        basis=f"{nitrate_ppm:g} ppm × {water_in:g} in × {WATER_LB_AC_PER_PPM_IN:g} lb/ac per ppm and in",
        source="Lower Loup and North Platte NRD, University of California (printed 0.227)",
    )


def irrigation_n_lb_ac(nitrate_ppm: ArrayLike, *, water_in: ArrayLike) -> Number:
    """
    Nitrate-N in irrigation water still to come.

    Parameters
    ----------
    nitrate_ppm : array_like
        NO3-N of the water, mg/L. [ppm]
    water_in : array_like
        Water still to be applied that the crop will use. [in]

    Returns
    -------
    irrigation_n_lb_ac : float or ndarray
        [lb/ac]

    Raises
    ------
    OutOfRangeError
        If one is negative.

    References
    ----------
    ppm × in × 0.2266: Lower Loup and North Platte NRD, University of California (printed 0.227).

    Examples
    --------
    10 ppm in 12 in:

    >>> round(irrigation_n_lb_ac(10.0, water_in=12.0), 1)
    27.2
    """
    ppm, water = np.asarray(nitrate_ppm, dtype=float), np.asarray(water_in, dtype=float)
    if np.any(np.less(ppm, 0)) or np.any(np.less(water, 0)):
        problem = "The nitrate or the depth of irrigation water is below 0."
        raise OutOfRangeError(problem, "Give both as 0 or more.")
    return as_number(ppm * water * WATER_LB_AC_PER_PPM_IN)


@dataclass(frozen=True, slots=True, kw_only=True)
class NotYetNitrate:
    """Nitrogen applied that no nitrate test can have seen: the line, its least and greatest, and notes. [lb/ac]"""

    line: Line
    low_lb_ac: Number
    high_lb_ac: Number
    notes: tuple[str, ...]


def not_yet_nitrate(
    applications: Sequence[Applied], *, sampled_on: date, days: Sequence[date] = (), rain_in: ArrayLike = ()
) -> NotYetNitrate | None:
    """
    Nitrogen that was down and not yet nitrate at sampling, or that went down after it, as a line of the ledger.

    Parameters
    ----------
    applications : sequence of Applied
    sampled_on : date
    days, rain_in : sequence of date and array_like, shape (n,)
        Daily rain, to tell how long urea lay dry; without it a dry week is assumed at the high end. [in]

    Returns
    -------
    line : NotYetNitrate or None
        None when there is no application. Its middle is counted; low and high are what the published rules give.

    References
    ----------
    Nitrate share of applied N by weeks: Kentucky (No-Till Farmer), Iowa State 2024; loss of urea to the air: Montana
    State, University of Illinois.

    Examples
    --------
    Applied after sampling, injected: all of it is still to come:

    >>> late = Applied(on=date(2026, 6, 12), product="UAN 32", n_lb_ac=40.0, placement="injected")
    >>> not_yet_nitrate([late], sampled_on=date(2026, 6, 10)).line.lb_ac
    -40.0
    """
    if not applications:
        return None
    rain = np.atleast_1d(np.asarray(rain_in, dtype=float)) if len(days) else np.array([])
    low = high = 0.0
    parts, notes = [], []
    for item in applications:
        kind = product_kind(item.product)
        lost_low, lost_high = volatilized_share_band(
            kind, placement=item.placement, inhibitor=item.inhibitor, applied_on=item.on, days=days, rain_in=rain
        )
        share_low, share_high = (0.0, 0.0)
        if item.on < sampled_on:
            weeks = (sampled_on - item.on).days / 7.0
            share_low, share_high = nitrate_share_band(kind, weeks=weeks, inhibitor=item.inhibitor)
        least = max(item.n_lb_ac * (1.0 - share_high - lost_high), 0.0)
        most = max(item.n_lb_ac * (1.0 - share_low - lost_low), 0.0)
        low, high = low + least, high + most
        parts.append(f"{item.n_lb_ac:g} lb/ac of {item.product} on {item.on}: {least:.2f} to {most:.2f}")
        if kind == "unknown":
            notes.append(f"what kind of nitrogen {item.product!r} is could not be told: the widest range is taken")
    middle = 0.5 * (low + high)
    line = Line(
        key="applied_not_nitrate", label="Applied, not yet nitrate at sampling", lb_ac=-middle,
        basis=f"middle of {low:.2f} and {high:.2f} lb/ac ({'; '.join(parts)})",
        source="nitrate share by weeks: Kentucky, Iowa State 2024; urea lost to the air: Montana State, Illinois",
    )  # fmt: skip
    return NotYetNitrate(line=line, low_lb_ac=low, high_lb_ac=high, notes=tuple(notes))
