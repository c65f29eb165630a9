"""A whole day at the desk in a real browser: from foreign files to a signed stick, with every page looked at by axe."""

import csv
import io
import json
import re
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import shapefile
from affine import Affine

pytestmark = pytest.mark.browser
WEST, NORTH, SIDE = -94.62, 42.31, 0.0030  # of a field of about 20 acres
PAGES = ("", "/readings", "/layers", "/settings", "/zones", "/sign", "/applied", "/map")


def _files(folder: Path) -> list[str]:
    """A laboratory's table with headers of its own, a zipped shapefile, organic matter, a yield raster."""
    random = np.random.default_rng(24)
    spots = [(WEST + SIDE * (x + 0.5) / 4, NORTH - SIDE * (y + 0.5) / 4) for x in range(4) for y in range(4)]
    with (folder / "lab report.csv").open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, delimiter=";")
        table.writerow(["Sample No", "Long (deg)", "Lat (deg)", "Depth (in)", "NO3-N (ppm, dry soil)", "Date sampled"])
        for number, (east, north) in enumerate(spots):
            ppm = 8 + 3000 * (east - WEST) + random.normal(0, 0.6)
            table.writerow([f"S{number}", f"{east:.6f}", f"{north:.6f}", "0-12", f"{ppm:.1f}", "2026-06-15"])
    with (folder / "om.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(
            [["lon", "lat", "Organic matter %"], *([*one, round(2.6 + i / 16, 2)] for i, one in enumerate(spots))]
        )
    parts = {name: io.BytesIO() for name in ("shp", "shx", "dbf")}
    with shapefile.Writer(**parts, shapeType=shapefile.POLYGON) as shapes:
        shapes.field("NAME", "C")
        ring = [(WEST, NORTH), (WEST + SIDE, NORTH), (WEST + SIDE, NORTH - SIDE), (WEST, NORTH - SIDE), (WEST, NORTH)]
        shapes.poly([ring])
        shapes.record("North 20")
    with zipfile.ZipFile(folder / "outline.zip", "w") as archive:
        for name, part in parts.items():
            archive.writestr(f"outline.{name}", part.getvalue())
        archive.writestr("outline.prj", 'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563]],'
                         'PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]')  # fmt: skip
    values = (1 + 0.2 * np.linspace(-1, 1, 20)[:, None] * np.ones(20)).astype("float32")
    with rasterio.open(
        folder / "yield_relative.tif",
        "w",
        driver="GTiff",
        width=20,
        height=20,
        count=1,
        dtype="float32",
        crs="EPSG:4326",
        transform=Affine(SIDE / 20, 0, WEST, 0, -SIDE / 20, NORTH),
    ) as raster:
        raster.write(values, 1)
    return [str(folder / name) for name in ("lab report.csv", "om.csv", "outline.zip", "yield_relative.tif")]


