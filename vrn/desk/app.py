"""``vrn desk``: the addresses of the desk, what answers each, and the server that listens on this computer."""

import io
import socket
import zlib
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Final

import anyio
from sse_starlette import EventSourceResponse
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from vrn.desk import fields, form, handover, readings, zones
from vrn.desk.edit import digest_of
from vrn.desk.session import TRADE, Desk, Guard, Sessions, desk_of, page, seen
from vrn.desk.work import Job
from vrn.errors import InputFileError, OutputError, VrnError
from vrn.pages.field_maps import paths_of
from vrn.pages.page_parts import leaflet_files, page_asset
from vrn.words import say

_LOOPBACK: Final = "127.0.0.1"
_FIRST_PORT, _PORTS = 20_000, 10_000  # for a phone: below those that systems hand out
_ROOMS: Final = (fields, form, readings, zones, handover)
_OWN: Final = ("desk.css", "desk.js")
_PAGES: Final = ("map.css", "map.js", "first.js", "season.css", "season.js", "field.css", "field.js", "field_keep.js")
_KINDS: Final = {".css": "text/css", ".js": "text/javascript"}


async def _home(_request: Request) -> Response:
    return seen("/fields")


async def _nothing(_request: Request) -> Response:
    return Response(status_code=204)


@lru_cache(maxsize=16)
def _asset_text(name: str) -> str | None:
    if name in _OWN:
        return (files("vrn.desk") / "templates" / name).read_text(encoding="utf-8")
    if name in _PAGES:
        return page_asset(name)
    if name in ("leaflet.css", "leaflet.js"):
        css, js, licence = leaflet_files()
        return css if name.endswith("css") else f"/* {licence.replace('*/', '')} */\n{js}"
    if name == "htmx.js":
        return (files("js_lib_htmx") / "static" / "htmx" / "htmx.min.js").read_text(encoding="utf-8")
    return None


def _asset(request: Request) -> Response:
    name = request.path_params["name"]
    text = _asset_text(name)
    if text is None:
        raise HTTPException(404)
    tag = f'"{digest_of(text.encode())[:16]}"'  # asked about each time: after an update no page wears the old style
    headers = {"cache-control": "private, no-cache", "etag": tag}
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers=headers)
    return Response(text, media_type=_KINDS[Path(name).suffix], headers=headers)


def boundaries(step: Callable[[str], None], *, files: tuple[tuple[str, Path], ...]) -> tuple[str, dict[str, str]]:
    """Outlines of fields by name as paths of one picture, with its box; those that cannot be read are left out."""
    from vrn.ingest.field_file import read_settings
    from vrn.ingest.input_files import InputFiles
    from vrn.ingest.outline import read_boundary
    from vrn.ingest.table import LONLAT
    from vrn.model.grid import reproject

    step("reading")
    found = {}
    for name, file in files:
        with suppress(VrnError):
            crs, boundary, _ = read_boundary(InputFiles(file.parent), read_settings(file).header)
            found[name] = reproject(boundary.simplify(10), crs, LONLAT)
    box, ways = paths_of(list(found.values())) if found else ("", ())
    return box, dict(zip(found, ways, strict=True))


def _map_of_fields(request: Request) -> Response:
    """Every field of the folder where it lies, as a fragment."""
    desk = desk_of(request)
    places = desk.places()
    content = "".join(place.content() for place in places)
    files = tuple((place.name, place.file) for place in places)
    job = desk.worker.known("", f"map {digest_of(content.encode())}", boundaries, files=files).waited()
    box, ways = job.result if job.state == "done" else ("", {})
    return page(request, "map_of_fields.html", box=box, ways=ways)


def _job(request: Request) -> Response:
    """What is left to say of a job, as a fragment."""
    ways = {name: request.query_params.get(name, "/fields") for name in ("next", "back")}
    inside = {name: way if way.startswith(("/fields", "/stick")) else "/fields" for name, way in ways.items()}
    return page(request, "job.html", job=_job_of(request), next=inside["next"], back=inside["back"])


def _job_of(request: Request) -> Job:
    job = desk_of(request).worker.jobs.get(request.path_params["job"])
    if job is None:
        raise HTTPException(404)
    return job


def _stop(request: Request) -> Response:
    job = _job_of(request)
    desk_of(request).worker.stop(job)
    return seen(f"/fields/{job.field}" if job.field in {one.name for one in desk_of(request).places()} else "/fields")


async def _events(request: Request) -> Response:
    """The steps of a job as they come, and its end."""
    job = _job_of(request)

    async def steps() -> AsyncIterator[dict[str, str]]:
        last = None
        while not job.over:
            now = (job.state, job.step)
            if now != last:
                yield {"event": "step", "data": step_text(job)}
                last = now
            await anyio.sleep(0.1)
        yield {"event": "over", "data": step_text(job)}

    return EventSourceResponse(steps(), ping=600)


def step_text(job: Job) -> str:
    """What a job does now, in words."""
    if job.state == "running" and job.step:
        return say(TRADE, f"desk.step-{job.step.replace(' ', '-')}")
    return say(TRADE, f"desk.job-{job.state}")


