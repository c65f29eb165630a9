"""Signing and handing over: what is signed by its id, the stick of several fields, what was applied, the season."""

import json
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from anyio import to_thread
from markupsafe import escape
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from vrn.desk.edit import Key, digest_of, keep_in
from vrn.desk.fields import FieldLook, look_of, looked
from vrn.desk.session import SAME_ORIGIN, TRADE, Desk, Place, desk_of, page, place_of, seen
from vrn.errors import VrnError
from vrn.ingest.field_file import settings_from
from vrn.many.task import summary_in
from vrn.units import FT_M
from vrn.words import FindingText, UnitFormat, finding_texts, say

BOOK: Final = "season.db"
_UNITS: Final = ("gal/ac", "lb/ac", "lb N/ac", "L/ha", "kg/ha", "kg N/ha")
_WITH_COLORS: Final = SAME_ORIGIN.replace("style-src 'self'", "style-src 'self' 'unsafe-inline'")  # of swatches
_MOST_REVIEW: Final = 4_000_000  # bytes
_MOST_KEY: Final = 20_000


def sign(
    step: Callable[[str], None], *, folder: Path, by: str, note: str, accept: bool, key: bytes = b"", secret: str = ""
) -> FieldLook:
    """What ``vrn sign`` does, by name or with a private key."""
    from vrn.files.signature import read_key
    from vrn.files.staging import source_of
    from vrn.many.sign import ReportBeside, sign_folder

    with ReportBeside() as report:
        signed = sign_folder(folder, by=by, on=date.today(), note=note or None, sources={**source_of(folder)},
                             key=read_key(Path("key"), secret, content=key) if key else None,
                             accept=accept, report=report, step=step)  # fmt: skip
    return look_of(signed)


def put_on_stick(step: Callable[[str], None], *, folders: tuple[Path, ...], to: Path, approved_only: bool) -> Any:
    """What ``vrn stick DIR... --to PATH`` does."""
    from vrn.many.sign import refuse_unfit
    from vrn.many.stick import carried, put

    step("reading")
    for folder in folders:
        refuse_unfit(folder, approved_only=approved_only)
    step("writing")
    to.mkdir(exist_ok=True)
    return put(to, [carried(folder) for folder in folders])


def hold_against(
    step: Callable[[str], None], *, place: Place, applied: Path, unit: str, width_ft: float | None
) -> tuple[FindingText, ...]:
    """What ``vrn compare DIR AS_APPLIED --book BOOK`` does; the book gets the build that it is held against, too."""
    from vrn.audit import compare
    from vrn.many.batch import entry_of
    from vrn.many.book import latest, record_build
    from vrn.many.book_events import record_outcome
    from vrn.many.outcomes import applied_outcomes, key_of_folder
    from vrn.many.task import Row
    from vrn.pages.compared import write_comparison

    step("reading")
    found = compare(place.out, applied, unit=unit or None, width_ft=width_ft)
    step("writing")
    write_comparison(found, applied_folder(place))
    book = place.root / BOOK
    row = Row(name=place.out.name, field_file=str(place.file), folder=str(place.out), status="built")
    record_build(book, entry_of(row))
    record_outcome(book, *applied_outcomes(found, key=key_of_folder(
        place.out, found.field, latest(book, built=True, retired=True))))  # fmt: skip
    return finding_texts(UnitFormat.of(found.units), found.findings)


def read_harvest(
    step: Callable[[str], None], *, place: Place, harvest: Path, applied: Path | None
) -> tuple[FindingText, ...]:
    """What ``vrn harvest DIR YIELD_LOG --applied LOG --book BOOK`` does; without a record as with ``--as-planned``."""
    from vrn.many.book import latest
    from vrn.many.book_events import record_trials
    from vrn.many.harvest import read_trial_harvest
    from vrn.many.outcomes import key_of_folder
    from vrn.pages.compared import write_harvest

    step("reading")
    found, book = read_trial_harvest(place.out, harvest, applied), place.root / BOOK
    step("writing")
    key = key_of_folder(place.out, found.field, latest(book, built=True, retired=True)) if book.exists() else ""
    record_trials(book, key, *found.trials)
    write_harvest(found, place.root / f"{place.out.name}_harvest")
    return finding_texts(UnitFormat.of(found.units), (*found.says, *found.findings))


def applied_folder(place: Place) -> Path:
    """Where the comparison of a field is written."""
    return place.root / f"{place.out.name}_applied"


