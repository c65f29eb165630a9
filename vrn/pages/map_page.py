"""``map.html``: the prescription in one file that opens with the network unplugged."""

import math
import re
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Final

import numpy as np
from markupsafe import Markup, escape

from vrn.files.approval import made_from
from vrn.files.lonlat import lonlat_parts, rings
from vrn.findings import Quantity
from vrn.model.field import Photo
from vrn.model.surface import SurfaceChoice
from vrn.pages.field_drawing import as_svg
from vrn.pages.field_maps import HATCHES, hatch_legend, hatched, rate_drawing
from vrn.pages.map_page_layers import (
    LEVELS,
    ON_DEMAND,
    Picture,
    frame_of,
    left_out_of,
    map_points,
    map_shapes,
    pictures,
    surface_title,
)
from vrn.pages.page_parts import data_uri, leaflet_files, page_asset, page_policy, script_json, templates
from vrn.pages.ramps import NITROGEN, rate_colors
from vrn.pages.report_file import signer_lists
from vrn.pages.report_grower import cautions, facts, preparer, state_text, why_one_zone
from vrn.pages.report_nitrogen import reasons_text
from vrn.pages.sample_places import SamplePlace, few_places, not_all, sample_places, samples_table
from vrn.pages.tables import LedgerRows, ledger_rows, zone_label, zones_table
from vrn.prescription.model import PRICED, Prescription, ZoneRate
from vrn.units import FT_M
from vrn.words import UNKNOWN, UnitFormat, finding_texts, say

_COLUMNS: Final = ("area", "nitrate", "need", "rate", "product-rate")
_OVERLAYS: Final = ("zones", "samples", "no-apply", "dropped", *HATCHES, *ON_DEMAND)
_SCRIPT_WORDS: Final[dict[str, tuple[str, ...]]] = {  # with what the script fills in
    "nearest": ("ids", "distance", "label", "unit"), "no-sample": ("id",), "where-asking": (), "where-not": (),
    "where-here": ("distance",), "where-refused": (), "before": ("value",), "restored": (),
    "changed-here": ("before", "after", "unit"), "by-hand-why": ("reason",), "still-before": (), "flat-same": ("flat",),
    "flat-more": ("flat", "apart"), "flat-less": ("flat", "apart"), "zone-rate": ("zone", "rate", "unit"),
    "legend-zone": ("rate", "zones"), "legend-zones": ("rate", "zones"), "background": (), "no-nitrogen-here": (),
    "outside": (), "whole-zone": ("zone",), "here": ("values",), "no-number": (), "out-of-range": ("allowed",),
    "too-low": ("allowed",), "no-reason": (), "reason-alone": (), "counted": ("rate", "steps"), "half-signed": (),
    "sign-again": (), "not-saved": (), "saved": ("file",),
}  # fmt: skip
_CROWD: Final = 45  # more places than this show their values only from nearer
_SAME_LB_AC: Final = 0.05


def write_map(prescription: Prescription, path: Path) -> None:
    """Write the map page."""
    path.write_text(map_page(prescription), encoding="utf-8", newline="\n")


