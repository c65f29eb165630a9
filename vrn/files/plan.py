"""A sampling plan on disk: GPX, GeoJSON, its sheet, and the form to fill in; a form once filled in is never lost."""

import csv
import hashlib
import io
import json
import math
import shutil
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import OutputError
from vrn.files.lonlat import DECIMALS, WGS84, lonlat_parts, rings
from vrn.files.names import cell_text
from vrn.files.plan_words import caution_texts, depth_texts, depths_of, next_text, place_note, second_foot_text
from vrn.files.vectors import gpx_text
from vrn.model.grid import geodesic_acres, reproject
from vrn.sampling.form import form_rows
from vrn.sampling.plan import Plan
from vrn.words import UnitFormat, findings_json, say

FORM = "samples_form.csv"
_PLAN = "plan.json"


def write_plan(plan: Plan, folder: str | Path, *, sheet: bytes, page: str) -> tuple[Path, ...]:
    """Write a plan, its field sheet (PDF) and its page into a folder, over an earlier plan, never over a person's work.

    OutputError if a file in the way was changed since it was written, or the folder cannot be written; nothing is
    changed then.
    """
    target = Path(folder)
    files = {
        "plan.gpx": _gpx(plan).encode(),
        "plan.geojson": _json(_geojson(plan)),
        FORM: form_text(plan).encode(),
        "field_sheet.pdf": sheet,
        "field.html": page.encode(),
    }
    if plan.areas:
        files["areas.geojson"] = _json(_areas(plan))
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


def _gpx(plan: Plan) -> str:
    """Places as waypoints, then as one route in walking order, then the boundary as tracks."""
    shown = _units(plan)
    points = []
    for place, (longitude, latitude) in zip(plan.places, lonlat_of(plan), strict=True):
        said = [place_note(place, shown), say(shown, "plan.both-depths") if place.second_foot else ""]
        points.append((longitude, latitude, place.name, "; ".join(filter(None, said)) or depth_texts(plan)[0]))
    return gpx_text(plan.field, points, say(shown, "plan.of", name=plan.field.name), say(shown, "plan.walk-route"))


def _geojson(plan: Plan) -> dict[str, object]:
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


def _areas(plan: Plan) -> dict[str, object]:
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


def plan_to_plain(plan: Plan) -> dict[str, object]:
    """The plan as plain values, for a machine; NaN is written as None."""
    shown = _units(plan)
    plain: dict[str, object] = {
        "field": plan.field.name,
        "season": plan.settings.header.season,
        "design": plan.design,
        "samples": plan.samples,
        "deep_samples": plan.deep_samples,
        "cores": plan.cores,
        "core_error_pct": plan.pattern.error_pct,
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


def lonlat_of(plan: Plan) -> NDArray[np.float64]:
    """Places in longitude and latitude, shape (n, 2), rounded as every file writes them. [°]"""
    if not plan.places:
        return np.empty((0, 2))
    points = reproject(shapely.MultiPoint(plan.coordinates_m()), plan.field.crs, WGS84)
    return np.asarray(np.round(shapely.get_coordinates(points), DECIMALS))


def form_text(plan: Plan) -> str:
    """The form as CSV, as ``[samples] file`` reads it once it is filled in; rows left empty are passed over."""
    depths, unit = depths_of(plan)
    where = ["area_id"] if plan.areas else ["longitude", "latitude"]
    columns = plan.settings.samples.columns
    as_text = "depth" in {*columns, *columns.values()}
    ends = ["depth"] if as_text else [f"top_{unit}", f"bottom_{unit}"]
    header = ["sample_id", *where, *ends, "nitrate_ppm", "kind", "sampled_on", "nominal_ppm", "cores", "instrument",
              "read_at", "stored"]  # fmt: skip
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_as_the_field_file_says(header, columns))
    lonlat = lonlat_of(plan)
    for row in form_rows(plan):
        here: list[object] = [row.area_id]
        if not plan.areas:
            here = ["", ""] if row.place < 0 else [f"{degrees:.7f}" for degrees in lonlat[row.place]]
        slices: list[object] = [""] * len(ends)
        if row.depth >= 0:
            top, bottom = depths[row.depth]
            # the unit keeps a spreadsheet from making a date of it
            slices = [f"{top}-{bottom} {unit}"] if as_text else [top, bottom]
        cores = plan.cores if row.kind in ("field", "duplicate") else ""
        writer.writerow([cell_text(row.name), *here, *slices, "", row.kind, "", "", cores, "", "", ""])
    return out.getvalue()


def _as_the_field_file_says(header: list[str], columns: dict[str, str]) -> list[str]:
    """Column names by the user's own mapping, which may stand either way round."""
    own = {left: right for left, right in columns.items() if left in header}
    own |= {right: left for left, right in columns.items() if right in header and left not in header}
    return [own.get(name, name) for name in header]