def _sticks(root: Path) -> list[Path]:
    """Where a stick may be: what is mounted as one, and a folder beside the fields."""
    mounted = [path for pattern in ("media/*/*", "run/media/*/*", "Volumes/*") for path in Path("/").glob(pattern)]
    return [path for path in sorted(mounted) if path.is_dir()] + [root / "stick"]


def _stick_page(request: Request) -> Response:
    desk = desk_of(request)
    built = [(place, summary_in(place.out) or {}) for place in desk.places()]
    return page(request, "stick.html", built=[(place, one) for place, one in built if one], to=_sticks(desk.root),
                terminal=("vrn stick FIELD_rx OTHER_rx --to /media/stick",))  # fmt: skip


async def _stick(request: Request) -> Response:
    desk = desk_of(request)
    async with request.form() as form:
        names, approved_only = {str(one) for one in form.getlist("field")}, form.get("approved_only") == "yes"
        chosen = str(form.get("to", ""))
    places = [place for place in desk.places() if place.name in names and place.out.is_dir()]
    to = next((path for path in _sticks(desk.root) if str(path) == chosen), None)
    if not places or to is None:
        return page(request, "refused.html", status=422, problem=say(TRADE, "desk.stick-none"),
                    remedy=say(TRADE, "desk.go-back"))  # fmt: skip
    job = desk.worker.submit("stick", "stick", put_on_stick, folders=tuple(place.out for place in places), to=to,
                             approved_only=approved_only)  # fmt: skip
    command = f"vrn stick {' '.join(place.out.name for place in places)} --to {to}" + approved_only * " --approved-only"
    return page(request, "wait.html", job=job, next="/stick/" + job.id, back="/stick", terminal=(command,))


def _on_stick(request: Request) -> Response:
    job = desk_of(request).worker.jobs.get(request.path_params["job"])
    if job is None or job.what != "stick" or job.state != "done":
        return seen("/stick")
    return page(
        request,
        "on_stick.html",
        fields=job.result,
        to=job.given["to"],
        terminal=(f"vrn stick --check {job.given['to']}",),
    )


def _applied_page(request: Request) -> Response:
    desk, place = desk_of(request), place_of(request)
    path, summary = applied_folder(place) / "compared.html", summary_in(place.out) or {}
    return page(
        request, "applied.html", place=place, built=bool(summary), compared=path.is_file(), units=_UNITS,
        trial=bool(summary.get("trial")), harvested=_harvested(place).is_file(),
        width_unit=UnitFormat(metric=desk.file(place).values().get("units") == "metric").unit("length"),
        findings=desk.applied.get(place.name, ()),
        terminal=(f"vrn compare {place.out.name} AS_APPLIED --book {BOOK}",),
    )  # fmt: skip


async def _applied(request: Request) -> Response:
    desk, place = desk_of(request), place_of(request)
    async with request.form(max_files=4, max_fields=8) as form:
        upload, unit, width = form.get("files"), str(form.get("unit", "")), str(form.get("width", "")).strip()
        if not isinstance(upload, UploadFile) or not upload.filename or unit not in ("", *_UNITS):
            raise HTTPException(422)
        try:
            metric = desk.file(place).values().get("units") == "metric"
            width_ft = float(width) / (FT_M if metric else 1.0) if width else None
        except ValueError:
            raise HTTPException(422) from None
        name = await to_thread.run_sync(keep_in, place.folder, upload)

    def after(found: tuple[FindingText, ...]) -> None:
        desk.applied[place.name] = found

    job = desk.worker.submit(place.name, f"compare {name}", hold_against, after=after, place=place,
                             applied=place.folder / name, unit=unit, width_ft=width_ft)  # fmt: skip
    at = f"/fields/{place.name}/applied"
    return page(request, "wait.html", place=place, job=job, next=at, back=at,
                terminal=(f"vrn compare {place.out.name} {place.name}/{name} --book {BOOK}",))  # fmt: skip