def map_page(prescription: Prescription) -> str:
    """The map page: one file with every script, style and picture inside.

    Its policy forbids every other origin, save that of ``settings.export.tiles`` where the user gives one.
    """
    settings = prescription.field.settings
    shown = UnitFormat.of(settings.units)
    frame = frame_of(prescription)
    surfaces, places = pictures(prescription, frame, shown), sample_places(prescription, shown)
    shapes = map_shapes(prescription, shown)
    layers = [_rate_layer(prescription, shown), *(_surface_layer(one, shown, prescription) for one in surfaces)]
    data = _data(prescription, shown) | {
        "shapes": shapes, "bounds": [[frame.south, frame.west], [frame.north, frame.east]],
        "layers": [layer.data for layer in layers], "crowded": len(places) > _CROWD,
        "points": map_points(prescription, few_places(places), shown),
        "rateRamp": NITROGEN.colors(np.linspace(0, 1, len(NITROGEN.stops))).tolist(),
        "ramps": {picture.ramp.name: picture.ramp.colors(np.linspace(0, 1, LEVELS)).tolist() for picture in surfaces},
    }  # fmt: skip
    leaflet_css, leaflet_js, licence = leaflet_files()
    first_js, page_js = page_asset("first.js"), page_asset("map.js")
    drawing = rate_drawing(prescription, shown)
    title, found = say(shown, "map.still", field=prescription.field.name), finding_texts(shown, prescription.findings)
    texts = {
        "field": prescription.field.name, "season": str(settings.header.season), "approved": prescription.approved,
        "state": state_text(prescription, shown), "facts": tuple(facts(prescription, shown)),
        "totals": totals_of(prescription, shown), "first": data["first"], "cautions": cautions(prescription, shown),
        "decide": [one for one in found if one.level == "warning"],
        "assumed": [one for one in found if one.level == "note"],
        **preparer(prescription, shown), "photo": prescription.field.photo is not None,
        "signer": signer_lists(prescription, shown), "rate_unit": shown.unit("rate"),
        "line_unit": shown.unit("whole_amount"),
        "arithmetic": f" ({shown.arithmetic})" if shown.metric else "",
    }  # fmt: skip
    return templates().get_template("map.html").render(
        policy=page_policy((first_js, leaflet_js, page_js), settings.export.tiles),
        licence=Markup(licence.replace("--", "- -")), leaflet_css=Markup(leaflet_css),
        css=Markup(page_asset("map.css")), first_js=Markup(first_js), leaflet_js=Markup(leaflet_js),
        page_js=Markup(page_js), still=Markup(as_svg(replace(drawing, shapes=hatched(drawing, prescription)), title)),
        marks=_marks(prescription, places, shown),
        data=Markup(script_json(data)), page=texts, layers=layers, on_demand=ON_DEMAND,
        overlays=[key for key in _OVERLAYS if shapes.get(key) or (key == "samples" and places)],
        zones=_zone_texts(prescription, places, shown),
        table=zones_table(prescription, shown, _COLUMNS), samples=samples_table(places, shown), places=len(places),
        say=partial(say, shown), product=prescription.product.named,
    )  # fmt: skip


def _photo(photo: Photo | None) -> dict[str, object] | None:
    if photo is None:
        return None
    west, south, east, north = photo.bounds_lonlat
    return {"url": data_uri(photo.jpeg, "jpeg"), "bounds": [[south, west], [north, east]]}


def totals_of(prescription: Prescription, shown: UnitFormat) -> list[tuple[str, str, str]]:
    """Key for the script, name and value of each total of the page's head."""
    product, price, n_lb = prescription.product, prescription.field.settings.prices.n_per_lb, prescription.total_n_lb
    cost = [] if price is None else [("cost", say(shown, "map.cost"), shown.text("money", price * n_lb))]
    return [
        ("n", say(shown, "map.nitrogen"), shown.text("mass", n_lb)),
        *((("product", product.name, shown.text(product.unit, prescription.total_product)),) if product.named else ()),
        ("mean", say(shown, "map.mean-rate"), shown.text("rate", prescription.mean_rate_n_lb_ac)),
        *cost,
        ("flat", say(shown, "map.flat-rate"), shown.text("rate", prescription.flat_rate_n_lb_ac)),
        ("doubt", say(shown, "map.doubt"), f"± {shown.text('whole_amount', prescription.doubt.sd_lb_ac)}"),
    ]


def _marks(prescription: Prescription, places: list[SamplePlace], shown: UnitFormat) -> list[tuple[str, str]]:
    """Kind and meaning of each hatch and sign on the map."""
    field, reasons = prescription.field, [(one.zone, one.reason) for one in prescription.overrides]
    marks = [("sample", say(shown, "map.mark-sample") + not_all(places, shown))] if places else []
    if left_out_of(prescription):
        marks.append(("out", say(shown, "map.mark-out")))
    if field.no_apply.intersects(field.boundary):
        marks.append(("hole", say(shown, "map.mark-hole")))
    marks += hatch_legend(prescription, shown)
    if reasons:
        listed = ", ".join(say(shown, "map.hand-zone", zone=zone, reason=reason) for zone, reason in reasons)
        marks.append(("", say(shown, "map.mark-hand", listed=listed)))
    return marks


