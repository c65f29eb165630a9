"""Readings and layers: files dropped, what their columns were taken for, findings by row, readings typed outdoors."""

import csv
import io
import json
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely
from anyio import to_thread
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from vrn.desk.edit import append_line, digest_of, has_rows, keep_in, lines_of_phones, write_whole
from vrn.desk.fields import FieldLook, looked
from vrn.desk.form import Entry, form_of
from vrn.desk.session import TRADE, Place, desk_of, page, place_of, seen
from vrn.errors import InputFileError, VrnError
from vrn.findings import Finding
from vrn.ingest.field_file import load_toml
from vrn.ingest.input_files import InputFiles
from vrn.ingest.look import Look, look_at, points_of
from vrn.ingest.table import LONLAT
from vrn.model.field import Field
from vrn.model.grid import reproject
from vrn.pages.field_maps import paths_of
from vrn.words import FindingText, UnitFormat, finding_texts, say

_FIRST: Final = 12  # rows that are shown at once
_MOST: Final = 400  # rows that are shown at all
_JOURNAL: Final = "readings_by_hand.jsonl"
_BY_HAND: Final = "samples_by_hand.csv"
_MOST_KEPT: Final = 4_000_000  # bytes of one page's readings
_LAYERS: Final = {"organic_matter": "layers.organic_matter", "yield_potential": "layers.yield_potential",
                  "applied_n": "layers.applied_n", "weather": "weather"}  # fmt: skip
_ROLES: Final = {"yield_log": "yield_potential"}
_CONFIRM: Final = ("samples.reported_as", "samples.moisture_basis", "samples.water_pct", "samples.depth",
                   "samples.columns")  # fmt: skip
_ROW: Final = re.compile(r"^(?P<file>.+) (?:row|feature|placemark) (?P<row>\d+)$")


@dataclass(frozen=True, kw_only=True)
class ReadingsTable:
    """The samples file as a person confirms it: what each column was taken for, rows, and findings beside them."""

    file: str = ""  # empty where there is none yet, or only its heads
    columns: tuple[tuple[str, str], ...] = ()  # the file's name, what it was taken for; empty where it is not used
    rows: tuple[tuple[int, tuple[str, ...], tuple[FindingText, ...]], ...] = ()
    more: int = 0
    names: tuple[str, ...] = ()  # of samples
    findings: tuple[FindingText, ...] = ()  # of no row
    problem: str = ""
    remedy: str = ""
    left_out: tuple[tuple[str, str], ...] = ()
    box: str = ""  # of the map
    outline: str = ""
    points: tuple[tuple[str, str, int, bool], ...] = ()  # path, name with reading, row, whether something was found


def readings_table(step: Callable[[str], None], *, field_file: Path) -> ReadingsTable:
    """Read the samples file and say what its columns were taken for, whatever else is missing of the field."""
    from vrn.ingest import read_field
    from vrn.sampling.quality import assess_readings

    step("reading")
    raw = load_toml(field_file)
    section = raw.get("samples") if isinstance(raw.get("samples"), dict) else {}
    assert isinstance(section, dict)
    name, own = str(section.get("file", "")), section.get("columns", {})
    files = InputFiles(field_file.parent, metric=raw.get("units") == "metric")
    if not has_rows(field_file.parent / name):  # the form to fill in: nothing is wrong yet
        return ReadingsTable()
    found: tuple[Finding, ...] = ()
    problem, remedy, field = "", "", None
    try:
        field = read_field(field_file)
        found = (*field.findings, *assess_readings(field.samples, section=field.settings.samples).findings)
    except VrnError as error:
        problem, remedy = error.problem, error.remedy
    texts = finding_texts(UnitFormat(metric=files.metric), found)
    look = next((one for one in look_at(files, name) if one.samples is not None or one.table is not None), None)
    table = None if look is None else look.table or (look.features.table if look.features is not None else None)
    if look is None or table is None:
        return ReadingsTable(file=name, findings=texts, problem=problem, remedy=remedy)
    taken = _taken(look, table.columns, own if isinstance(own, dict) else {})
    by_row: dict[int, list[FindingText]] = {}
    rest = []
    for text in texts:
        at = _ROW.match(text.about)
        if at is not None and Path(name).name in at["file"]:
            by_row.setdefault(int(at["row"]), []).append(text)
        else:
            rest.append(text)
    chosen = [i for i, row in enumerate(table.row) if i < _FIRST or row in by_row][:_MOST]
    named = next((column for column, role in taken.items() if role == "sample_id"), None)
    left = section.get("leave_out", [])
    box, outline, points = _map_of(field, look, frozenset(by_row))
    return ReadingsTable(
        file=name, columns=tuple((column, _role_name(taken.get(column, ""))) for column in table.columns),
        rows=tuple((table.row[i], tuple(table.cells[i]), tuple(by_row.get(table.row[i], ()))) for i in chosen),
        more=len(table) - len(chosen), problem=problem, remedy=remedy,
        names=tuple(dict.fromkeys(table.column(named)))[:2000] if named is not None else (),
        findings=tuple(one for one in rest if one.code.startswith(("samples.", "ingest."))),
        left_out=tuple((str(one.get("sample_id")), str(one.get("reason"))) for one in left if isinstance(one, dict)),
        box=box, outline=outline, points=points,
    )  # fmt: skip


