"""Sound inputs of an invented field, written by code: 800 m by 400 m of it near 42.1° N, 93.6° W."""

import copy
import json
from pathlib import Path
from typing import Any

WEST, SOUTH, EAST, NORTH = -93.605, 42.100, -93.595, 42.104
RING = [[WEST, SOUTH], [EAST, SOUTH], [EAST, NORTH], [WEST, NORTH], [WEST, SOUTH]]

KEYS: dict[str, Any] = {
    "field": {"name": "Wren Hollow", "season": 2026, "boundary": "boundary.geojson", "cell_m": 12.0},
    "crop": {"yield_goal_bu_ac": 210, "growth_stage": "V7"},
    "samples": {"file": "samples.csv", "reported_as": "NO3-N", "moisture_basis": "dry"},
    "layers": {"organic_matter": {"file": "organic_matter.csv", "column": "om_pct"}},
}


def polygon(ring: list[list[float]], *holes: list[list[float]], **properties: Any) -> dict[str, Any]:
    """A GeoJSON feature."""
    return {"type": "Feature", "properties": properties, "geometry": {"type": "Polygon", "coordinates": [ring, *holes]}}


def line(points: list[list[float]], **properties: Any) -> dict[str, Any]:
    """A GeoJSON line feature."""
    return {"type": "Feature", "properties": properties, "geometry": {"type": "LineString", "coordinates": points}}


def point(longitude: float, latitude: float, **properties: Any) -> dict[str, Any]:
    """A GeoJSON point feature."""
    place = {"type": "Point", "coordinates": [longitude, latitude]}
    return {"type": "Feature", "properties": properties, "geometry": place}


def collection(*features: dict[str, Any], **members: Any) -> dict[str, Any]:
    """A GeoJSON collection."""
    return {"type": "FeatureCollection", "features": list(features), **members}


def box(west: float, south: float, east: float, north: float) -> list[list[float]]:
    """Ring of a box, counter-clockwise."""
    return [[west, south], [east, south], [east, north], [west, north], [west, south]]


def places() -> list[tuple[float, float]]:
    """Twelve places in the field, longitude before latitude."""
    return [
        (round(WEST + 0.001 + 0.0026 * i, 6), round(SOUTH + 0.0007 + 0.0012 * j, 6)) for j in range(3) for i in range(4)
    ]


READINGS = [12.4, 14.1, 9.8, 16.0, 11.2, 13.7, 18.5, 10.1, 15.3, 12.9, 8.7, 14.6]


def samples_csv(*, header: str | None = None, edit: dict[int, str] | None = None) -> str:
    """Twelve readings of 0–12 in; ``edit`` replaces whole rows by their row in the file."""
    lines = [header or "sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm,sampled_on"]
    for i, ((longitude, latitude), ppm) in enumerate(zip(places(), READINGS, strict=True), 1):
        lines.append(f"S{i},{longitude},{latitude},0,12,{ppm},2026-06-12")
    for row, text in (edit or {}).items():
        lines[row - 1] = text
    return "\n".join(lines) + "\n"


def organic_matter_csv() -> str:
    """Organic matter at the twelve places."""
    rows = [f"{lon},{lat},{2.0 + 0.1 * i:.1f}" for i, (lon, lat) in enumerate(places())]
    return "longitude,latitude,om_pct\n" + "\n".join(rows) + "\n"


def toml_text(keys: dict[str, Any], path: str = "") -> str:
    """Nested dicts as TOML; values are written as JSON writes them, dates and raw text as ``Raw``."""
    lines, tables = [], []
    for key, value in keys.items():
        here = f"{path}.{key}" if path else key
        if isinstance(value, dict):
            tables.append(f"\n[{here}]\n{toml_text(value, here)}")
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            tables += [f"\n[[{here}]]\n{toml_text(item, here)}" for item in value]
        else:
            lines.append(f"{key} = {value if isinstance(value, Raw) else json.dumps(value, ensure_ascii=False)}")
    return "\n".join(lines) + "\n" + "".join(tables)


class Raw(str):
    """A TOML value written as it stands, such as a date."""

    __slots__ = ()


def changed(changes: dict[str, Any]) -> dict[str, Any]:
    """The sound keys with some changed; ``a__b`` is ``[a] b`` and None removes."""
    keys = copy.deepcopy(KEYS)
    for path, value in changes.items():
        *tables, key = path.split("__")
        at = keys
        for table in tables:
            at = at.setdefault(table, {})
        if value is None:
            at.pop(key, None)
        else:
            at[key] = value
    return keys


def write_toml(folder: Path, changes: dict[str, Any]) -> Path:
    """The field file with some keys changed."""
    path = folder / "field.toml"
    path.write_text(toml_text(changed(changes)), encoding="utf-8")
    return path


def write_field(folder: Path) -> Path:
    """The whole sound folder."""
    folder.mkdir(parents=True)
    (folder / "boundary.geojson").write_text(json.dumps(collection(polygon(RING))), encoding="utf-8")
    (folder / "samples.csv").write_text(samples_csv(), encoding="utf-8")
    (folder / "organic_matter.csv").write_text(organic_matter_csv(), encoding="utf-8")
    write_toml(folder, {})
    return folder


def found(field: Any, code: str) -> list[dict[str, Any]]:
    """Level, about and plain values of every finding of a field with a code; one without a room is ingest's."""
    return [
        {"level": finding.level, "about": finding.about}
        | {name: quantity.value for name, quantity in finding.quantities.items()}
        for finding in field.findings
        if finding.code == (code if "." in code else f"ingest.{code}")
    ]


def one(field: Any, code: str) -> dict[str, Any]:
    """The same where there is exactly one."""
    (finding,) = found(field, code)
    return finding


def asked(field: Any) -> list[str]:
    """Codes of what a person must decide."""
    return [finding.code for finding in field.findings if finding.level == "warning"]
