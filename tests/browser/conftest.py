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


@pytest.fixture
def visit(chromium: Any) -> Iterator[Callable[..., Visit]]:
    """Opens a file at a window size; afterwards no request has left the page and no error was raised."""
    contexts, visits = [], []

    def open_file(path: Path, *, width: int = 1280, height: int = 900, answered: str = "", **options: Any) -> Visit:
        context = chromium.new_context(
            viewport={"width": width, "height": height}, offline=True, accept_downloads=True, **options
        )
        contexts.append(context)
        if answered:  # the one origin a test stands in for
            context.route(f"{answered}/**", lambda route: route.fulfill(body=_DOT, content_type="image/png"))
        visited = Visit(page=context.new_page())
        visited.page.set_default_timeout(10_000)
        visited.page.on("request", lambda request: visited.requests.append(request.url))
        visited.page.on("pageerror", lambda error: visited.errors.append(str(error)))
        visited.page.on(
            "console", lambda said: visited.errors.append(said.text) if said.type in ("error", "warning") else None
        )
        visited.page.goto(path.as_uri())
        visits.append(((path.as_uri(), "data:", "blob:", *((answered,) if answered else ())), visited))
        return visited

    yield open_file
    for context in contexts:
        context.close()
    for allowed, visited in visits:
        assert visited.errors == []
        assert [url for url in visited.requests if not url.startswith(allowed)] == []
