"""GeoJSON read with the json module alone and held to RFC 7946; GeoPackage as the SQLite database it is."""

import json
import re
import sqlite3
import struct
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.audit.model import Check, FileZones, Ground, UnreadableError, failed, passed

_KEYS = {"zone", "rate_product", "rate_unit", "rate_n_lb_ac", "acres"}


def read_geojson(path: Path) -> FileZones:
    """
    Zones of ``prescription.geojson``.

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
    checks = _member_faults(data, text, path.name)
    checks = checks or [passed("audit.geojson-members", path.name, features=len(features))]
    checks += _ring_faults([part for _, part in pairs], path.name) or [passed("audit.rings-turn-right", path.name)]
    return FileZones(
        zone=zone, rate=rate, unit=unit, polygons=polygons, crs="EPSG:4326", checks=tuple(checks),
        stated_n_lb_ac=rate_n,
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


def _member_faults(data: dict[str, Any], text: str, name: str) -> list[Check]:
    """What the collection should not say, or says wrongly."""
    faults = []
    if "crs" in data:
        faults.append(failed("audit.geojson-crs-member", name))
    for feature in data["features"]:
        odd = (set(feature["properties"]) - {"label"}) ^ _KEYS
        if odd:
            zone = str(feature["properties"].get("zone"))
            faults.append(failed("audit.geojson-properties", name, zone=zone, names=", ".join(sorted(odd))))
            break
    places = [
        place for feature in data["features"] for part in _parts(feature["geometry"]) for ring in part for place in ring
    ]
    box = [*np.min(places, axis=0), *np.max(places, axis=0)]
    if not np.allclose(data.get("bbox", [0, 0, 0, 0]), box, atol=1e-6):
        faults.append(failed("audit.geojson-bbox", name))
    geometry = re.sub(r'"properties":\{[^}]*\}', "", text)
    if re.search(r"\d\.\d{8,}", geometry):
        faults.append(failed("audit.geojson-decimals", name))
    return faults


def _ring_faults(parts: list[list[list[list[float]]]], name: str) -> list[Check]:
    """Rings that are open or turn the wrong way."""
    still_open = sum(ring[0] != ring[-1] for part in parts for ring in part)
    wrong = sum(shapely.LinearRing(ring).is_ccw != (number == 0) for part in parts for number, ring in enumerate(part))
    found = (("audit.rings-open", still_open), ("audit.rings-turn-wrong", wrong))
    return [failed(code, name, rings=count) for code, count in found if count]


def read_geopackage(path: Path) -> Ground:
    """
    Boundary, no-apply ground and zones of ``layers.gpkg``.

    Parameters
    ----------
    path : Path
        Opened read-only, so that no lock or journal is left beside it.

    Raises
    ------
    UnreadableError
        If it is missing, no GeoPackage, or a layer is not there.

    References
    ----------
    OGC 12-128r18, GeoPackage Encoding Standard: ``gpkg_contents``, ``gpkg_geometry_columns``, § 2.1.3 (geometry blob).
    """
    if not path.is_file():
        problem = f"{path.name} is missing"
        raise UnreadableError(problem)
    try:
        base = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
        try:
            return _ground(base)
        finally:
            base.close()
    except (sqlite3.Error, struct.error, shapely.errors.GEOSException, TypeError, KeyError) as error:
        problem = f"it cannot be read ({type(error).__name__}: {error})"
        raise UnreadableError(problem) from error


def _ground(base: sqlite3.Connection) -> Ground:
    layers = {name for (name,) in base.execute("select table_name from gpkg_contents where data_type = 'features'")}
    missing = {"boundary", "zones", "samples"} - layers
    if missing:
        problem = f"layer {', '.join(sorted(missing))} is missing"
        raise UnreadableError(problem)
    query = "select organization_coordsys_id from gpkg_spatial_ref_sys join gpkg_geometry_columns using (srs_id)"
    code = {number for (number,) in base.execute(query)}
    if len(code) != 1:
        problem = f"its layers are in different systems ({sorted(code)})"
        raise UnreadableError(problem)
    crs = f"EPSG:{code.pop()}"
    boundary = shapely.union_all([shape for shape, _ in _rows(base, "boundary")])
    no_apply = shapely.union_all([shape for shape, _ in _rows(base, "no_apply")] if "no_apply" in layers else [])
    rows = [(part, row) for shape, row in _rows(base, "zones") for part in shapely.get_parts(shape)]
    polygons = np.empty(len(rows), dtype=object)
    polygons[:] = [part for part, _ in rows]
    zones = FileZones(
        zone=np.array([row["zone"] for _, row in rows], dtype=np.int64),
        rate=np.array([row["rate_n_lb_ac"] for _, row in rows], dtype=float), unit=("lb N/ac",) * len(rows),
        polygons=polygons, crs=crs,
    )  # fmt: skip
    return Ground(crs=crs, boundary=boundary, no_apply=no_apply, zones=zones)


def _rows(base: sqlite3.Connection, layer: str) -> list[tuple[shapely.Geometry, dict[str, Any]]]:
    """Geometry and columns of each row of a layer whose name is one of ours."""
    column = base.execute("select column_name from gpkg_geometry_columns where table_name = ?", (layer,)).fetchone()[0]
    cursor = base.execute(f'select * from "{layer}"')  # the name is one of four constants
    names = [described[0] for described in cursor.description]
    found = []
    for row in cursor:
        values = dict(zip(names, row, strict=True))
        found.append((_geometry(values.pop(column)), values))
    return found


def _geometry(blob: bytes) -> shapely.Geometry:
    """Geometry of a GeoPackage blob: magic, version, flags, system, envelope, then well-known binary."""
    magic, flags = blob[:2], blob[3]
    if magic != b"GP":
        problem = "a geometry does not start with GP"
        raise TypeError(problem)
    envelope = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}[flags >> 1 & 7]
    return shapely.from_wkb(blob[8 + envelope :])
