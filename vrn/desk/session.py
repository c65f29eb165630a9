"""One open desk: who may ask (a token used once, a cookie, this host and origin), what it knows, how it answers."""

import hashlib
import hmac
import secrets
import time
from dataclasses import dataclass, field
from functools import lru_cache, partial
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import parse_qs, urlsplit

import jinja2
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from vrn.desk.edit import FieldFile
from vrn.desk.work import Worker
from vrn.files.staging import source_of
from vrn.words import UnitFormat, say

if TYPE_CHECKING:
    from vrn.desk.fields import FieldLook, Started

_SETTLED_S: Final = 5.0  # a disk may tell times to two seconds
MOST_BYTES: Final = 300_000_000  # of one upload
TRADE: Final = UnitFormat(metric=False)
SAME_ORIGIN: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_SAID: Final = ("saved", "undone", "changed-meanwhile", "signed")  # what the page before did
_HEADERS: Final = {
    b"x-content-type-options": b"nosniff", b"referrer-policy": b"same-origin", b"x-frame-options": b"DENY",
    b"cross-origin-opener-policy": b"same-origin", b"cross-origin-resource-policy": b"same-origin",
    b"cache-control": b"no-store", b"content-security-policy": SAME_ORIGIN.encode(),
}  # fmt: skip
_SAFE: Final = ("GET", "HEAD")


@dataclass(kw_only=True)
class Sessions:
    """Tokens and cookies of one desk, in memory only: closing it ends them."""

    hosts: tuple[str, ...]  # that a request may name, with the port
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))  # opens the desk, once
    phone_token: str = ""  # opens the page of the field's edge, as often as the QR code is read; empty: no phone
    phone_host: str = ""  # host that the phone asks: nothing but the edge is there
    cookie: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    phone_cookie: str = field(default_factory=lambda: secrets.token_urlsafe(32))

    @property
    def cookie_name(self) -> str:
        """Cookies are a host's, not a port's: two desks on one computer must not take each other's."""
        return f"vrn_desk_{self.hosts[0].rpartition(':')[2]}"

    def opened_by(self, given: str) -> str:
        """Cookie for a token that is right, empty otherwise; the desk's own token is then spent."""
        if self.token and hmac.compare_digest(given.encode(), self.token.encode()):
            self.token = ""
            return self.cookie
        if self.phone_token and hmac.compare_digest(given.encode(), self.phone_token.encode()):
            return self.phone_cookie
        return ""

    def rights(self, cookies: str) -> str:
        """``"desk"``, ``"phone"`` or empty, by the cookies of a request."""
        try:
            kept = SimpleCookie(cookies).get(self.cookie_name)
        except CookieError:
            return ""
        given = b"" if kept is None else kept.value.encode()
        if hmac.compare_digest(given, self.cookie.encode()):
            return "desk"
        return "phone" if self.phone_token and hmac.compare_digest(given, self.phone_cookie.encode()) else ""


def _refusal(status: int = 403) -> Response:
    text = say(TRADE, "desk.too-large" if status == 413 else "desk.not-open")
    return Response(text, status_code=status, media_type="text/plain")


class _TooLarge(Exception):  # noqa: N818 - it ends an upload, and nobody else sees it
    pass


class Guard:
    """Refuses what does not come from the desk's own page, and puts the headers on what goes out."""

    def __init__(self, app: ASGIApp, *, sessions: Sessions, most_bytes: int = MOST_BYTES) -> None:
        self.app, self.sessions, self.most_bytes = app, sessions, most_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        answer = self._answer(scope, headers)
        sent, taken = False, 0

        async def dressed(message: Message) -> None:
            nonlocal sent
            if message["type"] == "http.response.start":
                sent = True
                own = {name.lower() for name, _ in message["headers"]}
                message["headers"] = [*message["headers"], *((k, v) for k, v in _HEADERS.items() if k not in own)]
            await send(message)

        async def counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self.most_bytes:
                raise _TooLarge
            return message

        try:
            await (answer or self.app)(scope, counted, dressed)
        except _TooLarge:
            if not sent:
                await _refusal(413)(scope, receive, dressed)

    def _answer(self, scope: Scope, headers: dict[str, str]) -> Response | None:
        """What is answered here: a refusal, or the cookie for a token; None where the request goes on."""
        host, origin = headers.get("host", ""), headers.get("origin")
        if host not in self.sessions.hosts or headers.get("sec-fetch-site", "same-origin") == "cross-site":
            return _refusal()
        if (origin is None and scope["method"] not in _SAFE) or (origin is not None and origin != f"http://{host}"):
            return _refusal()
        size = headers.get("content-length", "0")
        if not size.isdecimal() or int(size) > self.most_bytes:
            return _refusal(413)
        token = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        if token and scope["method"] == "GET":
            return self._opened(token, scope["path"])
        rights = self.sessions.rights(headers.get("cookie", ""))
        if host == self.sessions.phone_host and rights == "desk":
            rights = "phone"
        path = str(scope["path"])
        if not path.startswith("/assets/") and (not rights or (rights == "phone" and not path.startswith("/edge"))):
            return _refusal()
        scope["state"] = {**scope.get("state", {}), "rights": rights}
        return None

    def _opened(self, token: str, path: str) -> Response:
        cookie = self.sessions.opened_by(token)
        if not cookie:
            return _refusal()
        at = urlsplit(path).path
        answer = RedirectResponse(at if at.startswith("/") and not at.startswith("//") else "/", status_code=303)
        answer.set_cookie(self.sessions.cookie_name, cookie, httponly=True, samesite="strict", path="/")
        return answer


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where a field's files are: its folder, its field file, and the folder that is written of it."""

    name: str
    root: Path
    written_in: str = ""  # name of the folder that holds its prescription, where it is not NAME_rx

    @property
    def folder(self) -> Path:
        """Folder of the field file and what it names."""
        return self.root / self.name

    @property
    def file(self) -> Path:
        """The field file."""
        return self.folder / "field.toml"

    @property
    def out(self) -> Path:
        """Folder of the prescription, beside the field's own."""
        return self.root / (self.written_in or f"{self.name}_rx")

    def written(self, name: str) -> Path | None:
        """A written file by a name that came from outside; None if there is none, or it would lead elsewhere."""
        try:
            path = (self.out / name).resolve()
            inside = path.is_relative_to(self.out.resolve()) and path.is_relative_to(self.root.resolve())
            return path if inside and path.is_file() else None
        except (OSError, ValueError):
            return None

    def content(self) -> str:
        """Hash of all that a build of a field could read: what was looked at holds as long as it stays the same."""
        total = hashlib.sha256()
        paths = [path for path in sorted(self.folder.rglob("*")) if path.is_file() and not path.name.startswith(".")]
        paths += sorted(self.root.glob("*.toml"))
        for path in [*paths, self.out / "statement.json"]:
            try:
                total.update(f"{path}\0{_hash_of(path)}\n".encode())
            except OSError:
                total.update(f"{path}\0\n".encode())
        return total.hexdigest()


