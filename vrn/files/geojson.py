"""The prescription as GeoJSON (RFC 7946): a feature for each zone, no feature where nothing is applied by rule."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.files.lonlat import DrawnZone, drawn_zones, rings
from vrn.files.names import status
from vrn.prescription.model import Prescription


def write_geojson(prescription: Prescription, folder: Path) -> None:
    """
    Write ``prescription.geojson``.

    Parameters
    ----------
    prescription : Prescription
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