async def _refused(request: Request, error: Exception) -> Response:
    """What a person can do about it, as a page of its own."""
    if isinstance(error, VrnError):
        status = 409 if isinstance(error, OutputError) else 422
        return page(request, "refused.html", status=status, problem=error.problem, remedy=error.remedy)
    status = error.status_code if isinstance(error, HTTPException) else 400
    code = {404: "no-page", 413: "too-large", 405: "no-page"}.get(status, "not-understood")
    return page(request, "refused.html", status=status, problem=say(TRADE, f"desk.{code}"),
                remedy=say(TRADE, "desk.go-to-fields"))  # fmt: skip


def make_app(root: Path, sessions: Sessions, *, most_bytes: int | None = None) -> Starlette:
    """
    The desk of one folder.

    Raises
    ------
    InputFileError
        If there is no such folder, or it is a field's own.
    """
    if not root.is_dir():
        problem = f"{root} is not a folder."
        raise InputFileError(problem, "Give the folder that holds the fields' folders.")
    if (root / "field.toml").is_file():
        problem = f"{root} is the folder of one field."
        raise InputFileError(problem, f"Give the folder that holds it: vrn desk {root.resolve().parent}")
    desk = Desk(root=root.resolve())
    limits = {} if most_bytes is None else {"most_bytes": most_bytes}
    app = Starlette(
        routes=[
            Route("/", _home), Route("/favicon.ico", _nothing), Route("/assets/{name}", _asset),
            Route("/map-of-fields", _map_of_fields),
            Route("/jobs/{job}", _job), Route("/jobs/{job}/events", _events),
            Route("/jobs/{job}/stop", _stop, methods=["POST"]),
            *(Route(path, answer, methods=[method]) for room in _ROOMS for method, path, answer in room.ROUTES),
        ],
        middleware=[Middleware(Guard, sessions=sessions, **limits)],
        exception_handlers={VrnError: _refused, HTTPException: _refused},
    )  # fmt: skip
    app.state.desk = desk
    return app


@dataclass(frozen=True, kw_only=True)
class OpenDesk:
    """A desk that listens: its address with the token that opens it once, and the phone's, where it has one."""

    address: str
    phone_address: str
    phone_code: str
    serve: Callable[[], None]


@contextmanager
def open_desk(root: Path, *, port: int = 0, lan: bool = False) -> Iterator[OpenDesk]:
    """Listen on this computer, and with ``lan`` on its network for a phone; all ends with the block."""
    import uvicorn

    listening = [_listen(_LOOPBACK, port or (_port_of(root) if lan else 0))]
    port = listening[0].getsockname()[1]
    hosts = [f"{_LOOPBACK}:{port}", f"localhost:{port}"]
    sessions = Sessions(hosts=tuple(hosts))
    phone_address = phone_code = phone_picture = ""
    if lan:
        import secrets

        import segno

        own = _address_on_network()
        listening.append(_listen(own, port))
        sessions.hosts, sessions.phone_token = (*hosts, f"{own}:{port}"), secrets.token_urlsafe(12)
        sessions.phone_host = f"{own}:{port}"
        phone_address = f"http://{own}:{port}/edge?token={sessions.phone_token}"
        drawn = io.StringIO()
        code = segno.make(phone_address, error="m")
        code.terminal(drawn, compact=True)
        phone_picture = code.png_data_uri(scale=6)
        phone_code = drawn.getvalue()
    app = make_app(root, sessions)
    app.state.desk.phone_address, app.state.desk.phone_code = phone_address, phone_picture
    server = uvicorn.Server(uvicorn.Config(app, log_level="warning", access_log=False, server_header=False,
                                           timeout_graceful_shutdown=2))  # fmt: skip
    try:
        yield OpenDesk(address=f"http://{hosts[0]}/?token={sessions.token}", phone_address=phone_address,
                       phone_code=phone_code, serve=lambda: server.run(sockets=listening))  # fmt: skip
    finally:
        app.state.desk.worker.close()
        for one in listening:
            one.close()


def _port_of(root: Path) -> int:
    """The same port for a folder each time, so that a phone finds the desk again; 0 where it is taken."""
    port = _FIRST_PORT + zlib.crc32(str(root.resolve()).encode()) % _PORTS
    try:
        for host in (_LOOPBACK, _address_on_network()):
            socket.create_server((host, port)).close()
    except OSError:
        return 0
    return port


def _listen(host: str, port: int) -> socket.socket:
    try:
        return socket.create_server((host, port))
    except OSError as error:
        problem = f"The desk cannot listen at {host}:{port}: {error.strerror or error}."
        raise OutputError(problem, "Leave --port out to take a free one, or close what uses it.") from None


def _address_on_network() -> str:
    """Address of this computer on its network; no packet is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
        except OSError:
            problem = "This computer is on no network."
            raise OutputError(problem, "Join the network that the phone is on, or leave --lan out.") from None
        return str(probe.getsockname()[0])
