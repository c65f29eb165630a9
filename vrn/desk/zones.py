"""Zones and rates: what a number of zones, a step or a goal would give, and zones drawn by hand, shown before kept."""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any, Final

import shapely
from anyio import to_thread
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from vrn.desk.edit import FieldFile, Key, digest_of, write_whole
from vrn.desk.form import changes_of
from vrn.desk.session import TRADE, Desk, Place, desk_of, page, place_of, seen
from vrn.desk.work import Job
from vrn.errors import InputFileError, VrnError
from vrn.ingest.field_file import settings_from
from vrn.pages.field_maps import paths_of
from vrn.pages.report_parts import Table
from vrn.words import FindingText, UnitFormat, finding_texts, say
from vrn.zones.draw import merge_zones, move_ground, split_zones

_FILE: Final = "zones_by_hand.geojson"
_MOST_POINTS: Final = 400  # of a line that was drawn
_MOST_STEPS: Final = 40
_MEMORY: dict[bytes, Any] = {}  # of the worker: surfaces by what they were made from
_TOOLS: Final = ("split", "merge", "move")


@dataclass(frozen=True, kw_only=True)
class Sketch:
    """Rates and totals that a change would give, not yet written; outlines in longitude and latitude."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    totals: tuple[tuple[str, str], ...]
    shapes: tuple[dict[str, Any], ...]  # zone, color, rate as printed, GeoJSON geometry, place and room of the label
    findings: tuple[FindingText, ...]
    zones: int
    metric: bool


def sketch(
    step: Callable[[str], None], *, field_file: Path, changes: dict[Key, Any], drawn: tuple[tuple[int, bytes], ...]
) -> Sketch:
    """What a field would give with keys changed and, where some are given, zones drawn by hand (number, WKB)."""
    from vrn.ingest.input_files import InputFiles, Source
    from vrn.ingest.read import read_all
    from vrn.model.grid import reproject
    from vrn.model.layers import PolygonLayer
    from vrn.pipeline import build

    raw = FieldFile(field_file).would_be(changes)
    if drawn:
        raw.get("zones", {}).pop("file", None)
    settings = settings_from(raw)
    files = InputFiles(field_file.resolve().parent, metric=settings.units == "metric")
    files.record(Source(path=field_file.resolve(), name=field_file.name, key="field file"))
    field = read_all(files, settings)
    if drawn:
        import dataclasses

        import numpy as np

        polygons = np.array([reproject(shapely.from_wkb(part), "EPSG:4326", field.crs) for _, part in drawn])
        numbers = np.array([float(number) for number, _ in drawn])
        layer = PolygonLayer(name="zone", crs=field.crs, polygons=polygons, values=numbers, source=_FILE)
        field = dataclasses.replace(field, zones=layer)
    return _sketch_of(build(field, progress=step, memory=_MEMORY, sketch=True))


def _sketch_of(prescription: Any) -> Sketch:
    from vrn.files.lonlat import drawn_zones
    from vrn.pages.map_page import totals_of
    from vrn.pages.ramps import rate_colors
    from vrn.pages.tables import zones_table

    shown = UnitFormat.of(prescription.field.settings.units)
    table = zones_table(prescription, shown, ("area", "nitrate", "need", "rate", "product-rate"), total=True)
    colors = rate_colors(prescription.rates)
    shapes = tuple(
        {"zone": zone.rate.zone, "color": colors[zone.rate.zone], "rate": shown.text("rate", zone.rate.rate_n_lb_ac),
         "shape": shapely.geometry.mapping(shapely.MultiPolygon(zone.parts)), **_widest(zone.parts)}
        for zone in drawn_zones(prescription)
    )  # fmt: skip
    looked_at = [one for one in prescription.findings if one.level == "warning" or one.about in ("drive", "zones")]
    return Sketch(
        header=table.header, rows=table.rows, shapes=shapes,
        totals=tuple((name, value) for _, name, value in totals_of(prescription, shown)),
        findings=finding_texts(shown, looked_at), zones=len(prescription.rates), metric=shown.metric,
    )  # fmt: skip


# what the page answers


def _typed_changes(raw: dict[str, Any], typed: dict[str, str]) -> tuple[dict[Key, Any], dict[str, str]]:
    """Sliders as keys of the file; 0 zones is as many as pay."""
    given = dict(typed)
    if given.get("zones.count") == "0":
        given["zones.count"] = ""
    changes, wrong = changes_of(raw, {name: given[name] for name in _sliders(raw) if name in given})
    return dict(changes), wrong


def _sliders(raw: dict[str, Any]) -> dict[str, tuple[str, float, float, float, float]]:
    """Key → code of its label, least, most, step and value of each slider, in the units of the file."""
    metric = raw.get("units") == "metric"
    goal, step = ("yield_goal_t_ha", "rate_step_n_kg_ha") if metric else ("yield_goal_bu_ac", "rate_step_n_lb_ac")
    crop, machine, zones = (raw.get(name, {}) for name in ("crop", "machine", "zones"))
    ends = (5, 18, 0.1) if metric else (80, 300, 1)
    return {
        "zones.count": ("count", 0, 8, 1, zones.get("count", 0)),
        f"machine.{step}": ("step", 1, 20, 1, machine.get(step, 5)),
        f"crop.{goal}": ("goal", *ends, crop.get(goal, 0)),
    }


def _ask(desk: Desk, place: Place, changes: dict[Key, Any], *, suggested: bool = False) -> Job:
    content, drawn = place.content(), [] if suggested else desk.drawn.get(place.name, [])[-1:]
    zones = tuple((number, shapely.to_wkb(part)) for number, part in (drawn[0] if drawn else {}).items())
    given: dict[str, Any] = {"field_file": place.file, "changes": changes, "drawn": zones}
    return desk.worker.known(place.name, f"sketch {content}", sketch, **given)


async def _zones(request: Request) -> Response:
    desk, place = desk_of(request), place_of(request)
    file = desk.file(place)
    raw = await to_thread.run_sync(file.values)
    shown = UnitFormat(metric=raw.get("units") == "metric")
    job = await to_thread.run_sync(lambda: _ask(desk, place, {}))
    return page(
        request, "zones.html", place=place, job=job, sketch=job.result if job.state == "done" else None,
        sliders=_sliders(raw), seen_digest=digest_of(file.content), drawn=len(desk.drawn.get(place.name, [])),
        own=raw.get("zones", {}).get("file", ""), changed=False,
        before={} if not desk.drawn.get(place.name) else await to_thread.run_sync(
            partial(_before, desk, place, by_hand=True)),
        shown=shown, rate_unit=shown.unit("rate"),
        terminal=(f"vrn build {place.name}/field.toml --out {place.out.name}",),
    )  # fmt: skip


def _rate_key(raw: dict[str, Any]) -> str:
    return "rate_n_kg_ha" if raw.get("units") == "metric" else "rate_n_lb_ac"


async def _typed(request: Request) -> dict[str, str]:
    async with request.form() as form:
        return {name: value for name, value in form.items() if isinstance(value, str)}


async def _sketched(request: Request) -> Response:
    """The part of the page that follows the sliders."""
    desk, place, typed = desk_of(request), place_of(request), await _typed(request)
    return await to_thread.run_sync(lambda: _fragment(request, desk, place, typed))


def _fragment(request: Request, desk: Desk, place: Place, typed: dict[str, str]) -> Response:
    file = desk.file(place)
    raw, digest = file.values(), digest_of(file.content)
    changes, wrong = _typed_changes(raw, typed)
    job, steps = _ask(desk, place, {} if wrong else changes).waited(), len(desk.drawn.get(place.name, []))
    return page(
        request, "sketch.html", place=place, job=job, sketch=job.result if job.state == "done" else None, drawn=steps,
        changed=bool(changes), seen_digest=digest, shown=UnitFormat(metric=raw.get("units") == "metric"),
        before=_before(desk, place, by_hand=bool(steps)) if steps or changes else {},
    )  # fmt: skip


def _before(desk: Desk, place: Place, *, by_hand: bool = False) -> dict[str, str]:
    """Totals by name without what is tried: those of the suggested zones, or of the file as it is."""
    changes: dict[Key, Any] = {}
    if by_hand and desk.file(place).values().get("zones", {}).get("file"):
        changes = {("zones", "file"): None, ("zones", "column"): None}
    job = _ask(desk, place, changes, suggested=by_hand).waited()
    return dict(job.result.totals) if job.state == "done" else {}


async def _tried(request: Request) -> Response:
    """What the answers in the form would make of the totals, before they are kept."""
    desk, place = desk_of(request), place_of(request)
    async with request.form(max_fields=2000) as form:
        typed = {name: value.replace("\r\n", "\n") for name, value in form.items() if isinstance(value, str)}

    def answer() -> Response:
        raw = desk.file(place).values()
        changes, wrong = changes_of(raw, typed)
        job = _ask(desk, place, dict(changes), suggested=True).waited() if changes and not wrong else None
        return page(request, "tried.html", job=job, wrong=bool(wrong), before=_before(desk, place) if job else {},
                    shown=UnitFormat(metric=raw.get("units") == "metric"))  # fmt: skip

    return await to_thread.run_sync(answer)


async def _slid(request: Request) -> Response:
    """Keep what the sliders say."""
    desk, place, typed = desk_of(request), place_of(request), await _typed(request)
    file = desk.file(place)
    changes, wrong = await to_thread.run_sync(lambda: _typed_changes(file.values(), typed))
    if wrong:
        raise HTTPException(422)
    done = await to_thread.run_sync(lambda: file.change(changes, seen=typed.get("seen", "")))
    return seen(f"/fields/{place.name}/zones?said={'saved' if done else 'changed-meanwhile'}")


async def _draw(request: Request) -> Response:
    """Split, merge or move ground between the zones as they are now shown; or take the last of it back."""
    desk, place, typed = desk_of(request), place_of(request), await _typed(request)
    return await to_thread.run_sync(lambda: _drawn(request, desk, place, typed))


def _drawn(request: Request, desk: Desk, place: Place, typed: dict[str, str]) -> Response:
    steps = desk.drawn.setdefault(place.name, [])
    tool = typed.get("tool", "")
    if tool == "undo":
        del steps[-1:]
    elif tool in _TOOLS:
        job = None if steps else _ask(desk, place, {}).waited()
        if job is not None and job.state != "done":
            return _fragment(request, desk, place, {})
        shapes = job.result.shapes if job is not None else ()
        now = steps[-1] if steps else {one["zone"]: shapely.geometry.shape(one["shape"]) for one in shapes}
        steps.append(_changed_by(tool, now, typed))
        del steps[:-_MOST_STEPS]
    else:
        raise HTTPException(422)
    return _fragment(request, desk, place, {})


def _changed_by(tool: str, zones: dict[int, Any], typed: dict[str, str]) -> dict[int, Any]:
    """Zones after a tool; InputFileError where what was drawn can't be used."""
    try:
        points = [(float(east), float(north)) for east, north in json.loads(typed.get("points", "[]"))][:_MOST_POINTS]
        one, other = (int(typed.get(name) or 0) for name in ("zone", "other"))
        if tool == "split":
            return split_zones(zones, shapely.LineString(points))
        return merge_zones(zones, one, other) if tool == "merge" else move_ground(zones, shapely.Polygon(points), one)
    except (ValueError, TypeError, RecursionError, OverflowError, shapely.errors.GEOSException) as error:
        if isinstance(error, VrnError):
            raise
        problem = say(TRADE, "desk.not-drawn")
        raise InputFileError(problem, say(TRADE, "desk.go-back")) from None


