"""The season up to sampling: stage, warmth still to come, what was applied and what rain did, from plain values."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.nitrogen.applied import Applied, NotYetNitrate, not_yet_nitrate
from vrn.nitrogen.clock import Clock
from vrn.nitrogen.crop_days import Days, collars_over, crop_days, warmth_left
from vrn.nitrogen.ledger import Number
from vrn.nitrogen.notice import Notice, note, warn
from vrn.nitrogen.rain import RainStory, what_rain_did
from vrn.nitrogen.stage import stage_name, stage_position

__all__ = ["Days", "Season", "collars_over", "season_of"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Season:
    """
    What a field's dates, applications and weather say.

    Parameters
    ----------
    growth_stage : str, float, ndarray or None
        On the sampling date: as the user gave it, or collars by the clock; by cell, where sampling dates lie apart.
    sampled_on : date or None
        Middle sampling date.
    collars_by_date : dict of date to float
        Stage of each sampling date, when they lie more than three days apart and a clock runs; empty otherwise.
    clock, clock_at_application : Clock or None
    mineralization_share_left : float, ndarray or None
        From the record; None leaves it to the stage table.
    mineralization_source : str
    applications : tuple of Applied
    applied_after_sampling_lb_ac : float or ndarray
        What went on on the sampling date or after it. [lb/ac]
    not_yet : NotYetNitrate or None
        Applied and not yet nitrate at sampling, what came after it included.
    not_yet_before : NotYetNitrate or None
        The same of what went on before sampling.
    rain : RainStory or None
    notices : tuple of Notice
    """

    growth_stage: str | float | NDArray[np.float64] | None
    sampled_on: date | None = None
    collars_by_date: dict[date, float] = field(default_factory=dict)
    clock: Clock | None = None
    clock_at_application: Clock | None = None
    mineralization_share_left: Number | None = None
    mineralization_source: str = ""
    applications: tuple[Applied, ...] = ()
    applied_after_sampling_lb_ac: Number = 0.0
    not_yet: NotYetNitrate | None = None
    not_yet_before: NotYetNitrate | None = None
    rain: RainStory | None = None
    notices: tuple[Notice, ...] = ()

    @property
    def applied_lb_ac(self) -> float | None:
        """All nitrogen already put on; None when the field file says nothing of it. [lb/ac]"""
        return float(sum(item.n_lb_ac for item in self.applications)) if self.applications else None

    def by_cell(self, seasons: Sequence["Season"], which: NDArray[np.intp]) -> "Season":
        """
        The season with stage, shares and what was not yet nitrate of each cell's own sampling date.

        Parameters
        ----------
        seasons : sequence of Season
            Of the sampling dates, each struck on its own.
        which : ndarray of int, shape (n,)
            Which of them each cell has.

        Returns
        -------
        season : Season
            Arrays of shape (n,) where this one has numbers.
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

    def to_plain(self) -> dict[str, Any]:
        """Clock and shares as str, numbers and lists."""
        stage, left = self.growth_stage, self.mineralization_share_left
        return {
            "growth_stage": stage_name(stage)
            if isinstance(stage, float)
            else stage
            if isinstance(stage, str)
            else None,
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
    told = "; ".join(f"pulled {day}: {part.line.basis}" for day, part in found)
    first = found[0][1]
    return replace(
        first, low_lb_ac=low, high_lb_ac=high, line=replace(first.line, lb_ac=pounds, basis=f"by sampling date: {told}")
    )


def season_of(
    *, growth_stage: str | float | None = None, sampled_on: Sequence[date | None] = (),
    planting_date: date | None = None, application_date: date | None = None,
    applications: Sequence[Mapping[str, Any]] = (), weather: Days | None = None, normals: Days | None = None,
    texture: str | None = None, latitude_deg: float = 41.5,
) -> Season:  # fmt: skip
    """
    Everything the ledger wants to know of the season.

    Parameters
    ----------
    growth_stage : str or float, optional
        Leaf-collar stage on the sampling date; the clock gives it when there is a planting date and weather.
    sampled_on : sequence of date or None
        Of the readings.
    planting_date, application_date : date, optional
        The application date is shown and never credited.
    applications : sequence of mapping
        ``date, product, n_lb_ac, placement, inhibitor`` of what is already down.
    weather : Days, optional
        A forecast may stand behind the record.
    normals : Days, optional
        Long-term daily means of any year: temperatures where the record has none.
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
    crop = crop_days(
        growth_stage=growth_stage, known=known, middle=middle, planted_on=planting_date,
        application_on=application_date, weather=weather, normals=normals, notices=notices,
    )  # fmt: skip
    if applied and middle is None:
        notices.append(
            warn(
                about="samples",
                problem="No sampling date is known, so nothing applied is followed.",
                remedy="Add sampled_on to the samples: the ledger is struck on that day.",
            )
        )
    notices += _not_on_yet(applied, application_date)
    left, left_source = warmth_left(middle, weather, normals, crop.growth_stage, notices)
    not_yet = before = None
    after = 0.0
    if applied and middle is not None:
        record = {} if weather is None else {"days": weather.days, "rain_in": weather.rain_in}
        earlier = [item for item in applied if item.on < middle]
        after = float(sum(item.n_lb_ac for item in applied if item.on >= middle))
        not_yet = not_yet_nitrate(applied, sampled_on=middle, **record)  # type: ignore[arg-type]
        before = not_yet_nitrate(earlier, sampled_on=middle, **record)  # type: ignore[arg-type]
    rain = None
    if weather is not None and middle is not None and applied:
        rain = _rain(applied, middle, planting_date, weather, texture, latitude_deg, notices)
    return Season(
        growth_stage=crop.growth_stage,
        sampled_on=middle,
        collars_by_date=crop.by_date,
        clock=crop.clock,
        clock_at_application=crop.clock_at_application,
        mineralization_share_left=left,
        mineralization_source=left_source,
        applications=applied,
        applied_after_sampling_lb_ac=after,
        not_yet=not_yet,
        not_yet_before=before,
        rain=rain,
        notices=tuple(notices),
    )


def _not_on_yet(applied: tuple[Applied, ...], application_date: date | None) -> list[Notice]:
    """Applications listed as already on that are dated on or after the pass that is being planned."""
    return [
        warn(
            "applications",
            f"{item.n_lb_ac:g} lb/ac of {item.product} is dated {item.on}, and this pass is planned for "
            f"{application_date}.",
            "List only what is already on: the pass itself, listed there, is subtracted from its own rate.",
        )
        for item in applied
        if application_date is not None and item.on >= application_date and item.n_lb_ac > 0
    ]


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
