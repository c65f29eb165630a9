"""What was really applied against the prescription, and what a trial yielded: pages, a map layer, the numbers."""

import hashlib
import json
import tempfile
from datetime import date
from pathlib import Path
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

import vrn
from vrn.files.staging import write_files
from vrn.files.tables import Layer, in_units, write_layers
from vrn.model.applied import Comparison, ZoneApplied
from vrn.model.grid import reproject
from vrn.model.trials import Harvested, PastTrial
from vrn.pages.field_drawing import EDGES, INK, PAPER, FieldDrawing, Floats, Look, on_axes
from vrn.pages.plots import figure, png, sheet
from vrn.pages.ramps import NITROGEN
from vrn.pages.report_file import finding_items
from vrn.pages.report_page import html_of
from vrn.pages.report_parts import Bullets, Part, Picture, Report, Table, Text
from vrn.units import AC_M2
from vrn.words import UnitFormat, finding_texts, findings_json, say

# upper end of a class of applied over planned, colour, its words: blue is too little, red too much
_CLASSES: Final = (
    (0.5, "#2166ac", "under-half"), (0.9, "#92c5de", "low"), (1.1, "#e4e2da", "right"), (1.5, "#f4a582", "high"),
    (np.inf, "#b2182b", "over"),
)  # fmt: skip


_TWICE: Final = "#5b2a86"  # ground covered more than once