def _widest(parts: Sequence[shapely.Polygon]) -> dict[str, tuple[float, float]]:
    """Where a zone's label has the most room, and the nearest ground that is not the zone's: longitude, latitude."""
    middle, edge = shapely.maximum_inscribed_circle(max(parts, key=shapely.area)).coords
    return {"label": (float(middle[0]), float(middle[1])), "edge": (float(edge[0]), float(edge[1]))}


async def _keep_drawn(request: Request) -> Response:
    """Write the zones that were drawn to a file of the field's, with who and why, and name it in the field file."""
    desk, place = desk_of(request), place_of(request)
    async with request.form() as form:
        by, why, digest = (str(form.get(name, "")).strip() for name in ("by", "why", "seen"))
    steps = desk.drawn.get(place.name, [])
    if not by or not why or not steps:
        return page(request, "refused.html", status=422, place=place, problem=say(TRADE, "desk.who-and-why"),
                    remedy=say(TRADE, "desk.go-back"))  # fmt: skip
    features = [
        {"type": "Feature", "properties": {"zone": number, "by": by, "why": why, "on": date.today().isoformat()},
         "geometry": shapely.geometry.mapping(part)}
        for number, part in enumerate(steps[-1].values(), start=1)
    ]  # fmt: skip
    text = json.dumps({"type": "FeatureCollection", "features": features}, indent=1)

    def write() -> bool:
        write_whole(place.folder / _FILE, text.encode())
        changes: dict[Key, Any] = {("zones", "file"): _FILE, ("zones", "column"): "zone", ("zones", "count"): None,
                                   ("zones", "by"): None}  # fmt: skip
        return desk.file(place).change(changes, seen=digest)

    done = await to_thread.run_sync(write)
    if done:
        desk.drawn.pop(place.name, None)
    return seen(f"/fields/{place.name}/zones?said={'saved' if done else 'changed-meanwhile'}")


