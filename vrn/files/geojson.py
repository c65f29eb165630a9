"""The prescription as GeoJSON (RFC 7946): a feature for each zone, none on no-apply ground; the field as GPX 1.1."""

import json
import math
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.files.lonlat import WGS84, DrawnZone, drawn_zones, lonlat_parts, rings
from vrn.files.names import one_line, status
from vrn.model.area import reproject
from vrn.prescription.model import Prescription


def write_geojson(prescription: Prescription, folder: Path) -> None:
    """
    Write ``prescription.geojson``.

    Parameters
    ----------
    folder : Path
        Existing folder to write into.

    References
    ----------
    RFC 7946: longitude before latitude on WGS 84, shells counter-clockwise, at most seven decimals.
    """
    zones = drawn_zones(prescription)
    collection = {
        "type": "FeatureCollection",
        "bbox": _bbox([part for zone in zones for part in zone.parts]),
        "field": prescription.field.name,
        "season": prescription.field.settings.header.season,
        "status": status(prescription),
        "product": prescription.product.name,
        "rate_basis": prescription.rate_basis,
        "features": [_feature(zone, prescription.rate_unit) for zone in zones],
    }
    text = json.dumps(collection, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    text = text.replace('{"type":"Feature",', '\n{"type":"Feature",')  # a line for each zone
    (folder / "prescription.geojson").write_text(text + "\n", encoding="utf-8", newline="\n")


def _feature(zone: DrawnZone, rate_unit: str) -> dict[str, Any]:
    """One zone; a single part is a Polygon, several are a MultiPolygon."""
    polygons = [rings(part, clockwise_shell=False) for part in zone.parts]
    single = len(polygons) == 1
    return {
        "type": "Feature",
        "id": zone.rate.zone,
        "bbox": _bbox(list(zone.parts)),
        "properties": {
            "zone": zone.rate.zone,
            "rate_product": round(zone.rate.rate_product, 6),
            "rate_unit": rate_unit,
            "rate_n_lb_ac": round(zone.rate.rate_n_lb_ac, 6),
            "acres": round(zone.rate.acres, 6),
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
    """
    Write ``field.gpx``: samples as waypoints, the boundary's rings as tracks.

    Parameters
    ----------
    folder : Path
        Existing folder to write into.

    References
    ----------
    GPX 1.1 schema: waypoints before tracks, latitude and longitude on WGS 84.
    """
    field = prescription.field
    root = ET.Element("gpx", xmlns="http://www.topografix.com/GPX/1/1", version="1.1", creator="vrn")
    ET.SubElement(ET.SubElement(root, "metadata"), "name").text = one_line(field.name)
    samples = field.samples.placed()
    places = reproject(shapely.MultiPoint(samples.coordinates_m), samples.crs, WGS84)
    for row, (longitude, latitude) in enumerate(shapely.get_coordinates(places)):
        point = ET.SubElement(root, "wpt", lat=f"{latitude:.7f}", lon=f"{longitude:.7f}")
        ET.SubElement(point, "name").text = one_line(samples.sample_id[row], most=80)
        reading = samples.nitrate_ppm[row]
        shown = f"{reading:g} ppm NO3-N" if math.isfinite(reading) else "not read"
        depth = f"{samples.top_in[row]:g}-{samples.bottom_in[row]:g} in"
        ET.SubElement(point, "desc").text = f"{depth}: {shown}" + (
            "" if samples.kind[row] == "field" else f" ({samples.kind[row]})"
        )
    for number, part in enumerate(lonlat_parts(field.boundary, field.crs), start=1):
        for turn, ring in enumerate(rings(part, clockwise_shell=False)):
            track = ET.SubElement(root, "trk")
            ET.SubElement(track, "name").text = f"Boundary {number}" if turn == 0 else f"Boundary {number} hole {turn}"
            segment = ET.SubElement(track, "trkseg")
            for longitude, latitude in np.asarray(ring):
                ET.SubElement(segment, "trkpt", lat=f"{latitude:.7f}", lon=f"{longitude:.7f}")
    ET.indent(root, " ")
    text = '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"
    (folder / "field.gpx").write_text(text, encoding="utf-8", newline="\n")
