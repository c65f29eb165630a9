"""The part of the report that says whether to trust the readings: standards, duplicates, blanks, neighbors."""

import math
from collections.abc import Iterator

from vrn.findings import Quantity
from vrn.model.reading_error import ReadingError
from vrn.model.readings import ReadingQuality, StandardRun
from vrn.pages.field_drawing import INK, QUIET
from vrn.pages.plots import figure, png
from vrn.pages.report_parts import Bullets, Part, Picture, Piece, Table, Text
from vrn.prescription.model import Prescription
from vrn.sampling.error import CLOSE_M
from vrn.sampling.standards import ALLOWED_PCT, ALLOWED_PPM, ControlChart, individuals_chart
from vrn.units import FT_M
from vrn.words import UnitFormat, say


def readings_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """Check standards with their chart, repeats, blanks, readings unlike their neighbors; None if none was checked."""
    quality = prescription.readings
    if quality is None:
        return None
    pieces: list[Piece] = [piece for run in quality.runs for piece in _standards(quality, run, shown)]
    pieces.append(Bullets(items=tuple(_sentences(quality, shown))))
    pieces += (*_suspects(quality, shown), *_corrections(quality, shown))
    return Part(title=say(shown, "samples.title"), pieces=tuple(pieces))


def error_sentences(error: ReadingError, shown: UnitFormat) -> tuple[str, str]:
    """What is known of the error of one reading, and of a sample mixed from cores."""
    instrument, cores = f"samples.error-{error.instrument_from}", f"samples.cores-{error.cores_from}"
    return (
        say(shown, instrument, sd=_ppm(error.instrument_sd_ppm), count=error.instrument_count),
        say(shown, cores, cv=Quantity("percent", error.core_cv_pct), count=error.core_pairs,
            near=Quantity("length", CLOSE_M / FT_M)),
    )  # fmt: skip


def _standards(quality: ReadingQuality, run: StandardRun, shown: UnitFormat) -> Iterator[Piece]:
    """One instrument's check standards: each against its nominal value, and the chart of their recovery."""
    samples = quality.samples
    rows = tuple(
        (
            str(samples.row[row]), shown.number("count", int(after)), shown.number("concentration", float(nominal)),
            shown.number("concentration", float(read)), shown.number("percent", float(recovery)),
            say(shown, "samples.yes" if good else "samples.no"),
        )
        for row, after, nominal, read, recovery, good in zip(
            run.standards, run.after_readings, run.nominal_ppm, run.read_ppm, run.recovery_pct, run.good, strict=True)
    )  # fmt: skip
    allowed, least = Quantity("percent", ALLOWED_PCT), _ppm(ALLOWED_PPM)
    if run.instrument:
        caption = say(shown, "samples.standards-of", allowed=allowed, least=least, instrument=run.instrument)
    else:
        caption = say(shown, "samples.standards", allowed=allowed, least=least)
    header = _header(shown, "row", "after", "nominal", "read", "recovery", "within")
    yield Table(caption=caption, header=header, rows=rows, numbers=(0, 1, 2, 3, 4))
    if math.isfinite(run.drift_pct):
        drift, chance = Quantity("percent", run.drift_pct), Quantity("share", run.drift_p)
        yield Text(text=say(shown, "samples.drift", drift=drift, chance=chance))
    if len(run.doubtful):
        names = ", ".join(samples.sample_id[row] for row in run.doubtful)
        yield Text(text=say(shown, "samples.doubtful", samples=names))
    if len(run.standards) > 1:
        yield Picture(
            caption=say(shown, "samples.chart"), alt=say(shown, "samples.chart-alt"), width=0.65,
            png=_control_chart(individuals_chart(run.recovery_pct), shown),
        )  # fmt: skip


def _sentences(quality: ReadingQuality, shown: UnitFormat) -> Iterator[str]:
    samples, twice = quality.samples, quality.repeatability
    if twice is not None:
        yield say(shown, "samples.repeatability", count=twice.samples, sd=_ppm(twice.sd_ppm), low=_ppm(twice.low_ppm),
                  high=_ppm(twice.high_ppm))  # fmt: skip
    yield from error_sentences(quality.error, shown)
    if quality.blanks is not None:
        blanks = quality.blanks
        yield say(shown, "samples.blanks", count=blanks.count, mean=_ppm(blanks.mean_ppm), most=_ppm(blanks.most_ppm))
    for pair in quality.instruments:
        one, other = (name or say(shown, "samples.no-name") for name in pair.instruments)
        yield say(shown, f"samples.pair{'-differs' if pair.differ else ''}", one=one, other=other,
                  gap=_ppm(pair.mean_ppm), count=pair.samples)  # fmt: skip
    for rows in quality.unsettled:
        yield say(shown, "samples.unsettled", sample=samples.sample_id[rows[0]])
    for row, days in quality.kept_too_long:
        yield say(shown, "samples.kept", sample=samples.sample_id[row], days=days)
    if below := int(samples.below_detection.sum()):
        yield say(shown, "samples.too-low", count=below)


def _suspects(quality: ReadingQuality, shown: UnitFormat) -> Iterator[Piece]:
    readings = quality.field_readings
    rows = tuple(
        (
            readings.sample_id[one.row], str(readings.row[one.row]), shown.number("concentration", one.read_ppm),
            shown.number("concentration", one.expected_ppm), shown.number("number", one.score, decimals=1),
        )
        for one in quality.suspects
    )  # fmt: skip
    if rows:
        header = _header(shown, "sample", "row", "read", "expected", "score")
        yield Table(caption=say(shown, "samples.suspects"), header=header, rows=rows, numbers=(1, 2, 3, 4))


def _corrections(quality: ReadingQuality, shown: UnitFormat) -> Iterator[Piece]:
    rows = tuple(
        (str(row), *(shown.number("concentration", ppm) for ppm in change))
        for row, change in sorted((quality.corrections or {}).items())
    )
    if rows:
        header = _header(shown, "row", "as-read", "corrected")
        yield Table(caption=say(shown, "samples.corrections"), header=header, rows=rows, numbers=(0, 1, 2))


def _header(shown: UnitFormat, *names: str) -> tuple[str, ...]:
    return tuple(say(shown, f"samples.column-{name}", ppm=_ppm(None)) for name in names)


def _ppm(value: float | None) -> Quantity:
    return Quantity("concentration", value)


def _control_chart(chart: ControlChart, shown: UnitFormat) -> bytes:
    """Control chart of single readings [%] in their order, as PNG; points outside the limits are ringed."""
    with figure(4.4, 2.2, margins_in=(0.55, 0.45, 0.1, 0.1)) as drawn:
        axes = drawn.subplots()
        axes.axhline(chart.center, color=INK, linewidth=0.8)
        for limit in (chart.low, chart.high):
            axes.axhline(limit, color=QUIET, linewidth=0.8, linestyle="--")
        order = range(1, len(chart.points) + 1)
        axes.plot(order, chart.points, "o-", color=INK, markersize=4, linewidth=1.0)
        for position in chart.outside:
            axes.plot([position + 1], [chart.points[position]], "o", markersize=11, markerfacecolor="none", color=INK)
        axes.set(xlabel=say(shown, "report.axis-standards"), ylabel=say(shown, "report.axis-recovery"),
                 xticks=list(order))  # fmt: skip
        return png(drawn)
