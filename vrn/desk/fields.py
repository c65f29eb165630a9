"""The fields of a folder: where each one's files are, its state, and what the worker looks at, builds and starts."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from shutil import rmtree
from tempfile import mkdtemp
from typing import TYPE_CHECKING, Any, Final, Literal

from anyio import to_thread
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from vrn.desk.edit import digest_of, has_rows, keep_in
from vrn.desk.form import Entry, form_of
from vrn.desk.session import TRADE, Desk, Place, desk_of, page, place_of
from vrn.desk.work import Job
from vrn.errors import InputFileError, VrnError
from vrn.ingest.field_file import load_toml, read_settings
from vrn.many.task import staleness, summary_in
from vrn.pages.field_maps import paths_of
from vrn.words import FindingText, UnitFormat, finding_texts, say

if TYPE_CHECKING:
    from vrn.files.signature import Earlier
    from vrn.model.settings import Settings
    from vrn.prescription.model import Prescription

FieldStatus = Literal["missing", "ready", "draft", "signed", "applied"]
WRITTEN: Final = ("map.html", "report.html", "report.pdf", "load_sheet.pdf", "load_sheet.txt", "shapefile.zip",
                 "prescription.geojson", "zones.csv", "ledger.csv", "field.gpx", "layers.gpkg",
                 "summary.json")  # fmt: skip
TO_SETTLE: Final = ("field.name", "crop.yield_goal_bu_ac", "crop.yield_goal_t_ha", "crop.growth_stage",
                    "samples.reported_as", "samples.moisture_basis", "layers.organic_matter.value_pct",
                    "product.name")  # fmt: skip
_SHOWN: Final = {".html": "text/html", ".pdf": "application/pdf", ".txt": "text/plain"}
_OUTLINES: Final = (".shp", ".zip", ".geojson", ".json", ".gpkg", ".kml", ".kmz", ".gml", ".fgb")
_NAME: Final = re.compile(r"[^\w.-]+")


@dataclass(frozen=True, kw_only=True)
class _FieldState:
    """A field in the list."""

    place: Place
    title: str
    status: FieldStatus
    changed: bool  # since it was built
    due: date | None
    days_left: int | None
    acres: str
    product: str
    total: tuple[str, str, float] | None  # product, its unit, how much
    problem: str


@dataclass(frozen=True, kw_only=True)
class FieldLook:
    """What building a field without writing tells: as ``vrn check`` does, with the rates."""

    id: str
    approved: bool
    title: str
    findings: tuple[FindingText, ...]
    totals: tuple[tuple[str, str], ...]
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    drawing: str
    methods: tuple[tuple[str, str, str], ...]  # title, mean need, why it did not answer
    surfaces: tuple[tuple[str, str, str], ...]  # title and unit, picture, what it rests on
    differences: str
    signer: Mapping[str, tuple[str, ...]]  # by heading: from memory, other methods, assumed
    metric: bool


def _state_of(place: Place, today: date, *, applied: frozenset[str] = frozenset()) -> _FieldState:
    """A field as the list shows it; ``applied`` are the ids of prescriptions that were put on."""
    settings, problem = _settings_of(place)
    summary = summary_in(place.out) or {}
    status: FieldStatus = "missing" if settings is None else "ready"
    if summary and settings is not None:
        status = "signed" if summary.get("approved") else "draft"
        status = "applied" if summary.get("id") in applied else status
    due = None if settings is None else settings.crop.application_date
    metric = settings is not None and settings.units == "metric"
    shown, product = UnitFormat(metric=metric), summary.get("product") or {}
    unit, amount, acres = product.get("unit"), summary.get("total_product"), summary.get("acres")
    total = (product["name"], unit, float(amount)) if unit in ("gal", "lb") and amount and product.get("name") else None
    return _FieldState(
        place=place, title=settings.header.name if settings is not None else _name_in(place), status=status,
        changed=bool(summary) and staleness(place.file, place.out) is not None, due=due,
        days_left=None if due is None else (due - today).days, problem=problem,
        acres=shown.text("area", acres) if isinstance(acres, (int, float)) else "",
        product=f"{shown.text(unit, total[2])} {total[0]}" if total and unit in ("gal", "lb") else "", total=total,
    )  # fmt: skip


def _name_in(place: Place) -> str:
    """Name in a field file that can't be used yet, else that of its folder."""
    try:
        return str(load_toml(place.file)["field"]["name"]) or place.name
    except (VrnError, KeyError, TypeError):
        return place.name