@contextmanager
def _desk(folder: Path) -> Iterator[str]:
    """The address of a desk that runs as a person starts it."""
    command = [sys.executable, "-m", "vrn", "desk", str(folder), "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        try:
            yield running.stdout.readline().strip()
        finally:
            running.terminate()


def _phone_that_loses_the_desk(chromium: Any, desk: Any, origin: str, farm: Path) -> None:
    """A reading typed while the desk is out of reach is said to be unsent, kept, and sent when it is back."""
    desk.goto(f"{origin}/fields/north_20/readings")
    desk.get_by_role("button", name="Make a sampling plan").click()
    desk.get_by_role("link", name="Open").wait_for()
    context = chromium.new_context(viewport={"width": 390, "height": 780})
    context.add_cookies(desk.context.cookies())
    phone = context.new_page()
    phone.goto(f"{origin}/edge/north_20")
    for name, value in (("date", "2026-06-15"), ("instrument", "meter"), ("nominal", "20")):
        phone.fill(f"input[name={name}]", value)
    phone.select_option("select[name=stage]", "V8")
    phone.locator("#setup button").click()
    phone.locator("#state.sure").wait_for()
    context.set_offline(True)
    phone.locator("#typed").click()
    phone.keyboard.type("20.3")
    phone.locator("#save").click()
    phone.locator("#state.unsure").wait_for()
    kept = farm / "north_20" / "readings_by_hand.jsonl"
    assert '"done": []' in kept.read_text(encoding="utf-8").splitlines()[-1]
    context.set_offline(False)
    phone.locator("#state.sure").wait_for()
    done = json.loads(kept.read_text(encoding="utf-8").splitlines()[-1])["kept"]["done"]
    assert [float(one["ppm"]) for one in done] == [20.3]
    context.set_offline(True)  # a correction leaves as many readings as before
    phone.locator("#list button").first.click()
    for _ in range(4):
        phone.keyboard.press("Backspace")
    phone.locator("#typed").click()
    phone.keyboard.type("19.8")
    phone.locator("#save").click()
    phone.locator("#state.unsure").wait_for()
    phone.close()
    context.set_offline(False)
    phone = context.new_page()
    phone.goto(f"{origin}/edge/north_20")
    phone.locator("#list b", has_text="19.8").wait_for()
    phone.locator("#state.sure").wait_for()
    for _ in range(100):
        done = json.loads(kept.read_text(encoding="utf-8").splitlines()[-1])["kept"]["done"]
        if done[0]["ppm"] == 19.8:
            break
        phone.wait_for_timeout(100)
    assert [float(one["ppm"]) for one in done] == [19.8]
    context.close()


def _look_at_every_page(page: Any, origin: str, settled: Callable[[Callable[[], Any]], Any], every: bool) -> None:
    """Nothing is wider than the window, and axe finds nothing: each page at one look, in the long run at all four."""
    from axe_playwright_python.sync_playwright import Axe

    parts = ("/fields", "/stick", "/season", "/edge", *(f"/fields/north_20{part}" for part in PAGES))
    looks = ((1280, "light"), (360, "dark"), (360, "light"), (768, "dark"))
    for number, (width, scheme) in enumerate(looks if every else looks[:2]):
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
        for place, part in enumerate(parts):
            page.goto(origin + part)
            fits = settled(lambda: page.evaluate("document.documentElement.scrollWidth <= innerWidth"))
            assert fits, (part, width)
            if not every and (number + place) % 2:  # a second for each page: the looks take turns
                continue
            ran = settled(lambda: Axe().run(page, options={"resultTypes": ["violations"]})).response["violations"]
            assert not [one["id"] + one["nodes"][0]["html"] for one in ran], (part, width)


@pytest.mark.parametrize(
    "every", [False, pytest.param(True, marks=pytest.mark.long)], ids=["looks in turn", "every look"]
)
def test_from_foreign_files_to_a_signed_stick(
    tmp_path: Path, chromium: Any, run_vrn: Callable[..., object], every: bool
) -> None:
    """No terminal, no text file, no mouse, at most 25 keys and entries; the same id in a terminal; axe is clean."""
    page = chromium.new_page(viewport={"width": 1280, "height": 860}, reduced_motion="reduce")
    wrong, asked, presses, chosen = list[str](), set[str](), 0, list[Any]()
    page.on(
        "filechooser", lambda opened: chosen.append(opened)
    )  # from the start: a browser told of it later may have opened its own
    page.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on(
        "request", lambda request: asked.add(re.sub(r"^(https?://[^/]+|data:).*", r"\1", request.url, flags=re.DOTALL))
    )
    files, farm = _files(tmp_path), tmp_path / "farm"
    farm.mkdir()

    def keys(*pressed: str) -> None:
        """Keys, or texts typed where the focus is."""
        nonlocal presses
        for key in pressed:
            presses += 1
            if key in ("Tab", "Enter", "Space"):
                page.keyboard.press(key)
            else:
                page.keyboard.type(key)

    def settled(look: Callable[[], Any]) -> Any:
        """What is found once no job is left to wait for: a page goes on to the next when its job is over."""
        from playwright.sync_api import Error

        for _ in range(50):
            page.wait_for_selector("[data-job]", state="detached")
            page.wait_for_load_state("load")
            try:
                return look()
            except Error:  # the page went on meanwhile
                page.wait_for_timeout(100)
        return look()

    page.set_default_timeout(60_000)
    with _desk(farm) as address:
        page.goto(address)
        keys("North 20", "Tab")
        keys("Enter")
        for _ in range(100):
            if chosen:
                break
            page.wait_for_timeout(100)
        chosen[0].set_files(files)
        keys("Tab", "Enter")
        page.get_by_role("heading", name="North 20").wait_for()
        keys("210", "Tab", "V8", "Tab", "UAN 32", "Enter")
        page.get_by_role("button", name="Build the prescription").wait_for()
        keys("Enter")
        page.get_by_role("link", name="Go on to sign it").wait_for()
        keys("Enter")
        page.get_by_label("Your name").wait_for()
        if page.get_by_role("checkbox").count():
            keys("Space", "Tab")
        keys("A. Marsh", "Enter")
        page.get_by_text("Signed.", exact=True).wait_for()
        page.get_by_role("link", name="Put it on a stick").wait_for()
        keys("Enter")
        page.get_by_label("North 20").wait_for()
        keys("Enter")
        page.get_by_role("heading", name="On the stick").wait_for()
        assert (farm / "stick" / "TASKDATA" / "TASKDATA.XML").is_file()
        assert presses <= 25
        origin = address.split("/?")[0]
        _look_at_every_page(page, origin, settled, every)
        _phone_that_loses_the_desk(chromium, page, origin, farm)
    assert not wrong
    assert asked <= {origin, "data:"}
    told = json.loads((farm / "north_20_rx" / "summary.json").read_text(encoding="utf-8"))
    assert told["approved"]
    run_vrn("build", farm / "north_20" / "field.toml", "--out", tmp_path / "again")
    assert json.loads((tmp_path / "again" / "summary.json").read_text(encoding="utf-8"))["id"] == told["id"]
