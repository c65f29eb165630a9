"""Vector files read again: GeoJSON by the json module alone, GeoPackage as a database, shapefile byte by byte."""

import itertools
import json
import re
import sqlite3
import struct
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.audit.model import Check, FileZones, Ground, Reading, UnreadableError, failed, passed
from vrn.units import LB_AC_KG_HA

_KEYS = {"zone", "rate_product", "rate_unit"}
_N, _AREA = ("rate_n_lb_ac", "rate_n_kg_ha"), ("acres", "area_ha")  # in trade units or metric ones


def read_geojson(path: Path) -> FileZones:
    """Zones of ``prescription.geojson`` (RFC 7946 §§ 3.1.6, 4, 5, 11.2); UnreadableError if it holds none."""
    with Reading(path, ValueError, KeyError, TypeError, IndexError, shapely.errors.GEOSException):
        text = path.read_text(encoding="utf-8")
        data = json.loads(text, parse_constant=_refuse_constant)
        features = data["features"]
        pairs = [(feature, part) for feature in features for part in _parts(feature["geometry"])]
        zone = np.array([feature["properties"]["zone"] for feature, _ in pairs], dtype=np.int64)
        rate = np.array([feature["properties"]["rate_product"] for feature, _ in pairs], dtype=float)
        metric = bool(features) and _N[1] in features[0]["properties"]
        rate_n = np.array([feature["properties"][_N[metric]] for feature, _ in pairs], dtype=float)
        unit = tuple(str(feature["properties"]["rate_unit"]) for feature, _ in pairs)
        polygons = np.array([shapely.Polygon(part[0], part[1:]) for _, part in pairs], dtype=object)
    checks = _member_faults(data, text, path.name)
    checks = checks or [passed("audit.geojson-members", path.name, features=len(features))]
    checks += _ring_faults([part for _, part in pairs], path.name) or [passed("audit.rings-turn-right", path.name)]
    return FileZones(
        zone=zone, rate=rate, unit=unit, polygons=polygons, crs="EPSG:4326", checks=tuple(checks),
        stated_n_lb_ac=rate_n / LB_AC_KG_HA if metric else rate_n,
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
    metric = _N[1] in data["features"][0]["properties"]
    if "crs" in data:
        faults.append(failed("audit.geojson-crs-member", name))
    for feature in data["features"]:
        odd = (set(feature["properties"]) - {"label"}) ^ {*_KEYS, _N[metric], _AREA[metric]}
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
    """Boundary, no-apply ground and zones of ``layers.gpkg``, opened read-only: no lock or journal is left beside it.

    UnreadableError if it is missing, no GeoPackage, or a layer is not there. OGC 12-128r18, GeoPackage Encoding
    Standard: ``gpkg_contents``, ``gpkg_geometry_columns``, § 2.1.3 (geometry blob).
    """
    with Reading(path, sqlite3.Error, struct.error, shapely.errors.GEOSException, TypeError, KeyError):
        base = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
        try:
            return _ground(base)
        finally:
            base.close()


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
    polygons = np.array([part for part, _ in rows], dtype=object)
    metric = bool(rows) and _N[1] in rows[0][1]
    zones = FileZones(
        zone=np.array([row["zone"] for _, row in rows], dtype=np.int64),
        rate=np.array([row[_N[metric]] for _, row in rows], dtype=float) / (LB_AC_KG_HA if metric else 1.0),
        unit=("lb N/ac",) * len(rows),
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


_WIDTHS = (("N", 10, 2), ("N", 4, 0), ("C", 10, 0))  # rate, zone, unit


def shapefile_stem(folder: Path) -> str:
    """Name of the shapefile in a folder: ``RXREST`` where only what is left of a field is in it."""
    return "RXREST" if (folder / "RXREST.SHP").is_file() and not (folder / "RX.SHP").exists() else "RX"


def read_shapefile(folder: Path) -> FileZones:
    """Zones of ``RX.SHP``, ``RX.SHX``, ``RX.DBF``, ``RX.PRJ``; UnreadableError if one is missing or cut short.

    ESRI Shapefile Technical Description, July 1998: big-endian lengths in 16-bit words, little-endian coordinates,
    shells clockwise. dBASE III table layout.
    """
    content = {}
    for ending in ("SHP", "SHX", "DBF", "PRJ"):
        path = folder / f"{shapefile_stem(folder)}.{ending}"
        with Reading(path):
            content[ending] = path.read_bytes()
    try:
        shapes, outline_faults = _shapes(content["SHP"])
        fields, rows = _table(content["DBF"])
        index_faults = _index_faults(content["SHX"], content["SHP"], len(shapes))
    except (struct.error, IndexError, ValueError) as error:
        problem = f"the shapefile is cut short or damaged ({error})"
        raise UnreadableError(problem) from error
    checks = [*outline_faults, *index_faults]
    if len(rows) != len(shapes):
        checks.append(failed("audit.shapefile-rows", "shapefile", shapes=len(shapes), rows=len(rows)))
    if not checks:
        checks.append(passed("audit.shapefile-records", "shapefile", shapes=len(shapes)))
    checks += [*_column_checks(fields), *_prj_faults(content["PRJ"].decode("latin-1"))]
    if len(fields) < 3:
        problem = f"the table has {len(fields)} columns, not rate, zone and unit"
        raise UnreadableError(problem)
    pairs = [(row, part) for row, parts in zip(rows, shapes, strict=False) for part in parts]
    try:
        rate = np.array([float(row[0]) for row, _ in pairs])
        zone = np.array([int(float(row[1])) for row, _ in pairs], dtype=np.int64)
    except ValueError as error:
        problem = f"a rate or a zone is no number ({error})"
        raise UnreadableError(problem) from error
    polygons = np.array([part for _, part in pairs], dtype=object)
    return FileZones(
        zone=zone, rate=rate, unit=tuple(row[2].strip() for row, _ in pairs), polygons=polygons, crs="EPSG:4326",
        checks=tuple(checks), columns=tuple(name for name, *_ in fields[:3]),
    )  # fmt: skip


def _shapes(data: bytes) -> tuple[list[list[shapely.Polygon]], list[Check]]:
    """Polygons of each record, and what is wrong with them."""
    faults = []
    (code,) = struct.unpack(">i", data[:4])
    (words,) = struct.unpack(">i", data[24:28])
    version, kind = struct.unpack("<ii", data[28:36])
    if (code, version, kind) != (9994, 1000, 5):
        problem = f"header {code}/{version}/{kind}, not a polygon shapefile"
        raise ValueError(problem)
    if words * 2 != len(data):
        faults.append(failed("audit.shapefile-length", "shapefile", stated=words * 2, found=len(data)))
    shapes: list[list[shapely.Polygon]] = []
    at = 100
    counter_clockwise = 0
    while at < len(data):
        number, length = struct.unpack(">ii", data[at : at + 8])
        if number != len(shapes) + 1:
            faults.append(failed("audit.shapefile-numbers", "shapefile", record=len(shapes) + 1, stated=str(number)))
        body = data[at + 8 : at + 8 + length * 2]
        polygons, wrong_turn = _polygons(body)
        counter_clockwise += wrong_turn
        shapes.append(polygons)
        at += 8 + length * 2
    if counter_clockwise:
        faults.append(failed("audit.shells-turn-wrong", "shapefile", shells=counter_clockwise))
    return shapes, faults


def _polygons(body: bytes) -> tuple[list[shapely.Polygon], int]:
    """Polygons of one record: clockwise rings are shells, the others holes; and how many records have no shell."""
    if struct.unpack("<i", body[:4])[0] == 0:
        return [], 0
    parts, points = struct.unpack("<ii", body[36:44])
    starts = [*struct.unpack(f"<{parts}i", body[44 : 44 + 4 * parts]), points]
    values = struct.unpack(f"<{2 * points}d", body[44 + 4 * parts : 44 + 4 * parts + 16 * points])
    corners = np.array(values).reshape(-1, 2)
    rings = [corners[a:b] for a, b in itertools.pairwise(starts)]
    shells = [ring for ring in rings if _turn(ring) < 0]
    holes = [ring for ring in rings if _turn(ring) >= 0]
    if not shells:
        return [shapely.Polygon(rings[0], rings[1:])], 1
    polygons = []
    for shell in shells:
        area = shapely.Polygon(shell)
        polygons.append(shapely.Polygon(shell, [hole for hole in holes if area.covers(shapely.Polygon(hole))]))
    return polygons, 0


def _turn(ring: np.ndarray) -> float:
    """Twice the signed area: negative when the ring turns clockwise."""
    x, y = ring[:, 0] - ring[0, 0], ring[:, 1] - ring[0, 1]
    return float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


def _table(data: bytes) -> tuple[list[tuple[str, str, int, int]], list[list[str]]]:
    """Fields (name, kind, width, decimals) and rows of text of a dBASE table."""
    count, header, length = struct.unpack("<IHH", data[4:12])
    fields = []
    at = 32
    while data[at] != 0x0D:
        name = data[at : at + 11].split(b"\0")[0].decode("ascii")
        fields.append((name, chr(data[at + 11]), data[at + 16], data[at + 17]))
        at += 32
    if len(data) < header + count * length:
        problem = f"the table should hold {count} rows of {length} bytes"
        raise ValueError(problem)
    rows = []
    for number in range(count):
        row = data[header + number * length : header + (number + 1) * length]
        if row[:1] == b"*":
            continue
        place, cells = 1, []
        for _, _, width, _ in fields:
            cells.append(row[place : place + width].decode("ascii"))
            place += width
        rows.append(cells)
    return fields, rows


def _index_faults(index: bytes, shapes: bytes, count: int) -> list[Check]:
    """Where the index does not point at the records."""
    entries = (len(index) - 100) // 8
    if entries != count:
        return [failed("audit.shapefile-index-count", "shapefile", entries=entries, shapes=count)]
    for number in range(entries):
        offset, length = struct.unpack(">ii", index[100 + 8 * number : 108 + 8 * number])
        found = struct.unpack(">ii", shapes[offset * 2 : offset * 2 + 8])
        if found != (number + 1, length):
            return [failed("audit.shapefile-index", "shapefile", entry=number + 1)]
    return []


def _column_checks(fields: list[tuple[str, str, int, int]]) -> list[Check]:
    """Whether the three columns, and the labels' after them, have the widths a controller expects."""
    shown = ", ".join(f"{name} {kind}({width},{decimals})" for name, kind, width, decimals in fields)
    sizes = tuple((kind, width, decimals) for _, kind, width, decimals in fields)
    if sizes == _WIDTHS or (sizes == (*_WIDTHS, ("C", 40, 0)) and fields[3][0] == "LABEL"):
        return [passed("audit.shapefile-columns", "shapefile", columns=shown)]
    wanted = ", ".join(f"{kind}({width},{decimals})" for kind, width, decimals in _WIDTHS)
    return [failed("audit.shapefile-widths", "shapefile", columns=shown, wanted=wanted)]


def _prj_faults(text: str) -> list[Check]:
    """Where the .prj does not say longitude and latitude on WGS 84."""
    squeezed = text.replace(" ", "").upper()
    if squeezed.startswith("PROJCS"):
        return [failed("audit.shapefile-projected", "shapefile")]
    if not (squeezed.startswith("GEOGCS") and "WGS_1984" in squeezed and '"GREENWICH",0' in squeezed):
        return [failed("audit.shapefile-no-wgs84", "shapefile")]
    return []
