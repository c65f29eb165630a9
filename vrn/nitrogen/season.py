"""The season up to sampling: stage, warmth still to come, what was applied and what rain did, from plain values."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import InputFileError
from vrn.nitrogen.clock import Clock, clock_on, collars_of, heat_units_f
from vrn.nitrogen.credits import Applied, NotYetNitrate, not_yet_nitrate
from vrn.nitrogen.mineralization import WARMTH_SOURCE, share_left_on
from vrn.nitrogen.notice import Notice, note, warn
from vrn.nitrogen.rain import RainStory, what_rain_did
from vrn.nitrogen.stage import stage_name, stage_position

_DAYS_APART = 3  # sampling dates further apart than this each get a stage of their own


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Days:
    """Daily weather as the arithmetic wants it: ``days`` in order, temperatures [°F] and rain [in], each shape (n,)."""

    days: tuple[date, ...]
    tmin_f: NDArray[np.float64]
    tmax_f: NDArray[np.float64]
    rain_in: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Season:
    """
    What a field's dates, applications and weather say.

    Parameters
    ----------
    growth_stage : str, float or None
        On the sampling date: as the user gave it, or collars by the clock.
    sampled_on : date or None
        Middle sampling date.
    collars_by_date : dict of date to float
        Stage of each sampling date by the clock, when they lie more than three days apart; empty otherwise.
    clock, clock_at_application : Clock or None
    mineralization_share_left : float or None
        From the record; None leaves it to the stage table.
    mineralization_source : str
    applications : tuple of Applied
    not_yet : NotYetNitrate or None
        Applied and not yet nitrate at sampling.
    rain : RainStory or None
    notices : tuple of Notice
    """

    growth_stage: str | float | None
    sampled_on: date | None = None
    collars_by_date: dict[date, float] = field(default_factory=dict)
    clock: Clock | None = None
    clock_at_application: Clock | None = None
    mineralization_share_left: float | None = None
    mineralization_source: str = ""
    applications: tuple[Applied, ...] = ()
    not_yet: NotYetNitrate | None = None
    rain: RainStory | None = None
    notices: tuple[Notice, ...] = ()

    @property
    def applied_lb_ac(self) -> float | None:
        """All nitrogen already put on; None when the field file says nothing of it. [lb/ac]"""
        return float(sum(item.n_lb_ac for item in self.applications)) if self.applications else None

    @property
    def applied_after_sampling_lb_ac(self) -> float:
        """What went on after the cores were pulled. [lb/ac]"""
        if self.sampled_on is None:
            return 0.0
        return float(sum(item.n_lb_ac for item in self.applications if item.on >= self.sampled_on))

    def to_plain(self) -> dict[str, Any]:
        """Clock and shares as str, numbers and lists."""
        stage = self.growth_stage
        return {
            "growth_stage": stage_name(stage) if isinstance(stage, float) else stage,
            "sampled_on": None if self.sampled_on is None else self.sampled_on.isoformat(),
            "by_date": {day.isoformat(): round(place, 2) for day, place in self.collars_by_date.items()},
            "at_sampling": None if self.clock is None else self.clock.to_plain(),
            "at_application": None if self.clock_at_application is None else self.clock_at_application.to_plain(),
            "mineralization_share_left": self.mineralization_share_left,
            "mineralization_source": self.mineralization_source,
            "applied_lb_ac": self.applied_lb_ac,
        }


def season_of(
    *, growth_stage: str | None = None, sampled_on: Sequence[date | None] = (), planting_date: date | None = None,
    application_date: date | None = None, applications: Sequence[Mapping[str, Any]] = (), weather: Days | None = None,
    texture: str | None = None, latitude_deg: float = 41.5,
) -> Season:  # fmt: skip
    """
    Everything the ledger wants to know of the season.

    Parameters
    ----------
    growth_stage : str, optional
        Leaf-collar stage on the sampling date; the clock gives it when there is a planting date and weather.
    sampled_on : sequence of date or None
        Of the readings.
    planting_date, application_date : date, optional
        The application date is shown and never credited.
    applications : sequence of mapping
        ``date, product, n_lb_ac, placement, inhibitor`` of what is already down.
    weather : Days, optional
    texture : str, optional
    latitude_deg : float

    Returns
    -------
    season : Season

    Raises
    ------
    InputFileError
        If weather was asked to give the stage and does not reach.

    Examples
    --------
    >>> season_of(growth_stage="V7").growth_stage
    'V7'
    """
    known = sorted(day for day in sampled_on if day is not None)
    middle = known[len(known) // 2] if known else None
    applied = tuple(
        Applied(
            on=item["date"],
            product=item["product"],
            n_lb_ac=float(item["n_lb_ac"]),
            placement=item.get("placement", "unknown"),
            inhibitor=item.get("inhibitor", "none"),
        )
        for item in applications
    )
    notices: list[Notice] = []
    clock = by_date = None
    later = None
    if planting_date is not None and weather is not None and middle is not None:
        clock, by_date, later = _clocks(planting_date, middle, known, application_date, weather, notices)
    stage = _stage(growth_stage, clock, notices)
    if applied and middle is None:
        notices.append(
            warn(
                about="samples",
                problem="No sampling date is known, so nothing applied is followed.",
                remedy="Add sampled_on to the samples: the ledger is struck on that day.",
            )
        )
    left, left_source = _warmth(middle, weather, notices)
    not_yet = None
    if applied and middle is not None:
        record = {} if weather is None else {"days": weather.days, "rain_in": weather.rain_in}
        not_yet = not_yet_nitrate(applied, sampled_on=middle, **record)  # type: ignore[arg-type]
    rain = None
    if weather is not None and middle is not None and applied:
        rain = _rain(applied, middle, planting_date, weather, texture, latitude_deg, notices)
    return Season(
        growth_stage=stage,
        sampled_on=middle,
        collars_by_date=by_date or {},
        clock=clock,
        clock_at_application=later,
        mineralization_share_left=left,
        mineralization_source=left_source,
        applications=applied,
        not_yet=not_yet,
        rain=rain,
        notices=tuple(notices),
    )


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


def _clocks(
    planted: date, middle: date, known: list[date], application: date | None, weather: Days, notices: list[Notice]
) -> tuple[Clock, dict[date, float], Clock | None]:
    """Clock on the middle sampling date, stages of dates far apart, and the clock on the application date."""

    def at(day: date) -> Clock:
        return clock_on(day, planted_on=planted, days=weather.days, tmin_f=weather.tmin_f, tmax_f=weather.tmax_f)

    clock = at(middle)
    by_date: dict[date, float] = {}
    if (known[-1] - known[0]).days > _DAYS_APART:
        by_date = {day: at(day).collars for day in dict.fromkeys(known)}
        notices.append(
            warn(
                about="samples",
                problem=f"Cores were pulled from {known[0]} to {known[-1]}: the crop was at "
                f"{stage_name(by_date[known[0]])} to {stage_name(by_date[known[-1]])}.",
                remedy="Build the dates apart, or judge whether one stage does for all.",
            )
        )
    later = None
    if application is not None and application >= planted:
        try:
            later = at(application)
        except InputFileError as error:
            notices.append(
                note(
                    about="crop.application_date",
                    problem=error.problem,
                    remedy="The stage on that day is not shown. " + error.remedy,
                )
            )
    return clock, by_date, later


def _stage(growth_stage: str | None, clock: Clock | None, notices: list[Notice]) -> str | float | None:
    """The user's stage, checked against the clock; the clock's when the user gave none."""
    if clock is None:
        return growth_stage
    if growth_stage is None:
        notices.append(
            note(
                about="crop.growth_stage",
                problem=f"By planting date and weather the crop was at {clock.growth_stage} on {clock.on} "
                f"({clock.collars:.1f} collars; other published intervals {clock.low_collars:.1f} to "
                f"{clock.high_collars:.1f}).",
                remedy="Count collars in the field and write growth_stage: a count beats the clock.",
            )
        )
        return clock.collars
    if not clock.low_collars - 1 <= float(stage_position(growth_stage)) <= clock.high_collars + 1:
        notices.append(
            warn(
                about="crop.growth_stage",
                problem=f"growth_stage is {growth_stage}; planting date and weather say {clock.growth_stage} on "
                f"{clock.on}.",
                remedy="The field file's stage is used: check that it was counted on the sampling date, by collars.",
            )
        )
    return growth_stage


def _warmth(middle: date | None, weather: Days | None, notices: list[Notice]) -> tuple[float | None, str]:
    """Share of the season's mineralization still to come by the record; None where it does not reach."""
    if middle is None or weather is None:
        return None, ""
    try:
        share = share_left_on(middle, days=weather.days, tmin_f=weather.tmin_f, tmax_f=weather.tmax_f)
    except InputFileError as error:
        notices.append(
            note(
                about="weather",
                remedy=error.remedy,
                problem="The share of mineralization still to come is by stage. " + error.problem,
            )
        )
        return None, ""
    return share, WARMTH_SOURCE


def _rain(applied: tuple[Applied, ...], middle: date, planting: date | None, weather: Days, texture: str | None,
          latitude_deg: float, notices: list[Notice]) -> RainStory | None:  # fmt: skip
    """What rain did, or a note on why that cannot be told."""
    collars = None if planting is None else collars_over(weather.days, planting, weather.tmin_f, weather.tmax_f)
    try:
        return what_rain_did(
            applied,
            on=middle,
            days=weather.days,
            tmin_f=weather.tmin_f,
            tmax_f=weather.tmax_f,
            rain_in=weather.rain_in,
            texture=texture,
            collars=collars,
            latitude_deg=latitude_deg,
        )
    except InputFileError as error:
        notices.append(note(about="weather", problem=error.problem, remedy=error.remedy))
        return None