async def _set_rate(request: Request) -> Response:
    """A zone's rate with its reason, on its ground: an entry of ``[[review.override]]``."""
    desk, place = desk_of(request), place_of(request)
    async with request.form() as form:
        typed = {name: str(form.get(name, "")).strip() for name in ("zone", "rate", "reason", "by", "seen")}
    return await to_thread.run_sync(lambda: _rate_set(desk, place, typed))


def _rate_set(desk: Desk, place: Place, typed: dict[str, str]) -> Response:
    file = desk.file(place)
    raw = file.values()
    if raw.get("zones", {}).get("by") == "cells":
        problem = "Rates go cell by cell here, and there is no zone to set one on."
        raise InputFileError(problem, "Take out zones.by on the page of the field file.")
    job = _ask(desk, place, {}).waited()
    shapes = {str(one["zone"]): one for one in job.result.shapes} if job.state == "done" else {}
    try:
        rate = float(typed["rate"])
    except ValueError:
        rate = -1.0
    if typed["zone"] not in shapes or not typed["reason"] or not 0 <= rate <= 1000:
        problem = say(TRADE, "desk.rate-and-reason")
        raise InputFileError(problem, say(TRADE, "desk.go-back"))
    listed = raw.get("review", {}).get("override", [])
    zone = int(typed["zone"])
    at = next((i for i, one in enumerate(listed) if one.get("zone") == zone), len(listed))
    told = {"zone": zone, _rate_key(raw): rate, "reason": typed["reason"], "by": typed["by"] or None,
            "outline": _plain(shapes[typed["zone"]]["shape"]["coordinates"])}  # fmt: skip
    changes: dict[Key, Any] = {("review", "override", at, key): value for key, value in told.items()}
    done = file.change(changes, seen=typed["seen"])
    return seen(f"/fields/{place.name}/zones?said={'saved' if done else 'changed-meanwhile'}")


