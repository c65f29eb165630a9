"""The season up to sampling: stage, warmth still to come, what was applied and what rain did, from plain values."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity, note, warning
from vrn.nitrogen.applied import Applied, NotYetNitrate, not_yet_nitrate
from vrn.nitrogen.clock import Clock, clock_on, collars_of, collars_over, heat_units_at
from vrn.nitrogen.ledger import Number
from vrn.nitrogen.rain import RainEffect, rain_effect
from vrn.nitrogen.stage import TASSEL, stage_name, stage_position, warmth_left
from vrn.nitrogen.water import Days, SoilWarmth

DAYS_APART: Final = 3  # sampling dates further apart than this each get a stage of their own


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Season:
    """What a field's dates, applications and weather say."""

    # on the sampling date: as the user gave it, or collars by the clock; by cell, where sampling dates lie apart
    growth_stage: str | float | NDArray[np.float64] | None
    sampled_on: date | None = None  # middle sampling date
    # stage of each sampling date, when they lie more than three days apart and a clock runs; empty otherwise
    collars_by_date: dict[date, float] = field(default_factory=dict)
    clock: Clock | None = None
    clock_at_application: Clock | None = None
    mineralization_share_left: Number | None = None  # from the record; None leaves it to the stage table
    mineralization_source: str = ""
    applications: tuple[Applied, ...] = ()
    listed: bool = False  # whether the field file says what was applied, if only that nothing was
    applied_after_sampling_lb_ac: Number = 0.0  # what went on on the sampling date or after it [lb/ac]
    not_yet: NotYetNitrate | None = None  # applied and not yet nitrate at sampling, what came after it included
    not_yet_before: NotYetNitrate | None = None  # the same of what went on before sampling
    rain: RainEffect | None = None
    findings: tuple[Finding, ...] = ()

    @property
    def applied_lb_ac(self) -> float | None:
        """All nitrogen already put on; None when the field file says nothing of it. [lb/ac]"""
        said = self.listed or self.applications
        return float(sum(item.n_lb_ac for item in self.applications)) if said else None

    @property
    def applied_left_lb_ac(self) -> tuple[float, float] | None:
        """Least and most of what was applied that is nitrate the crop has had or can still have; None if not known."""
        if self.applications and self.rain is None:
            return None
        if not self.applications:
            return (0.0, 0.0) if self.listed else None
        assert self.rain is not None
        bands = [self.rain.total(name) for name in ("top_foot_lb_ac", "second_foot_lb_ac")]
        most = sum(item.n_lb_ac for item in self.applications)
        return sum(low for low, _ in bands), min(sum(high for _, high in bands), most)

    @property
    def stage_name(self) -> str | None:
        """Stage on the sampling date by its name; None where it is not known or each cell has its own."""
        stage = self.growth_stage
        return stage_name(stage) if isinstance(stage, float) else stage if isinstance(stage, str) else None

    def by_cell(self, seasons: Sequence["Season"], which: NDArray[np.intp]) -> "Season":
        """The season with stage, shares and what was not yet nitrate of each cell's own sampling date.

        `which` of the seasons, each worked on its own, a cell has: shape (n,), as are the arrays that take the place of
        numbers.
        """

        def spread(values: list[Number]) -> NDArray[np.float64]:
            return np.asarray(values, dtype=float)[which]

        stages = [stage_position(one.growth_stage) for one in seasons if one.growth_stage is not None]
        left = [one.mineralization_share_left for one in seasons]
        known = [share for share in left if share is not None]
        return replace(
            self,
            growth_stage=spread(stages) if len(stages) == len(seasons) else self.growth_stage,
            mineralization_share_left=spread(known) if len(known) == len(seasons) else None,
            applied_after_sampling_lb_ac=spread([one.applied_after_sampling_lb_ac for one in seasons]),
            not_yet=_joined([(one.sampled_on, one.not_yet) for one in seasons], which),
            not_yet_before=_joined([(one.sampled_on, one.not_yet_before) for one in seasons], which),
        )

    def to_plain(self) -> dict[str, object]:
        """Clock and shares as str, numbers and lists."""
        left = self.mineralization_share_left
        return {
            "growth_stage": self.stage_name,
            "sampled_on": None if self.sampled_on is None else self.sampled_on.isoformat(),
            "by_date": {day.isoformat(): round(place, 2) for day, place in self.collars_by_date.items()},
            "at_sampling": None if self.clock is None else self.clock.to_plain(),
            "at_application": None if self.clock_at_application is None else self.clock_at_application.to_plain(),
            "mineralization_share_left": left if isinstance(left, float) else None,
            "mineralization_source": self.mineralization_source,
            "applied_lb_ac": self.applied_lb_ac,
        }