def _settings_of(place: Place) -> "tuple[Settings | None, str]":
    """Settings, or why there are none yet: a fault of the field file, or a file that it names and is not there."""
    try:
        settings = read_settings(place.file)
    except VrnError as error:
        return None, f"{error.problem} {error.remedy}"
    for name in (settings.header.boundary, settings.samples.file):
        bare = name if (place.folder / name).exists() else name.rpartition("#")[0]
        if not bare or not (place.folder / bare).exists():
            return None, say(TRADE, "desk.no-file", file=name)
    waits = "" if has_rows(place.folder / bare) else say(TRADE, "desk.readings-none-yet")
    return None if waits else settings, waits


def look(step: Callable[[str], None], *, field_file: Path, out: Path) -> FieldLook:
    """Read and build a field without writing, held against what lies in its folder."""
    from vrn.files.signature import earlier_in
    from vrn.many.task import built_from

    earlier = earlier_in(out)
    return look_of(built_from(field_file, None, None, earlier=earlier, step=step), earlier)


def build(step: Callable[[str], None], *, field_file: Path, out: Path) -> FieldLook:
    """What ``vrn build`` does: read, build, write, verify, swap in."""
    from vrn.files.signature import earlier_in
    from vrn.many.sign import ReportBeside
    from vrn.many.task import built_from, write_checked

    earlier = earlier_in(out)
    with ReportBeside() as report:
        prescription = built_from(field_file, None, None, earlier=earlier, step=step)
        step("writing")
        checked = write_checked(prescription, out, None, report, sources={"field": field_file})
    if not checked.ok:
        from vrn.many.sign import check_lines

        problem = "\n".join(check_lines(checked.failed, UnitFormat.of(checked.units)))
        raise InputFileError(problem, "Look at these files before anybody uses them.")
    return look_of(prescription, earlier)


def look_of(prescription: "Prescription", earlier: "Earlier | None" = None) -> FieldLook:
    """A prescription as the field's page shows it, with what differs from one that was signed before it."""
    from vrn.files import approval
    from vrn.files.statement import statement_of
    from vrn.pages.field_drawing import as_svg
    from vrn.pages.field_maps import rate_drawing
    from vrn.pages.map_page import surface_words, totals_of
    from vrn.pages.map_page_layers import frame_of, pictures
    from vrn.pages.report_file import signer_lists
    from vrn.pages.report_nitrogen import reasons_text
    from vrn.pages.tables import zones_table

    shown = UnitFormat.of(prescription.field.settings.units)
    table = zones_table(prescription, shown, ("area", "nitrate", "need", "rate", "product-rate"), total=True)
    totals = tuple((name, value) for _, name, value in totals_of(prescription, shown))
    acres = {rate.zone: rate.acres for rate in prescription.rates}
    methods = tuple(
        (one.method.title, _mean_need(one.by_zone, acres, shown), reasons_text(shown, one.reasons))
        for one in prescription.methods
    )  # fmt: skip
    surfaces = tuple(
        (f"{one.title}, {shown.unit(one.quantity)}", one.url, surface_words(one, shown, prescription.ledger.key))
        for one in pictures(prescription, frame_of(prescription), shown)
    )
    found, title = prescription.findings, say(shown, "map.still", field=prescription.field.name)
    if earlier is not None and earlier.signed_by:
        was, now = map(approval.digest_of, (earlier.statement, statement_of(prescription)))
        found = approval.differences(was, now)
    return FieldLook(
        id=prescription.id, approved=prescription.approved, title=prescription.field.name, metric=shown.metric,
        findings=finding_texts(shown, prescription.findings), totals=totals, header=table.header,
        rows=table.rows, drawing=as_svg(rate_drawing(prescription, shown), title), methods=methods, surfaces=surfaces,
        differences=approval.difference_lines(shown, found), signer=signer_lists(prescription, shown),
    )  # fmt: skip


def _mean_need(by_zone: dict[int, float], acres: dict[int, float], shown: UnitFormat) -> str:
    if not by_zone:
        return ""
    mean = sum(need * acres.get(zone, 0.0) for zone, need in by_zone.items()) / max(
        sum(acres.get(zone, 0.0) for zone in by_zone), 1e-9
    )
    return shown.text("whole_amount", mean)


@dataclass(frozen=True, kw_only=True)
class Started:
    """A new field's folder, and what is left to settle: place, problem, remedy and line of each question."""

    name: str
    taken: tuple[tuple[str, str], ...]  # file, what it was taken for
    questions: tuple[tuple[FindingText, str, str], ...]  # with its section and line


