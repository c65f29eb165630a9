"""What planting date and weather say of the crop: its stage on the days cores were pulled, and the warmth to come."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import InputFileError
from vrn.nitrogen.clock import LEAF_TIPS, Clock, clock_on, collars_of, heat_units_at, heat_units_f
from vrn.nitrogen.mineralization import SEASON, WARMTH_SOURCE, share_left_on
from vrn.nitrogen.notice import Notice, note, warn
from vrn.nitrogen.stage import TASSEL, mineralization_share_left, stage_name, stage_position

WARMTH_KEY: Final = "nitrogen.mineralization_share_left"
DAYS_APART: Final = 3  # sampling dates further apart than this each get a stage of their own


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Days:
    """Daily weather as the arithmetic wants it: ``days`` in order, temperatures [°F] and rain [in], each shape (n,)."""

    days: tuple[date, ...]
    tmin_f: NDArray[np.float64]
    tmax_f: NDArray[np.float64]
    rain_in: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class CropDays:
    """
    The crop's clock on the days that matter.

    Parameters
    ----------
    growth_stage : str, float or None
        On the middle sampling date: the user's, or the clock's collars.
    clock, clock_at_application : Clock or None
    by_date : dict of date to float
        Stage of each sampling date, when they lie more than three days apart and a clock runs; empty otherwise.
    """

    growth_stage: str | float | None
    clock: Clock | None = None
    clock_at_application: Clock | None = None
    by_date: dict[date, float]


def crop_days(
    *, growth_stage: str | float | None, known: Sequence[date], middle: date | None, planted_on: date | None,
    application_on: date | None, weather: Days | None, normals: Days | None, notices: list[Notice],
) -> CropDays:  # fmt: skip
    """
    Stage on the sampling dates and on the application date, with everything that must be told of it.

    Parameters
    ----------
    growth_stage : str, float or None
        The user's own count on the middle sampling date.
    known : sequence of date
        Sampling dates in order, one for each reading.
    middle, planted_on, application_on : date or None
    weather, normals : Days or None
        The record (a forecast may stand behind it), and long-term means of any year.
    notices : list of Notice
        What was noticed is added here.

    Returns
    -------
    crop : CropDays
    """
    apart = bool(known) and (known[-1] - known[0]).days > DAYS_APART
    if planted_on is not None and middle is not None and middle < planted_on and _is_preplant(growth_stage):
        return CropDays(growth_stage="preplant", by_date={})
    if planted_on is None or weather is None or middle is None:
        if apart and growth_stage is not None:
            notices.append(
                warn(
                    "samples",
                    f"Cores were pulled from {known[0]} to {known[-1]}, and one stage ({_named(growth_stage)}) is "
                    "taken for all of them.",
                    "Give planting_date and [weather], and each date gets its own; or build the dates apart.",
                )
            )
        return CropDays(growth_stage=growth_stage, by_date={})
    usual = None if normals is None else (normals.days, normals.tmin_f, normals.tmax_f)

    def at(day: date) -> Clock:
        return clock_on(
            day, planted_on=planted_on, days=weather.days, tmin_f=weather.tmin_f, tmax_f=weather.tmax_f, normals=usual
        )

    clock = at(middle)
    stage = _stage(growth_stage, clock, notices)
    by_date: dict[date, float] = {}
    place = clock.collars if stage is None else float(stage_position(stage))
    tasseled = place > TASSEL  # the clock tells no stage after it
    ahead_f = 0.0 if place == clock.collars else heat_units_at(place) - clock.heat_units_f  # a count moves the clock
    if apart and not tasseled:
        by_date = {
            day: -1.0 if day < planted_on else float(collars_of(at(day).heat_units_f + ahead_f))
            for day in dict.fromkeys(known)
        }
        first, last = stage_name(by_date[known[0]]), stage_name(by_date[known[-1]])
        notices.append(
            note(
                "samples",
                f"Cores were pulled from {known[0]} to {known[-1]}: the crop was at {first} to {last}.",
                "Each cell's ledger is struck on the date its nearest reading was pulled.",
            )
        )
    return CropDays(
        growth_stage=stage, clock=clock, by_date=by_date,
        clock_at_application=None if tasseled else _later(application_on, planted_on, at, ahead_f, notices),
    )  # fmt: skip


def _is_preplant(stage: str | float | None) -> bool:
    return stage is None or float(stage_position(stage)) < 0


def _named(stage: str | float) -> str:
    return stage if isinstance(stage, str) else stage_name(stage)


def _later(
    application_on: date | None, planted_on: date, at: Callable[[date], Clock], ahead_f: float, notices: list[Notice]
) -> Clock | None:
    """The clock on the day of the pass: shown, never credited."""
    if application_on is None or application_on < planted_on:
        return None
    try:
        later = at(application_on)
        collars = float(collars_of(later.heat_units_f + ahead_f))
        low, high = (collars + part - later.collars for part in (later.low_collars, later.high_collars))
        later = replace(later, collars=collars, low_collars=max(low, -1.0), high_collars=min(high, TASSEL))
    except InputFileError as error:
        notices.append(
            note("crop.application_date", error.problem, f"The stage on that day is not shown. {error.remedy}")
        )
        return None
    notices.append(
        note(
            "crop.application_date",
            f"By the clock the crop will be at {later.growth_stage} on {application_on} ({later.collars:.1f} collars; "
            f"other published intervals {later.low_collars:.1f} to {later.high_collars:.1f}).",
            "It is shown: the need is struck on the sampling date, and nothing is credited for the days between.",
        )
    )
    return later


def _stage(growth_stage: str | float | None, clock: Clock, notices: list[Notice]) -> str | float | None:
    """The user's stage, checked against the clock; the clock's when the user gave none."""
    if growth_stage is None:
        notices.append(
            note(
                "crop.growth_stage",
                f"By planting date and weather the crop was at {clock.growth_stage} on {clock.on} "
                f"({clock.collars:.1f} collars; other published intervals {clock.low_collars:.1f} to "
                f"{clock.high_collars:.1f}).",
                f"Count collars in the field and write growth_stage: a count beats the clock. {LEAF_TIPS}",
            )
        )
        return clock.collars
    if not clock.low_collars - 1 <= float(stage_position(growth_stage)) <= clock.high_collars + 1:
        notices.append(
            warn(
                "crop.growth_stage",
                f"growth_stage is {_named(growth_stage)}; planting date and weather say {clock.growth_stage} on "
                f"{clock.on}.",
                "The field file's stage is used: check that it was counted on the sampling date, by collars.",
            )
        )
    return growth_stage


def warmth_left(
    on: date | None, weather: Days | None, normals: Days | None, growth_stage: str | float | None, notices: list[Notice]
) -> tuple[float | None, str]:
    """
    Share of the year's mineralization still to come by the record and normals behind it, and where it is from.

    Parameters
    ----------
    on : date or None
        The sampling date.
    weather, normals : Days or None
    growth_stage : str, float or None
        For the stage table's share, told beside it.
    notices : list of Notice
        What was noticed is added here.

    Returns
    -------
    share, source : float or None, str
        None where the record does not reach: the stage table stands in.
    """
    if on is None or weather is None:
        return None, ""
    days, tmin_f, tmax_f = _whole_season(weather, normals, on.year)
    try:
        share = share_left_on(on, days=days, tmin_f=tmin_f, tmax_f=tmax_f)
    except InputFileError as error:
        notices.append(
            note(
                WARMTH_KEY, f"The share of mineralization still to come is by stage. {error.problem}",
                "Put a forecast behind the record, or name a file of long-term daily means with weather.normals.",
            )
        )  # fmt: skip
        return None, ""
    if growth_stage is not None:
        table = float(mineralization_share_left(growth_stage))
        notices.append(
            note(
                WARMTH_KEY,
                f"By the warmth of the season {share:.0%} of a year's mineralization comes between sampling and about "
                f"R5; the stage table, from memory, says {table:.0%}.",
                "The warmth is used: for each per cent of organic matter and 20 lb/ac a year the two are "
                f"{20 * abs(table - share):.1f} lb/ac apart. Set mineralization_share_left to take another.",
            )
        )
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


def collars_over(days: Sequence[date], planted_on: date, tmin_f: ArrayLike, tmax_f: ArrayLike) -> NDArray[np.float64]:
    """
    Leaf collars at the end of every day of a record, shape (n,); -1 before planting.

    Examples
    --------
    >>> collars_over([date(2026, 5, 1), date(2026, 5, 2)], date(2026, 5, 2), [50, 50], [86, 86]).round(2).tolist()
    [-1.0, -0.85]
    """
    units = np.nan_to_num(np.atleast_1d(heat_units_f(tmin_f, tmax_f)))
    counted = np.array([day >= planted_on for day in days])
    return np.asarray(collars_of(np.cumsum(np.where(counted, units, 0.0))))
