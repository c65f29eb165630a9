"""What every page is made with: templates, styles, scripts, Leaflet, and the policy that keeps the network out."""

import base64
import hashlib
import json
import re
from functools import lru_cache
from importlib.metadata import distribution
from importlib.resources import files
from typing import Any
from urllib.parse import urlsplit

import jinja2

from vrn.errors import InputFileError


@lru_cache(maxsize=1)
def templates() -> jinja2.Environment:
    """Templates of this package; every value is text and is escaped unless it was made here as markup."""
    return jinja2.Environment(
        loader=jinja2.PackageLoader("vrn.pages", "templates"), autoescape=True, undefined=jinja2.StrictUndefined,
        keep_trailing_newline=True,
    )  # fmt: skip


def page_asset(name: str) -> str:
    """Text of one of the styles and scripts kept beside the templates."""
    return (files("vrn.pages") / "templates" / name).read_text(encoding="utf-8")


@lru_cache(maxsize=1)
def leaflet_files() -> tuple[str, str, str]:
    """Style, script and licence of Leaflet, as the package that carries them has them, pictures inside."""
    folder = files("js_lib_leaflet") / "static" / "js_lib_leaflet"

    def inside(match: re.Match[str]) -> str:
        data = (folder / "images" / match[1]).read_bytes()
        return f"url(data:image/png;base64,{base64.b64encode(data).decode('ascii')})"

    css = re.sub(r"url\(images/([\w.-]+\.png)\)", inside, (folder / "leaflet.css").read_text(encoding="utf-8"))
    js = re.sub(r"\n?//# sourceMappingURL=\S+", "", (folder / "leaflet.js").read_text(encoding="utf-8"))
    licence = distribution("django-js-lib-leaflet").read_text("LICENSE") or "Leaflet, BSD-2-Clause"
    return css, js.replace("\r\n", "\n"), "Leaflet is inside this file.\n" + licence


def page_policy(scripts: tuple[str, ...], tiles: str | None) -> str:
    """Content-security policy: these scripts by their hashes, pictures inside the file, and nothing else."""
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(script.encode('utf-8')).digest()).decode('ascii')}'"
        for script in scripts
    )
    origin = f" {_origin(tiles)}" if tiles else ""
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data:{origin}; "
        "base-uri 'none'; form-action 'none'"
    )


def _origin(tiles: str) -> str:
    """Scheme and host of a background, nothing else, or the address could widen the policy; ``{s}`` becomes ``*``."""
    address = urlsplit(tiles.replace("{s}", "*"))
    if address.scheme not in ("https", "http") or not re.fullmatch(r"(\*\.)?[A-Za-z0-9.-]+(:\d+)?", address.netloc):
        problem = f"export.tiles is {tiles!r}, which is no address of a background."
        raise InputFileError(problem, "Give it as https://host/{z}/{x}/{y}.png, or leave it out.")
    return f"{address.scheme}://{address.netloc}"


def data_uri(picture: bytes, kind: str = "png") -> str:
    """A picture inside a page."""
    return f"data:image/{kind};base64,{base64.b64encode(picture).decode('ascii')}"


def script_json(value: Any) -> str:
    """JSON that can stand inside a script element."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def linked(html: str, names: tuple[str, ...], *, first: tuple[str, ...] = ()) -> str:
    """A written page with its styles and scripts linked from ``/assets/``, for a server that says the policy itself.

    `names` of assets that are inside it; `first`: scripts of the server's own that run before them.
    """
    css, js, _ = leaflet_files()
    held = {name: page_asset(name) for name in names} | {"leaflet.css": css, "leaflet.js": js}
    for name, text in held.items():
        html = html.replace(f"<style>{text}</style>", f'<link rel="stylesheet" href="/assets/{name}">')
        html = html.replace(f"<script>{text}</script>", f'<script src="/assets/{name}"></script>')
    html = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>\n?', "", html, count=1)
    html = html.replace("<head>", '<head>\n<link rel="icon" href="data:,">', 1)  # a browser would ask for one
    before = "".join(f'<script src="/assets/{name}"></script>\n' for name in first)
    return html.replace(
        '<script type="application/json" id="data">', before + '<script type="application/json" id="data">', 1
    )
