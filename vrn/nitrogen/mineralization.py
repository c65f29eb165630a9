"""What the soil has still to free: shares of a season's warmth, and first-order release."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import InputFileError, OutOfRangeError
from vrn.findings import Finding, Quantity, note
from vrn.nitrogen.ledger import Number, as_number
from vrn.nitrogen.stage import mineralization_share_left

Q10: Final = 2.0  # rate for each 10 °C; Stanford et al. 1973 about 2 over 5–35 °C; 1.7–1.9 in other published soils
SEASON: Final = ((4, 1), (9, 30))  # first and last day whose warmth makes up the season, a choice of this project
END_OF_UPTAKE: Final = (8, 25)  # about R5; from memory
WARMTH_SOURCE: Final = (
    "share of the season's warmth, Q10 = 2 (about 2 over 5–35 °C: Stanford et al. 1973), air temperature for soil; "
    "season 1 April to 30 September and R5 about 25 August, from memory"
)
WARMTH_KEY: Final = "nitrogen.mineralization_share_left"
_FULL_RECORD_SHARE: Final = 0.9
_YEARLY_LB_AC: Final = 20.0  # for each per cent of organic matter: what the two shares are compared at


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Days:
    """Daily weather as the arithmetic wants it: ``days`` in order, temperatures [°F] and rain [in], each shape (n,)."""

    days: tuple[date, ...]
    tmin_f: NDArray[np.float64]
    tmax_f: NDArray[np.float64]
    rain_in: NDArray[np.float64]


def warmth_share(
    days: Sequence[date],
    temperature_c: ArrayLike,
    *,
    first: date,
    end: date,
    season: tuple[date, date],
    q10: float = Q10,
) -> float:
    """
    Share of a season's warmth that falls between two days.

    Daily means of the soil, or of the air for want of it, must cover the season; missing days are read off their
    neighbours. `end` itself is left out; `season` is its first and last day. Raises InputFileError if the record covers
    less than nine tenths of the season. Source: Stanford, Frere, Schwaninger (1973), Q10 of nitrogen mineralization
    about 2 (from memory).

    Two days at 10 °C and one at 20 °C: the warm day weighs 4 of 2 + 2 + 4:

    >>> june = [date(2026, 6, i) for i in (1, 2, 3)]
    >>> warmth_share(june, [10, 10, 20], first=june[2], end=date(2026, 6, 4), season=(june[0], june[2]))
    0.5
    """
    opening, last = season
    count = (last - opening).days + 1
    warm = np.full(count, np.nan)
    for day, value in zip(days, np.asarray(temperature_c, dtype=float), strict=True):
        if 0 <= (day - opening).days < count:
            warm[(day - opening).days] = value
    known = np.isfinite(warm)
    if known.sum() < _FULL_RECORD_SHARE * count:
        problem = f"Temperatures cover {int(known.sum())} of the {count} days from {opening} to {last}."
        raise InputFileError(problem, "Put normals behind the record, or leave the share to the stage table.")
    places = np.arange(count)
    warm = np.interp(places, places[known], warm[known])
    rate = np.where(warm < 0, 0.0, q10 ** (warm / 10.0))
    start, stop = (min(max((day - opening).days, 0), count) for day in (first, end))
    return float(rate[start:stop].sum() / rate.sum()) if rate.sum() > 0 else 0.0


def share_left_on(
    sampled_on: date, *, days: Sequence[date], tmin_f: ArrayLike, tmax_f: ArrayLike, q10: float = Q10
) -> float:
    """
    Share of a year's mineralization that comes between sampling and about R5, from daily air temperatures.

    The days must reach from April to September, so a forecast and normals follow the record. Raises InputFileError if
    the record does not cover the season.

    At one temperature all season it is days over days: 18 June to 25 August is 68 of 183.

    >>> every = [date.fromordinal(date(2026, 4, 1).toordinal() + i) for i in range(183)]
    >>> round(share_left_on(date(2026, 6, 18), days=every, tmin_f=[60] * 183, tmax_f=[80] * 183), 4)
    0.3716
    """
    mean_c = ((np.asarray(tmin_f, dtype=float) + np.asarray(tmax_f, dtype=float)) / 2.0 - 32.0) / 1.8
    year = sampled_on.year
    return warmth_share(
        days, mean_c, first=sampled_on, end=date(year, *END_OF_UPTAKE), q10=q10,
        season=(date(year, *SEASON[0]), date(year, *SEASON[1])),
    )  # fmt: skip


def warmth_left(
    on: date | None, weather: Days | None, normals: Days | None, growth_stage: str | float | None,
    findings: list[Finding],
) -> tuple[float | None, str]:  # fmt: skip
    """
    Share of the year's mineralization still to come by the record and normals behind it, and where it is from.

    None where the record does not reach: then the stage table is used. What was noticed is added to the findings.
    """
    if on is None or weather is None:
        return None, ""
    days, tmin_f, tmax_f = _whole_season(weather, normals, on.year)
    try:
        share = share_left_on(on, days=days, tmin_f=tmin_f, tmax_f=tmax_f)
    except InputFileError as error:
        findings.append(note("weather.mineralization-by-stage", WARMTH_KEY, problem=error.problem))
        return None, ""
    if growth_stage is not None:
        table = float(mineralization_share_left(growth_stage))
        findings.append(
            note("weather.mineralization-by-weather", WARMTH_KEY, share=Quantity("share", share),
                 table=Quantity("share", table), yearly=Quantity("rate", _YEARLY_LB_AC),
                 apart=Quantity("amount", _YEARLY_LB_AC * abs(table - share)))
        )  # fmt: skip
    return share, WARMTH_SOURCE


def _whole_season(
    weather: Days, normals: Days | None, year: int
) -> tuple[tuple[date, ...], NDArray[np.float64], NDArray[np.float64]]:
    """The record, with normals of the same month and day where it has no temperature."""
    if normals is None:
        return weather.days, weather.tmin_f, weather.tmax_f
    usual = {(day.month, day.day): i for i, day in enumerate(normals.days)}
    known = {
        day: (low, high)
        for day, low, high in zip(weather.days, weather.tmin_f, weather.tmax_f, strict=True)
        if np.isfinite(low + high)
    }
    first, last = (date(year, *day).toordinal() for day in SEASON)
    for ordinal in range(first, last + 1):
        day = date.fromordinal(ordinal)
        i = usual.get((day.month, day.day))
        if day not in known and i is not None:
            known[day] = (normals.tmin_f[i], normals.tmax_f[i])
    days = tuple(sorted(known))
    values = np.array([known[day] for day in days])
    return days, values[:, 0], values[:, 1]


def mineralized_ppm(
    potential_ppm: ArrayLike, *, weeks: ArrayLike, temperature_c: ArrayLike = 35.0, rate_at_35_c: float = 0.054,
    q10: float = Q10,
) -> Number:  # fmt: skip
    """
    Nitrogen freed from a potential by first-order release.

    Raises OutOfRangeError if potential or weeks are negative. Source: Stanford and Smith (1972), Soil Sci. Soc. Am. J.
    36:465: k = 0.054 ± 0.009 a week at 35 °C.

    Parameters
    ----------
    potential_ppm : array_like
        N that could be freed. [ppm]
    rate_at_35_c : float
        Rate constant at 35 °C. [1/week]

    Examples
    --------
    >>> round(mineralized_ppm(150.0, weeks=10.0), 2)
    62.59
    """
    potential, time = np.asarray(potential_ppm, dtype=float), np.asarray(weeks, dtype=float)
    if np.any(np.less(potential, 0)) or np.any(np.less(time, 0)):
        problem = "The nitrogen that could be freed, or the time, is below 0."
        raise OutOfRangeError(problem, "Give both as 0 or more.")
    rate = rate_at_35_c * q10 ** ((np.asarray(temperature_c, dtype=float) - 35.0) / 10.0)
    return as_number(potential * -np.expm1(-rate * time))