def write_comparison(comparison: Comparison, out_dir: str | Path) -> Path:
    """Write ``compared.html``, ``compared.gpkg`` and ``summary.json`` over nothing but an earlier comparison."""
    files = {"compared.html": compared_page(comparison).encode("utf-8"), "compared.gpkg": _layers(comparison)}
    shown = UnitFormat.of(comparison.units)
    summary = comparison.to_plain() | {
        "findings": findings_json(shown, comparison.findings),
        "files": {name: hashlib.sha256(content).hexdigest() for name, content in files.items()},
        "versions": {"vrn": vrn.__version__},
    }
    text = json.dumps(summary, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    return write_files(files | {"summary.json": text.encode("utf-8")}, out_dir)


def compared_page(comparison: Comparison) -> str:
    """The page as text: one file with its picture inside; nothing is asked of the network."""
    shown = UnitFormat.of(comparison.units)

    def words(name: str, **quantities: str | int) -> str:
        return say(shown, f"report.{name}", **quantities)

    decide, assumed = (finding_items(comparison.findings, level, shown) for level in ("warning", "note"))
    counts = [say(shown, f"audit.dropped-{why}", records=count) for why, count in comparison.dropped.items() if count]
    records = [Text(text=words("records-used", records=len(comparison.footprints)))]
    records += [Text(text=words("left-out", counts=", ".join(counts)))] if counts else []
    picture = Picture(caption=words("where-caption"), alt=words("where-alt"), png=_map(comparison, shown))
    rates = Picture(caption=words("rates-caption"), alt=words("rates-alt"), png=_rates(comparison, shown))
    parts = (
        Part(title=words("compared-totals"), pieces=(_totals(comparison, shown),)),
        *((Part(title=words("decide"), pieces=(Bullets(items=decide),)),) if decide else ()),
        Part(title=words("where"), pieces=(rates, picture)),
        Part(title=words("by-zone"), pieces=(_zones(comparison, shown),)),
        Part(title=words("records"), pieces=(*records, *((Bullets(items=assumed),) if assumed else ()))),
    )
    name = {"field": comparison.field, "season": str(comparison.season)}
    title = words("compared-title", **name)
    facts = (words("compared-facts", source=comparison.source), comparison.product)
    draft = "" if comparison.approved else words("draft")
    return html_of(
        Report(title=title, heading=words("foot", **name), foot=title, facts=facts, draft=draft, state="", file=parts)
    )


def _totals(comparison: Comparison, shown: UnitFormat) -> Table:
    numbers = {
        "applied": shown.text(comparison.unit, comparison.applied_product),
        "planned": shown.text(comparison.unit, comparison.prescribed_product),
        "applied-of-plan": shown.text("share", comparison.applied_product / comparison.prescribed_product, decimals=1),
        "within": shown.text("share", comparison.within_share, decimals=1),
        "skipped": shown.text("area", comparison.skipped_acres),
        "overlapped": shown.text("area", comparison.overlapped_acres),
    }
    difference = comparison.difference
    if difference is not None:
        parts = {
            "by-skips": difference.missed_n_lb, "by-overlaps": difference.twice_n_lb, "by-rate": difference.rate_n_lb,
            "on-no-apply": difference.no_apply_n_lb, "off-zones": difference.outside_n_lb,
        }  # fmt: skip
        numbers |= {name: shown.text("mass", n_lb) for name, n_lb in parts.items()}
    if np.isfinite(comparison.meter_factor):
        numbers["meter"] = shown.number("number", comparison.meter_factor, decimals=3)
    if comparison.delivered_product is not None:
        numbers |= {"logged": shown.text(comparison.unit, comparison.logged_product),
                    "delivered": shown.text(comparison.unit, comparison.delivered_product)}  # fmt: skip
    return Table(
        caption=say(shown, "report.compared-totals"), numbers=(1,),
        header=(say(shown, "report.what"), say(shown, "report.how-much")),
        rows=tuple((say(shown, f"report.{name}"), number) for name, number in numbers.items()),
    )  # fmt: skip


def _zones(comparison: Comparison, shown: UnitFormat) -> Table:
    heads = (("area", "area"), ("missed", "area"), ("short", "area"), ("right", "area"), ("over", "area"),
             ("twice", "area"), ("planned-rate", "rate"), ("applied-rate", "rate"),
             ("applied-rate", "mass"))  # fmt: skip
    return Table(
        caption=say(shown, "report.by-zone-caption"), numbers=tuple(range(1, len(heads) + 2)),
        rows=tuple(_row(zone, shown) for zone in comparison.zones),
        header=(
            say(shown, "report.zone"),
            *(say(shown, f"report.{name}", unit=shown.unit(kind)) for name, kind in heads),
            say(shown, "report.within-share"),
        ),
    )  # fmt: skip


def _row(zone: ZoneApplied, shown: UnitFormat) -> tuple[str, ...]:
    classes = (zone.missed_acres, zone.short_acres, zone.right_acres, zone.over_acres, zone.twice_acres)
    return (
        str(zone.zone) if zone.zone else say(shown, "report.no-apply-ground"), shown.number("area", zone.acres),
        *(shown.number("area", acres) if np.isfinite(acres) else "" for acres in classes),
        shown.number("rate", zone.target_n_lb_ac), shown.number("rate", zone.mean_n_lb_ac),
        shown.number("mass", zone.total_n_lb),
        shown.number("share", zone.within_share) if np.isfinite(zone.within_share) else "",
    )  # fmt: skip


def _rates(comparison: Comparison, shown: UnitFormat) -> bytes:
    """Planned and applied rates side by side, in the same colours, with one scale."""
    targets = {zone.zone: zone.target_n_lb_ac for zone in comparison.zones if zone.zone}
    used = comparison.applied_n_lb_ac[comparison.applied_n_lb_ac > 0]
    low, high = min(targets.values()), max(targets.values())
    if used.size:  # a record in a hundred may be off the scale: it takes the end's colour
        low, high = min(low, float(np.quantile(used, 0.01))), max(high, float(np.quantile(used, 0.99)))
    outlines = shapely.geometrycollections(list(comparison.outlines.values()))

    def drawing(ground: NDArray[np.object_], rates: Floats) -> FieldDrawing:
        share = (rates - low) / (high - low) if high > low else np.full(len(rates), 0.5)
        level = np.rint(np.clip(share, 0, 1) * (_LEVELS - 1)).astype(int)
        colors = NITROGEN.classes(_LEVELS)
        shapes = [(shapely.geometrycollections(list(ground[level == k])), Look(fill=colors[k], radius_pt=1.0))
                  for k in np.unique(level).tolist()]  # fmt: skip
        west, south, east, north = outlines.bounds
        return FieldDrawing(
            bounds_m=(west, south, east, north),
            metric=shown.metric,
            shapes=(*shapes, *((outlines, edge) for edge in EDGES)),
        )

    planned = [number for number in comparison.outlines if number in targets]
    sides = (
        ("planned", drawing(np.array([comparison.outlines[number] for number in planned], dtype=object),
                            np.array([targets[number] for number in planned]))),
        ("applied", drawing(comparison.footprints, comparison.applied_n_lb_ac)),
    )  # fmt: skip
    height_in = float(np.clip(3.2 * sides[0][1].aspect, 1.6, 3.6))
    with figure(6.8, height_in + 0.9) as drawn:
        axes = sheet(drawn)
        for left_in, (name, one) in zip((0.1, 3.5), sides, strict=True):
            axes.text(left_in, height_in + 0.72, say(shown, f"report.{name}"), weight="bold")
            on_axes(axes, one, (left_in, 0.65, 3.2, height_in))
        factor = shown.factor("rate")
        NITROGEN.scale_on(axes, 1.9, 3.0, low * factor, high * factor)
        axes.text(4.98, 0.305, shown.unit("rate"), va="center", fontsize=7)
        return png(drawn)


_LEVELS: Final = 32  # colours that rates are drawn in


def _map(comparison: Comparison, shown: UnitFormat) -> bytes:
    """Where how much of the plan was applied, what was not covered or covered more than once."""
    from matplotlib.patches import Patch

    drawing = _drawing(comparison, shown)
    height_in = float(np.clip(6.4 * drawing.aspect, 2.5, 7.5))
    with figure(7.0, height_in + 1.2) as drawn:
        on_axes(sheet(drawn), drawing, (0.1, 1.1, 6.8, height_in))
        key = [Patch(facecolor=color, edgecolor=INK, linewidth=0.4, label=say(shown, f"report.share-{name}"))
               for _, color, name in _CLASSES]  # fmt: skip
        key += [Patch(facecolor=color, edgecolor=INK, hatch=hatch, label=say(shown, f"report.{name}"))
                for name, color, hatch in (("skipped", PAPER, "////"), ("overlapped", _TWICE, ""))]  # fmt: skip
        drawn.legend(handles=key, loc="lower center", ncols=3, fontsize=8, title=say(shown, "report.map-legend"))
        return png(drawn)


def _of_target(comparison: Comparison, where_none: Floats | float) -> Floats:
    """Applied over planned; what it is where nothing was planned."""
    target, applied = comparison.target_n_lb_ac, comparison.applied_n_lb_ac
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio: Floats = np.where(target > 0, applied / target, where_none)
    return ratio


def _drawing(comparison: Comparison, shown: UnitFormat) -> FieldDrawing:
    """Records' ground by its class, ground not covered or covered twice, the zones' outlines."""
    outlines = shapely.geometrycollections(list(comparison.outlines.values()))
    west, south, east, north = outlines.bounds
    ratio = _of_target(comparison, np.where(comparison.applied_n_lb_ac > 0, np.inf, 1.0))
    place = np.searchsorted([top for top, _, _ in _CLASSES[:-1]], ratio, side="left")
    shapes = [
        (shapely.geometrycollections(list(comparison.footprints[place == k])), Look(fill=color, radius_pt=1.0))
        for k, (_, color, _) in enumerate(_CLASSES)
    ]
    # a skip is white ground with lines, an overlap is filled: neither is mistaken for an outline
    shapes.append((comparison.skips, Look(fill=PAPER, line=INK, width_pt=0.5, hatch="/")))
    shapes.append((comparison.overlaps, Look(fill=_TWICE)))
    shapes += ((outlines, edge) for edge in EDGES)
    return FieldDrawing(bounds_m=(west, south, east, north), shapes=tuple(shapes), metric=shown.metric)


def _layers(comparison: Comparison) -> bytes:
    """GeoPackage of the records' ground, the skips and the overlaps."""
    shown = UnitFormat.of(comparison.units)
    layers: list[Layer] = [
        ("applied", "Unknown", comparison.footprints, in_units(
            {"applied_n_lb_ac": comparison.applied_n_lb_ac, "target_n_lb_ac": comparison.target_n_lb_ac,
             "applied_of_target": _of_target(comparison, np.nan)}, shown)),
        ("zones", "Unknown", np.array(list(comparison.outlines.values()), dtype=object),
         {"zone": np.array(list(comparison.outlines), dtype=np.int32)}),
    ]  # fmt: skip
    for name, area in (("skips", comparison.skips), ("overlaps", comparison.overlaps)):
        parts = shapely.get_parts(area)
        if len(parts):
            layers.append((name, "Unknown", parts, in_units({"acres": shapely.area(parts) / AC_M2}, shown)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "compared.gpkg"
        write_layers(path, layers, comparison.crs, date(comparison.season, 1, 1))
        return path.read_bytes()


def write_harvest(found: Harvested, out_dir: str | Path) -> Path:
    """Write ``harvest.html`` and ``summary.json`` over nothing but an earlier harvest page."""
    page = harvest_page(found).encode("utf-8")
    shown = UnitFormat.of(found.units)
    summary = {
        "field": found.field, "season": found.season,
        "findings": findings_json(shown, (*found.says, *found.findings)),
        "files": {"harvest.html": hashlib.sha256(page).hexdigest()}, "versions": {"vrn": vrn.__version__},
    }  # fmt: skip
    text = json.dumps(summary, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    return write_files({"harvest.html": page, "summary.json": text.encode("utf-8")}, out_dir)


def harvest_page(found: Harvested) -> str:
    """The page as text: map, plots, yield by nitrogen of each trial, and what it says."""
    shown = UnitFormat.of(found.units)

    def words(name: str, **quantities: str | int) -> str:
        return say(shown, f"season.{name}", **quantities)

    name = {"field": found.field, "season": str(found.season)}
    says = tuple(f"{text.place}: {text.problem} {text.remedy}" for text in finding_texts(shown, found.says))
    curves = tuple(
        Picture(caption=words("harvest-curve", block=trial.block), alt=words("harvest-curve-alt"),
                png=_curve(trial, numbers, shown))
        for trial, numbers in zip(found.trials, found.tops, strict=True)
    )  # fmt: skip
    decide, assumed = (finding_items(found.findings, level, shown) for level in ("warning", "note"))
    tables = (("harvest-against", against_rows(found, shown)), ("harvest-plots", plot_rows(found, shown)))
    against, plots = (
        Table(caption=words(f"{code}-caption"), header=rows[0], rows=rows[1:],
              numbers=tuple(range(1 if code == "harvest-against" else 2, len(rows[0]) - (code == "harvest-plots"))))
        for code, rows in tables
    )  # fmt: skip
    picture = Picture(caption=words("harvest-map"), alt=words("harvest-map-alt"), png=_plots_map(found, shown))
    parts = (
        Part(title=words("harvest-says"), pieces=(Bullets(items=says), *curves)),
        Part(title=words("harvest-against"), pieces=(against,)),
        *((Part(title=say(shown, "report.decide"), pieces=(Bullets(items=decide),)),) if decide else ()),
        Part(title=words("harvest-plots"), pieces=(picture, plots)),
        *((Part(title=say(shown, "report.records"), pieces=(Bullets(items=assumed),)),) if assumed else ()),
    )
    title = words("harvest-title", **name)
    return html_of(Report(title=title, heading=title, foot=title, facts=(words("harvest-facts"),), draft="", state="",
                          file=parts))  # fmt: skip


def plot_rows(found: Harvested, shown: UnitFormat) -> tuple[tuple[str, ...], ...]:
    """Head and a row for each plot."""
    rate = {"unit": shown.unit("rate")}
    heads = {"block": {}, "plot": {}, "plan-rate": rate, "got-rate": rate, "grain": {"unit": shown.unit("yield")},
             "points": {}, "why": {}}  # fmt: skip
    rows = [tuple(say(shown, f"season.head-{name}", **more) for name, more in heads.items())]
    for trial in found.trials:
        for plot in trial.plots:
            why = say(shown, f"season.why-{plot.why}") if plot.why in _WHY else plot.why
            rows.append((
                trial.block, plot.label, shown.number("rate", plot.planned_n_lb_ac),
                shown.number("rate", plot.n_lb_ac, decimals=0), shown.number("yield", plot.yield_bu_ac, decimals=1),
                str(plot.points), why,
            ))  # fmt: skip
    return tuple(rows)


_WHY: Final = ("short", "not-covered", "uneven", "few-points")


def against_rows(found: Harvested, shown: UnitFormat) -> tuple[tuple[str, ...], ...]:
    """Head and a row for each trial: where yield levels off by the budget and by the trial alone."""
    unit = {"unit": shown.unit("rate")}
    heads = {"block": {}, "budget": unit, "said": unit, "said-range": {}}
    rows = [tuple(say(shown, f"season.head-{name}", **more) for name, more in heads.items())]
    for trial, (budget, said, low, high) in zip(found.trials, found.tops, strict=True):
        numbers = (shown.number("rate", budget, decimals=0), shown.number("rate", said, decimals=0))
        rows.append((trial.block, *numbers, shown.range("rate", low, high, decimals=0)))
    return tuple(rows)


def _curve(trial: PastTrial, numbers: tuple[float, float, float, float], shown: UnitFormat) -> bytes:
    """Yield by what each plot got; where it levels off: a band by the trial alone, a broken line by the budget."""
    n, grain = shown.factor("rate"), shown.factor("yield")
    with figure(5.0, 3.0, margins_in=(0.8, 0.55, 0.1, 0.15)) as drawn:
        axes = drawn.add_subplot()
        for kept, fill in ((True, INK), (False, PAPER)):
            mine = [plot for plot in trial.plots if (plot.why == "") == kept and np.isfinite(plot.yield_bu_ac)]
            axes.plot([plot.n_lb_ac * n for plot in mine], [plot.yield_bu_ac * grain for plot in mine], "o",
                      markersize=5, markerfacecolor=fill, markeredgecolor=INK)  # fmt: skip
        budget, said, low, high = (number * n for number in numbers)
        axes.axvspan(low, high, color=NITROGEN.classes(5)[1], alpha=0.5, zorder=0)
        axes.axvline(said, color=NITROGEN.classes(5)[4], zorder=1)
        axes.axvline(budget, color=INK, linestyle="--", linewidth=0.8, zorder=1)
        axes.set_xlabel(say(shown, "season.harvest-axis-n", unit=shown.unit("rate")))
        axes.set_ylabel(say(shown, "season.harvest-axis-yield", unit=shown.unit("yield")))
        return png(drawn)


def _plots_map(found: Harvested, shown: UnitFormat) -> bytes:
    """The field with its plots in the colours of what they got; plots that do not count are hatched."""
    plots = [plot for trial in found.trials for plot in trial.plots]
    rates = np.array([plot.n_lb_ac for plot in plots])
    low, high = float(np.nanmin(rates)), float(np.nanmax(rates))
    colors = NITROGEN.classes(_LEVELS)
    shapes: list[tuple[shapely.Geometry, Look]] = [(found.boundary, Look(fill=PAPER))]
    for plot, rate in zip(plots, rates, strict=True):
        ground = reproject(shapely.from_wkt(plot.outline), "EPSG:4326", found.crs)
        level = round((rate - low) / max(high - low, 1e-9) * (_LEVELS - 1)) if np.isfinite(rate) else 0
        look = Look(fill=PAPER, line=INK, width_pt=0.4, hatch="/") if plot.why else Look(fill=colors[level])
        shapes += [(ground, look), *((ground, edge) for edge in EDGES)]
    west, south, east, north = found.boundary.bounds
    shapes += ((found.boundary, edge) for edge in EDGES)
    drawing = FieldDrawing(bounds_m=(west, south, east, north), shapes=tuple(shapes), metric=shown.metric)
    height_in = float(np.clip(6.4 * drawing.aspect, 2.0, 6.0))
    with figure(7.0, height_in + 0.8) as drawn:
        axes = sheet(drawn)
        on_axes(axes, drawing, (0.1, 0.7, 6.8, height_in))
        factor = shown.factor("rate")
        NITROGEN.scale_on(axes, 1.9, 3.0, low * factor, high * factor)
        axes.text(4.98, 0.305, shown.unit("rate"), va="center", fontsize=7)
        return png(drawn)
