"""A sampling plan on disk: GPX, GeoJSON, the form to fill in, its sheet; a form once filled in is never lost."""

import hashlib
import json
import math
import shutil
import xml.etree.ElementTree as ET
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from vrn.errors import OutputError
from vrn.files.lonlat import lonlat_parts, rings
from vrn.files.names import one_line
from vrn.files.plan_form import depth_texts, form_text, lonlat_of
from vrn.files.plan_words import caution_texts, next_text, place_note, second_foot_text
from vrn.model.area import geodesic_acres
from vrn.sampling.plan import Plan
from vrn.words import UnitFormat, findings_json, say

FORM = "samples_form.csv"
_PLAN = "plan.json"
_GPX = "http://www.topografix.com/GPX/1/1"


def write_plan(plan: Plan, folder: str | Path, *, sheet: bytes) -> tuple[Path, ...]:
    """
    Write a plan into a folder, over an earlier plan but never over anything a person wrote.

    Parameters
    ----------
    folder : path
        Made when it is not there.
    sheet : bytes
        The field sheet, as PDF.

    Raises
    ------
    OutputError
        If a file in the way was changed since it was written, or the folder cannot be written; nothing is changed then.
    """
    target = Path(folder)
    files = {
        "plan.gpx": gpx_text(plan).encode(),
        "plan.geojson": _json(geojson_of(plan)),
        FORM: form_text(plan).encode(),
        "field_sheet.pdf": sheet,
    }
    if plan.areas:
        files["areas.geojson"] = _json(areas_of(plan))
    hashes = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    files[_PLAN] = _json({**plan_to_plain(plan), "files": hashes})
    try:
        earlier = _earlier(target)
        _refuse_changed(target, files, earlier)
        return _swapped_in(target, files, earlier)
    except OSError as error:
        problem = f"{target} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Check the path, its permissions and the space left.") from None


def _earlier(target: Path) -> dict[str, str]:
    """Files that an earlier plan wrote there, by name and hash."""
    try:
        listed = json.loads((target / _PLAN).read_text(encoding="utf-8"))["files"]
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    return {str(name): str(digest) for name, digest in listed.items()} if isinstance(listed, dict) else {}


def _refuse_changed(target: Path, files: dict[str, bytes], earlier: dict[str, str]) -> None:
    """Refuse to write over a file that is not as an earlier plan wrote it."""
    if target.exists() and not target.is_dir():
        problem = f"{target} is a file."
        raise OutputError(problem, "Give the name of a folder with --out.")
    for name in (*files, "areas.geojson"):
        path = target / name
        if not path.exists() or (name == _PLAN and earlier):
            continue
        if hashlib.sha256(path.read_bytes()).hexdigest() != earlier.get(name):
            what = "has been filled in" if name == FORM and earlier else "is not as vrn plan wrote it"
            problem = f"{path} {what} and is not written over."
            raise OutputError(problem, "Save it under another name, as samples.csv, or give another folder with --out.")


def _swapped_in(target: Path, files: dict[str, bytes], earlier: dict[str, str]) -> tuple[Path, ...]:
    """Write everything beside the folder first, then move it in, the list of files last."""
    staged = target.parent / f".{target.name}.vrn-new"
    target.mkdir(parents=True, exist_ok=True)
    shutil.rmtree(staged, ignore_errors=True)
    staged.mkdir()
    try:
        for name, data in files.items():
            (staged / name).write_bytes(data)
        for name in files:
            (staged / name).replace(target / name)
        for name in set(earlier) & {"areas.geojson"} - set(files):
            (target / name).unlink(missing_ok=True)
    finally:
        shutil.rmtree(staged, ignore_errors=True)
    return tuple(target / name for name in files)


