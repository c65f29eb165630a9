"""The prescription as GeoJSON (RFC 7946): a feature for each zone, none on no-apply ground; the field as GPX 1.1."""

import json
import math
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import shapely

from vrn.files.lonlat import WGS84, DrawnZone, drawn_zones, lonlat_parts, rings
from vrn.files.names import one_line, status
from vrn.model.field import Field
from vrn.model.grid import reproject
from vrn.model.metric_keys import column
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat, say


def write_geojson(prescription: Prescription, folder: Path) -> None:
    """Write ``prescription.geojson``: WGS 84, shells counter-clockwise, at most seven decimals (RFC 7946)."""
    zones, shown = drawn_zones(prescription), UnitFormat.of(prescription.field.settings.units)
    collection = {
        "type": "FeatureCollection",
        "bbox": _bbox([part for zone in zones for part in zone.parts]),
        "field": prescription.field.name,
        "season": prescription.field.settings.header.season,
        "status": status(prescription),
        "product": prescription.product.name,
        "rate_basis": prescription.rate_basis,
        "features": [_feature(zone, prescription.rate_unit, shown) for zone in zones],
    }
    text = json.dumps(collection, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    text = text.replace('{"type":"Feature",', '\n{"type":"Feature",')  # a line for each zone
    (folder / "prescription.geojson").write_text(text + "\n", encoding="utf-8", newline="\n")


def _feature(zone: DrawnZone, rate_unit: str, shown: UnitFormat) -> dict[str, object]:
    """One zone; a single part is a Polygon, several are a MultiPolygon."""
    polygons = [rings(part, clockwise_shell=False) for part in zone.parts]
    single = len(polygons) == 1
    numbers = ((column("rate_n_lb_ac", metric=shown.metric), zone.rate.rate_n_lb_ac),
               (column("acres", metric=shown.metric), zone.rate.acres))  # fmt: skip
    return {
        "type": "Feature",
        "id": zone.rate.zone,
        "bbox": _bbox(list(zone.parts)),
        "properties": {
            "zone": zone.rate.zone,
            "rate_product": round(zone.rate.rate_product * shown.factor(rate_unit), 6),
            "rate_unit": shown.unit(rate_unit),
            **{name: round(value * factor, 6) for (name, factor), value in numbers},
        }
        | ({"label": zone.rate.label} if zone.rate.label else {}),
        "geometry": {
            "type": "Polygon" if single else "MultiPolygon",
            "coordinates": polygons[0] if single else polygons,
        },
    }


def _bbox(parts: list[shapely.Polygon]) -> list[float]:
    """West, south, east, north."""
    return [float(value) for value in np.round(shapely.total_bounds(parts), 7)]


def write_gpx(prescription: Prescription, folder: Path) -> None:
    """Write ``field.gpx``: samples as waypoints, then the boundary's rings as tracks."""
    field = prescription.field
    samples, units = field.samples.placed(), UnitFormat.of(field.settings.units)
    places = reproject(shapely.MultiPoint(samples.coordinates_m), samples.crs, WGS84)
    points = []
    for row, (longitude, latitude) in enumerate(shapely.get_coordinates(places)):
        reading, kind = samples.nitrate_ppm[row], samples.kind[row]
        shown = f"{reading:g} ppm NO3-N" if math.isfinite(reading) else "not read"
        top, bottom = (units.number("depth", edge[row]) for edge in (samples.top_in, samples.bottom_in))
        about = f"{top}-{bottom} {units.unit('depth')}: {shown}"
        about += "" if kind == "field" else f" ({kind})"
        points.append((longitude, latitude, samples.sample_id[row], about))
    (folder / "field.gpx").write_text(gpx_text(field, points, field.name), encoding="utf-8", newline="\n")


def gpx_text(field: Field, points: Sequence[tuple[float, float, str, str]], title: str, route: str = "") -> str:
    """
    GPX 1.1 on WGS 84: points (longitude, latitude, name, text) as waypoints, as a named route, the boundary as tracks.

    The schema wants waypoints before routes before tracks, latitude before longitude.
    """
    units = UnitFormat.of(field.settings.units)
    root = ET.Element("gpx", xmlns="http://www.topografix.com/GPX/1/1", version="1.1", creator="vrn")
    ET.SubElement(ET.SubElement(root, "metadata"), "name").text = one_line(title)

    def point(parent: ET.Element, tag: str, longitude: float, latitude: float, name: str = "") -> ET.Element:
        made = ET.SubElement(parent, tag, lat=f"{latitude:.7f}", lon=f"{longitude:.7f}")
        if name:
            ET.SubElement(made, "name").text = one_line(name, most=80)
        return made

    for longitude, latitude, name, text in points:
        ET.SubElement(point(root, "wpt", longitude, latitude, name), "desc").text = text
    if route and points:
        walk = ET.SubElement(root, "rte")
        ET.SubElement(walk, "name").text = route
        for longitude, latitude, name, _ in points:
            point(walk, "rtept", longitude, latitude, name)
    for number, part in enumerate(lonlat_parts(field.boundary, field.crs), start=1):
        for hole, ring in enumerate(rings(part, clockwise_shell=False)):
            track = ET.SubElement(root, "trk")
            code = "plan.boundary-hole" if hole else "plan.boundary"
            ET.SubElement(track, "name").text = say(units, code, number=number, hole=hole)
            segment = ET.SubElement(track, "trkseg")
            for longitude, latitude in ring:
                point(segment, "trkpt", longitude, latitude)
    ET.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"
