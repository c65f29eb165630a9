"""The report page in a real browser: it fits, it prints."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from vrn.pages.report_page import html_of, report_of

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def report_file(tmp_path_factory: pytest.TempPathFactory, make: Callable[..., Any]) -> Path:
    """The small prescription's report."""
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(html_of(report_of(make())), encoding="utf-8")
    return path


LONG = pytest.mark.long


@pytest.mark.parametrize(
    ("width", "scheme"),
    [(1280, "light"), (360, "dark"), pytest.param(1280, "dark", marks=LONG), pytest.param(360, "light", marks=LONG)],
)
def test_report_reads_at_any_width(visit: Callable[..., Any], report_file: Path, width: int, scheme: str) -> None:
    """Nothing is wider than the window, every plot is drawn."""
    page = visit(report_file, width=width, color_scheme=scheme).page
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    pictures = page.evaluate("Array.from(document.images, image => [image.naturalWidth > 0, image.alt.length > 0])")
    assert len(pictures) >= 5
    assert all(drawn and told for drawn, told in pictures)


@pytest.mark.parametrize("font", ["DejaVu Serif", pytest.param("", marks=LONG)], ids=["the widest", "page's own"])
@pytest.mark.parametrize(("paper", "height_px"), [("A4", 1017), ("Letter", 950)])  # less 14 mm margins, 96 to the inch
def test_grower_page_prints_on_one_sheet(
    visit: Callable[..., Any], report_file: Path, paper: str, height_px: int, font: str
) -> None:
    """Printed by the browser, the grower's part ends on its first sheet, with a tenth of it to spare."""
    page = visit(report_file, width=688 if paper == "A4" else 710, height=height_px).page
    page.emulate_media(media="print", color_scheme="light")
    page.add_style_tag(content=f".file {{ display: none; }} :root {{ {f'--serif: {font};' if font else ''} }}")
    top, bottom = page.evaluate(
        "[document.querySelector('h1').getBoundingClientRect().top,"
        " document.querySelector('.grower').getBoundingClientRect().bottom]"
    )
    assert bottom - top <= 0.9 * height_px
    assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper))) == 1
