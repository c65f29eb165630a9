"""The rest of the report, for the file: inputs, assumptions, samples, surfaces, zones, ledgers, audit, sign-off."""

import math
from collections.abc import Iterator
from datetime import date
from typing import Any, Final

import numpy as np

from vrn.model.metric_keys import metric_twin
from vrn.model.settings import as_plain
from vrn.pages.map_page_words import LedgerRow, ledger_rows, why_changed
from vrn.pages.plots_reasons import season_plot, waterfall_plot
from vrn.pages.report_machine import machine_part, sure_part
from vrn.pages.report_nitrogen import methods_part, rain_pieces
from vrn.pages.report_parts import Bullets, Lines, Part, Picture, Piece, Table, Text
from vrn.pages.report_phrases import cautions
from vrn.pages.report_readings import readings_part
from vrn.pages.report_surfaces import surfaces_part
from vrn.pages.report_zones import zones_part
from vrn.pages.tables import sample_places, samples_table
from vrn.prescription.model import Prescription
from vrn.words import UNKNOWN, UnitFormat, finding_texts, say
from vrn.words.settings import SENTENCES

# how a key of the field file ends → the kind its unit is of
_KINDS: Final = {
    "n_lb_ac": "rate", "_year_lb_ac": "rate", "_sampling_lb_ac": "rate", "_ago_lb_ac": "rate", "_lb_ac": "amount",
    "credits.previous_crop": "amount", "credits.manure": "amount", "credits.irrigation_water": "amount",
    "credits.other": "amount", "per_om_pct": "amount", "_bu_ac": "yield", "n_per_bushel_lb": "lb/bu",
    "_lb_bu": "lb/bu", "_ft": "length", "_ac": "area", "_mph": "speed", "_gal_min": "gal/min", "_lb_gal": "density",
    "_tank_gal": "gal", "tank_gal": "gal", "tank_lb": "lb", "water.nitrate_ppm": "", "_ppm": "concentration",
    "_pct": "percent", "water_in": "rain", "corn_per_bu": "price_corn", "n_per_lb": "price_n",
}  # fmt: skip
_MOST_BESIDE_SOURCES: Final = 8  # zones; of more the numbers need the room that the sources would take


def file_parts(prescription: Prescription, shown: UnitFormat) -> tuple[Part, ...]:
    """
    Every part whose data exist, in the order the work was done.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat

    Returns
    -------
    parts : tuple of Part
    """
    readings = samples_table(sample_places(prescription, shown), shown)
    made = (
        _findings(prescription, shown),
        _inputs(prescription, shown),
        Part(title=say(shown, "report.samples"), pieces=(readings,)),
        readings_part(prescription, shown),
        _season(prescription, shown),
        surfaces_part(prescription, shown),
        _ledgers(prescription, shown),
        methods_part(prescription, shown),
        zones_part(prescription, shown),
        sure_part(prescription, shown),
        _audit(prescription, shown),
        machine_part(prescription, shown),
        _settings(prescription, shown),
        Part(title=say(shown, "report.cautions"), pieces=(Bullets(items=cautions(prescription, shown)),)),
        _sign_off(prescription, shown),
    )
    return tuple(part for part in made if part is not None)


def _findings(prescription: Prescription, shown: UnitFormat) -> Part | None:
    pieces: list[Piece] = []
    found = finding_texts(shown, prescription.findings)
    for level, title in (("warning", "decide"), ("note", "assumptions")):
        items = tuple(
            say(shown, "report.finding", place=one.place, problem=one.problem, remedy=one.remedy)
            for one in found
            if one.level == level
        )
        if items:
            pieces += [Text(text=say(shown, f"report.{title}")), Bullets(items=items)]
    return Part(title=say(shown, "report.findings"), pieces=tuple(pieces)) if pieces else None


def _inputs(prescription: Prescription, shown: UnitFormat) -> Part | None:
    inputs = prescription.field.inputs
    if not inputs:
        return None
    table = Table(
        caption=say(shown, "report.inputs-caption"), header=(say(shown, "report.file"), say(shown, "report.sha")),
        rows=tuple(sorted(inputs.items())), widths=(32, 68),
    )  # fmt: skip
    return Part(title=say(shown, "report.inputs"), pieces=(table,))


