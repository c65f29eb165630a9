"""Debian's chromium, driven offline: every request and every console error of a page is kept."""

import base64
import runpy
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

_DOT = base64.b64decode(  # a picture of one grey point
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNoAAAAggCBd81ytgAAAABJRU5ErkJggg=="
)


@dataclass
class Visit:
    """A page that was opened, with what it asked of the network and what it complained of."""

    page: Any
    requests: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)


@pytest.fixture(scope="session")
def make() -> Callable[..., Any]:
    """Maker of the small prescription that the page tests use."""
    maker: Callable[..., Any] = runpy.run_path(str(Path(__file__).parents[1] / "pages" / "conftest.py"))[
        "small_prescription"
    ]
    return maker


@pytest.fixture(scope="session")
def window(chromium: Any) -> Iterator[Any]:
    """One window for every page that asks for nothing of its own."""
    context = chromium.new_context(offline=True, accept_downloads=True)
    yield context.new_page()
    context.close()


@pytest.fixture
def visit(chromium: Any, window: Any) -> Iterator[Callable[..., Visit]]:
    """Opens a file at a window size; afterwards no request has left the page and no error was raised."""
    contexts, visits = [], []

    def open_file(
        path: Path, *, width: int = 1280, height: int = 900, answered: str = "", own: bool = False, **options: Any
    ) -> Visit:
        page = window
        if own or options or answered:
            contexts.append(chromium.new_context(offline=True, accept_downloads=True, **options))
            page = contexts[-1].new_page()
        if answered:  # the one origin a test stands in for
            contexts[-1].route(f"{answered}/**", lambda route: route.fulfill(body=_DOT, content_type="image/png"))
        page.set_viewport_size({"width": width, "height": height})
        page.set_default_timeout(10_000)
        visited = Visit(page=page)
        heard = {
            "request": lambda request: visited.requests.append(request.url),
            "pageerror": lambda error: visited.errors.append(str(error)),
            "console": lambda said: visited.errors.append(said.text) if said.type in ("error", "warning") else None,
        }
        for name, listener in heard.items():
            page.on(name, listener)
        page.goto(path.as_uri())
        visits.append(((path.as_uri(), "data:", "blob:", *((answered,) if answered else ())), visited, heard))
        return visited

    yield open_file
    for _, visited, heard in visits:
        for name, listener in heard.items():
            visited.page.remove_listener(name, listener)
    if any(visited.page is window for _, visited, _ in visits):
        window.evaluate("localStorage.clear()")
        window.emulate_media(media="null", color_scheme="null")
        window.goto("about:blank")
    for context in contexts:
        context.close()
    for allowed, visited, _ in visits:
        assert visited.errors == []
        assert [url for url in visited.requests if not url.startswith(allowed)] == []
