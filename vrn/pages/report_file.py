"""The rest of the report, for the file: inputs, assumptions, samples, surfaces, zones, ledgers, audit, sign-off."""

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final

from vrn.findings import Finding, Quantity
from vrn.model.metric_keys import metric_twin
from vrn.model.settings import as_plain
from vrn.pages.field_drawing import INK
from vrn.pages.plots import figure, png
from vrn.pages.report_grower import cautions, why_one_zone, zone_count_reason
from vrn.pages.report_machine import machine_part, sure_part
from vrn.pages.report_nitrogen import ledgers_part, methods_part, reasons_text, season_part
from vrn.pages.report_parts import Bullets, Lines, Part, Picture, Piece, Table, Text
from vrn.pages.report_surfaces import readings_part, surfaces_part
from vrn.pages.sample_places import sample_places, samples_table
from vrn.prescription.model import Prescription
from vrn.units import AC_M2, FT_M
from vrn.words import UNKNOWN, UnitFormat, finding_texts, label_of, say
from vrn.words.settings import SENTENCES
from vrn.zones.model import ZoneChoice, ZonesReport

# how a key of the field file ends → the kind its unit is of
_KINDS: Final = {
    "n_lb_ac": "rate", "_year_lb_ac": "rate", "_sampling_lb_ac": "rate", "_ago_lb_ac": "rate", "_lb_ac": "amount",
    "credits.previous_crop": "amount", "credits.manure": "amount", "credits.irrigation_water": "amount",
    "credits.other": "amount", "per_om_pct": "amount", "_bu_ac": "yield", "n_per_bushel_lb": "lb/bu",
    "_lb_bu": "lb/bu", "_ft": "length", "_ac": "area", "_mph": "speed", "_gal_min": "gal/min", "_lb_gal": "density",
    "_psi": "pressure", "n_lb_per_1000_gal": "manure_n",
    "_tank_gal": "gal", "tank_gal": "gal", "tank_lb": "lb", "water.nitrate_ppm": "", "_ppm": "concentration",
    "_pct": "percent", "water_in": "rain", "corn_per_bu": "price_corn", "n_per_lb": "price_n",
}  # fmt: skip
_ELSEWHERE: Final = ("override", "made_from")  # of the review: the sign-off has the first, nobody reads the second
_MEMORY: Final = "methods.from-memory"
_LEAST_SHOWN_LB_AC: Final = 0.05  # below it every number of zones is 0 in the table, and the curve only noise


