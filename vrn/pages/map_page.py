"""``map.html``: the prescription in one file that opens with the network unplugged."""

from pathlib import Path
from typing import Any

from markupsafe import Markup

from vrn.pages.field_drawing import rate_drawing
from vrn.pages.field_drawn import as_svg
from vrn.pages.map_page_layers import LEVELS, Picture, frame_of, pictures, sample_places
from vrn.pages.map_page_leaflet import Drawn, leaflet_map
from vrn.pages.map_page_legend import rate_layer, surface_layer
from vrn.pages.map_page_words import allowed_of, page_words, set_by_a_person, zone_words
from vrn.pages.page_parts import leaflet_files, page_asset, page_policy, script_json, templates
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat

_CROWD = 45  # more places than this show their values only from nearer


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
    drawn = leaflet_map(prescription, frame, surfaces, places, shown)
    layers = [
        rate_layer(prescription, shown),
        *(surface_layer(picture, drawn.names, shown, prescription.ledger.method) for picture in surfaces),
    ]
    page = page_words(prescription, shown)
    leaflet_css, leaflet_js, licence = leaflet_files()
    first_js, page_js = page_asset("first.js"), page_asset("map.js")
    scripts = (first_js, leaflet_js, drawn.script, page_js)
    return (
        templates()
        .get_template("map.html")
        .render(
            policy=page_policy(scripts, settings.export.tiles),
            licence=Markup(licence.replace("--", "- -")),
            leaflet_css=Markup(leaflet_css),
            css=Markup(page_asset("map.css")),
            first_js=Markup(first_js),
            leaflet_js=Markup(leaflet_js),
            map_js=Markup(drawn.script),
            page_js=Markup(page_js),
            map_html=Markup(drawn.html),
            still=Markup(
                as_svg(rate_drawing(prescription, shown), f"Map of {prescription.field.name}: zones with their rates")
            ),
            data=Markup(script_json(_data(prescription, layers, surfaces, drawn, page, places, shown))),
            page=page,
            layers=layers,
            overlays=drawn.overlays,
            zones=zone_words(prescription, shown),
            places=places,
        )
    )


def _data(
    prescription: Prescription, layers: list[dict[str, Any]], surfaces: tuple[Picture, ...], drawn: Drawn,
    page: dict[str, Any], places: list[dict[str, Any]], shown: UnitFormat,
) -> dict[str, Any]:  # fmt: skip
    """What the page's script needs: names of the layers, and the rate table it sums."""
    product = prescription.product
    kept = ("key", "title", "unit", "name", "low", "high", "decimals", "ramp")
    ramps = {picture.ramp.name: picture.ramp for picture in surfaces}
    fractions = [level / (LEVELS - 1) for level in range(LEVELS)]
    settings = prescription.field.settings
    return {
        "map": drawn.map_name, "zones": drawn.names["zones"], "labels": drawn.names["labels"],
        "samples": drawn.names["samples"], "noApply": drawn.names["no_apply"],
        "overlays": {overlay["key"]: overlay["names"] for overlay in drawn.overlays},
        "layers": [{key: _plain(layer[key]) for key in kept if key in layer} for layer in layers],
        "ramps": {name: ramp.colors(fractions).tolist() for name, ramp in ramps.items()},
        "above": [drawn.names[key] for key in ("no_apply", "boundary", "samples")],
        "bounds": drawn.bounds, "first": page["first"], "approved": page["approved"],
        "fill": 0.75 if settings.export.tiles else 1.0,
        "metric": shown.metric, "crowded": len(places) > _CROWD,
        "rates": [
            {"zone": rate.zone, "acres": rate.acres, "rate": rate.rate_n_lb_ac, "product": rate.product_per_ac,
             **set_by_a_person(prescription, rate.zone), **allowed_of(prescription, rate, shown),
             "shown": shown.number("rate", rate.rate_n_lb_ac),
             "productShown": shown.number(f"{product.unit}/ac", rate.product_per_ac)}
            for rate in prescription.rates
        ],
        "factor": shown.factor("rate"), "rateUnit": shown.unit("rate"),
        "massFactor": shown.factor("mass"), "massUnit": shown.unit("mass"),
        "tankFactor": shown.factor(product.unit), "tankUnit": shown.unit(product.unit),
        "productFactor": shown.factor(f"{product.unit}/ac"), "perUnit": product.n_lb_per_unit,
        "step": settings.machine.rate_step_n_lb_ac, "steps": page["steps"],
        "file": page["review_file"], "about": f"Review of {prescription.field.name}, season {settings.header.season}.",
    }  # fmt: skip


def _plain(value: Any) -> Any:
    """NaN as null, for JSON."""
    return None if isinstance(value, float) and value != value else value  # NaN is not itself