async def _harvest(request: Request) -> Response:
    desk, place = desk_of(request), place_of(request)
    async with request.form(max_files=4, max_fields=8) as form:
        logs = [form.get(name) for name in ("files", "applied")]
        given = [one for one in logs if isinstance(one, UploadFile) and one.filename]
        if given[:1] != logs[:1] or (len(given) == 1 and form.get("as_planned") != "yes"):
            return page(request, "refused.html", status=422, place=place, problem=say(TRADE, "desk.harvest-what"),
                        remedy=say(TRADE, "desk.go-back"))  # fmt: skip
        names = [await to_thread.run_sync(keep_in, place.folder, one) for one in given]

    def after(found: tuple[FindingText, ...]) -> None:
        desk.applied[place.name] = found

    record = place.folder / names[1] if len(names) > 1 else None
    job = desk.worker.submit(place.name, f"harvest {names[0]}", read_harvest, after=after, place=place,
                             harvest=place.folder / names[0], applied=record)  # fmt: skip
    how = "--as-planned" if record is None else f"--applied {place.name}/{names[1]}"
    at = f"/fields/{place.name}/applied"
    return page(request, "wait.html", place=place, job=job, next=at, back=at,
                terminal=(f"vrn harvest {place.out.name} {place.name}/{names[0]} {how} --book {BOOK}",))  # fmt: skip


def _harvested(place: Place) -> Path:
    return place.root / f"{place.out.name}_harvest" / "harvest.html"


def _compared(request: Request) -> Response:
    """The page of the comparison, or of the harvest, which runs nothing."""
    place = place_of(request)
    path = _harvested(place) if request.url.path.endswith("harvest.html") else applied_folder(place) / "compared.html"
    if not path.is_file():
        raise HTTPException(404)
    policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox"
    return HTMLResponse(path.read_text(encoding="utf-8"), headers={"content-security-policy": policy})


def _season(request: Request) -> Response:
    """The season page of the book beside the fields; without one, of what is built."""
    from vrn.ingest.season_tables import trials_in
    from vrn.many.batch import entry_of
    from vrn.many.book import latest
    from vrn.many.book_events import outcomes
    from vrn.many.questions import chains_of
    from vrn.many.season import due, season_results, to_order
    from vrn.many.task import Row
    from vrn.pages.page_parts import linked
    from vrn.pages.season_page import season_page
    from vrn.pipeline.learning import learned_in

    desk, today = desk_of(request), date.today()
    book = desk.root / BOOK
    known = latest(book) if book.is_file() else ()
    came = outcomes(book) if book.is_file() else ()
    folders = {entry.folder for entry in known}
    rows = [Row(name=one.out.name, field_file=str(one.file), folder=str(one.out), status="built")
            for one in desk.places() if summary_in(one.out) and str(one.out) not in folders]  # fmt: skip
    entries = (*known, *(entry_of(row) for row in rows))
    fields = due(entries, came, today)
    if not fields:
        return page(
            request,
            "refused.html",
            heading=say(TRADE, "desk.nav-season"),
            problem=say(TRADE, "desk.season-none"),
            remedy=say(TRADE, "desk.go-to-fields"),
        )
    trials = trials_in(book) if book.is_file() else ()
    text = linked(season_page(fields, to_order(fields), season_results(entries, came, trials=trials), today,
                              chains_of(book, entries) if book.is_file() else {}, learned_in(trials)),
                  ("season.css", "first.js", "season.js"))  # fmt: skip
    text = text.replace("<header>", f'<header><p><a href="/fields">{escape(say(TRADE, "desk.nav-fields"))}</a></p>', 1)
    return HTMLResponse(text, headers={"content-security-policy": _WITH_COLORS})


def _sign_page(request: Request) -> Response:
    desk, place = desk_of(request), place_of(request)
    found, summary = looked(desk, place), summary_in(place.out) or {}
    look = found if isinstance(found, FieldLook) else None
    standing = [] if look is None else [one for one in look.findings
                                        if one.level == "warning" and not one.code.startswith("review.")]  # fmt: skip
    return page(
        request, "sign.html", place=place, look=look, job=None if look is not None else found, summary=summary,
        standing=standing, same=look is not None and summary.get("id") == look.id,
        shown=UnitFormat(metric=look is not None and look.metric),
        terminal=(f'vrn sign {place.out.name} --by "NAME"' + (" --accept-warnings" if standing else ""),),
    )  # fmt: skip


