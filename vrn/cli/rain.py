"""``vrn rain``: what rain and warmth did to the nitrogen already applied."""

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
import typer

from vrn.cli.app import app, say, say_json
from vrn.errors import InputFileError

if TYPE_CHECKING:
    from vrn.model.field import Field
    from vrn.nitrogen.rain import RainStory
    from vrn.nitrogen.season import Season
    from vrn.words import UnitFormat

_HELP = """What rain and warmth did to the nitrogen already applied, as a range over the published rules.

Example:  vrn rain demo_fields/heron_flat/field.toml
"""
_BAR = {False: 0.25, True: 5.0}  # rain of one mark in the weekly bars, in or mm


@app.command(help=_HELP)
def rain(
    field_file: Annotated[Path, typer.Argument(metavar="FIELD.toml", help="the field file")],
    json_: Annotated[bool, typer.Option("--json", help="for a machine, with the daily series")] = False,
) -> None:
    """Follow every application through the season's weather to the sampling date."""
    from vrn.ingest import read_field
    from vrn.pipeline.season import expected_top_foot_ppm
    from vrn.words import UnitFormat

    field = read_field(field_file)
    shown = UnitFormat(metric=field.settings.units == "metric")
    season, story = _story(field)
    expected = expected_top_foot_ppm(field, season, story)
    readings = _top_foot_ppm(field)
    if json_:
        say_json(
            {
                **story.to_plain(),
                "expected_top_foot_ppm": None if expected is None else [round(part, 1) for part in expected],
                "measured_top_foot_ppm": None if readings is None else round(readings, 1),
                "clock": season.to_plain(),
                "notes": [asdict(notice) for notice in season.notices],
            }
        )
        return
    _say_story(field, story, shown)
    _say_weeks(story, shown)
    if expected is not None:
        say()
        say(
            f"Expected in {_foot(shown, 0)} on {story.on}: {expected[0]:.1f} to "
            f"{shown.text('concentration', expected[1])}, "
            "without what last year left."
        )
    if readings is not None:
        say(
            f"Read in {_foot(shown, 0)}: {shown.text('concentration', readings)} on average"
            f"{_beside(readings, expected)}."
        )
    say(story.to_plain()["note"])
    for notice in season.notices:
        say(f"{'!' if notice.level == 'warning' else '·'} {notice.about}: {notice.problem} {notice.remedy}")
    say("Rules spanned")
    for rule in story.rules:
        say(f"  {rule}")


def _story(field: "Field") -> tuple["Season", "RainStory"]:
    from vrn.pipeline.season import season_of_field

    settings, weather = field.settings, field.weather
    name = field.settings.header.name
    if weather is None or not settings.applications:
        absent = "[weather]" if weather is None else "[[applications]]"
        problem = f"{name}: the field file has no {absent}."
        raise InputFileError(problem, "Add [weather] with a daily file and [[applications]] with what was put on.")
    season = season_of_field(field, otherwise_on=weather.days[-1])
    if season.rain is None:
        told = next((notice for notice in season.notices if notice.about == "weather"), None)
        problem = f"{name}: {told.problem if told else 'the weather does not reach the applications.'}"
        raise InputFileError(problem, told.remedy if told else "Give a longer record.")
    return season, season.rain


def _top_foot_ppm(field: "Field") -> float | None:
    """Mean of the readings of 0–12 in."""
    top = field.samples.field_readings().at_depth(0.0, 12.0)
    return float(np.mean(top.nitrate_ppm)) if len(top) else None


def _beside(readings: float, expected: tuple[float, float] | None) -> str:
    if expected is None:
        return ""
    return ", below that band" if readings < expected[0] else ", above that band" if readings > expected[1] else ""


def _foot(shown: "UnitFormat", top_in: float) -> str:
    """The first or second foot by its depths."""
    return f"{shown.number('depth', top_in)}–{shown.text('depth', top_in + 12.0)}"


def _say_story(field: "Field", story: "RainStory", shown: "UnitFormat") -> None:
    say(f"{field.name}, up to {story.on}")
    say()
    moved = tuple(part * shown.factor("depth") for part in story.moved_in)
    say(
        f"Since the last application: {shown.text('rain', story.rain_since_in)} of rain, "
        f"{shown.text('rain', story.drained_since_in)} drained below two feet, enough to carry nitrate "
        f"{_span((moved[0], moved[1]), 0)} {shown.unit('depth')}; {story.days_saturated} days with the soil full."
    )
    rows: tuple[tuple[str, str], ...] = (
        ("volatilized_lb_ac", "lost to the air from the surface"),
        ("denitrified_lb_ac", "denitrified"),
        ("below_lb_ac", "carried below two feet"),
        ("top_foot_lb_ac", f"nitrate in {_foot(shown, 0)}, before the crop's uptake"),
        ("second_foot_lb_ac", f"nitrate in {_foot(shown, 12)}, before the crop's uptake"),
        ("not_nitrate_lb_ac", "not yet nitrate"),
    )
    factor, unit = shown.factor("amount"), shown.unit("amount")
    for fate in story.fates:
        item = fate.applied
        say()
        say(
            f"{shown.text('rate', item.n_lb_ac)} of {item.product}, {item.on}, {item.placement}: "
            f"{fate.weeks:.1f} weeks, {fate.nitrate_share[0]:.0%} to {fate.nitrate_share[1]:.0%} of it turned to "
            "nitrate"
        )
        for name, label in rows:
            low, high = getattr(fate, name)
            say(f"{_span((low * factor, high * factor), 1):>16} {unit}  {label}")


def _say_weeks(story: "RainStory", shown: "UnitFormat") -> None:
    """Rain, drainage and full soil week by week, with the band of applied nitrate left in the top foot."""
    bar, inches, pounds = _BAR[shown.metric], shown.factor("rain"), shown.factor("amount")
    held_in = f"{_foot(shown, 0)}, {shown.unit('amount')}"
    say()
    say(
        f"{'week of':<11}{'rain':>5} {'drained':>8} {'full days':>10} {held_in:>16}  rain, a mark "
        f"for {bar:g} {shown.unit('rain')}"
    )
    days = story.balance.days
    for start in range(0, len(days), 7):
        part = slice(start, min(start + 7, len(days)))
        fell = float(story.rain_in[part].sum()) * inches
        last = part.stop - 1
        held: Any = (story.top_low_lb_ac[last] * pounds, story.top_high_lb_ac[last] * pounds)
        drained = f"{story.balance.drainage_in[part].sum() * inches:.{shown.decimals('rain')}f}"
        say(
            f"{days[start]!s:<11}{fell:>5.{shown.decimals('rain')}f} {drained:>8} "
            f"{int(story.balance.saturated[part].sum()):>10} {_span(held, 0):>16}  "
            f"{'▪' * round(fell / bar)}".rstrip()
        )


def _span(band: tuple[float, float], digits: int) -> str:
    low, high = (f"{part:.{digits}f}" for part in band)
    return low if low == high else f"{low} to {high}"
