"""Signing and handing over: what is signed by its id, the stick of several fields, what was applied, the season."""

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any, Final

from anyio import to_thread
from starlette.requests import Request
from starlette.responses import Response

from vrn.desk.fields import FieldLook, look_of, looked
from vrn.desk.session import TRADE, desk_of, page, place_of
from vrn.many.task import summary_in
from vrn.words import UnitFormat, say


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


ROUTES: Final = (
    ("GET", "/fields/{field}/sign", _sign_page), ("POST", "/fields/{field}/sign", _signed),
)  # fmt: skip
