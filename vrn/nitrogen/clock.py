"""The crop's clock: from planting date and daily temperatures to leaf collars, on any day that the record reaches."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import InputFileError, OutOfRangeError
from vrn.nitrogen.ledger import Number, as_number
from vrn.nitrogen.stage import TASSEL, stage_name, uptake_band, uptake_share

EMERGENCE_F: Final = 120.0  # heat units from planting to emergence: 100–120 (Purdue 2019), the later end [°F days]
_LATE_COLLAR: Final = 10.0  # collars come faster from here on
_LONGEST_GAP_DAYS: Final = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class CollarInterval:
    """Heat units for a collar to V10 and after it, and who published them. [°F days]"""

    early_f: float
    late_f: float
    source: str


INTERVALS: Final = (
    CollarInterval(early_f=82.0, late_f=50.0, source="Purdue University"),
    CollarInterval(early_f=84.0, late_f=56.0, source="Iowa State University PMR 1009, as quoted by Ohio State"),
    CollarInterval(early_f=85.0, late_f=50.0, source="North Dakota State University 2007"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """The crop on one day."""

    on: date
    planted_on: date
    heat_units_f: float  # 86/50 heat units since planting [°F days]
    collars: float  # place on the axis of `stage_position`; -1 … 0 before emergence, 18 at tassel
    # what the other published intervals and an earlier emergence give
    low_collars: float
    high_collars: float
    days_filled: int = 0  # days whose temperature was missing and taken from its neighbours or from normals

    @property
    def growth_stage(self) -> str:
        """Name of the stage, by leaf collars."""
        return "VE" if 0 <= self.collars < 1 else "preplant" if self.collars < 0 else stage_name(self.collars)

    def to_plain(self) -> dict[str, object]:
        """The clock as str, numbers and lists."""
        low, high = uptake_band(self.collars)
        return {
            "on": self.on.isoformat(), "planted_on": self.planted_on.isoformat(),
            "heat_units_f": round(self.heat_units_f, 1), "growth_stage": self.growth_stage,
            "collars": round(self.collars, 2), "low_collars": round(self.low_collars, 2),
            "high_collars": round(self.high_collars, 2), "uptake_share": round(float(uptake_share(self.collars)), 4),
            "uptake_low_share": round(float(low), 4), "uptake_high_share": round(float(high), 4),
            "days_filled": self.days_filled,
        }  # fmt: skip


def heat_units_f(tmin_f: ArrayLike, tmax_f: ArrayLike) -> Number:
    """Growing degree days of corn, 86/50: each temperature is held to 50 … 86 °F first, then averaged.

    Of each day, 0 … 36; NaN where a temperature is. [°F days] Raises OutOfRangeError if a day's minimum is above its
    maximum. Source: Purdue University, Pest & Crop, "Heat Unit Concepts".

    (86 + 65) / 2 − 50 = 25.5:

    >>> heat_units_f(65.0, 90.0)
    25.5
    """
    low, high = np.asarray(tmin_f, dtype=float), np.asarray(tmax_f, dtype=float)
    if np.any(np.greater(low, high)):
        problem = "A day's lowest temperature is above its highest."
        raise OutOfRangeError(problem, "Check that tmin and tmax are not swapped, and that both are in °F.")
    return as_number((np.clip(high, 50.0, 86.0) + np.clip(low, 50.0, 86.0)) / 2.0 - 50.0)


def collars_of(
    heat_units_f: ArrayLike, *, emergence_f: float = EMERGENCE_F, interval: CollarInterval = INTERVALS[0]
) -> Number:
    """Leaf collars from heat units since planting.

    From -1 at planting through 0 at emergence to 18, where the leaves are all out. Source: Ohio State University,
    C.O.R.N. 2018-15, after Nielsen 2014: 785 heat units with emergence at 120 is V8.1.

    (785 − 120) / 82 = 8.1:

    >>> round(collars_of(785.0), 1)
    8.1
    """
    since = np.asarray(heat_units_f, dtype=float) - emergence_f
    early = since / interval.early_f
    late = _LATE_COLLAR + (since - _LATE_COLLAR * interval.early_f) / interval.late_f
    above = np.where(early > _LATE_COLLAR, late, early)
    return as_number(np.clip(np.where(since < 0, since / emergence_f, above), -1.0, TASSEL))


def heat_units_at(
    collars: float, *, emergence_f: float = EMERGENCE_F, interval: CollarInterval = INTERVALS[0]
) -> float:
    """Heat units since planting at which a stage is reached, the inverse of ``collars_of``.

    120 + 10 × 82 + 2 × 50 = 1040:

    >>> heat_units_at(12.0)
    1040.0
    """
    if collars < 0:
        return emergence_f * (1.0 + collars)
    late = max(collars - _LATE_COLLAR, 0.0)
    return emergence_f + min(collars, _LATE_COLLAR) * interval.early_f + late * interval.late_f


def collars_over(days: Sequence[date], planted_on: date, tmin_f: ArrayLike, tmax_f: ArrayLike) -> NDArray[np.float64]:
    """Leaf collars at the end of every day of a record, shape (n,); -1 before planting.

    >>> collars_over([date(2026, 5, 1), date(2026, 5, 2)], date(2026, 5, 2), [50, 50], [86, 86]).round(2).tolist()
    [-1.0, -0.85]
    """
    units = np.nan_to_num(np.atleast_1d(heat_units_f(tmin_f, tmax_f)))
    counted = np.array([day >= planted_on for day in days])
    return np.asarray(collars_of(np.cumsum(np.where(counted, units, 0.0))))


def clock_on(
    on: date, *, planted_on: date, days: Sequence[date], tmin_f: ArrayLike, tmax_f: ArrayLike,
    normals: tuple[Sequence[date], ArrayLike, ArrayLike] | None = None, emergence_f: float = EMERGENCE_F,
) -> Clock:  # fmt: skip
    """The crop's stage on a day.

    Heat of the days before `on` counts. A forecast may follow the record; `normals` (days, tmin_f, tmax_f of any year)
    are taken by month and day where it has none. Raises InputFileError if the day is before planting, or the record and
    normals leave a gap of more than a week.

    Forty days of 90/65 give 40 × 25.5 = 1020 heat units; 11.6 collars:

    >>> from datetime import timedelta
    >>> planted = date(2026, 5, 1)
    >>> record = [planted + timedelta(days=i) for i in range(40)]
    >>> clock = clock_on(date(2026, 6, 10), planted_on=planted, days=record, tmin_f=[65] * 40, tmax_f=[90] * 40)
    >>> clock.heat_units_f, clock.growth_stage
    (1020.0, 'V11')
    """
    if on < planted_on:
        problem = f"{on} is before the planting date {planted_on}."
        raise InputFileError(problem, "Check planting_date and the dates of the samples.")
    units, filled = daily_between(days, np.atleast_1d(heat_units_f(tmin_f, tmax_f)), planted_on, on, normals=normals)
    total = float(units.sum())
    others = [
        float(collars_of(total, emergence_f=start, interval=interval))
        for interval in INTERVALS
        for start in (emergence_f, 100.0, EMERGENCE_F)
    ]
    collars = float(collars_of(total, emergence_f=emergence_f))
    return Clock(
        on=on, planted_on=planted_on, heat_units_f=total, collars=collars, low_collars=min(others),
        high_collars=max(others), days_filled=filled,
    )  # fmt: skip


def daily_between(
    days: Sequence[date], values: NDArray[np.float64], first: date, end: date, *,
    normals: tuple[Sequence[date], ArrayLike, ArrayLike] | None = None,
) -> tuple[NDArray[np.float64], int]:  # fmt: skip
    """A value for every day from ``first`` up to ``end``, ``end`` left out; gaps filled from normals, then neighbours.

    `values` of shape (n,) are NaN where not known. Also the number of days that were filled. Raises InputFileError if
    more than a week in a row is unknown.
    """
    count = max((end - first).days, 0)
    daily = np.full(count, np.nan)
    for day, value in zip(days, values, strict=True):
        if 0 <= (day - first).days < count:
            daily[(day - first).days] = value
    filled = int(np.count_nonzero(np.isnan(daily)))
    if filled and normals is not None:
        usual = dict(
            zip(((day.month, day.day) for day in normals[0]), np.atleast_1d(heat_units_f(normals[1], normals[2])),
                strict=True)
        )  # fmt: skip
        for i in np.flatnonzero(np.isnan(daily)):
            day = date.fromordinal(first.toordinal() + int(i))
            daily[i] = usual.get((day.month, day.day), np.nan)
    unknown = np.isnan(daily)
    longest, start = _longest_run(unknown)
    if longest > _LONGEST_GAP_DAYS or (count and unknown.all()):
        gap = date.fromordinal(first.toordinal() + start)
        problem = f"No temperature for {longest} days in a row from {gap}."
        raise InputFileError(problem, "Give a weather file that reaches there, with a forecast or normals behind it.")
    if unknown.any():
        places = np.arange(count)
        daily[unknown] = np.interp(places[unknown], places[~unknown], daily[~unknown])
    return daily, filled


def _longest_run(flags: NDArray[np.bool_]) -> tuple[int, int]:
    """Length and start of the longest run of True."""
    longest = start = run = 0
    for i, flag in enumerate(flags):
        run = run + 1 if flag else 0
        if run > longest:
            longest, start = run, i - run + 1
    return longest, start