async def _signed(request: Request) -> Response:
    desk, place = desk_of(request), place_of(request)
    async with request.form(max_files=2, max_fields=12) as form:
        by, remark = (str(form.get(name, "")).strip() for name in ("by", "note"))
        accept, agreed, secret = form.get("accept") == "yes", str(form.get("id", "")), str(form.get("secret", ""))
        upload = form.get("key")
        key = await upload.read(_MOST_KEY) if isinstance(upload, UploadFile) and upload.filename else b""
        key_name = upload.filename or "" if isinstance(upload, UploadFile) else ""
    if key:
        from vrn.files.signature import read_key
        from vrn.many.sign import refuse_revoked

        refuse_revoked(desk.root / BOOK, read_key(Path(key_name), secret, content=key))
    built = (await to_thread.run_sync(summary_in, place.out)) or {}
    if not by or agreed != built.get("id"):
        code = "sign-name" if not by else "sign-other"
        return page(request, "refused.html", status=422, problem=say(TRADE, f"desk.{code}"),
                    remedy=say(TRADE, "desk.go-back"))  # fmt: skip

    def after(found: Any) -> None:
        desk.keep(place, place.content(), found)

    job = desk.worker.submit(place.name, "sign", sign, after=after, folder=place.out, by=by, note=remark,
                             accept=accept, key=key, secret=secret)  # fmt: skip
    told = f'vrn sign {place.out.name} --by "{by}"' + accept * " --accept-warnings" + bool(key) * f" --key {key_name}"
    return page(request, "wait.html", job=job, next=f"/fields/{place.name}?said=signed",
                back=f"/fields/{place.name}/sign",
                terminal=(told,))  # fmt: skip


def _map(request: Request) -> Response:
    """The written map, its scripts linked, its review saved to the field file."""
    from vrn.pages.page_parts import linked

    desk, place = desk_of(request), place_of(request)
    path = place.written("map.html")
    if path is None:
        return seen(f"/fields/{place.name}")
    text = linked(path.read_text(encoding="utf-8"), ("map.css", "first.js", "map.js"), first=("desk.js",))
    if "<script>" in text:  # written by another version: as it is, with its own policy
        return seen(f"/fields/{place.name}/files/map.html")
    at = {"address": f"/fields/{place.name}/review", "seen": digest_of(desk.file(place).content),
          "away": say(TRADE, "desk.away")}  # fmt: skip
    told = json.dumps(at).replace("<", "\\u003c")
    back = f'<header><p><a href="/fields/{quote(place.name)}">{escape(say(TRADE, "desk.nav-field"))}</a></p>'
    text = text.replace("<header>", back, 1)
    text = text.replace("</main>", f'<script type="application/json" id="review-at">{told}</script></main>', 1)
    return HTMLResponse(text, headers={"content-security-policy": _WITH_COLORS})


async def _review(request: Request) -> Response:
    """A review of the map: rates with their reasons, and a signature, into the field file."""
    desk, place = desk_of(request), place_of(request)
    body = await request.body()
    return await to_thread.run_sync(_reviewed, desk, place, body, request.headers.get("x-seen", ""))


def _reviewed(desk: Desk, place: Place, body: bytes, digest: str) -> Response:
    file = desk.file(place)
    try:
        added = tomllib.loads(body.decode()) if len(body) < _MOST_REVIEW else {}
        if set(added) != {"review"} or not isinstance(added["review"], dict):
            raise HTTPException(422)
        settings_from({**file.values(), **added})
        changes: dict[Key, Any] = {("review", key): added["review"].get(key) for key in
                   ("approved_by", "approved_on", "approved_id", "note", "made_from", "override")}  # fmt: skip
        kept = file.change(changes, seen=digest)
    except VrnError as error:
        return JSONResponse({"kept": False, "text": f"{error.problem} {error.remedy}"}, status_code=422)
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError):
        raise HTTPException(422) from None
    said = {"kept": kept, "seen": digest_of(file.content),
            "text": say(TRADE, "desk.review-kept" if kept else "desk.meanwhile-map")}  # fmt: skip
    return JSONResponse(said, status_code=200 if kept else 409)


ROUTES: Final = (
    ("GET", "/stick", _stick_page), ("POST", "/stick", _stick), ("GET", "/stick/{job}", _on_stick),
    ("GET", "/season", _season), ("GET", "/fields/{field}/applied", _applied_page),
    ("POST", "/fields/{field}/applied", _applied), ("GET", "/fields/{field}/applied/compared.html", _compared),
    ("POST", "/fields/{field}/harvest", _harvest), ("GET", "/fields/{field}/applied/harvest.html", _compared),
    ("GET", "/fields/{field}/map", _map), ("POST", "/fields/{field}/review", _review),
    ("GET", "/fields/{field}/sign", _sign_page), ("POST", "/fields/{field}/sign", _signed),
)  # fmt: skip
