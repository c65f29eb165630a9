"""GeoJSON read with the json module alone, and held to RFC 7946."""

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.audit.model import FileZones, UnreadableError

_KEYS = {"zone", "rate_product", "rate_unit", "rate_n_lb_ac", "acres"}


def read_geojson(path: Path) -> FileZones:
    """
    Zones of ``prescription.geojson``.

    Parameters
    ----------
    path : Path

    Returns
    -------
    zones : FileZones
        ``extra["rate_n_lb_ac"]`` holds the nitrogen rate of each row.

    Raises
    ------
    UnreadableError
        If it is missing, no JSON, or no collection of polygons with a zone and a rate.

    References
    ----------
    RFC 7946 §§ 3.1.6, 4, 5, 11.2.
    """
    if not path.is_file():
        problem = f"{path.name} is missing"
        raise UnreadableError(problem)
    text = path.read_text(encoding="utf-8")
    try:
        data = json.loads(text, parse_constant=_refuse_constant)
        features = data["features"]
        pairs = [(feature, part) for feature in features for part in _parts(feature["geometry"])]
        zone = np.array([feature["properties"]["zone"] for feature, _ in pairs], dtype=np.int64)
        rate = np.array([feature["properties"]["rate_product"] for feature, _ in pairs], dtype=float)
        rate_n = np.array([feature["properties"]["rate_n_lb_ac"] for feature, _ in pairs], dtype=float)
        unit = tuple(str(feature["properties"]["rate_unit"]) for feature, _ in pairs)
        polygons = np.empty(len(pairs), dtype=object)
        polygons[:] = [shapely.Polygon(part[0], part[1:]) for _, part in pairs]
    except (ValueError, KeyError, TypeError, IndexError, shapely.errors.GEOSException) as error:
        problem = f"it cannot be read ({type(error).__name__}: {error})"
        raise UnreadableError(problem) from error
    faults = [*_member_faults(data, text), *_ring_faults([part for _, part in pairs])]
    return FileZones(
        source=path.name, zone=zone, rate=rate, unit=unit, polygons=polygons, crs="EPSG:4326", faults=tuple(faults),
        notes=(("GeoJSON members", f"{len(features)} features, no crs member, bbox in place"),
               ("GeoJSON orientation", "shells counter-clockwise, holes clockwise")),
        extra={"rate_n_lb_ac": rate_n},
    )  # fmt: skip


def _refuse_constant(word: str) -> float:
    problem = f"{word} is no JSON number"
    raise ValueError(problem)


def _parts(geometry: dict[str, Any]) -> list[list[list[list[float]]]]:
    """Polygons of a geometry as lists of rings."""
    kinds = {"Polygon": [geometry["coordinates"]], "MultiPolygon": geometry["coordinates"]}
    if geometry["type"] not in kinds:
        problem = f"a {geometry['type']} is no polygon"
        raise ValueError(problem)
    parts: list[list[list[list[float]]]] = kinds[geometry["type"]]
    return parts


def _member_faults(data: dict[str, Any], text: str) -> list[tuple[str, str]]:
    """What the collection should not say, or says wrongly."""
    faults = []
    if "crs" in data:
        faults.append(("GeoJSON members", "it has a crs member (RFC 7946 allows none)"))
    for feature in data["features"]:
        keys = set(feature["properties"]) - {"label"}
        if keys != _KEYS:
            odd = ", ".join(sorted(keys ^ _KEYS))
            faults.append(
                ("GeoJSON members", f"the properties of zone {feature['properties'].get('zone')} differ: {odd}")
            )
            break
    places = [
        place for feature in data["features"] for part in _parts(feature["geometry"]) for ring in part for place in ring
    ]
    box = [*np.min(places, axis=0), *np.max(places, axis=0)]
    if not np.allclose(data.get("bbox", [0, 0, 0, 0]), box, atol=1e-6):
        faults.append(("GeoJSON members", "its bbox is not that of its polygons"))
    geometry = re.sub(r'"properties":\{[^}]*\}', "", text)
    if re.search(r"\d\.\d{8,}", geometry):
        faults.append(("GeoJSON members", "coordinates have more than seven decimals"))
    return faults


def _ring_faults(parts: list[list[list[list[float]]]]) -> list[tuple[str, str]]:
    """Rings that are open or turn the wrong way."""
    faults = []
    open_rings = sum(ring[0] != ring[-1] for part in parts for ring in part)
    if open_rings:
        faults.append(("GeoJSON orientation", f"{open_rings} rings are not closed"))
    wrong = sum(shapely.LinearRing(ring).is_ccw != (number == 0) for part in parts for number, ring in enumerate(part))
    if wrong:
        faults.append(("GeoJSON orientation", f"{wrong} rings turn the wrong way"))
    return faults