def _plain(value: Any) -> Any:
    return [_plain(one) for one in value] if isinstance(value, (list, tuple)) else float(value)


@dataclass(frozen=True, kw_only=True)
class TrialLook:
    """What ``vrn trial`` says of a field: lines, the blocks, findings; whether blocks fit, and check strips else."""

    table: Table | None
    lines: tuple[str, ...]
    findings: tuple[FindingText, ...]
    strips: str
    asked: bool
    box: str
    shapes: tuple[tuple[str, str, str], ...]  # path, color, name
    metric: bool


def look_for_trial(step: Callable[[str], None], *, field_file: Path) -> TrialLook:
    """What ``vrn trial`` does."""
    from vrn.files.lonlat import drawn_zones
    from vrn.findings import Quantity
    from vrn.ingest import read_field
    from vrn.pages.ramps import rate_colors
    from vrn.pages.report_machine import trial_lines, trial_table
    from vrn.pipeline.reading import trial_of_field

    field = read_field(field_file)
    built, smallest, findings = trial_of_field(field, progress=step)
    found, shown, strips = built.trial, UnitFormat.of(field.settings.units), ""
    assert found is not None
    least = None if smallest is None else smallest.trial
    if least is not None and least.cost_usd:
        strips = say(shown, "console.trial-strips-cost", cost=Quantity("money", least.cost_usd))
    elif least is not None and least.blocks:
        strips = say(shown, "console.trial-strips")
    colors, zones = rate_colors(built.rates), drawn_zones(built)
    box, ways = paths_of([shapely.MultiPolygon(zone.parts) for zone in zones])
    return TrialLook(
        table=trial_table(found, shown) if found.blocks else None, metric=shown.metric,
        lines=tuple(trial_lines(found, shown)) if found.blocks else (), findings=finding_texts(shown, findings),
        strips=strips, asked=field.settings.trial is not None, box=box,
        shapes=tuple((way, colors[zone.rate.zone], f"{shown.text('rate', zone.rate.rate_n_lb_ac)}")
                     for way, zone in zip(ways, zones, strict=True)),
    )  # fmt: skip