def _season(prescription: Prescription, shown: UnitFormat) -> Part | None:
    weather = prescription.field.weather
    if weather is None or not weather.days:
        return None
    samples = prescription.field.samples.field_readings()
    top = samples.take(samples.top_in == 0)
    by_day: dict[date, list[float]] = {}
    for on, ppm in zip(top.sampled_on, top.nitrate_ppm.tolist(), strict=True):
        if on is not None:
            by_day.setdefault(on, []).append(ppm)
    png = season_plot(
        weather, shown,
        applied=[(one.date, one.n_lb_ac) for one in prescription.field.settings.applications],
        sampled=[(on, float(np.mean(values))) for on, values in sorted(by_day.items())],
    )  # fmt: skip
    caption, alt = say(shown, "report.season-caption", source=weather.source), say(shown, "report.season-alt")
    rain = () if prescription.rain is None else rain_pieces(prescription.rain, shown)
    return Part(title=say(shown, "report.season"), pieces=(Picture(caption=caption, alt=alt, png=png), *rain))


def _ledgers(prescription: Prescription, shown: UnitFormat) -> Part:
    from vrn.nitrogen import method

    ledger = prescription.ledger
    pieces: list[Piece] = [
        Text(text=say(shown, "own.method")), Text(text=say(shown, "own.source", source=ledger.source)),
    ]  # fmt: skip
    if ledger.published:
        chosen = method(ledger.method)
        pieces = [
            Text(text=say(shown, "report.method", title=chosen.title, formula=chosen.formula)),
            Text(text=say(shown, "report.source", source=ledger.source), small=True),
        ]
    same = {tuple(line.key for line in rate.ledger.lines) for rate in prescription.rates}
    known = [rate for rate in prescription.rates if math.isfinite(float(rate.ledger.unclipped_lb_ac))]
    if known and len(same) == 1:
        caption, alt = say(shown, "report.steps-caption"), say(shown, "report.steps-alt")
        pieces.append(Picture(caption=caption, alt=alt, png=waterfall_plot(known, shown)))
    printed = [ledger_rows(rate.ledger, shown) for rate in prescription.rates]
    if len(same) == 1:
        pieces += _ledger_by_zone(prescription, printed, shown)
    unit = shown.unit("whole_amount")
    reached = tuple(
        (str(rate.zone), row.label, row.basis, row.number)
        for rate, (rows, _) in zip(prescription.rates, printed, strict=True)
        for row in rows
    )
    pieces.append(
        Table(
            caption=say(shown, "report.reached-caption", unit=unit, arithmetic=shown.arithmetic), rows=reached,
            header=(*_heads(shown, "zone", "line", "arithmetic"), unit), numbers=(0, 3), widths=(8, 34, 46, 12),
        )
    )  # fmt: skip
    if prescription.ledger.findings:
        pieces.append(Bullets(items=tuple(text.problem for text in finding_texts(shown, prescription.ledger.findings))))
    return Part(title=say(shown, "report.why"), pieces=tuple(pieces))


def _ledger_by_zone(
    prescription: Prescription, printed: list[tuple[tuple[LedgerRow, ...], str]], shown: UnitFormat
) -> list[Piece]:
    """Numbers of all zones side by side; of many zones the sources stand below."""
    first, count = printed[0][0], len(printed)
    body = [(row.label, *(rows[i].number for rows, _ in printed), row.source) for i, row in enumerate(first)]
    below = any(total.startswith("−") for _, total in printed)
    label = say(shown, "report.still-needed-below" if below else "report.still-needed")
    body.append((label, *(total for _, total in printed), ""))
    numbers = (say(shown, "report.zone-number", zone=rate.zone) for rate in prescription.rates)
    header = (say(shown, "report.line"), *numbers, say(shown, "report.line-source"))
    apart = count > _MOST_BESIDE_SOURCES
    table = Table(
        caption=say(shown, "report.ledger-caption", unit=shown.unit("whole_amount")), strong_last=True,
        numbers=tuple(range(1, count + 1)), rows=tuple(row[:-1] for row in body) if apart else tuple(body),
        header=header[:-1] if apart else header,
        widths=(28, *([max(36 / count, 6)] * count), *(() if apart else (36,))),
    )  # fmt: skip
    if not apart:
        return [table]
    items = (say(shown, "report.line-and-source", line=row.label, source=row.source) for row in first if row.source)
    return [table, Bullets(items=tuple(items))]


