"""``vrn rain``: what rain and warmth did to the nitrogen already applied."""

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import numpy as np
import typer

from vrn.cli.app import app, leave_if_warned, say, say_findings, say_json, tell
from vrn.errors import InputFileError
from vrn.findings import Quantity

if TYPE_CHECKING:
    from vrn.model.field import Field
    from vrn.nitrogen.rain import RainEffect
    from vrn.nitrogen.season import Season
    from vrn.words import UnitFormat

_HELP = """What rain and warmth did to the nitrogen already applied, as a range over the published rules.

Example:  vrn rain demo_fields/heron_flat/field.toml
"""
_BAR: Final = {False: 0.25, True: 5.0}  # rain of one mark in the weekly bars, in or mm
_FATES: Final = (
    ("volatilized", "volatilized_lb_ac"), ("denitrified", "denitrified_lb_ac"), ("below", "below_lb_ac"),
    ("top", "top_foot_lb_ac"), ("second", "second_foot_lb_ac"), ("waiting", "not_nitrate_lb_ac"),
)  # fmt: skip


@app.command(help=_HELP)
def rain(
    field_file: Annotated[Path, typer.Argument(metavar="FIELD.toml", help="the field file")],
    json_: Annotated[bool, typer.Option("--json", help="for a machine, with the daily series")] = False,
) -> None:
    """Follow every application through the season's weather to the sampling date."""
    from vrn.ingest import read_field
    from vrn.pages.report_nitrogen import compared_with_readings
    from vrn.pipeline.need import expected_top_foot_ppm
    from vrn.words import UnitFormat, finding_texts, findings_json
    from vrn.words import say as sentence

    field = read_field(field_file)
    shown = UnitFormat.of(field.settings.units)
    season, effect = _effect(field)
    effect = replace(
        effect, expected_top_foot_ppm=expected_top_foot_ppm(field, season, effect),
        measured_top_foot_ppm=_top_foot_ppm(field),
    )  # fmt: skip
    if json_:
        say_json({**effect.to_plain(), "clock": season.to_plain(), "notes": findings_json(shown, season.findings)})
        leave_if_warned(season.findings)
        return
    _say_effect(field, effect, shown)
    _say_weeks(effect, shown)
    say()
    for text in (*compared_with_readings(effect, shown), sentence(shown, "weather.measured-wins")):
        say(text)
    say_findings(finding_texts(shown, season.findings))
    say(sentence(shown, "weather.rules"))
    for rule in effect.rules:
        say(f"  {rule}")
    leave_if_warned(season.findings)


def _effect(field: "Field") -> tuple["Season", "RainEffect"]:
    from vrn.pipeline.need import season_of_field

    settings, weather = field.settings, field.weather
    name = settings.header.name
    if weather is None or not settings.applications:
        absent = "[weather]" if weather is None else "[[applications]]"
        problem = f"{name}: the field file has no {absent}."
        raise InputFileError(problem, "Add [weather] with a daily file and [[applications]] with what was put on.")
    season = season_of_field(field, otherwise_on=weather.days[-1])
    if season.rain is None:
        why = next((one for one in season.findings if one.code == "weather.rain-not-followed"), None)
        text = {} if why is None else {key: str(part.value) for key, part in why.quantities.items()}
        problem = f"{name}: {text.get('problem', 'the weather does not reach the applications.')}"
        raise InputFileError(problem, text.get("remedy", "Give a longer record."))
    return season, season.rain


def _top_foot_ppm(field: "Field") -> float | None:
    """Mean of the readings of 0–12 in."""
    top = field.samples.field_readings().at_depth(0.0, 12.0)
    return float(np.mean(top.nitrate_ppm)) if len(top) else None


def _say_effect(field: "Field", effect: "RainEffect", shown: "UnitFormat") -> None:
    from vrn.words import say as sentence

    tell(shown, "weather.up-to", field=field.name, day=effect.on)
    say()
    near, far = (Quantity("depth", part) for part in effect.moved_in)
    rain, drained = Quantity("rain", effect.rain_since_in), Quantity("rain", effect.drained_since_in)
    tell(shown, "weather.since-last", rain=rain, drained=drained, near=near, far=far, days=effect.days_saturated)
    for fate in effect.fates:
        item, (least, most) = fate.applied, (Quantity("share", part) for part in fate.nitrate_share)
        say()
        tell(
            shown, "weather.application", pounds=Quantity("rate", item.n_lb_ac), product=item.product, day=item.on,
            placement=item.placement, least=least, most=most, weeks=Quantity("number", fate.weeks),
        )  # fmt: skip
        for word, name in _FATES:
            span = shown.range("amount", *getattr(fate, name))
            say(f"{span:>16} {shown.unit('amount')}  {sentence(shown, f'weather.{word}')}")


def _say_weeks(effect: "RainEffect", shown: "UnitFormat") -> None:
    """Rain, drainage and saturated days week by week, with the range of applied nitrate left in the top foot."""
    from vrn.words import say as sentence

    bar = _BAR[shown.metric]
    mark = Quantity("text", f"{bar:g} {shown.unit('rain')}")
    week, fell, drained, full = (
        sentence(shown, f"weather.week{part}") for part in ("", "-rain", "-drained", "-saturated")
    )
    held = sentence(shown, "weather.week-held", unit=shown.unit("amount"))
    say()
    say(f"{week:<11}{fell:>5} {drained:>8} {full:>10} {held:>18}  {sentence(shown, 'weather.week-bars', mark=mark)}")
    days = effect.balance.days
    for start in range(0, len(days), 7):
        part = slice(start, min(start + 7, len(days)))
        rain_in, last = float(effect.rain_in[part].sum()), part.stop - 1
        left = shown.range("whole_amount", float(effect.top_low_lb_ac[last]), float(effect.top_high_lb_ac[last]))
        drained = shown.number("rain", float(effect.balance.drainage_in[part].sum()))
        say(
            f"{days[start]!s:<11}{shown.number('rain', rain_in):>5} {drained:>8} "
            f"{int(effect.balance.saturated[part].sum()):>10} {left:>18}  "
            f"{'▪' * round(rain_in * shown.factor('rain') / bar)}".rstrip()
        )
