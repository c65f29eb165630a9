"""Nitrogen in the report: each zone's ledger, what other methods say of it, what rain did to what was applied."""

import math
from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from vrn.findings import Finding, Quantity
from vrn.model.layers import Weather
from vrn.nitrogen.rain import RainEffect
from vrn.pages.field_drawing import INK, PALE, QUIET, STRONG
from vrn.pages.plots import figure, png, sheet
from vrn.pages.report_parts import Bullets, Part, Picture, Piece, Table, Text
from vrn.pages.tables import LedgerRows, ledger_rows
from vrn.prescription.model import Prescription, ZoneRate
from vrn.words import UnitFormat, finding_texts, label_of, say

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LABELS_IN: Final = 2.42  # room for the names of the lines, left of the first zone
_MOST_BESIDE_SOURCES: Final = 8  # zones; of more the numbers need the room that the sources would take
_FATES: Final = (
    ("top", "top_foot_lb_ac"), ("second", "second_foot_lb_ac"), ("below", "below_lb_ac"),
    ("denitrified", "denitrified_lb_ac"), ("volatilized", "volatilized_lb_ac"), ("waiting", "not_nitrate_lb_ac"),
)  # fmt: skip


def ledgers_part(prescription: Prescription, shown: UnitFormat) -> Part:
    """The method with its source, the ledger of each zone, and how each of its lines was reached."""
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
        pieces.append(Picture(caption=caption, alt=alt, png=_waterfall(known, shown)))
    printed = [ledger_rows(rate, shown) for rate in prescription.rates]
    if len(same) == 1:
        pieces += _ledger_by_zone(prescription, printed, shown)
    unit = shown.unit("whole_amount")
    heads = (say(shown, f"report.{name}") for name in ("zone", "line", "arithmetic"))
    reached = tuple(
        (str(rate.zone), row.label, row.basis, row.number)
        for rate, found in zip(prescription.rates, printed, strict=True)
        for row in (*found.rows, found.prices)
        if row is not None
    )
    pieces.append(Table(
        caption=say(shown, "report.reached-caption", unit=unit, arithmetic=shown.arithmetic), rows=reached,
        header=(*heads, unit), numbers=(0, 3), widths=(8, 34, 46, 12),
    ))  # fmt: skip
    if prescription.learned is not None:
        pieces.append(_learned_table(prescription, prescription.learned.without_n_lb_ac, shown))
    if prescription.ledger.findings:
        pieces.append(Bullets(items=tuple(text.problem for text in finding_texts(shown, prescription.ledger.findings))))
    return Part(title=say(shown, "report.why"), pieces=tuple(pieces))


def _learned_table(prescription: Prescription, without_n_lb_ac: Sequence[float], shown: UnitFormat) -> Table:
    """Rate of each zone with what the farm's own trials taught, and had nothing been learned."""
    rows = tuple(
        (str(rate.zone), shown.number("rate", rate.rate_n_lb_ac), shown.number("rate", without))
        for rate, without in zip(prescription.rates, without_n_lb_ac, strict=False)
    )
    heads = (say(shown, f"report.{name}") for name in ("zone", "with-trials", "without-trials"))
    return Table(
        caption=say(shown, "report.learned-caption", unit=shown.unit("rate")), header=tuple(heads), rows=rows,
        numbers=(0, 1, 2), widths=(10, 30, 30),
    )  # fmt: skip


def _ledger_by_zone(prescription: Prescription, printed: list[LedgerRows], shown: UnitFormat) -> list[Piece]:
    """Numbers of all zones side by side; of many zones the sources stand below."""
    first, count = printed[0].rows, len(printed)
    body = [(row.label, *(found.rows[i].number for found in printed), row.source) for i, row in enumerate(first)]
    below = any(found.total.startswith("−") for found in printed)
    label = say(shown, "report.still-needed-below" if below else "report.still-needed")
    body.append((label, *(found.total for found in printed), ""))
    priced = next((found.prices for found in printed if found.prices), None)
    if priced is not None:
        first = (*first, priced)
        added = (found.prices.number if found.prices else "" for found in printed)
        body.append((priced.label, *added, priced.source))
        body.append((say(shown, "rates.before-limits"), *(found.wanted or found.total for found in printed), ""))
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


