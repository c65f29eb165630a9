"""The Leaflet map of the page, by folium, without the network and with names from a counter."""

from dataclasses import dataclass
from typing import Any

import folium
import numpy as np
import shapely

from vrn.pages.field_drawing import zone_labels
from vrn.pages.map_page_layers import Frame, Picture, feature
from vrn.pages.ramps import rate_colors
from vrn.prescription.model import Prescription
from vrn.units import FT_M
from vrn.words import UnitFormat

_ON_DEMAND = {"strips": "check strips", "passes": "passes"}
_INK, _PAPER = "#1b1b18", "#ffffff"


class _OfflineMap(folium.Map):
    """A folium map that asks for no script or style: the page carries Leaflet, and nothing else is needed."""

    default_js: list[tuple[str, str]] = []  # noqa: RUF012  # folium's own way of naming a map's files
    default_css: list[tuple[str, str]] = []  # noqa: RUF012


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """The map's element and script, the names of its layers in that script, the overlays a reader may switch."""

    html: str
    script: str
    map_name: str
    names: dict[str, str]
    overlays: list[dict[str, Any]]
    bounds: list[list[float]]


def leaflet_map(
    prescription: Prescription,
    frame: Frame,
    surfaces: tuple[Picture, ...],
    places: list[dict[str, Any]],
    shown: UnitFormat,
) -> Drawn:
    """
    Every layer of the page on one Leaflet map.

    Parameters
    ----------
    prescription : Prescription
    frame : Frame
    surfaces : tuple of Picture
    places : list of dict
        Of ``sample_places``.
    shown : UnitFormat

    Returns
    -------
    drawn : Drawn
        No text of a file stands in the markup: words are added by the page's script, as text.
    """
    bounds = [[frame.south, frame.west], [frame.north, frame.east]]
    center = ((frame.south + frame.north) / 2, (frame.west + frame.east) / 2)
    tiles = prescription.field.settings.export.tiles
    page_map = _OfflineMap(
        location=center, zoom_start=15, tiles=None, max_zoom=21, zoom_snap=0.25, zoom_delta=0.5,
        attribution_control=bool(tiles),
        fade_animation=False,
    )  # fmt: skip
    if tiles:
        folium.TileLayer(tiles=tiles, attr="Background from the address in the field file", max_zoom=21).add_to(
            page_map
        )
    elements: dict[str, Any] = {}
    for picture in surfaces:
        elements[picture.key] = folium.raster_layers.ImageOverlay(
            image=picture.url, bounds=bounds, show=False, pixelated=False, alt=picture.title
        )
    elements["zones"] = _geojson(_zones(prescription))
    elements["no_apply"] = _geojson(_no_apply(prescription))
    elements["boundary"] = _geojson([_boundary(prescription)])
    elements["samples"] = _geojson(_samples(prescription, places), marker=folium.CircleMarker(radius=4))
    elements["labels"] = _geojson(_labels(prescription, shown), marker=folium.CircleMarker(radius=0))
    elements |= {key: _geojson(features) for key, features in _on_demand(prescription).items() if features}
    for element in elements.values():
        element.add_to(page_map)
    return _rendered(page_map, elements, bounds)


def _geojson(features: list[dict[str, Any]], **options: Any) -> folium.GeoJson:
    return folium.GeoJson({"type": "FeatureCollection", "features": features}, smooth_factor=0.5, **options)


def _rendered(page_map: folium.Map, elements: dict[str, Any], bounds: list[list[float]]) -> Drawn:
    """Markup and script, with folium's random names replaced by counted ones."""
    page_map.render()  # type: ignore[no-untyped-call]  # folium's
    figure: Any = page_map.get_root()
    html, script = figure.html.render(), figure.script.render()
    names = {"map": page_map.get_name(), **{key: element.get_name() for key, element in elements.items()}}
    random_names = [names["map"], *(child.get_name() for child in _below(page_map))]
    for count, name in enumerate(random_names):
        kind = name.rsplit("_", 1)[0]
        html, script = html.replace(name, f"{kind}_{count}"), script.replace(name, f"{kind}_{count}")
        names = {key: f"{kind}_{count}" if value == name else value for key, value in names.items()}
    overlays = [
        {"key": "zones", "title": "zones", "on": True, "names": [names["labels"]]},
        {"key": "samples", "title": "samples", "on": True, "names": [names["samples"]]},
        {"key": "no_apply", "title": "no-apply", "on": True, "names": [names["no_apply"]]},
    ]
    overlays += [
        {"key": key, "title": title, "on": False, "names": [names[key]]}
        for key, title in _ON_DEMAND.items()
        if key in names
    ]
    script = "\n".join(line.strip() for line in script.splitlines() if line.strip())
    return Drawn(html=html.strip(), script=script, map_name=names["map"], names=names, overlays=overlays, bounds=bounds)