def start(step: Callable[[str], None], *, files: tuple[Path, ...], root: Path, title: str) -> Started:
    """What ``vrn start DIR --from`` does: say what each file is, copy them, write the field file."""
    from vrn.files.staging import write_new_folder
    from vrn.ingest.new_field import with_id
    from vrn.ingest.settle import Given
    from vrn.ingest.start_from import start_from

    step("reading")
    name = _plain_name(title)
    made = start_from(files, title, given=Given())
    shown = UnitFormat(metric=made.metric)
    write_new_folder(root / name, {**made.files, "field.toml": with_id(str(made.files["field.toml"]))})
    texts = finding_texts(shown, [question.finding for question in made.questions])
    taken = tuple((look.name, say(shown, f"start.role-{look.role}", file=look.name)) for look in made.looks)
    return Started(
        name=name, taken=taken,
        questions=tuple((text, one.section, one.line or text.paste) for text, one in
                        zip(texts, made.questions, strict=True)),
    )  # fmt: skip


def _plain_name(title: str) -> str:
    """Name of a new folder: letters and digits of what was typed.

    >>> _plain_name("North 40 / Ash Hill"), _plain_name("../.."), _plain_name("con.")
    ('north_40_ash_hill', 'field', 'con')
    """
    plain = _NAME.sub("_", title.strip().lower()).replace(".", "_").strip("_-. ")[:60]
    return plain or "field"


def _applied_in(book: Path) -> frozenset[str]:
    """Ids of prescriptions that a season book says were applied; none without a book."""
    if not book.is_file():
        return frozenset()
    from vrn.many.book import latest
    from vrn.many.book_events import outcomes

    came = {item.key or item.field for item in outcomes(book) if item.what in ("applied_n_lb", "applied_product")}
    return frozenset(
        str(entry.summary.get("id")) for entry in latest(book, built=True) if {entry.key, entry.field} & came
    )


def outlines(step: Callable[[str], None], *, folder: Path) -> tuple[str, tuple[tuple[str, str, str], ...]]:
    """Outlines of a file that holds several: the box of their picture; what names each, its name, its path."""
    from vrn.ingest.input_files import InputFiles
    from vrn.ingest.look import areas_of, look_at
    from vrn.ingest.table import LONLAT
    from vrn.ingest.which_outline import label_column
    from vrn.model.grid import reproject

    step("reading")
    files = InputFiles(folder)
    for path in sorted(folder.iterdir()):
        for look in look_at(files, path.name) if path.suffix.lower() in _OUTLINES else ():
            areas = areas_of(look) if look.role == "boundary" and look.features is not None else []
            if len(areas) > 1 and look.features is not None:
                table, crs = look.features.table, str(look.features.crs or LONLAT)
                label = label_column(table)
                names = table.column(label) if label is not None else [str(at + 1) for at in range(len(areas))]
                box, ways = paths_of([reproject(area, crs, LONLAT) for area in areas])
                return box, tuple((f"{look.name}#{name}", name, way) for name, way in zip(names, ways, strict=False))
    return "", ()


# what the field's pages answer


def looked(desk: Desk, place: Place) -> FieldLook | Job:
    """What a build of the field would say: what is known of the files as they are now, else the job that asks."""
    content = place.content()
    known = desk.looks.get(place.name)
    if known is not None and known[0] == content:
        return known[1]
    for job in desk.worker.jobs.values():
        if job.field == place.name and job.what == f"look {content}" and job.state in ("failed", "running", "waiting"):
            return job
    return desk.worker.submit(place.name, f"look {content}", look, after=partial(desk.keep, place, content),
                              field_file=place.file, out=place.out)  # fmt: skip


def _list(request: Request) -> Response:
    desk = desk_of(request)
    applied = _applied_in(desk.root / "season.db")
    states = [_state_of(place, date.today(), applied=applied) for place in desk.places()]
    totals: dict[tuple[str, str], float] = {}
    for name, unit, amount in (one.total for one in states if one.total is not None and one.status != "applied"):
        totals[name, unit] = totals.get((name, unit), 0.0) + amount
    listed = [(name, TRADE.text(unit, amount)) for (name, unit), amount in sorted(totals.items())]
    return page(request, "fields.html", fields=states, totals=listed, typed="",
                terminal=("vrn fields manifest.csv --out .", "vrn start NAME --from FILE..."))  # fmt: skip


