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
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response

from vrn.desk.edit import Key, digest_of
from vrn.desk.fields import FieldLook, look_of, looked
from vrn.desk.session import SAME_ORIGIN, TRADE, Desk, Place, desk_of, page, place_of, seen
from vrn.errors import VrnError
from vrn.ingest.field_file import settings_from
from vrn.many.task import summary_in
from vrn.words import UnitFormat, say

_MOST_REVIEW: Final = 4_000_000  # bytes


def sign(step: Callable[[str], None], *, folder: Path, by: str, note: str, accept: bool) -> FieldLook:
    """What ``vrn sign`` does, by name."""
    from vrn.files.staging import source_of
    from vrn.many.beside import ReportBeside
    from vrn.many.sign import sign_folder

    with ReportBeside() as report:
        signed = sign_folder(folder, by=by, on=date.today(), note=note or None, sources={**source_of(folder)},
                             accept=accept, report=report, step=step)  # fmt: skip
    return look_of(signed)


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
        terminal=(f'vrn sign {place.name}_rx --by "NAME"' + (" --accept-warnings" if standing else ""),),
    )  # fmt: skip


async def _signed(request: Request) -> Response:
    desk, place = desk_of(request), place_of(request)
    async with request.form() as form:
        by, remark = (str(form.get(name, "")).strip() for name in ("by", "note"))
        accept, agreed = form.get("accept") == "yes", str(form.get("id", ""))
    built = (await to_thread.run_sync(summary_in, place.out)) or {}
    if not by or agreed != built.get("id"):
        code = "sign-name" if not by else "sign-other"
        return page(request, "refused.html", status=422, problem=say(TRADE, f"desk.{code}"),
                    remedy=say(TRADE, "desk.go-back"))  # fmt: skip

    def after(found: Any) -> None:
        desk.keep(place, place.content(), found)

    job = desk.worker.submit(place.name, "sign", sign, after=after, folder=place.out, by=by, note=remark, accept=accept)
    return page(request, "wait.html", job=job, next=f"/fields/{place.name}?said=signed",
                back=f"/fields/{place.name}/sign",
                terminal=(f'vrn sign {place.name}_rx --by "{by}"' + accept * " --accept-warnings",))  # fmt: skip


def _map(request: Request) -> Response:
    """The written map, its scripts linked, its review saved to the field file."""
    from vrn.pages.page_parts import linked

    desk, place = desk_of(request), place_of(request)
    path = place.written("map.html")
    if path is None:
        return seen(f"/fields/{place.name}")
    text = linked(path.read_text(encoding="utf-8"), ("map.css", "first.js", "map.js"), first=("desk.js",))
    at = {"address": f"/fields/{place.name}/review", "seen": digest_of(desk.file(place).content),
          "away": say(TRADE, "desk.away")}  # fmt: skip
    told = json.dumps(at).replace("<", "\\u003c")
    back = f'<header><p><a href="/fields/{quote(place.name)}">{escape(say(TRADE, "desk.nav-field"))}</a></p>'
    text = text.replace("<header>", back, 1)
    text = text.replace("</main>", f'<script type="application/json" id="review-at">{told}</script></main>', 1)
    policy = SAME_ORIGIN.replace("style-src 'self'", "style-src 'self' 'unsafe-inline'")  # colors of its swatches
    return HTMLResponse(text, headers={"content-security-policy": policy})


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
    ("GET", "/fields/{field}/map", _map), ("POST", "/fields/{field}/review", _review),
    ("GET", "/fields/{field}/sign", _sign_page), ("POST", "/fields/{field}/sign", _signed),
)  # fmt: skip
