"""``map.html``: the prescription in one file that opens with the network unplugged."""

from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
from markupsafe import Markup

from vrn.findings import Quantity
from vrn.pages.field_drawing import rate_drawing
from vrn.pages.field_drawn import as_svg
from vrn.pages.map_page_layers import LEVELS, ON_DEMAND, frame_of, map_shapes, pictures, sample_places
from vrn.pages.map_page_legend import rate_layer, surface_layer
from vrn.pages.map_page_words import allowed_of, page_words, set_by_a_person, zone_words
from vrn.pages.page_parts import leaflet_files, page_asset, page_policy, script_json, templates
from vrn.pages.zones_table import zones_table
from vrn.prescription.model import Prescription
from vrn.words import UNKNOWN, UnitFormat, say

_COLUMNS: Final = ("area", "nitrate", "need", "rate", "product-rate")
_OVERLAYS: Final = ("zones", "samples", "no-apply", *ON_DEMAND)
_KEPT: Final = ("key", "title", "unit", "url", "low", "high", "decimals", "ramp")  # of a layer, for the script
_SCRIPT_WORDS: Final[dict[str, tuple[str, ...]]] = {  # with what the script fills in
    "background": (), "no-nitrogen-here": (), "outside": (), "whole-zone": ("zone",), "here": ("values",),
    "no-number": (), "out-of-range": ("allowed",), "too-low": ("allowed",), "no-reason": (), "reason-alone": (),
    "counted": ("rate", "steps"), "half-signed": (), "sign-again": (), "not-saved": (), "saved": ("file",),
}  # fmt: skip
_CROWD: Final = 45  # more places than this show their values only from nearer


def write_map(prescription: Prescription, path: Path) -> None:
    """
    Write the map page.

    Parameters
    ----------
    prescription : Prescription
    path : Path
        Of the file, usually ``map.html``.
    """
    path.write_text(map_page(prescription), encoding="utf-8", newline="\n")


def map_page(prescription: Prescription) -> str:
    """
    The map page as text.

    Parameters
    ----------
    prescription : Prescription

    Returns
    -------
    html : str
        One file with every script, style and picture inside; its policy forbids every other origin, save that of
        ``settings.export.tiles`` where the user gives one.
    """
    settings = prescription.field.settings
    shown = UnitFormat(metric=settings.units == "metric")
    frame = frame_of(prescription)
    surfaces = pictures(prescription, frame, shown)
    places = sample_places(prescription, shown)
    shapes = map_shapes(prescription, places, shown)
    layers = [
        rate_layer(prescription, shown),
        *(surface_layer(picture, shown, prescription.ledger.key) for picture in surfaces),
    ]
    page = page_words(prescription, shown)
    data = _data(prescription, page, shown) | {
        "shapes": shapes, "bounds": [[frame.south, frame.west], [frame.north, frame.east]],
        "layers": [{key: _plain(layer[key]) for key in _KEPT if key in layer} for layer in layers],
        "ramps": {picture.ramp.name: picture.ramp.colors(np.linspace(0, 1, LEVELS)).tolist() for picture in surfaces},
        "crowded": len(places) > _CROWD,
    }  # fmt: skip
    leaflet_css, leaflet_js, licence = leaflet_files()
    first_js, page_js = page_asset("first.js"), page_asset("map.js")
    title = say(shown, "map.still", field=prescription.field.name)
    return templates().get_template("map.html").render(
        policy=page_policy((first_js, leaflet_js, page_js), settings.export.tiles),
        licence=Markup(licence.replace("--", "- -")), leaflet_css=Markup(leaflet_css),
        css=Markup(page_asset("map.css")), first_js=Markup(first_js), leaflet_js=Markup(leaflet_js),
        page_js=Markup(page_js), still=Markup(as_svg(rate_drawing(prescription, shown), title)),
        data=Markup(script_json(data)), page=page, layers=layers, on_demand=ON_DEMAND,
        overlays=[key for key in _OVERLAYS if key in shapes],
        zones=zone_words(prescription, shown),
        table=zones_table(prescription, shown, _COLUMNS), places=places, say=partial(say, shown),
    )  # fmt: skip


def _data(prescription: Prescription, page: dict[str, Any], shown: UnitFormat) -> dict[str, Any]:
    """What the page's script needs beside the map: its words, and the rate table it sums."""
    product, settings = prescription.product, prescription.field.settings
    words = {name: say(shown, f"map.{name}", **{place: f"{{{place}}}" for place in places})
             for name, places in _SCRIPT_WORDS.items()}  # fmt: skip
    return {
        "words": words | {"unknown": UNKNOWN}, "first": page["first"], "approved": page["approved"],
        "tiles": settings.export.tiles, "fill": 0.75 if settings.export.tiles else 1.0, "metric": shown.metric,
        "rates": [
            {"zone": rate.zone, "acres": rate.acres, "rate": rate.rate_n_lb_ac, "product": rate.product_per_ac,
             **set_by_a_person(prescription, rate.zone), **allowed_of(rate, shown),
             "shown": shown.number("rate", rate.rate_n_lb_ac),
             "productShown": shown.number(f"{product.unit}/ac", rate.product_per_ac)}
            for rate in prescription.rates
        ],
        "factor": shown.factor("rate"), "rateUnit": shown.unit("rate"),
        "massFactor": shown.factor("mass"), "massUnit": shown.unit("mass"),
        "tankFactor": shown.factor(product.unit), "tankUnit": shown.unit(product.unit),
        "productFactor": shown.factor(f"{product.unit}/ac"), "perUnit": product.n_lb_per_unit,
        "step": settings.machine.rate_step_n_lb_ac,
        "steps": say(shown, "map.steps", step=Quantity("rate", settings.machine.rate_step_n_lb_ac)),
        "file": page["review_file"], "about": f"Review of {prescription.field.name}, season {settings.header.season}.",
    }  # fmt: skip


def _plain(value: Any) -> Any:
    """NaN as null, for JSON."""
    return None if isinstance(value, float) and value != value else value  # NaN is not itself