def _data(prescription: Prescription, shown: UnitFormat) -> dict[str, object]:
    """What the page's script needs beside the map: its words, and the rate table it sums."""
    product, settings = prescription.product, prescription.field.settings
    words = {name: say(shown, f"map.{name}", **{place: f"{{{place}}}" for place in places})
             for name, places in _SCRIPT_WORDS.items()}  # fmt: skip
    step, per_ac = settings.machine.rate_step_n_lb_ac, f"{product.unit}/ac" if product.named else "rate"
    return {
        "words": words | {"unknown": UNKNOWN}, "first": max(prescription.rates, key=lambda rate: rate.acres).zone,
        "approved": prescription.approved, "metric": shown.metric,
        "tiles": settings.export.tiles, "fill": 0.75 if settings.export.tiles or prescription.field.photo else 1.0,
        "photo": _photo(prescription.field.photo),
        "rates": [_rate(prescription, rate, shown) for rate in prescription.rates],
        "factor": shown.factor("rate"), "rateUnit": shown.unit("rate"),
        "footM": FT_M, "lengthUnit": shown.unit("length"), "readingUnit": shown.unit("concentration"),
        "price": settings.prices.n_per_lb, "massFactor": shown.factor("mass"), "massUnit": shown.unit("mass"),
        "tankFactor": shown.factor(product.unit), "tankUnit": shown.unit(product.unit),
        "productFactor": shown.factor(f"{product.unit}/ac"), "perUnit": product.n_lb_per_unit,
        "flat": prescription.flat_rate_n_lb_ac, "perAc": shown.unit(per_ac), "perAcDecimals": shown.decimals(per_ac),
        "step": step, "steps": say(shown, "map.steps", step=Quantity("rate", step)),
        "id": prescription.id, "madeFrom": made_from(prescription) if prescription.id else "",
        "file": _review_file(prescription),
        "about": say(shown, "map.review-of", field=prescription.field.name, season=str(settings.header.season)),
    }  # fmt: skip


def _review_file(prescription: Prescription) -> str:
    """Name the saved review gets: plain letters of the field's name, and the season."""
    plain = re.sub(r"[^a-z0-9]+", "_", prescription.field.name.lower()).strip("_")[:60] or "field"
    return f"{plain}_{prescription.field.settings.header.season}_review.toml"


def _rate(prescription: Prescription, rate: ZoneRate, shown: UnitFormat) -> dict[str, object]:
    """A zone's rate for the script: as it is, as it is printed, as a person set it, what a person may set."""
    (least, most, allowed), (by_hand, reason) = _allowed(rate, shown), _override(prescription, rate.zone)
    return {
        "zone": rate.zone, "acres": rate.acres, "rate": rate.rate_n_lb_ac, "product": rate.product_per_ac,
        "set": by_hand, "reason": reason, "least": least, "most": most, "allowed": allowed,
        "shown": shown.number("rate", rate.rate_n_lb_ac),
        "productShown": shown.number(f"{prescription.product.unit}/ac", rate.product_per_ac),
        "lead": _covers(prescription, rate, "{rate}", shown), "reached": _lead(prescription, rate, shown),
        "outline": _whole_outline(prescription, rate) if prescription.id and rate.trial is None else [],
    }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layer:
    """A layer of the map: its legend as markup, what it shows in words, and what the script needs of it."""

    key: str
    title: str
    unit: str
    legend: Markup
    words: str
    data: dict[str, object]


def _rate_layer(prescription: Prescription, shown: UnitFormat) -> _Layer:
    """The rates; the legend names each rate's zones."""
    colors = rate_colors(prescription.rates)
    by_color: dict[str, tuple[str, list[str]]] = {}
    for rate in sorted(prescription.rates, key=lambda rate: rate.rate_n_lb_ac):
        by_color.setdefault(colors[rate.zone], (shown.number("rate", rate.rate_n_lb_ac), []))[1].append(str(rate.zone))
    items = "".join(
        f'<li><span class="swatch" style="background:{color}"></span>{_legend_item(number, zones, shown)}</li>'
        for color, (number, zones) in by_color.items()
    )
    why = why_one_zone(prescription, shown)
    words = say(shown, "map.one-zone", why=why) if why else say(
        shown, "map.layer-rate-words", flat=Quantity("rate", prescription.flat_rate_n_lb_ac)
    )  # fmt: skip
    title, unit = say(shown, "map.layer-rate"), shown.unit("rate")
    return _Layer(
        key="rate", title=title, unit=unit, words=words,
        legend=Markup(f'<ul class="swatches" id="rate-key">{items}</ul>'),
        data={"key": "rate", "title": title, "unit": unit},
    )  # fmt: skip


def _legend_item(number: str, zones: list[str], shown: UnitFormat) -> Markup:
    code = "map.legend-zone" if len(zones) == 1 else "map.legend-zones"
    return escape(say(shown, code, rate=number, zones=", ".join(zones)))


