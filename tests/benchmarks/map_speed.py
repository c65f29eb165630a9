"""The map of a square mile at a quarter of the processor, opened and panned: `python tests/benchmarks/map_speed.py`.

Made readings on 640 acres. Peer in the same run: the same field with 40 samples. Chromium's own throttling (4 ×); a
frame is the time between two callbacks of ``requestAnimationFrame`` while the map is dragged to and fro.
"""

import argparse
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from playwright.sync_api import sync_playwright

import vrn
from vrn.pages.map_page import write_map

WEST, NORTH, WIDE, HIGH = -94.62, 42.31, 0.01953, 0.01449  # a square mile
FIELD = """[field]
name = "Section 12"
season = 2026
boundary = "boundary.geojson"
[crop]
yield_goal_bu_ac = 210
growth_stage = "V8"
[samples]
file = "samples.csv"
reported_as = "NO3-N"
moisture_basis = "dry"
[layers.organic_matter]
value_pct = 2.6
[machine]
swath_ft = 60
"""
FRAMES = """() => new Promise(done => { const times = [], began = performance.now(); let last = began;
  const step = now => { times.push(now - last); last = now;
    if (now - began < 4000) requestAnimationFrame(step); else done(times.slice(2)); };
  requestAnimationFrame(step); })"""


def write_page(samples: int, at: Path) -> Path:
    """The map of the field with so many samples."""
    at.mkdir()
    ring = [[WEST, NORTH], [WEST, NORTH - HIGH], [WEST + WIDE, NORTH - HIGH], [WEST + WIDE, NORTH], [WEST, NORTH]]
    (at / "boundary.geojson").write_text(f'{{"type": "Polygon", "coordinates": [{ring}]}}')
    rng = np.random.default_rng(samples)
    along = rng.uniform(0.005, 0.995, (samples, 2))
    rough = np.cos(along @ rng.normal(0.0, 6.0, (2, 40)) * 3.0 + rng.uniform(0.0, 6.3, 40)).sum(axis=1) / np.sqrt(20.0)
    ppm = np.maximum(16.0 + 4.0 * rough + rng.normal(0.0, 0.8, samples), 0.5)
    rows = [f"S{i},{WEST + x * WIDE:.6f},{NORTH - y * HIGH:.6f},0,12,{v:.1f},2026-06-16"
            for i, ((x, y), v) in enumerate(zip(along, ppm, strict=True))]  # fmt: skip
    head = "sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm,sampled_on"
    (at / "samples.csv").write_text("\n".join([head, *rows]) + "\n")
    (at / "field.toml").write_text(FIELD)
    write_map(vrn.build(vrn.read_field(at / "field.toml")), at / "map.html")
    return at / "map.html"


def busy(browser: Any, page_file: Path) -> float:
    """Processor seconds of the page's own thread until it is at rest, at full speed."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True)
    page = context.new_page()
    session = context.new_cdp_session(page)
    session.send("Performance.enable", {"timeDomain": "threadTicks"})
    page.goto(page_file.as_uri())
    page.wait_for_timeout(1000)
    counted = {one["name"]: one["value"] for one in session.send("Performance.getMetrics")["metrics"]}
    context.close()
    return float(counted["TaskDuration"])


def measured(browser: Any, page_file: Path, slowed: float) -> tuple[float, Sequence[float]]:
    """Seconds until the map answers, and milliseconds of each frame of four seconds of dragging, labels shown."""
    context = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True)
    page = context.new_page()
    context.new_cdp_session(page).send("Emulation.setCPUThrottlingRate", {"rate": slowed})
    page.goto(page_file.as_uri())
    ready = page.evaluate("performance.now() / 1000") - page.evaluate("performance.timing.domLoading - "
                                                                      "performance.timeOrigin") / 1000  # fmt: skip
    page.click("#zoom-in")
    page.click("#zoom-in")
    page.wait_for_timeout(2500)
    box = page.locator("#main-pane").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.evaluate(f"() => {{ window.frames_of_drag = ({FRAMES})(); }}")  # which nobody waits for yet
    for k in range(90):
        page.mouse.move(x + 150 * np.sin(k / 6), y + 120 * np.cos(k / 9))
        page.wait_for_timeout(40)
    times = page.evaluate("window.frames_of_drag")
    page.mouse.up()
    context.close()
    return ready, times


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("samples", type=int, nargs="*", default=[2000])
    parser.add_argument("--slowed", type=float, default=4.0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as place, sync_playwright() as playwright:
        program = shutil.which("chromium") or shutil.which("google-chrome")
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        for count in (40, *given.samples):
            file = write_page(count, Path(place) / str(count))
            ready, times = measured(browser, file, given.slowed)
            size = f"{count:7} samples: {file.stat().st_size / 1e6:.2f} MB, ready in {ready:.2f} s slowed"
            size += f" ({busy(browser, file):.2f} s of processor at full speed)"
            print(f"{size}, frames {np.median(times):.0f} ms in the middle, {max(times):.0f} ms at most")
        browser.close()
