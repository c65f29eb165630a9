"""The parts of the report on what was measured: whether to trust the readings, and the surfaces made from them."""

import math
from collections.abc import Iterator
from pathlib import PurePath
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.findings import Quantity
from vrn.model.readings import ReadingQuality, StandardRun
from vrn.model.samples import ReadingError, SoilSamples, profile_of
from vrn.model.surface import Harvest, Surface, SurfaceChoice, SurfaceSlice
from vrn.model.variogram import Candidate, Variogram
from vrn.pages.field_drawing import INK, QUIET
from vrn.pages.field_maps import hatch_legend
from vrn.pages.map_page_layers import KNOWN_SURFACES, surface_title
from vrn.pages.plots import Drawing, cross_validation_plot, figure, png, surface_maps, variogram_plot
from vrn.pages.ramps import DOUBT
from vrn.pages.report_parts import Bullets, Part, Picture, Piece, Table, Text
from vrn.prescription.model import Prescription
from vrn.sampling.error import CLOSE_M
from vrn.sampling.standards import ALLOWED_PCT, ALLOWED_PPM, ControlChart, individuals_chart
from vrn.units import FT_M
from vrn.words import UnitFormat, say

if TYPE_CHECKING:
    from vrn.surface.transform import Scale

_FEWEST_PAIRED: Final = 5
_OTHERS: Final = ("organic_matter_pct", "yield_goal_bu_ac", "need_lb_ac", "harvest_left_out_pct")


def surfaces_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """Maps of what was measured and how sure it is, and what the choice of each rests on; None without a surface."""
    surfaces = {name: one for name, one in prescription.surfaces.items() if np.isfinite(one.values).any()}
    pieces: list[Piece] = []
    for name in ("nitrate_ppm", "deep_nitrate_ppm"):
        if name not in surfaces:
            continue
        surface, title = surfaces[name], surface_title(name, shown)
        drawings = [_drawing(surface, shown)]
        if surface.se is not None:
            words = say(shown, "surface.error-map", unit=shown.unit("concentration"))
            factor = shown.factor("concentration")
            drawings.append(Drawing(title=words, surface=surface, values=surface.se, ramp=DOUBT, factor=factor))
        pieces.append(Picture(
            caption=_caption(say(shown, "surface.made-by", title=title, chosen=surface.chosen), [name],
                             prescription, shown),
            alt=say(shown, "surface.map-of", title=title), png=surface_maps(prescription, drawings, shown),
        ))  # fmt: skip
        pieces += _reasons(prescription, name, surface, shown)
    others = [surfaces[name] for name in _OTHERS if name in surfaces]
    if others:
        layers = "; ".join(
            say(shown, "surface.other-layer", title=surface_title(one.name, shown), chosen=one.chosen) for one in others
        )
        drawings = [_drawing(one, shown) for one in others]
        pieces.append(Picture(
            caption=_caption(say(shown, "surface.other-layers", layers=layers), [one.name for one in others],
                             prescription, shown),
            alt=say(shown, "surface.other-layers-alt"), png=surface_maps(prescription, drawings, shown),
        ))  # fmt: skip
    goal = prescription.surfaces.get("yield_goal_bu_ac")
    if goal is not None and goal.choice is not None and goal.choice.harvests:
        pieces += _harvests(goal.choice.harvests, shown)
    return Part(title=say(shown, "surface.title"), pieces=tuple(pieces)) if pieces else None


def _caption(made: str, names: list[str], prescription: Prescription, shown: UnitFormat) -> str:
    return " ".join((made, *(meaning for _, meaning in hatch_legend(prescription, shown, names))))


def _drawing(surface: Surface, shown: UnitFormat) -> Drawing:
    quantity, ramp = KNOWN_SURFACES[surface.name]
    words = say(shown, "surface.with-unit", title=surface_title(surface.name, shown), unit=shown.unit(quantity))
    return Drawing(title=words, surface=surface, values=surface.to_look_at, ramp=ramp, factor=shown.factor(quantity))


def _harvests(seasons: tuple[Harvest, ...], shown: UnitFormat) -> list[Piece]:
    """What cleaning left out of each season's harvest logs, filter by filter, with each filter's source."""
    from vrn.surface.yield_cleaning import FILTERS, RAMP_M, SHORT_M

    counts = [{key: sum(log.removed[key] for log in season.logs) for key in FILTERS} for season in seasons]
    delays = (sorted({log.delay_records for log in season.logs}) for season in seasons)
    label = {key: say(shown, f"surface.filter-{key}") for key in FILTERS}
    rows = [
        ("records", *(f"{sum(log.records for log in season.logs):,}" for season in seasons)),
        *((label[key], *(f"{count[key]:,}" for count in counts)) for key in FILTERS),
        ("kept", *(f"{sum(log.kept for log in season.logs):,}" for season in seasons)),
        ("passes", *(f"{sum(log.passes for log in season.logs):,}" for season in seasons)),
        ("delay", *(", ".join(map(str, delay)) for delay in delays)),
    ]
    own = ("records", "kept", "passes", "delay")
    rows = [(say(shown, f"surface.harvest-{row[0]}"), *row[1:]) if row[0] in own else row for row in rows]
    lengths = {"ramp": Quantity("length", RAMP_M / FT_M), "short": Quantity("length", SHORT_M / FT_M)}
    used = [key for key in FILTERS if any(count[key] for count in counts)]
    table = Table(
        caption=say(shown, "surface.harvest-caption"),
        header=("", *(PurePath(season.season).name for season in seasons)), rows=tuple(rows),
        numbers=tuple(range(1, len(seasons) + 1)),
    )  # fmt: skip
    does = {key: say(shown, f"surface.does-{key}", **lengths) for key in used}
    items = (say(shown, "surface.filter", label=label[key], does=does[key], source=FILTERS[key]) for key in used)
    return [table, Bullets(items=tuple(items))]