async def _new(request: Request) -> Response:
    """A new field from dropped files: kept for the time being beside the fields, looked at, copied into a folder."""
    desk = desk_of(request)
    async with request.form(max_files=40, max_fields=40) as form:
        title = str(form.get("name") or "").strip()
        uploads = [one for one in form.getlist("files") if isinstance(one, UploadFile) and one.filename]
        if not title or not uploads:
            problem = say(TRADE, "desk.name-and-files")
            return page(request, "refused.html", status=422, problem=problem, remedy=say(TRADE, "desk.go-back"))
        kept = Path(await to_thread.run_sync(partial(mkdtemp, prefix=".vrn-new-", dir=desk.root)))
        paths = [kept / await to_thread.run_sync(keep_in, kept, upload) for upload in uploads]

    def after(found: Started) -> None:
        desk.started[found.name] = found
        rmtree(kept, ignore_errors=True)

    job = desk.worker.submit(_plain_name(title), "start", start, after=after, files=tuple(paths), root=desk.root,
                             title=title)  # fmt: skip
    return page(request, "wait.html", job=job, next=f"/fields/{_plain_name(title)}", back="/fields")


def _field(request: Request) -> Response:
    desk, place = desk_of(request), place_of(request)
    state, found = _state_of(place, date.today()), looked(desk, place)
    digest, built = digest_of(desk.file(place).content), summary_in(place.out) or {}
    says = desk.file(place).says
    said = "#" in str(says("field", "boundary")) or says("field", "boundary_where")
    failed = isinstance(found, Job) and found.state == "failed" and not said
    what = f"outlines {place.content()}"
    pick = desk.worker.known(place.name, what, outlines, folder=place.folder) if failed else None
    written = [name for name in WRITTEN if (place.out / name).is_file()]
    return page(
        request, "field.html", place=place, state=state, look=found if isinstance(found, FieldLook) else None,
        job=None if isinstance(found, FieldLook) else found, seen_digest=digest, written=written, built=built,
        questions=desk.started[place.name].questions if place.name in desk.started else (),
        taken=desk.started[place.name].taken if place.name in desk.started else (),
        pick=pick, steps_back=len(desk.file(place).earlier), open_lines=_open_lines(desk, place),
        shown=UnitFormat(metric=isinstance(found, FieldLook) and found.metric),
        terminal=(f"vrn check {place.name}/field.toml", f"vrn build {place.name}/field.toml --out {place.out.name}"),
    )  # fmt: skip


def _open_lines(desk: Desk, place: Place) -> tuple[Entry, ...]:
    """Lines that wait for a person, of those without which no field builds."""
    try:
        raw = desk.file(place).values()
    except VrnError:
        return ()
    entries = {one.name: one for section in form_of(raw) for one in section.entries}
    blank = ("", "0", "-1")
    return tuple(entries[name] for name in TO_SETTLE if name in entries and entries[name].value in blank
                 and not _answered(raw, name))  # fmt: skip


def _answered(raw: dict[str, Any], name: str) -> bool:
    """Whether another line of the file says it."""
    layers, product = raw.get("layers", {}), raw.get("product", {})
    return (
        (name.startswith("layers.organic_matter") and bool(layers.get("organic_matter", {}).get("file")))
        or (name == "crop.growth_stage" and bool(raw.get("crop", {}).get("planting_date")))
        or (name == "product.name" and bool({"n_pct", "n_lb_per_1000_gal", "n_kg_m3", "blend"} & set(product)))
    )  # fmt: skip


def _build(request: Request) -> Response:
    desk, place = desk_of(request), place_of(request)

    def after(found: FieldLook) -> None:
        desk.keep(place, place.content(), found)

    job = desk.worker.submit(place.name, f"build {place.content()}", build, after=after, field_file=place.file,
                             out=place.out)  # fmt: skip
    at = f"/fields/{place.name}"
    return page(request, "wait.html", job=job, next=at, back=at,
                terminal=(f"vrn build {place.name}/field.toml --out {place.out.name}",))  # fmt: skip


def _written(request: Request) -> Response:
    """A written file, shown where a browser can, else handed over; it runs only its own scripts and asks nobody."""
    place, name = place_of(request), request.path_params["name"]
    path = place.written(name)
    if path is None:
        raise HTTPException(404)
    kind = _SHOWN.get(path.suffix.lower()) if "save" not in request.query_params else None
    headers = {"content-security-policy": "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox"}
    if path.name == "map.html":
        found = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', path.read_text(encoding="utf-8"))
        own = f"{found[1].replace('&#39;', chr(39))}; sandbox allow-scripts allow-downloads" if found else "sandbox"
        headers = {"content-security-policy": own}
    return FileResponse(path, media_type=kind or "application/octet-stream", headers=headers, filename=path.name,
                        content_disposition_type="inline" if kind else "attachment")  # fmt: skip


ROUTES: Final = (
    ("GET", "/fields", _list), ("POST", "/fields", _new), ("GET", "/fields/{field}", _field),
    ("POST", "/fields/{field}/build", _build),
    ("GET", "/fields/{field}/files/{name:path}", _written),
)  # fmt: skip
