"""Legends of the map page and the words under each layer."""

import math
from typing import Any

from markupsafe import Markup

from vrn.model.surface_choice import SurfaceChoice
from vrn.pages.map_page_layers import Picture
from vrn.pages.ramps import rate_colors
from vrn.pages.report_phrases import why_one_zone
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat


def rate_layer(prescription: Prescription, shown: UnitFormat) -> dict[str, Any]:
    """
    The rates as a layer: its legend names each rate's zones.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat

    Returns
    -------
    layer : dict
        ``key``, ``title``, ``unit``, ``legend`` (markup), ``words``.
    """
    colors, why = (
        rate_colors(prescription.rates),
        why_one_zone(prescription, shown),
    )
    by_color: dict[str, tuple[str, list[str]]] = {}
    for rate in sorted(prescription.rates, key=lambda rate: rate.rate_n_lb_ac):
        by_color.setdefault(colors[rate.zone], (shown.number("rate", rate.rate_n_lb_ac), []))[1].append(str(rate.zone))
    items = "".join(
        f'<li><span class="swatch" style="background:{color}"></span>{number} (zone {", ".join(zones)})</li>'
        for color, (number, zones) in by_color.items()
    )
    return {
        "key": "rate", "title": "Rate", "unit": shown.unit("rate"),
        "legend": Markup(f'<ul class="swatches">{items}</ul>'),
        "words": f"One zone. {why}" if why else "What is to be applied, zone by zone. One flat rate from the same "
        f"samples would be {shown.text('rate', prescription.flat_rate_n_lb_ac)} everywhere.",
    }  # fmt: skip


def surface_layer(picture: Picture, shown: UnitFormat, method: str) -> dict[str, Any]:
    """
    A surface as a layer: its legend is the ramp with round values.

    Parameters
    ----------
    picture : Picture
    shown : UnitFormat
    method : str
        Key of the prescription's method.

    Returns
    -------
    layer : dict
        As of ``rate_layer``, with ``url``, ``low``, ``high``, ``decimals``, ``ramp`` for the page's script.
    """
    factor = shown.factor(picture.quantity)
    low, high = picture.low * factor, picture.high * factor
    steps = ", ".join(picture.ramp.stops)
    if not high > low:
        middle = picture.ramp.classes(1)[0]
        bar = f'<div class="bar" style="background:{middle}"></div>' if high == low else ""
        ticks = f'<span style="left:50%">{low:.{shown.decimals(picture.quantity)}f}</span>' if high == low else ""
    else:
        bar = f'<div class="bar" style="background:linear-gradient(90deg, {steps})"></div>'
        ticks = "".join(
            f'<span style="left:{(tick - low) / (high - low) * 94 + 3:.1f}%">{tick:g}</span>' for tick in picture.ticks
        )
    return {
        "key": picture.key, "title": picture.title, "unit": shown.unit(picture.quantity), "url": picture.url,
        "legend": Markup(f'{bar}<div class="ticks">{ticks}</div>'),
        "words": _words(picture, shown, prescribed_by=method),
        "low": low, "high": high, "decimals": shown.decimals(picture.quantity), "ramp": picture.ramp.name,
    }  # fmt: skip


def _words(picture: Picture, shown: UnitFormat, *, prescribed_by: str = "") -> str:
    """What a layer shows and what it rests on, in one or two sentences."""
    surface = picture.surface
    if picture.key.endswith("_se"):
        what = picture.title.split(":")[0].lower()
        return f"How far the {what} map may be off: one standard error, larger away from samples."
    if math.isnan(picture.low):
        return "Not known."
    if surface.chosen == "constant":
        return f"One value for the whole field: {shown.text(picture.quantity, picture.low)}."
    choice = surface.choice or SurfaceChoice()
    source, places = f" ({choice.source})" if choice.source else "", choice.places
    made = {
        "ordinary kriging": f"Measured at {places or 'the'} places, between them inferred by ordinary kriging",
        "inverse distance": f"Measured at {places or 'the'} places, between them inferred by inverse distance",
        "area means": "Each composite sample's value over its area",
        "mean": "One mean: the samples do not support a map",
        "raster by area": "The raster that was given, averaged over each cell",
        "polygons by area": "The areas that were given, averaged over each cell",
        prescribed_by: f"The ledger of every cell, by the method {prescribed_by}; below 0 the soil holds enough",
    }.get(surface.chosen, f"Made by {surface.chosen}")
    return f"{made}{source}.{_error(choice, shown, picture.quantity)}"


def _error(choice: SurfaceChoice, shown: UnitFormat, quantity: str) -> str:
    """Leave-one-out error of the chosen way against the plain mean's, where it is known."""
    chosen, mean = choice.loo_rmse, choice.mean_rmse
    if chosen is None:
        return ""
    words = f" Each sample guessed from the others is off by {shown.text(quantity, chosen)}"
    against = f" (by the plain mean, {shown.text(quantity, mean)})" if mean is not None else ""
    return f"{words}{against}."
