"""What people read, page by page and in both unit systems, held against a copy that was read by eye.

Numbers may move with a library or a method: a page differs when its words or its units do. After a meant change,
write the copies anew with ``VRN_WRITE_GOLDEN=1 pytest tests/golden``, and read what changed.
"""

import html
import json
import os
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import shapely

HERE = Path(__file__).parent
DEMO = HERE.parents[1] / "demo_fields" / "mill_race"
PAGES = ("check", "build", "load_sheet", "map", "report", "plan", "compare", "compare_page", "season", "season_page")
# ids, numbers and the width they take in a table; a number's own full stop stays
PASSING = re.compile(r"\b(?=[0-9a-f]*\d)[0-9a-f]{10}(?:[0-9a-f]{54})?\b|[−+-]?\d(?:[\d,.]*\d)?| +")
TRADE = re.compile(r"\b(lbs?|ac|gal|bu|ft|mph|acres?|bushels?|gallons?|inch(es)?|feet|miles?)\b|°F|\d–\d+ in\b")
# lines in the units of a method or a publication: arithmetic, sources
OWN = re.compile(r"×|your own value$|^middle of|et al\.|% organic matter holds|[a-z] \d{4}: |\bSource: ")
FILE = re.compile(r"[\w./-]+\.(toml|csv|tif|geojson|txt|html|pdf|json|db|gpkg|gpx|SHP|XML|BIN|zip)\b")
KEY = re.compile(r"\b[a-z]+\.[a-z]+_[a-z_]+\b|\b[a-z]+_[a-z]+_[a-z_]+\b")


def _drive(folder: Path, path: Path) -> None:
    """Up and down the field, 5 % short of the prescription, with one pass left out."""
    features = json.loads((folder / "prescription.geojson").read_text(encoding="utf-8"))["features"]
    rates = json.loads((folder / "summary.json").read_text(encoding="utf-8"))["zones"]
    zones = [(shapely.geometry.shape(one["geometry"]), rate["rate_n_lb_ac"])
             for one, rate in zip(features, rates, strict=True)]  # fmt: skip
    west, south, east, north = shapely.union_all([shape for shape, _ in zones]).bounds
    x, y = (part.ravel() for part in np.meshgrid(np.arange(west, east, 15e-5), np.arange(south, north, 1e-4)))
    rows = ["longitude,latitude,rate_n_lb_ac"]
    for number, easting in enumerate(np.unique(x)):
        northings = [] if number == 3 else np.sort(y[x == easting])[:: 1 if number % 2 else -1]
        for northing in northings:
            here = shapely.Point(easting, northing)
            rows += [f"{easting:.7f},{northing:.7f},{rate * 0.95:.1f}" for shape, rate in zones if shape.contains(here)]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def _text(path: Path) -> str:
    """Words of a page as a reader meets them, a line for each piece."""
    page = re.sub(r"(?s)<(script|style|svg)\b.*?</\1>|<!--.*?-->", " ", path.read_text(encoding="utf-8"))
    lines = (re.sub(r"\s+", " ", html.unescape(line)).strip() for line in re.split(r"<[^>]+>", page))
    return "\n".join(line for line in lines if line) + "\n"


def _words(text: str) -> str:
    """A page without what may move: one mark for each run of it."""
    return PASSING.sub(lambda found: " " if found[0].isspace() else "#", text)


@pytest.fixture(scope="module", params=["us", "metric"])
def pages(
    request: pytest.FixtureRequest, run_vrn: Callable[..., subprocess.CompletedProcess[str]],
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[str, dict[str, str]]:  # fmt: skip
    """Every page of one field: the demo field with a pond and a waterway, check strips, prices, a first pass."""
    system = str(request.param)
    home = tmp_path_factory.mktemp(f"golden_{system}")
    shutil.copytree(DEMO, home / "mill_race")
    shutil.copy(HERE / f"field.{system}.toml", home / "mill_race" / "field.toml")
    (home / "fields.csv").write_text("field\nmill_race/field.toml\n", encoding="utf-8")

    def run(*words: str) -> str:
        done = run_vrn(*words, cwd=home)
        assert done.returncode in (0, 1), done.stderr
        return f"{done.stdout}(exit status {done.returncode})\n"

    rx = home / "many" / "mill_race"
    found = {
        "check": run("check", "mill_race/field.toml"),
        "build": run("build", "mill_race/field.toml", "--out", "many/mill_race"),
        "plan": run("plan", "mill_race/field.toml", "--out", "plan"),
    }
    _drive(rx, home / "applied.csv")
    width = ("--width-ft", "40")
    found["compare"] = run("compare", "many/mill_race", "applied.csv", *width, "--out", "compared")
    run("fields", "fields.csv", "--out", "many")  # finds its one field built, and puts it into the book
    found["season"] = run("season", "many/season.db", "--on", "2099-06-10", "--html", "season.html")
    found["load_sheet"] = (rx / "load_sheet.txt").read_text(encoding="utf-8")
    files = {"map": rx / "map.html", "report": rx / "report.html", "season_page": home / "season.html",
             "compare_page": home / "compared" / "compared.html"}  # fmt: skip
    return system, found | {page: _text(path) for page, path in files.items()}


@pytest.mark.parametrize("page", PAGES)
def test_pages_say_what_was_read_by_eye(pages: tuple[str, dict[str, str]], page: str) -> None:
    """Word for word; numbers by eye, in the copy."""
    system, found = pages
    copy = HERE / f"{page}.{system}.txt"
    if os.environ.get("VRN_WRITE_GOLDEN"):
        copy.write_text(found[page], encoding="utf-8", newline="\n")
    assert _words(found[page]) == _words(copy.read_text(encoding="utf-8"))


@pytest.mark.parametrize("page", PAGES)
def test_a_metric_page_names_no_trade_unit(pages: tuple[str, dict[str, str]], page: str) -> None:
    """Nor does a page of either system name a key of the field file, outside a file's name."""
    system, found = pages
    words = FILE.sub("", found[page])
    if system == "metric":
        shapefile = "lb N/ac" if page == "load_sheet" else ""  # the sheet tells what the file's column holds
        lines = [line.replace(shapefile, "") for line in words.splitlines() if not OWN.search(line)]
        assert not [line for line in lines if TRADE.search(line)]
    if page in ("load_sheet", "map", "report", "compare_page", "season_page"):
        assert not KEY.findall(words)