def _surface_layer(picture: Picture, shown: UnitFormat, prescription: Prescription) -> _Layer:
    """A surface; the legend is the ramp with round values."""
    kind = picture.quantity
    factor, decimals, unit = shown.factor(kind), shown.decimals(kind), shown.unit(kind)
    low, high = picture.low * factor, picture.high * factor
    known = math.isfinite(low)
    if high > low:
        look = f"linear-gradient(90deg, {', '.join(picture.ramp.stops)})"
        ticks = [((tick - low) / (high - low) * 94 + 3, f"{tick:g}") for tick in picture.ticks]
    else:
        look, ticks = picture.ramp.classes(1)[0], [(50.0, f"{low:.{decimals}f}")] if known else []
    marks = "".join(f'<span style="left:{at:.1f}%">{text}</span>' for at, text in ticks)
    bar = f'<div class="bar" style="background:{look}"></div>' if known else ""
    return _Layer(
        key=picture.key, title=picture.title, unit=unit, legend=Markup(f'{bar}<div class="ticks">{marks}</div>'),
        words=surface_words(picture, shown, prescription.ledger.key),
        data={"key": picture.key, "title": picture.title, "unit": unit, "url": picture.url, "decimals": decimals,
              "low": low if known else None, "high": high if known else None, "ramp": picture.ramp.name},
    )  # fmt: skip


_MADE: Final = {  # how a surface was made → its words
    "averaged kriging": "between-kriging", "inverse distance": "between-distance", "mean": "one-mean",
    "area means": "by-areas", "area-to-point kriging": "between-areas", "raster by area": "raster",
    "polygons by area": "areas",
}  # fmt: skip


def surface_words(picture: Picture, shown: UnitFormat, method: str) -> str:
    """What a layer shows and what it rests on, in one or two sentences."""
    surface, value = picture.surface, Quantity(picture.quantity, picture.low)
    if picture.key.endswith("_se"):
        return say(shown, "map.error-words", title=surface_title(surface.name, shown).lower())
    if math.isnan(picture.low):
        return say(shown, "map.layer-unknown")
    if surface.chosen == "constant":
        return say(shown, "map.one-value", value=value)
    choice = surface.choice or SurfaceChoice()
    name = "need-words" if surface.chosen == method else _MADE.get(surface.chosen.split(" of ")[0], "made-by")
    if name.startswith("between") and not choice.places:
        name = "made-by"
    words = [say(shown, f"map.{name}", places=choice.places or 0, made=surface.chosen)]
    if choice.source:
        words.append(say(shown, "report.source", source=choice.source))
    if choice.loo_rmse is not None:
        errors = {"error": Quantity(picture.quantity, choice.loo_rmse),
                  "mean": Quantity(picture.quantity, choice.mean_rmse)}  # fmt: skip
        words.append(say(shown, "map.left-out" if choice.mean_rmse is None else "map.left-out-mean", **errors))
    return " ".join(words)


@dataclass(frozen=True, slots=True, kw_only=True)
class _ZoneText:
    """A zone as the page shows it, every number with its unit where it has one.

    Changes are (why, from, to), those by prices left to the ledger; methods (title, need, remark); ``reason`` is that
    of an override in force.
    """

    zone: int
    color: str
    rate: str
    label: str
    lead: str
    sure: str
    ledger: LedgerRows
    changes: tuple[tuple[str, str, str], ...]
    means: tuple[tuple[str, str], ...]
    samples: str
    methods: tuple[tuple[str, str, str], ...]
    notes: tuple[str, ...]
    reason: str
    allowed: str


def _zone_texts(prescription: Prescription, places: list[SamplePlace], shown: UnitFormat) -> list[_ZoneText]:
    """Every zone as the page shows it, in order."""
    colors = rate_colors(prescription.rates)
    return [
        _zone_text(prescription, rate, colors[rate.zone], [place for place in places if place.zone == rate.zone], shown)
        for rate in prescription.rates
    ]


def _zone_text(
    prescription: Prescription, rate: ZoneRate, color: str, inside: list[SamplePlace], shown: UnitFormat
) -> _ZoneText:
    label = zone_label(rate, shown)
    means = (("nitrate", "concentration", rate.nitrate_ppm), ("organic-matter", "organic_matter",
             rate.organic_matter_pct), ("yield-goal", "yield", rate.yield_goal_bu_ac))  # fmt: skip
    return _ZoneText(
        zone=rate.zone, color=color, rate=shown.number("rate", rate.rate_n_lb_ac),
        label=f"{label[:1].upper()}{label[1:]}." if label else "", lead=_lead(prescription, rate, shown),
        sure=_sure(prescription, rate, shown), ledger=ledger_rows(rate, shown),
        changes=tuple(
            (say(shown, f"rates.change-{change.cause}", **change.quantities), shown.number("rate", change.from_n_lb_ac),
             shown.number("rate", change.to_n_lb_ac))
            for change in rate.changes
            if rate.prices is None or change.cause not in PRICED
        ),
        means=tuple((say(shown, f"map.mean-{name}"), shown.text(kind, value)) for name, kind, value in means),
        samples=_samples_inside(inside, shown),
        methods=tuple(
            (one.method.title, shown.number("whole_amount", one.by_zone[rate.zone]), reasons_text(shown, one.reasons))
            for one in prescription.methods
            if rate.zone in one.by_zone and one.method.key != prescription.ledger.key
        ),
        notes=tuple(text.problem for text in finding_texts(shown, rate.ledger.findings)),
        reason=_override(prescription, rate.zone)[1] or "", allowed=_allowed(rate, shown)[2],
    )  # fmt: skip


