"""Nitrogen in the report: what other published methods say of the same zones, and what rain did to what was applied."""

import math
from typing import Final

from vrn.findings import Finding, Quantity
from vrn.nitrogen.rain import RainEffect
from vrn.pages.report_parts import Bullets, Part, Table, Text
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat, finding_texts, say

_FATES: Final = (
    ("top", "top_foot_lb_ac"), ("second", "second_foot_lb_ac"), ("below", "below_lb_ac"),
    ("denitrified", "denitrified_lb_ac"), ("volatilized", "volatilized_lb_ac"), ("waiting", "not_nitrate_lb_ac"),
)  # fmt: skip


def methods_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """
    Every published method on every zone, for the reader to weigh: they are shown, never built.

    Returns
    -------
    part : Part or None
        None where no other method was run.
    """
    own, zones = prescription.ledger.key, [rate.zone for rate in prescription.rates]
    answers = [one for one in prescription.methods if one.by_zone]
    silent = [one for one in prescription.methods if not one.by_zone and one.method.key != own]
    if len(answers) < 2 and not silent:
        return None
    rows = []
    for one in answers:
        title = one.method.title
        needs = (shown.number("whole_amount", one.by_zone.get(zone, math.nan)) for zone in zones)
        if one.method.key == own:
            rows.append((say(shown, "methods.this-one", title=title), *needs, ""))
        else:
            rows.append((title, *needs, reasons_text(shown, one.reasons)))
    table = Table(
        caption=say(shown, "methods.caption", unit=shown.unit("whole_amount")),
        header=(
            say(shown, "methods.head"), *(say(shown, "methods.zone", zone=str(zone)) for zone in zones),
            say(shown, "methods.remark"),
        ),
        rows=tuple(rows), numbers=tuple(range(1, len(zones) + 1)),
        widths=(30, *([max(40 / len(zones), 5)] * len(zones)), 30),
    )  # fmt: skip
    not_run = tuple(
        say(shown, "methods.not-run", title=one.method.title, why=reasons_text(shown, one.reasons)) for one in silent
    )
    lists = (Bullets(items=not_run),) if not_run else ()
    return Part(title=say(shown, "methods.title"), pieces=(table, *lists))


def reasons_text(shown: UnitFormat, reasons: tuple[Finding, ...]) -> str:
    """Why a method does not hold, or what it lacks, in a few sentences; empty when it holds."""
    return " ".join(text.problem for text in finding_texts(shown, reasons))


def rain_pieces(effect: RainEffect, shown: UnitFormat) -> list[Text | Table]:
    """What rain and warmth did to the nitrogen already applied, as ranges over the published rules."""
    rain, drained = Quantity("rain", effect.rain_since_in), Quantity("rain", effect.drained_since_in)
    words = [say(shown, "weather.plain-since-last", rain=rain, drained=drained)]
    words += compared_with_readings(effect, shown)
    words.append(say(shown, "weather.measured-wins"))
    pieces: list[Text | Table] = [Text(text=" ".join(words))]
    if effect.fates:
        table = Table(
            caption=say(shown, "weather.fates-caption"),
            header=(say(shown, "weather.fates-head"), shown.unit("whole_amount")),
            rows=tuple(
                (say(shown, f"weather.{word}"), shown.range("whole_amount", *effect.total(name)))
                for word, name in _FATES
            ),
            numbers=(1,), widths=(70, 30),
        )  # fmt: skip
        pieces.append(table)
    return pieces


def compared_with_readings(effect: RainEffect, shown: UnitFormat) -> list[str]:
    """What was to be expected in the top foot, and what the readings say there, a sentence each."""
    found, measured = [], effect.measured_top_foot_ppm
    beside = ""
    if effect.expected_top_foot_ppm is not None:
        low, high = effect.expected_top_foot_ppm
        low_ppm, high_ppm = Quantity("concentration", low), Quantity("concentration", high)
        found.append(say(shown, "weather.expected", day=effect.on, low=low_ppm, high=high_ppm))
        if measured is not None:
            beside = "-below" if measured < low else "-above" if measured > high else "-inside"
    if measured is not None:
        found.append(say(shown, f"weather.measured{beside}", nitrate=Quantity("concentration", measured)))
    return found