def _joined(parts: list[tuple[date | None, NotYetNitrate | None]], which: NDArray[np.intp]) -> NotYetNitrate | None:
    """One line of what was not yet nitrate, each cell by its own sampling date."""
    found = [(day, part) for day, part in parts if part is not None]
    if not found or len(found) < len(parts):
        return None
    low, high, pounds = (
        np.array([float(value) for value in values])[which]
        for values in zip(*((part.low_lb_ac, part.high_lb_ac, part.line.lb_ac) for _, part in found), strict=True)
    )
    by_date = "; ".join(f"pulled {day}: {part.line.basis}" for day, part in found)
    first = found[0][1]
    line = replace(first.line, lb_ac=pounds, basis=f"by sampling date: {by_date}")
    return replace(first, low_lb_ac=low, high_lb_ac=high, line=line)


def season_of(
    *, growth_stage: str | float | None = None, sampled_on: Sequence[date | None] = (),
    planting_date: date | None = None, application_date: date | None = None,
    applications: Sequence[Mapping[str, Any]] | None = None, weather: Days | None = None, normals: Days | None = None,
    texture: str | None = None, drainage: str | None = None, tile: bool | None = None, latitude_deg: float = 41.5,
) -> Season:  # fmt: skip
    """Everything the ledger wants to know of the season.

    The clock gives the stage when there is a planting date and weather. The application date is shown and never
    credited. A forecast may follow the record; normals are daily means of any year. Applications hold `date, product,
    n_lb_ac, placement, inhibitor`; None when nothing is known of them. Raises InputFileError if weather was asked to
    give the stage and does not reach.

    >>> season_of(growth_stage="V7").growth_stage
    'V7'
    """
    known = sorted(day for day in sampled_on if day is not None)
    middle = known[len(known) // 2] if known else None
    applied = tuple(
        Applied(
            on=item["date"], product=item["product"], n_lb_ac=float(item["n_lb_ac"]),
            placement=item.get("placement", "unknown"), inhibitor=item.get("inhibitor", "none"),
        )
        for item in applications or ()
    )  # fmt: skip
    findings: list[Finding] = []
    crop = _crop_days(
        growth_stage, known, middle, planted_on=planting_date, application_on=application_date, weather=weather,
        normals=normals, findings=findings,
    )  # fmt: skip
    if applied and middle is None:
        findings.append(warning("weather.no-sampling-date", "samples"))
    findings += [
        warning("weather.applied-in-this-pass", "applications", pounds=Quantity("rate", item.n_lb_ac),
                product=item.product, day=item.on, pass_day=application_date)
        for item in applied
        if application_date is not None and item.on >= application_date and item.n_lb_ac > 0
    ]  # fmt: skip
    left, left_source = warmth_left(middle, weather, normals, crop.growth_stage, findings)
    not_yet = before = rain = None
    after = 0.0
    if applied and middle is not None:
        record = {} if weather is None else {
            "days": weather.days, "rain_in": weather.rain_in,
            "warmth": SoilWarmth.of(weather.days, weather.tmin_f, weather.tmax_f),
        }  # fmt: skip
        earlier = [item for item in applied if item.on < middle]
        after = float(sum(item.n_lb_ac for item in applied if item.on >= middle))
        not_yet = not_yet_nitrate(applied, sampled_on=middle, **record)  # type: ignore[arg-type]
        before = not_yet_nitrate(earlier, sampled_on=middle, **record)  # type: ignore[arg-type]
        if weather is not None:
            ground = {"texture": texture, "drainage": drainage, "tile": tile, "latitude_deg": latitude_deg}
            rain = _rain(applied, middle, planting_date, weather, ground, findings)
    return Season(
        growth_stage=crop.growth_stage, sampled_on=middle, collars_by_date=crop.by_date, clock=crop.clock,
        clock_at_application=crop.clock_at_application, mineralization_share_left=left,
        mineralization_source=left_source, applications=applied, listed=applications is not None,
        applied_after_sampling_lb_ac=after, not_yet=not_yet,
        not_yet_before=before, rain=rain, findings=tuple(findings),
    )  # fmt: skip


def _rain(applied: tuple[Applied, ...], middle: date, planting: date | None, weather: Days, ground: dict[str, Any],
          findings: list[Finding]) -> RainEffect | None:  # fmt: skip
    """What rain did, or a note on why that is not known."""
    collars = None if planting is None else collars_over(weather.days, planting, weather.tmin_f, weather.tmax_f)
    try:
        return rain_effect(
            applied, on=middle, days=weather.days, tmin_f=weather.tmin_f, tmax_f=weather.tmax_f,
            rain_in=weather.rain_in, collars=collars, **ground,
        )  # fmt: skip
    except InputFileError as error:
        findings.append(note("weather.rain-not-followed", "weather", problem=error.problem, remedy=error.remedy))
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class _CropDays:
    """Stage on the middle sampling date, the clock there and on the day of the pass, and the stage of each date."""

    growth_stage: str | float | None
    clock: Clock | None = None
    clock_at_application: Clock | None = None
    by_date: dict[date, float] = field(default_factory=dict)


def _crop_days(
    growth_stage: str | float | None, known: Sequence[date], middle: date | None, *, planted_on: date | None,
    application_on: date | None, weather: Days | None, normals: Days | None, findings: list[Finding],
) -> _CropDays:  # fmt: skip
    """Stage on the sampling dates (``known``, in order) and on the application date; findings are added."""
    apart = bool(known) and (known[-1] - known[0]).days > DAYS_APART
    if planted_on is not None and middle is not None and middle < planted_on and _is_preplant(growth_stage):
        return _CropDays(growth_stage="preplant")
    if planted_on is None or weather is None or middle is None:
        if apart and growth_stage is not None:
            findings.append(
                warning("weather.one-stage-for-all", "samples", first=known[0], last=known[-1],
                        stage=_named(growth_stage))
            )  # fmt: skip
        return _CropDays(growth_stage=growth_stage)
    usual = None if normals is None else (normals.days, normals.tmin_f, normals.tmax_f)

    def at(day: date) -> Clock:
        return clock_on(
            day, planted_on=planted_on, days=weather.days, tmin_f=weather.tmin_f, tmax_f=weather.tmax_f, normals=usual
        )

    clock = at(middle)
    if clock.days_filled:
        findings.append(note("weather.temperatures-filled", "weather", filled=clock.days_filled))
    stage = _stage(growth_stage, clock, findings)
    by_date: dict[date, float] = {}
    place = clock.collars if stage is None else float(stage_position(stage))
    tasseled = place > TASSEL  # the clock shows no stage after it
    ahead_f = 0.0 if place == clock.collars else heat_units_at(place) - clock.heat_units_f  # a count moves the clock
    if apart and not tasseled:
        by_date = {
            day: -1.0 if day < planted_on else float(collars_of(at(day).heat_units_f + ahead_f))
            for day in dict.fromkeys(known)
        }
        early, late = stage_name(by_date[known[0]]), stage_name(by_date[known[-1]])
        findings.append(
            note("weather.stage-by-date", "samples", first=known[0], last=known[-1], early=early, late=late)
        )
    later = None if tasseled else _later(application_on, planted_on, at, ahead_f, findings)
    return _CropDays(growth_stage=stage, clock=clock, by_date=by_date, clock_at_application=later)


def _is_preplant(stage: str | float | None) -> bool:
    return stage is None or float(stage_position(stage)) < 0


def _named(stage: str | float) -> str:
    return stage if isinstance(stage, str) else stage_name(stage)


def _of_clock(clock: Clock) -> dict[str, Quantity | str | date]:
    numbers = {"collars": clock.collars, "low": clock.low_collars, "high": clock.high_collars}
    return {"stage": clock.growth_stage, "day": clock.on,
            **{name: Quantity("number", value) for name, value in numbers.items()}}  # fmt: skip


def _later(
    application_on: date | None, planted_on: date, at: Callable[[date], Clock], ahead_f: float,
    findings: list[Finding],
) -> Clock | None:  # fmt: skip
    """The clock on the day of the pass: shown, never credited."""
    if application_on is None or application_on < planted_on:
        return None
    about = "crop.application_date"
    try:
        later = at(application_on)
    except InputFileError as error:
        findings.append(note("weather.stage-on-pass-unknown", about, problem=error.problem, remedy=error.remedy))
        return None
    collars = float(collars_of(later.heat_units_f + ahead_f))
    low, high = (collars + part - later.collars for part in (later.low_collars, later.high_collars))
    later = replace(later, collars=collars, low_collars=max(low, -1.0), high_collars=min(high, TASSEL))
    findings.append(note("weather.stage-on-pass", about, **_of_clock(later)))
    return later


def _stage(growth_stage: str | float | None, clock: Clock, findings: list[Finding]) -> str | float | None:
    """The user's stage, checked against the clock; the clock's when the user gave none."""
    about = "crop.growth_stage"
    if growth_stage is None:
        findings.append(note("weather.stage-from-weather", about, **_of_clock(clock)))
        if clock.collars >= TASSEL:
            findings.append(note("weather.stage-past-tassel", about, day=clock.on))
        return clock.collars
    if not clock.low_collars - 1 <= float(stage_position(growth_stage)) <= clock.high_collars + 1:
        findings.append(
            warning("weather.stage-against-weather", about, given=_named(growth_stage), stage=clock.growth_stage,
                    day=clock.on)
        )  # fmt: skip
    return growth_stage