def file_parts(prescription: Prescription, shown: UnitFormat) -> tuple[Part, ...]:
    """Every part whose data exist, in the order the work was done."""
    readings = samples_table(sample_places(prescription, shown), shown)
    made = (
        _signer(prescription, shown),
        _inputs(prescription, shown),
        Part(title=say(shown, "report.samples"), pieces=(readings,)),
        readings_part(prescription, shown),
        season_part(prescription, shown),
        surfaces_part(prescription, shown),
        ledgers_part(prescription, shown),
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


def _signer(prescription: Prescription, shown: UnitFormat) -> Part:
    """What a person who signs must know: the page after the grower's."""
    pieces: list[Piece] = []
    for name, items in signer_lists(prescription, shown).items():
        pieces += [Text(text=say(shown, f"report.{name}")), Bullets(items=items)]
    return Part(title=say(shown, "report.signer"), pieces=tuple(pieces))


def signer_lists(prescription: Prescription, shown: UnitFormat) -> dict[str, tuple[str, ...]]:
    """By the word of a heading: what needs a decision, rests on memory, other methods see otherwise, was assumed."""
    known = [one for one in prescription.findings if one.code != _MEMORY]
    lists = {
        "decide": finding_items(known, "warning", shown),
        "memory": tuple(_from_memory(prescription, shown)),
        "disagree": tuple(_disagreeing(prescription, shown)),
        "assumptions": finding_items(known, "note", shown),
    }
    return {name: items for name, items in lists.items() if items}


def _from_memory(prescription: Prescription, shown: UnitFormat) -> Iterator[str]:
    """Numbers in use that nobody saw in their source, each with its line or place."""
    found = dict.fromkeys((*prescription.findings, *(f for rate in prescription.rates for f in rate.ledger.findings)))
    yield from (text.problem for text in finding_texts(shown, [one for one in found if one.code == _MEMORY]))
    for line in prescription.ledger.lines:
        if "from memory" in line.source:
            yield say(shown, "report.line-and-source", line=label_of(shown, line), source=line.source)
    product = prescription.product
    if "from memory" in product.source:
        yield say(shown, "report.line-and-source", line=product.name, source=product.source)


def _disagreeing(prescription: Prescription, shown: UnitFormat) -> Iterator[str]:
    """Other methods that gave a need, the farthest first."""
    own, rates = prescription.ledger.key, prescription.rates
    mine = sum(rate.need_lb_ac * rate.acres for rate in rates) / sum(rate.acres for rate in rates)
    others = [(one.need_lb_ac - mine, one) for one in prescription.methods
              if one.method.key != own and one.by_zone and one.need_lb_ac is not None]  # fmt: skip
    for apart, one in sorted(others, key=lambda pair: -abs(pair[0])):
        needs = {"theirs": Quantity("whole_amount", one.need_lb_ac), "ours": Quantity("whole_amount", mine)}
        way = "more" if apart > 0 else "less"
        said = say(shown, f"report.asks-{way}", title=one.method.title, apart=Quantity("whole_amount", abs(apart)),
                   **needs)  # fmt: skip
        yield f"{said} {reasons_text(shown, one.reasons)}".strip()


def finding_items(findings: Iterable[Finding], level: str, shown: UnitFormat) -> tuple[str, ...]:
    """Findings of a level, each with its place and its remedy."""
    return tuple(
        say(shown, "report.finding", place=one.place, problem=one.problem, remedy=one.remedy)
        for one in finding_texts(shown, findings)
        if one.level == level
    )


def _inputs(prescription: Prescription, shown: UnitFormat) -> Part | None:
    inputs = prescription.field.inputs
    if not inputs:
        return None
    table = Table(
        caption=say(shown, "report.inputs-caption"), header=(say(shown, "report.file"), say(shown, "report.sha")),
        rows=tuple(sorted(inputs.items())), widths=(32, 68),
    )  # fmt: skip
    return Part(title=say(shown, "report.inputs"), pieces=(table,))


def zones_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """Why this number of zones, the sizes they were held to, and the curve behind it; None where nothing is known."""
    zones, reason = prescription.zones, zone_count_reason(prescription.zones.report, shown)
    pieces: list[Piece] = [Text(text=reason)] if reason else []
    if zones.report is not None and (zones.report.smooth_m is not None or zones.report.by == "cells"):
        pieces.append(Text(text=_how_drawn(zones.report, shown)))
    why = why_one_zone(prescription, shown)
    if why and (not reason or reason not in why):
        pieces.append(Text(text=why))
    if any(one.misallocated_lb_ac >= _LEAST_SHOWN_LB_AC for one in zones.choice):
        count = len(prescription.rates) if zones.report is None else zones.report.drawn
        pieces.append(Picture(
            caption=say(shown, "zones.curve"), alt=say(shown, "zones.curve-alt"), width=0.65,
            png=_zone_count_plot(zones.choice, count, shown),
        ))  # fmt: skip
        pieces.append(_table(prescription, shown))
    return Part(title=say(shown, "zones.title"), pieces=tuple(pieces)) if pieces else None


def _how_drawn(report: ZonesReport, shown: UnitFormat) -> str:
    """Kernel and sizes in a sentence each."""
    meters = {"smooth": report.smooth_m, "width": report.least_width_m, "tolerance": report.tolerance_m}
    lengths = {name: Quantity("length", (value or 0.0) / FT_M) for name, value in meters.items()}
    patch = Quantity("area", (report.least_patch_m2 or 0.0) / AC_M2)
    return say(shown, f"zones.how-{report.by}", patch=patch, **lengths)


def _table(prescription: Prescription, shown: UnitFormat) -> Table:
    """A row for each number of zones."""
    choice, report = prescription.zones.choice, prescription.zones.report
    found = {} if report is None else {one.zones: one for one in report.indices}
    amount, cost = shown.unit("whole_amount"), shown.unit("money_area")
    header = [say(shown, "zones.head-zones"), say(shown, "zones.head-left", unit=amount),
              say(shown, "zones.head-survives", unit=amount), say(shown, "zones.head-cost", unit=cost)]  # fmt: skip
    if found:
        header += [say(shown, "zones.head-fuzziness"), say(shown, "zones.head-entropy")]
    rows = []
    for one in choice:
        row = [str(one.zones), shown.number("rate", one.misallocated_lb_ac), shown.number("rate", one.survives_lb_ac),
               shown.number("money_area", one.cost_per_ac)]  # fmt: skip
        if found:
            index = found.get(one.zones)  # one zone has none
            row += ["", ""] if index is None else [f"{index.fuzziness_index:.2f}", f"{index.normalised_entropy:.2f}"]
        rows.append(tuple(row))
    return Table(
        caption=say(shown, "zones.table"), header=tuple(header), rows=tuple(rows), numbers=tuple(range(len(header)))
    )


def _zone_count_plot(choice: Sequence[ZoneChoice], chosen: int, shown: UnitFormat) -> bytes:
    """What each number of zones leaves misallocated, as PNG; the number taken is ringed."""
    counts = [one.zones for one in choice]
    left = [one.misallocated_lb_ac * shown.factor("whole_amount") for one in choice]
    with figure(4.4, 2.2, margins_in=(0.55, 0.45, 0.1, 0.1)) as drawn:
        axes = drawn.subplots()
        axes.plot(counts, left, "o-", color=INK, markersize=4, linewidth=1.2)
        if chosen in counts:
            axes.plot([chosen], [left[counts.index(chosen)]], "o", markersize=11, markerfacecolor="none", color=INK)
        unit = shown.unit("whole_amount")
        axes.set(xlabel=say(shown, "report.axis-zones"), ylabel=say(shown, "report.axis-misallocated", unit=unit),
                 ylim=(0, None), xticks=counts)  # fmt: skip
        axes.grid(axis="y")
        return png(drawn)


def _audit(prescription: Prescription, shown: UnitFormat) -> Part:
    title, unit = say(shown, "report.audit"), shown.unit("rate")
    rows = tuple(
        (str(one.zone), shown.number("rate", one.from_n_lb_ac), shown.number("rate", one.to_n_lb_ac),
         say(shown, f"rates.change-{one.cause}", **one.quantities))
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
    settings = as_plain(prescription.field.settings)
    settings["review"] = {name: value for name, value in settings["review"].items() if name not in _ELSEWHERE}
    rows = tuple(_named(settings, shown))
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
    return say(shown, "settings.of", name=say(shown, f"settings.{table}"), part=key.replace("_", " "))


def _setting_value(value: Any, path: str, shown: UnitFormat) -> str:
    if isinstance(value, bool):
        return say(shown, "settings.yes" if value else "settings.no")
    if not isinstance(value, float):
        return str(value)
    if not math.isfinite(value):
        return UNKNOWN
    _, factor = metric_twin(path) if shown.metric else (path, 1.0)
    kind = next((kind for ending, kind in _KINDS.items() if path.endswith(ending)), "")
    unit, number = shown.unit(kind), f"{value / factor:,.6g}"
    if unit.startswith("$"):
        return f"${number if len(number.partition('.')[2]) > 2 else f'{value / factor:,.2f}'}{unit[1:]}"
    return f"{number}%" if unit == "%" else f"{number} {unit}".strip()


def _sign_off(prescription: Prescription, shown: UnitFormat) -> Part:
    review = prescription.field.settings.review
    pieces: list[Piece] = []
    if prescription.overrides:
        used = {rate.zone: rate.rate_n_lb_ac for rate in prescription.rates}
        rows = tuple(
            (str(one.zone), shown.number("rate", one.rate_n_lb_ac), shown.number("rate", used[one.zone]), one.reason)
            for one in prescription.overrides
        )
        pieces.append(Table(
            caption=say(shown, "report.by-hand-caption", unit=shown.unit("rate")), rows=rows, numbers=(0, 1, 2),
            header=_heads(shown, "zone", "rate", "rate-used", "reason"), widths=(10, 15, 15, 60),
        ))  # fmt: skip
    if review.note:
        pieces.append(Text(text=say(shown, "report.note", note=review.note)))
    pieces.append(Lines(labels=_heads(shown, "read-by", "date", "applied-by", "date")))
    return Part(title=say(shown, "report.sign-off"), pieces=tuple(pieces))