def _samples_inside(inside: list[SamplePlace], shown: UnitFormat) -> str:
    """The samples of a zone with their readings; of many, how many and their range."""
    if not inside:
        return say(shown, "map.no-sample-inside")
    unit, listed = shown.unit("concentration"), "; ".join(f"{place.ids}: {place.label}" for place in inside)
    if len(inside) <= _CROWD:
        return say(shown, "map.samples-inside", samples=len(inside), unit=unit, listed=listed)
    ordered = sorted((place.label for place in inside), key=lambda label: float(label.split(" / ")[0].lstrip("<")))
    return say(shown, "map.samples-inside-many", samples=len(inside), unit=unit, low=ordered[0], high=ordered[-1])


def _lead(prescription: Prescription, rate: ZoneRate, shown: UnitFormat) -> str:
    """Product, area, and the rate against one flat rate."""
    product, flat = prescription.product, prescription.flat_rate_n_lb_ac
    apart = rate.rate_n_lb_ac - flat
    way = "same" if abs(apart) < _SAME_LB_AC else "more" if apart > 0 else "less"
    per_ac = f"{product.unit}/ac" if product.named else "rate"
    lead = _covers(prescription, rate, shown.text(per_ac, rate.product_per_ac), shown)
    return f"{lead} {say(shown, f'map.flat-{way}', flat=Quantity('rate', flat), apart=Quantity('rate', abs(apart)))}"


def _covers(prescription: Prescription, rate: ZoneRate, per_ac: str, shown: UnitFormat) -> str:
    """A rate on the zone's area."""
    code = ("" if rate.parts == 1 else "-parts") + ("" if prescription.product.named else "-n")
    area = Quantity("area", rate.acres)
    return say(shown, f"map.lead{code}", product=prescription.product.name, parts=rate.parts, area=area, rate=per_ac)


def _sure(prescription: Prescription, rate: ZoneRate, shown: UnitFormat) -> str:
    need, error = Quantity("amount", rate.need_lb_ac), Quantity("whole_amount", rate.need_se_lb_ac)
    level, before = (Quantity("whole_amount", sd) for sd in prescription.doubt.now_and_before)
    code = "map.need-unsure" if rate.need_se_lb_ac is None else "map.need-sure"
    taught = "" if prescription.learned is None else " " + say(shown, "map.need-taught", before=before)
    words = say(shown, code, need=need, method=level, error=error) + taught
    if rate.ledger.band_lb_ac is not None:
        low, high = (Quantity("whole_amount", float(end)) for end in rate.ledger.band_lb_ac)
        words += " " + say(shown, "map.band", low=low, high=high)
    return words


def _whole_outline(prescription: Prescription, rate: ZoneRate) -> list[list[list[tuple[float, float]]]]:
    """A zone's polygons as a review keeps them, the strips and plots that were cut out of it included."""
    parts = lonlat_parts(rate.outline if rate.whole is None else rate.whole, prescription.grid.crs)
    return [rings(part, clockwise_shell=False) for part in parts]


def _allowed(rate: ZoneRate, shown: UnitFormat) -> tuple[float, float, str]:
    """Rates a person may set for a zone: least and most above 0 [lb N/ac], and the same in words."""
    least, most = rate.allowed_n_lb_ac
    ends = {"least": Quantity("rate", least), "most": Quantity("rate", most)}
    return least, most, say(shown, "map.allowed" if most > 0 else "map.allowed-none", **ends)


def _override(prescription: Prescription, zone: int) -> tuple[float, str] | tuple[None, None]:
    """An override in force: the rate that was set [lb N/ac] and its reason; None where there is none."""
    none = () if prescription.dropped_overrides else prescription.field.settings.review.override
    for override in prescription.overrides or none:
        if override.zone == zone:
            return override.rate_n_lb_ac, override.reason
    return None, None