def gpx_text(plan: Plan) -> str:
    """
    The plan as GPX 1.1: places as waypoints and as one route in walking order, the boundary as tracks.

    References
    ----------
    GPX 1.1 schema: waypoints before routes before tracks, latitude and longitude on WGS 84.
    """
    shown = _units(plan)
    root = ET.Element("gpx", xmlns=_GPX, version="1.1", creator="vrn")
    ET.SubElement(ET.SubElement(root, "metadata"), "name").text = one_line(say(shown, "plan.of", name=plan.field.name))
    lonlat = lonlat_of(plan)
    for place, at in zip(plan.places, lonlat, strict=True):
        point = _point(root, "wpt", at, place.name)
        said = [place_note(place, shown), say(shown, "plan.both-depths") if place.second_foot else ""]
        ET.SubElement(point, "desc").text = "; ".join(filter(None, said)) or depth_texts(plan)[0]
    if plan.places:
        route = ET.SubElement(root, "rte")
        ET.SubElement(route, "name").text = say(shown, "plan.walk-route")
        for place, at in zip(plan.places, lonlat, strict=True):
            _point(route, "rtept", at, place.name)
    for number, part in enumerate(lonlat_parts(plan.field.boundary, plan.field.crs), start=1):
        for hole, ring in enumerate(rings(part, clockwise_shell=False)):
            track = ET.SubElement(root, "trk")
            name = "plan.boundary-hole" if hole else "plan.boundary"
            ET.SubElement(track, "name").text = say(shown, name, number=number, hole=hole)
            segment = ET.SubElement(track, "trkseg")
            for longitude, latitude in ring:
                ET.SubElement(segment, "trkpt", lat=f"{latitude:.7f}", lon=f"{longitude:.7f}")
    ET.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


def _point(parent: ET.Element, tag: str, at: Any, name: str) -> ET.Element:
    point = ET.SubElement(parent, tag, lat=f"{at[1]:.7f}", lon=f"{at[0]:.7f}")
    ET.SubElement(point, "name").text = one_line(name, most=80)
    return point


def geojson_of(plan: Plan) -> dict[str, Any]:
    """The plan as GeoJSON (RFC 7946): its places in walking order with what each is there for."""
    shown = _units(plan)
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [float(at[0]), float(at[1])]},
            "properties": {
                "name": place.name, "order": order, "second_foot": place.second_foot, "area_id": place.area_id or None,
                "note": place_note(place, shown),
            },
        }
        for order, (place, at) in enumerate(zip(plan.places, lonlat_of(plan), strict=True), start=1)
    ]  # fmt: skip
    return {"type": "FeatureCollection", "features": features}


def areas_of(plan: Plan) -> dict[str, Any]:
    """Areas of composites as GeoJSON, ready for ``[samples.areas]``: ``area_id`` and ``acres``."""
    features = [
        {
            "type": "Feature",
            "geometry": {
                "type": "MultiPolygon",
                "coordinates": [rings(part, clockwise_shell=False) for part in lonlat_parts(area, plan.field.crs)],
            },
            "properties": {"area_id": name, "acres": round(geodesic_acres(area, plan.field.crs), 2)},
        }
        for name, area in plan.areas.items()
    ]
    return {"type": "FeatureCollection", "features": features}


def plan_to_plain(plan: Plan) -> dict[str, Any]:
    """The plan as plain values, for a machine; NaN is written as None."""
    shown = _units(plan)
    plain: dict[str, Any] = {
        "field": plan.field.name,
        "season": plan.settings.header.season,
        "design": plan.design,
        "samples": plan.samples,
        "deep_samples": plan.deep_samples,
        "cores": plan.cores,
        "walk_m": round(plan.walk_m, 1),
        "size": asdict(plan.size),
        "curve": [asdict(step) for step in plan.curve],
        "second_foot": second_foot_text(plan, shown),
        "balance": plan.balance,
        "places": [
            {"name": place.name, "longitude": float(at[0]), "latitude": float(at[1]), "second_foot": place.second_foot,
             "area_id": place.area_id or None, "note": place_note(place, shown)}
            for place, at in zip(plan.places, lonlat_of(plan), strict=True)
        ],
        "areas": {name: round(geodesic_acres(area, plan.field.crs), 2) for name, area in plan.areas.items()},
        "cautions": list(caution_texts(plan, shown)),
        "findings": findings_json(shown, plan.findings),
    }  # fmt: skip
    if plan.next is not None:
        plain["next"] = asdict(plan.next) | {"enough": plan.next.enough, "why": next_text(plan.next, shown)}
    elif plan.areas:
        plain["most_ac"] = plan.most_ac
    else:
        plain |= {"layers": list(plan.layers), "pairs": plan.pairs}
    return {key: _finite(value) for key, value in plain.items()}


def _units(plan: Plan) -> UnitFormat:
    return UnitFormat.of(plan.settings.units)


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    return None if isinstance(value, (float, np.floating)) and not math.isfinite(value) else value


def _json(value: Any) -> bytes:
    return (json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()