def _map_of(
    field: Field | None, look: Look, doubted: frozenset[int]
) -> tuple[str, str, tuple[tuple[str, str, int, bool], ...]]:
    """Readings on the ground: as they were read, else where the file says they are, in degrees."""
    if field is not None:
        samples, shown = field.samples, UnitFormat.of(field.settings.units)
        at = reproject(shapely.MultiPoint(samples.coordinates_m), field.crs, LONLAT)
        places = [reproject(field.boundary, field.crs, LONLAT), *shapely.get_parts(at)]
        rows = zip(samples.sample_id, samples.nitrate_ppm, samples.row, strict=True)
        named = [(f"{name}: {shown.text('concentration', float(ppm))}", int(row)) for name, ppm, row in rows]
        beside = [one for one in _left_out_near(look, places[0]) if one[1] in doubted - set(samples.row.tolist())]
        places += [point for point, _ in beside]
        named += [(str(row), row) for _, row in beside]
    else:
        spots = points_of(look)
        fit = np.isfinite(spots).all(axis=1) & (np.abs(spots) <= (180.0, 90.0)).all(axis=1)
        if not fit.any() or look.table is None:
            return "", "", ()
        places = [shapely.MultiPoint(spots[fit]).envelope, *shapely.points(spots[fit])]
        named = [(str(row), int(row)) for row in np.asarray(look.table.row)[: len(spots)][fit]]
    box, (outline, *ways) = paths_of(places)
    points = tuple((way, name, row, row in doubted) for way, (name, row) in zip(ways, named, strict=True))
    return box, outline if field is not None else "", points


def _left_out_near(look: Look, boundary: shapely.Geometry) -> list[tuple[shapely.Point, int]]:
    """Rows with places no farther from a boundary than it is wide, in degrees."""
    spots, rows = points_of(look), look.table.row if look.table is not None else ()
    around = shapely.buffer(shapely.envelope(boundary), np.hypot(*np.ptp(np.reshape(boundary.bounds, (2, 2)), axis=0)))
    near = shapely.contains_xy(around, spots) if len(spots) == len(rows) else np.zeros(0, dtype=bool)
    return [(shapely.Point(spots[i]), int(rows[i])) for i in np.flatnonzero(near)]


def _taken(look: Look, columns: Iterable[str], own: dict[str, str]) -> dict[str, str]:
    """Column of the file → what it is taken for, by the field file before what it looks like."""
    mapped = dict(look.samples.mapped) if look.samples is not None else {}
    mapped |= own
    taken = {theirs: ours for ours, theirs in mapped.items() if theirs in columns}
    return taken | {column: column.lower() for column in columns
                    if column not in taken and f"samples.columns.{column.lower()}" in _known_roles()}  # fmt: skip


def _known_roles() -> dict[str, str]:
    from vrn.words.settings import SENTENCES

    return SENTENCES


def _role_name(role: str) -> str:
    if not role:
        return ""
    key = f"samples.columns.{role}"
    return say(TRADE, f"settings.{key}") if key in _known_roles() else role.replace("_", " ")


def file_keys(step: Callable[[str], None], *, folder: Path, name: str, role: str, metric: bool) -> dict[str, Any]:
    """Keys of the field file that a dropped file settles for a role; refused where it can't be used for it."""
    step("reading")
    looks = look_at(InputFiles(folder, metric=metric), name)
    fit = next((one for one in looks if _ROLES.get(one.role, one.role) == role), None)
    if fit is None:
        why = next((one for one in looks if one.why), None)
        if why is not None:
            raise InputFileError(why.why, why.remedy)
        told = say(TRADE, f"start.role-{looks[0].role}", file=name)
        problem = say(TRADE, "desk.other-role", told=told, wanted=say(TRADE, f"desk.file-{role.replace('_', '-')}"))
        raise InputFileError(problem, say(TRADE, "desk.other-role-remedy"))
    if role == "samples":
        assert fit.samples is not None
        nitrate = fit.samples.nitrate
        said = {"reported_as": nitrate.reported_as, "moisture_basis": nitrate.moisture_basis}
        return {"file": fit.name, "columns": dict(fit.samples.mapped) or None,
                **{key: value for key, value in said.items() if value is not None}}  # fmt: skip
    if role == "weather":
        return {"file": fit.name}
    if fit.role == "yield_log":
        columns = dict(fit.columns) or None
        return {"file": None, "files": [fit.name], "kind": "yield_log", "columns": columns, "column": None}
    units = {"bu/ac": "bu_ac", "t/ha": "t_ha"}
    kind = {"files": None, "kind": units.get(fit.unit or "", "relative")} if role == "yield_potential" else {}
    value = {"value_pct": None, "assumed": None} if role == "organic_matter" else {}
    return {"file": fit.name, "column": fit.columns.get("column"), **kind, **value}