def _audit(prescription: Prescription, shown: UnitFormat) -> Part:
    title, unit = say(shown, "report.audit"), shown.unit("rate")
    rows = tuple(
        (str(one.zone), shown.number("rate", one.from_n_lb_ac), shown.number("rate", one.to_n_lb_ac),
         why_changed(one, shown))
        for one in prescription.audit
    )  # fmt: skip
    if not rows:
        return Part(title=title, pieces=(Text(text=say(shown, "report.no-change")),))
    table = Table(
        caption=say(shown, "report.audit-caption"), rows=rows, numbers=(0, 1, 2),
        header=_heads(shown, "zone", "from", "to", "change", unit=unit), widths=(8, 15, 15, 62),
    )  # fmt: skip
    return Part(title=title, pieces=(table,))


def _heads(shown: UnitFormat, *names: str, **quantities: str) -> tuple[str, ...]:
    return tuple(say(shown, f"report.{name}", **quantities) for name in names)


def _settings(prescription: Prescription, shown: UnitFormat) -> Part:
    rows = tuple(_named(as_plain(prescription.field.settings), shown))
    header = (say(shown, "settings.setting"), say(shown, "settings.value"))
    table = Table(caption=say(shown, "report.settings-caption"), header=header, rows=rows, widths=(52, 42), narrow=True)
    return Part(title=say(shown, "report.settings"), pieces=(table,))


def _named(value: Any, shown: UnitFormat, path: str = "", number: int = 0) -> Iterator[tuple[str, str]]:
    """Leaves of nested plain values by their plain names, with units; unset ones are left out."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _named(item, shown, f"{path}.{key}" if path else str(key), number)
    elif isinstance(value, list):
        for count, item in enumerate(value, start=1):
            yield from _named(item, shown, path, count)
    elif value is not None and value != "":
        name = setting_name(path, shown)
        if number > 1:
            name = say(shown, "settings.numbered", name=name, number=number)
        yield name, _setting_value(value, path, shown)


def setting_name(path: str, shown: UnitFormat) -> str:
    """Plain name of a key; of a column of the user's own, the name of its table and the key."""
    if path in SENTENCES:
        return say(shown, f"settings.{path}")
    table, _, key = path.rpartition(".")
    return say(shown, "settings.of", name=say(shown, f"settings.{table}"), part=key)


def _setting_value(value: Any, path: str, shown: UnitFormat) -> str:
    if isinstance(value, bool):
        return say(shown, "settings.yes" if value else "settings.no")
    if not isinstance(value, float):
        return str(value)
    if not math.isfinite(value):
        return UNKNOWN
    _, factor = metric_twin(path) if shown.metric else (path, 1.0)
    kind = next((kind for ending, kind in _KINDS.items() if path.endswith(ending)), "")
    unit, number = shown.unit(kind), f"{value / factor:.6g}"
    if unit.startswith("$"):
        return f"${number}{unit[1:]}"
    return f"{number}%" if unit == "%" else f"{number} {unit}".strip()


def _sign_off(prescription: Prescription, shown: UnitFormat) -> Part:
    review = prescription.field.settings.review
    pieces: list[Piece] = []
    if review.override:
        rows = tuple((str(one.zone), shown.number("rate", one.rate_n_lb_ac), one.reason) for one in review.override)
        pieces.append(
            Table(
                caption=say(shown, "report.by-hand-caption", unit=shown.unit("rate")), rows=rows, numbers=(0, 1),
                header=_heads(shown, "zone", "rate", "reason"), widths=(10, 15, 75),
            )
        )  # fmt: skip
    if review.note:
        pieces.append(Text(text=say(shown, "report.note", note=review.note)))
    pieces.append(Lines(labels=_heads(shown, "read-by", "date", "applied-by", "date")))
    return Part(title=say(shown, "report.sign-off"), pieces=tuple(pieces))