def _waterfall(rates: Sequence[ZoneRate], shown: UnitFormat) -> bytes:
    """Ledgers with the same lines as waterfalls: what the crop needs, what supplies it, what is still needed."""
    factor = shown.factor("whole_amount")
    down = -(-len(rates) // 4)
    across = -(-len(rates) // down)
    labels = [_short(label_of(shown, line)) for line in rates[0].ledger.lines]
    priced = next((rate.prices for rate in rates if rate.prices), None)
    labels += [say(shown, "report.still-needed"), *([] if priced is None else [_short(label_of(shown, priced))]),
               say(shown, "report.rate")]  # fmt: skip
    sum_row = -2 if priced is None else -3
    panel_in, row_in = (6.8 - _LABELS_IN) / across, 0.2
    tall_in = row_in * len(labels) + 0.42
    ends = np.array([np.cumsum([0.0, *(float(line.lb_ac) for line in rate.ledger.lines)]) for rate in rates])
    most = max(float(ends.max()), *(rate.rate_n_lb_ac for rate in rates)) * factor or 1.0
    least = min(0.0, float(ends.min())) * factor
    per_in = (most - least) * 1.22 / (panel_in - 0.15)
    with figure(6.8, down * tall_in) as drawn:
        axes = sheet(drawn)
        for number, rate in enumerate(rates):
            zero_in = _LABELS_IN + (number % across) * panel_in - least / per_in
            top_in = (down - number // across) * tall_in - 0.36
            axes.text(zero_in, top_in + 0.16, say(shown, "report.zone-number", zone=rate.zone), weight="bold")
            axes.plot([zero_in, zero_in], [top_in + 0.1, top_in - row_in * len(labels) + 0.1], color=INK, linewidth=0.8)
            _bars(axes, rate, zero_in, top_in, row_in, factor / per_in, priced=priced is not None)
            for row, value in ((sum_row, float(rate.ledger.unclipped_lb_ac)), (-1, rate.rate_n_lb_ac)):
                at_in = top_in - row_in * (len(labels) + row)
                unit = f" {shown.unit('whole_amount')}" if row == -1 and number == 0 else ""
                axes.text(zero_in + max(value, 0) * factor / per_in + 0.05, at_in, f"{value * factor:.0f}{unit}",
                          va="center", fontsize=8)  # fmt: skip
            if number % across == 0:
                for row, label in enumerate(labels):
                    axes.text(_LABELS_IN - 0.1, top_in - row_in * row, label, ha="right", va="center", fontsize=8)
        return png(drawn)


def _bars(
    axes: "Axes", rate: ZoneRate, zero_in: float, top_in: float, row_in: float, scale: float, *, priced: bool
) -> None:  # fmt: skip
    """The ledger's steps, their sum and the rate as bars, row by row downward."""
    from matplotlib.patches import Rectangle

    end, thick_in = 0.0, row_in * 0.62
    bars: list[tuple[float, float, str, str]] = []

    def add(step: float) -> float:
        bars.append((min(end, end + step), abs(step), *((PALE, "") if step >= 0 else ("white", "////"))))
        return end + step

    for line in rate.ledger.lines:
        end = add(float(line.lb_ac))
    bars.append((min(end, 0.0), abs(end), INK, ""))
    if priced:
        add(0.0 if rate.prices is None else float(rate.prices.lb_ac))
    bars.append((0.0, rate.rate_n_lb_ac, STRONG, ""))
    for row, (left, width, color, hatch) in enumerate(bars):
        corner = (zero_in + left * scale, top_in - row_in * row - thick_in / 2)
        axes.add_patch(Rectangle(corner, width * scale, thick_in, edgecolor=INK, linewidth=0.6, facecolor=color,
                                 hatch=hatch or None))  # fmt: skip


def _short(label: str) -> str:
    """First 40 characters or so, cut at a word."""
    return label if len(label) <= 40 else label[:40].rsplit(" ", 1)[0].rstrip(",;:") + " …"


def methods_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """Every published method on every zone, to weigh: shown, never built; None where no other method was run."""
    own, zones = prescription.ledger.key, [rate.zone for rate in prescription.rates]
    answers = [one for one in prescription.methods if one.by_zone]
    silent = [one for one in prescription.methods if not one.by_zone and one.method.key != own]
    if len(answers) < 2 and not silent:
        return None
    rows = []
    for one in answers:
        title, why = one.method.title, reasons_text(shown, one.reasons)
        if one.method.key == own:
            title, why = say(shown, "methods.this-one", title=title), ""
        rows.append((title, *(shown.number("whole_amount", one.by_zone.get(z, math.nan)) for z in zones), why))
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


def season_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """Rain and nitrogen up to now; None without weather."""
    weather = prescription.field.weather
    if weather is None or not weather.days:
        return None
    samples = prescription.field.samples.field_readings()
    top = samples.take(samples.top_in == 0)
    by_day: dict[date, list[float]] = {}
    for on, ppm in zip(top.sampled_on, top.nitrate_ppm.tolist(), strict=True):
        if on is not None:
            by_day.setdefault(on, []).append(ppm)
    png = _season_plot(
        weather, shown,
        applied=[(one.date, one.n_lb_ac) for one in prescription.field.settings.applications or ()],
        sampled=[(on, float(np.mean(values))) for on, values in sorted(by_day.items())],
    )  # fmt: skip
    caption, alt = say(shown, "report.season-caption", source=weather.source), say(shown, "report.season-alt")
    rain = () if prescription.rain is None else rain_pieces(prescription.rain, shown)
    return Part(title=say(shown, "report.season"), pieces=(Picture(caption=caption, alt=alt, png=png), *rain))


def _season_plot(
    weather: Weather,
    shown: UnitFormat,
    *,
    applied: Sequence[tuple[date, float]] = (),
    sampled: Sequence[tuple[date, float]] = (),
) -> bytes:
    """Rain of each day and since the start, nitrogen applied [lb N/ac], mean nitrate of the top layer [ppm] by day."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    factor, unit = shown.factor("rain"), shown.unit("rain")
    rain = np.nan_to_num(weather.rain_in) * factor
    with figure(6.8, 2.4, margins_in=(0.5, 0.35, 0.55, 0.08)) as drawn:
        axes: Any = drawn.subplots()  # its types know no dates
        axes.bar(weather.days, rain, color=QUIET, width=1.0)
        total = axes.twinx()
        axes.set_zorder(2)
        axes.patch.set_visible(False)
        total.plot(weather.days, np.cumsum(rain), color=INK, linewidth=1.2)
        total.spines["right"].set_visible(True)
        total.set(ylabel=say(shown, "report.rain-since", day=weather.days[0], unit=unit), ylim=(0, None))
        top = float(rain.max(initial=0.0)) or 1.0
        marks = [(on, shown.text("rate", lb_ac), 1.04, STRONG, "-") for on, lb_ac in applied]
        marks += [
            (on, say(shown, "report.cores", nitrate=Quantity("concentration", ppm)), 1.16, INK, ":")
            for on, ppm in sampled
        ]
        for on, words, height, color, line in marks:
            late = (on - weather.days[0]).days > 0.7 * (weather.days[-1] - weather.days[0]).days
            axes.axvline(on, color=color, linewidth=1.3, linestyle=line)
            axes.text(on, top * height, f" {words} ", color=color, fontsize=8, ha="right" if late else "left",
                      bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5})  # fmt: skip
        axes.set(ylabel=say(shown, "report.rain", unit=unit), ylim=(0, top * 1.3))
        locator: Any = AutoDateLocator()
        axes.xaxis.set_major_locator(locator)
        axes.xaxis.set_major_formatter(ConciseDateFormatter(locator, show_offset=False))
        return png(drawn)