# what the pages answer


def _entries(raw: dict[str, Any], starts: tuple[str, ...]) -> tuple[Entry, ...]:
    return tuple(one for section in form_of(raw) for one in section.entries if one.name.startswith(starts))


def _readings(request: Request) -> Response:
    desk, place = desk_of(request), place_of(request)
    file = desk.file(place)
    raw, content = file.values(), place.content()
    job = desk.worker.known(place.name, f"readings {content}", readings_table, field_file=place.file)
    table: ReadingsTable | None = job.result if job.state == "done" else None
    kept = _kept(place)
    return page(
        request, "readings.html", place=place, job=job, table=table, lines=_entries(raw, _CONFIRM),
        seen_digest=digest_of(file.content), by_hand=len(lines_of_phones(kept)), has_plan=_plan_page(place) is not None,
        terminal=(f"vrn check {place.name}/field.toml", f"vrn plan {place.name}/field.toml"),
    )  # fmt: skip


async def _dropped(request: Request) -> Response:
    """A file for a role: kept in the field's folder, looked at, and named in the field file."""
    desk, place = desk_of(request), place_of(request)
    async with request.form(max_files=8, max_fields=8) as form:
        role, digest = str(form.get("role", "")), str(form.get("seen", ""))
        uploads = [one for one in form.getlist("files") if isinstance(one, UploadFile) and one.filename]
        if role not in ("samples", *_LAYERS) or not uploads:
            raise HTTPException(422)
        name, *_ = await to_thread.run_sync(lambda: [keep_in(place.folder, one) for one in uploads])
    file = desk.file(place)
    table = _LAYERS.get(role, role)

    def after(found: dict[str, Any]) -> None:
        way = tuple(table.split("."))
        file.change({(*way, key): value for key, value in found.items()}, seen=digest_of(file.content))

    if digest != digest_of(file.content):
        return seen(f"/fields/{place.name}?said=changed-meanwhile")
    metric = file.values().get("units") == "metric"
    job = desk.worker.submit(place.name, f"take {name}", file_keys, after=after, folder=place.folder, name=name,
                             role=role, metric=metric)  # fmt: skip
    at = f"/fields/{place.name}/{'readings' if role == 'samples' else 'layers'}"
    return page(request, "wait.html", place=place, job=job, next=at, back=at)


async def _leave_out(request: Request) -> Response:
    """Leave a sample out with a reason, or count it again."""
    desk, place = desk_of(request), place_of(request)
    async with request.form() as form:
        sample, reason, again, digest = (
            str(form.get(name, "")).strip() for name in ("sample", "reason", "again", "seen")
        )
    file = desk.file(place)
    listed = (file.values().get("samples") or {}).get("leave_out", [])
    at = next((i for i, one in enumerate(listed) if one.get("sample_id") == (again or sample)), len(listed))
    if not again and (not sample or not reason):
        return page(request, "refused.html", status=422, place=place, problem=say(TRADE, "desk.no-reason"),
                    remedy=say(TRADE, "desk.go-back"))  # fmt: skip
    told = {"sample_id": None, "reason": None} if again else {"sample_id": sample, "reason": reason}
    done = await to_thread.run_sync(
        lambda: file.change({("samples", "leave_out", at, key): value for key, value in told.items()}, seen=digest)
    )
    return seen(f"/fields/{place.name}/readings?said={'saved' if done else 'changed-meanwhile'}")


def _layers(request: Request) -> Response:
    desk, place = desk_of(request), place_of(request)
    file, found = desk.file(place), looked(desk, place)
    raw = file.values()
    sections = [(role, path, _entries(raw, (f"{path}.",))) for role, path in _LAYERS.items()]
    return page(
        request, "layers.html", place=place, sections=sections, seen_digest=digest_of(file.content),
        look=found if isinstance(found, FieldLook) else None, job=None if isinstance(found, FieldLook) else found,
        terminal=(f"vrn check {place.name}/field.toml",),
    )  # fmt: skip


# by hand at the field's edge