def _trial(request: Request) -> Response:
    desk, place = desk_of(request), place_of(request)
    file = desk.file(place)
    job = desk.worker.known(place.name, f"trial {place.content()}", look_for_trial, field_file=place.file)
    look: TrialLook | None = job.result if job.state == "done" else None
    return page(request, "trial.html", place=place, job=job, look=look, seen_digest=digest_of(file.content),
                shown=UnitFormat(metric=look is not None and look.metric),
                terminal=(f"vrn trial {place.name}/field.toml",))  # fmt: skip


async def _lay_trial(request: Request) -> Response:
    """Lay the blocks into the pass, or take them out again: the table ``[trial]`` of the field file."""
    desk, place, typed = desk_of(request), place_of(request), await _typed(request)
    value: dict[str, Any] | None = {} if typed.get("lay") == "yes" else None
    file = desk.file(place)
    done = await to_thread.run_sync(partial(file.change, {("trial",): value}, seen=typed.get("seen", "")))
    return seen(f"/fields/{place.name}/trial?said={'saved' if done else 'changed-meanwhile'}")


ROUTES: Final = (
    ("GET", "/fields/{field}/trial", _trial), ("POST", "/fields/{field}/trial", _lay_trial),
    ("POST", "/fields/{field}/settings/tried", _tried),
    ("GET", "/fields/{field}/zones", _zones), ("POST", "/fields/{field}/zones", _slid),
    ("POST", "/fields/{field}/zones/sketch", _sketched), ("POST", "/fields/{field}/zones/draw", _draw),
    ("POST", "/fields/{field}/zones/keep", _keep_drawn), ("POST", "/fields/{field}/zones/rate", _set_rate),
)  # fmt: skip