def _reasons(prescription: Prescription, name: str, surface: Surface, shown: UnitFormat) -> list[Piece]:
    """Candidates, variogram and cross-validation of one nitrate surface; candidates of each depth where it has some."""
    choice = surface.choice or SurfaceChoice()
    slices = choice.slices or (SurfaceSlice(weight=1.0, chosen=surface.chosen, choice=choice),)
    pieces: list[Piece] = []
    for number, one in enumerate(slices, start=1):
        if one.choice.candidates:
            code = "surface.candidates" if len(slices) == 1 else "surface.candidates-slice"
            pieces.append(_candidates(one, say(shown, code, number=number), shown))
    samples = _readings(prescription, name)
    return pieces if samples is None else [*pieces, *_plots(samples, surface.chosen, choice, shown)]


def _candidates(one: SurfaceSlice, caption: str, shown: UnitFormat) -> Table:
    """The ways that were tried, judged on samples left out."""

    def row(tried: Candidate) -> tuple[str, ...]:
        name = say(shown, "surface.taken", name=tried.name) if tried.name == one.chosen else tried.name
        return (name, *(_figure(value) for value in (tried.rmse, tried.mean_error, tried.msdr, tried.skill)))

    unit = shown.unit("concentration")
    header = tuple(say(shown, f"surface.head-{key}", unit=unit) for key in ("way", "error", "bias", "ratio", "skill"))
    return Table(
        caption=caption, header=header, rows=tuple(row(tried) for tried in one.choice.candidates),
        numbers=(1, 2, 3, 4), widths=(40, 15, 15, 15, 15),
    )  # fmt: skip


def _plots(samples: SoilSamples, chosen: str, choice: SurfaceChoice, shown: UnitFormat) -> list[Piece]:
    """Variogram of the kriging that was tried, and each sample against its prediction from the others."""
    pieces: list[Piece] = []
    scale = _scale_of(chosen, choice)
    if choice.variogram is not None and scale is not None and len(samples) >= _FEWEST_PAIRED:
        pieces.append(_variogram_picture(samples, choice.variogram, scale, shown))
    if len(choice.left_out) == len(samples):
        pieces.append(Picture(
            caption=say(shown, "surface.cross-validation", chosen=chosen),
            alt=say(shown, "surface.cross-validation-alt"), width=0.5,
            png=cross_validation_plot(samples.nitrate_ppm, choice.left_out, shown),
        ))  # fmt: skip
    return pieces


def _scale_of(chosen: str, choice: SurfaceChoice) -> "Scale | None":
    """Scale the variogram is on: that of the kriging taken, else of the last one tried; None where a drift is in it."""
    kriged = [name for name in (*(one.name for one in choice.candidates), chosen) if "kriging" in name]
    if not kriged or "drift" in kriged[-1]:
        return None
    endings: dict[str, Scale] = {"logarithms": "logarithm", "square roots": "square root"}
    return next((scale for ending, scale in endings.items() if kriged[-1].endswith(ending)), "plain")


def _variogram_picture(samples: SoilSamples, variogram: Variogram, scale: "Scale", shown: UnitFormat) -> Picture:
    from vrn.surface import empirical_variogram
    from vrn.surface.transform import Transform

    pairs = empirical_variogram(samples.coordinates_m, Transform(scale=scale).forward(samples.nitrate_ppm))
    length_m = FT_M / shown.factor("length")  # metres in the unit of length that is shown

    def model(at: ArrayLike) -> NDArray[np.float64]:
        return variogram.semivariance(np.asarray(at) * length_m)

    shape = "flat" if variogram.range_m is None else "range" if variogram.anisotropy_ratio == 1.0 else "direction"
    caption = say(
        shown, f"surface.variogram-{shape}", model=variogram.model, nugget=f"{variogram.nugget:.3g}",
        sill=f"{variogram.partial_sill:.3g}",
        range=Quantity("length", (variogram.range_m or 0.0) / FT_M), ratio=f"{variogram.anisotropy_ratio:.2g}",
        azimuth=Quantity("number", variogram.azimuth_deg),
    )  # fmt: skip
    return Picture(
        caption=caption, alt=say(shown, "surface.alt-variogram"), width=0.5,
        png=variogram_plot(
            pairs.distance_m / length_m, pairs.semivariance, pairs.pairs, model, shown=shown,
            unit=say(shown, f"surface.squared-{scale.replace(' ', '-')}", unit=shown.unit("concentration")),
        ),
    )  # fmt: skip


def _readings(prescription: Prescription, name: str) -> SoilSamples | None:
    """Point readings a nitrate surface was made from; None for composites or where layers were averaged."""
    profile = profile_of(prescription.field.samples.field_readings())
    layers = profile.top if name == "nitrate_ppm" else profile.deep
    if len(layers) != 1 or layers[0].areas or len(layers[0]) < 3:
        return None
    return layers[0]


def _figure(value: float | None) -> str:
    return "–" if value is None or not math.isfinite(value) else f"{value + 0.0:.2f}".replace("-", "−")


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