def plan_field(step: Callable[[str], None], *, field_file: Path, folder: Path) -> tuple[str, ...]:
    """What ``vrn plan`` does, with its own defaults."""
    from vrn.ingest.read import read_ground
    from vrn.pipeline.reading import write_planned
    from vrn.sampling.make_plan import plan_samples
    from vrn.sampling.plan import PlanOptions

    step("reading")
    made = plan_samples(read_ground(field_file), PlanOptions())
    return tuple(path.name for path in write_planned(made, folder))


def _plan(request: Request) -> Response:
    desk, place = desk_of(request), place_of(request)
    job = desk.worker.submit(place.name, "plan", plan_field, field_file=place.file, folder=place.folder / "plan")
    at = f"/fields/{place.name}/readings"
    return page(request, "wait.html", place=place, job=job, next=at, back=at,
                terminal=(f"vrn plan {place.name}/field.toml",))  # fmt: skip


def _plan_page(place: Place) -> Path | None:
    path = place.folder / "plan" / "field.html"
    return path if path.is_file() and path.resolve().is_relative_to(place.root) else None


def _edge_list(request: Request) -> Response:
    places = desk_of(request).places()
    planned = [one for one in places if _plan_page(one) is not None]
    others = [one for one in places if one not in planned]
    return page(request, "edge.html", planned=planned, others=others, phone=request.scope["state"]["rights"] == "phone")


def _edge(request: Request) -> Response:
    """The plan's page for the phone, its scripts linked, its readings kept here."""
    from vrn.pages.page_parts import linked

    place = place_of(request)
    path = _plan_page(place)
    if path is None:
        raise HTTPException(404)
    text = linked(path.read_text(encoding="utf-8"), ("field.css", "field_keep.js", "field.js"), first=("desk.js",))
    if "<script>" in text:
        problem = say(TRADE, "desk.plan-other")
        raise InputFileError(problem, say(TRADE, "desk.plan-other-remedy"))
    kept = json.dumps(
        {
            "address": f"/edge/{place.name}",
            "devices": _kept(place),
            "away": say(TRADE, "desk.edge-away"),
            "closed": say(TRADE, "desk.edge-closed"),
        }
    ).replace("<", "\\u003c")
    data = f'<script type="application/json" id="kept">{kept}</script></main>'
    return HTMLResponse(text.replace("</main>", data, 1), headers={"content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src data:; connect-src 'self'; base-uri 'none'; "
        "form-action 'none'; frame-ancestors 'none'")})  # fmt: skip


async def _keep(request: Request) -> Response:
    """A page's readings as they are now: on the disk before the answer."""
    place = place_of(request)
    body = await request.body()
    try:
        sent: dict[str, Any] = json.loads(body) if len(body) <= _MOST_KEPT else {}
        line = {key: str(sent[key]) for key in ("device", "key", "text")} | {"kept": sent["kept"]}
        assert re.fullmatch(r"[\w-]{6,60}", line["device"])
    except (ValueError, TypeError, KeyError, AssertionError, RecursionError):
        raise HTTPException(422) from None
    written = json.dumps(line, ensure_ascii=True).encode()
    await to_thread.run_sync(append_line, place.folder / _JOURNAL, written)
    return JSONResponse({"kept": True})


def _kept(place: Place) -> dict[str, dict[str, Any]]:
    """What each phone kept last; a line that a crash cut short is passed over."""
    found: dict[str, dict[str, Any]] = {}
    try:
        lines = (place.folder / _JOURNAL).read_bytes().splitlines()
    except OSError:
        return found
    for line in lines:
        try:
            one = json.loads(line)
            found[f"{one['device']} {one['key']}"] = one
        except (ValueError, KeyError, TypeError):
            continue
    return found


async def _take(request: Request) -> Response:
    """Make the readings kept so far the field's samples file."""
    desk, place = desk_of(request), place_of(request)
    kept = await to_thread.run_sync(_kept, place)
    lines = lines_of_phones(kept)
    if not lines:
        raise HTTPException(404)
    header = next(csv.reader(io.StringIO(next(iter(kept.values()))["text"])))
    whole = io.StringIO()
    csv.writer(whole, lineterminator="\n").writerows([header, *lines])
    await to_thread.run_sync(write_whole, place.folder / _BY_HAND, whole.getvalue().encode())
    file = desk.file(place)
    file.change({("samples", "file"): _BY_HAND}, seen=digest_of(file.content))
    return seen(f"/fields/{place.name}/readings?said=saved")


ROUTES: Final = (
    ("GET", "/fields/{field}/readings", _readings), ("POST", "/fields/{field}/files", _dropped),
    ("POST", "/fields/{field}/readings/left-out", _leave_out), ("POST", "/fields/{field}/readings/by-hand", _take),
    ("GET", "/fields/{field}/layers", _layers), ("POST", "/fields/{field}/plan", _plan),
    ("GET", "/edge", _edge_list), ("GET", "/edge/{field}", _edge), ("POST", "/edge/{field}", _keep),
)  # fmt: skip