def _hash_of(path: Path) -> str:
    """Hash of a file; known from before where it has not been touched since, and not a moment ago."""
    now = path.stat()
    if time.time() - max(now.st_mtime, now.st_ctime) < _SETTLED_S:
        return _hashed.__wrapped__(path)
    return _hashed(path, now.st_ino, now.st_size, now.st_mtime_ns, now.st_ctime_ns)


@lru_cache(maxsize=20_000)
def _hashed(path: Path, *_stamp: int) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@dataclass(kw_only=True)
class Desk:
    """One folder that is open, its worker, and what was said of its fields so far."""

    root: Path
    worker: Worker = field(default_factory=Worker)
    files: dict[str, FieldFile] = field(default_factory=dict)
    looks: "dict[str, tuple[str, FieldLook]]" = field(default_factory=dict)  # by field: of which content, what
    started: "dict[str, Started]" = field(default_factory=dict)
    drawn: dict[str, list[dict[int, Any]]] = field(default_factory=dict)  # by field: zones after each step by hand
    applied: dict[str, Any] = field(default_factory=dict)  # by field: findings of what was applied
    phone_address: str = ""  # with the phone's token; and as a QR code, a picture
    phone_code: str = ""

    def places(self) -> tuple[Place, ...]:
        """Every field of the folder, by name; links that lead out of it are none."""
        root, inside = self.root, self.root.resolve()
        folders = [one for one in sorted(root.iterdir()) if not one.name.startswith(".")] if root.is_dir() else []
        written = {one.name: one for one in folders if (one / "summary.json").is_file()}
        of_file = {
            source_of(one)["field"].resolve(): name for name, one in written.items() if source_of(one).get("field")
        }
        found = []
        for folder in folders:
            file = folder / "field.toml"
            if file.is_file() and file.resolve().is_relative_to(inside):
                other = "" if f"{folder.name}_rx" in written else of_file.get(file.resolve(), "")
                found.append(Place(name=folder.name, root=root, written_in=other))
        return tuple(found)

    def file(self, place: Place) -> FieldFile:
        """Its field file, with the changes made here."""
        return self.files.setdefault(place.name, FieldFile(place.file))

    def keep(self, place: Place, content: str, found: "FieldLook") -> None:
        """Remember what was found of a field's files."""
        self.looks[place.name] = (content, found)


@lru_cache(maxsize=1)
def _templates() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.ChoiceLoader([jinja2.PackageLoader("vrn.desk"), jinja2.PackageLoader("vrn.pages")]),
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip


def page(
    request: Request, template: str, *, status: int = 200, terminal: tuple[str, ...] = (), **given: Any
) -> Response:
    """A page of the desk, with the same in a terminal."""
    shown, said = given.pop("shown", TRADE), request.query_params.get("said")
    html = (
        _templates()
        .get_template(template)
        .render(
            say=partial(say, shown),
            desk=request.app.state.desk,
            terminal=terminal,
            path=request.url.path,
            notice=say(TRADE, f"desk.said-{said}") if said in _SAID else "",
            **given,
        )
    )
    return HTMLResponse(html, status_code=status)


def desk_of(request: Request) -> Desk:
    """The desk that a request is for."""
    desk: Desk = request.app.state.desk
    return desk


def seen(address: str) -> Response:
    """After a form: look at a page."""
    return RedirectResponse(address, status_code=303)


def place_of(request: Request) -> Place:
    """The field that an address names; 404 where the folder has none of that name."""
    for place in desk_of(request).places():
        if place.name == request.path_params["field"]:
            return place
    raise HTTPException(404)