def _below(element: Any) -> list[Any]:
    """Elements under an element, depth first."""
    found = []
    for child in element._children.values():  # noqa: SLF001  # branca has no public way to walk its tree
        found += [child, *_below(child)]
    return found


def _zones(prescription: Prescription) -> list[dict[str, Any]]:
    colors, crs = rate_colors(prescription.rates), prescription.grid.crs
    return [
        feature(
            rate.outline, crs, {"zone": rate.zone, "color": colors[rate.zone], "style": {"color": _INK, "weight": 1.5}}
        )
        for rate in prescription.rates
    ]


def _no_apply(prescription: Prescription) -> list[dict[str, Any]]:
    field = prescription.field
    ground = shapely.intersection(field.no_apply, field.boundary)
    style = {"color": _INK, "weight": 1, "fillColor": "url(#hatch)", "fillOpacity": 1}
    return [
        feature(part, field.crs, {"style": style})
        for part in shapely.get_parts(ground)
        if part.geom_type == "Polygon" and part.area > 0
    ]


def _boundary(prescription: Prescription) -> dict[str, Any]:
    style = {"color": _INK, "weight": 2, "fill": False, "interactive": False}
    return feature(prescription.field.boundary, prescription.field.crs, {"style": style})


def _samples(prescription: Prescription, places: list[dict[str, Any]]) -> list[dict[str, Any]]:
    style = {"color": _PAPER, "weight": 1.5, "fill": True, "fillColor": _INK, "fillOpacity": 1}
    crs = prescription.field.crs
    points = [
        feature(shapely.Point(place["east_m"], place["north_m"]), crs, {"label": place["label"], "style": style})
        for place in places
    ]
    areas = prescription.field.samples.areas
    lines = {"color": _INK, "weight": 1, "dashArray": "4 4", "fill": False}
    return points + [feature(areas[name], crs, {"style": lines}) for name in sorted(areas)]


def _labels(prescription: Prescription, shown: UnitFormat) -> list[dict[str, Any]]:
    style = {"stroke": False, "fill": False, "interactive": False}
    return [
        feature(point, prescription.grid.crs, {"label": text, "style": style})
        for point, text in zone_labels(prescription, shown)
    ]


def _on_demand(prescription: Prescription) -> dict[str, list[dict[str, Any]]]:
    """What is shown only when asked for: outlines of check strips, passes of the simulated drive."""
    crs = prescription.grid.crs
    strip = {"color": _PAPER, "weight": 3, "dashArray": "6 5", "fill": False, "interactive": False}
    strips = [feature(rate.outline, crs, {"style": strip}) for rate in prescription.rates if rate.strip]
    driven = prescription.drive
    if driven is None:
        return {"strips": strips}
    from vrn.prescription.heading import passes_over

    treated = prescription.outline()
    passes = passes_over(treated, crs=crs, swath_m=driven.swath_ft * FT_M, heading_deg=driven.heading_deg)
    ends = passes.to_field(np.array(passes.along_m)[None, :], passes.across_m[:, None])
    lines = shapely.intersection(shapely.multilinestrings(shapely.linestrings(ends)), treated)
    track = {"color": _INK, "weight": 1, "opacity": 0.8, "interactive": False}
    driven_m = [line for line in shapely.get_parts(lines) if line.geom_type == "LineString" and line.length > 0]
    return {"strips": strips, "passes": [feature(shapely.multilinestrings(driven_m), crs, {"style": track})]}
