"""Every page that is written, at three widths, light and dark, without colours and without scripts."""

import runpy
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from vrn.findings import note, warning
from vrn.ingest.read import read_ground
from vrn.model.applied import Comparison, Difference, ZoneApplied
from vrn.model.settings import Override, ReviewSection
from vrn.model.trials import Harvested, PastTrial, TrialPlot
from vrn.pages.compared import compared_page, harvest_page
from vrn.pages.field_page import field_page
from vrn.pages.map_page import map_page
from vrn.pages.report_page import html_of, report_of
from vrn.pipeline.reading import edge_need
from vrn.sampling.make_plan import plan_samples
from vrn.sampling.plan import PlanOptions

pytestmark = pytest.mark.browser
HERE = Path(__file__).parent
NAMES = ("map", "report", "compared", "harvest", "season", "field")
ROOM = ["scrollable-region-focusable", "target-size"]  # axe's rules that hang on the width
LOOKS = [(wide, high, scheme) for wide, high in ((360, 740), (768, 1024), (1280, 900)) for scheme in ("light", "dark")]
# every part of a page that a finger presses; a box to tick is pressed by its label, a link inside a sentence is exempt
SMALL = """() => [...document.querySelectorAll('button, select, input, textarea, summary, [role=button], a[href]')]
  .map(part => part.type === 'checkbox' || part.type === 'radio' ? part.closest('label') : part)
  .filter(part => part && part.checkVisibility({ visibilityProperty: true }))
  .filter(part => !part.closest('p, li') && part.className !== 'skip')
  .filter(part => { const box = part.getBoundingClientRect(); return box.height < 44 || box.width < 44; })
  .map(part => part.outerHTML.slice(0, 90))"""


def _comparison(made: Any) -> Comparison:
    """Each zone covered by two records, with a skip and an overlap."""
    ground, applied, target = [], [], []
    for rate in made.rates:
        west, south, east, north = rate.outline.bounds
        middle = (south + north) / 2
        ground += [shapely.box(west, south, east, middle), shapely.box(west, middle, east, north)]
        applied += [rate.rate_n_lb_ac, 0.7 * rate.rate_n_lb_ac]
        target += [rate.rate_n_lb_ac] * 2
    zones = tuple(
        ZoneApplied(zone=rate.zone, acres=rate.acres, driven_acres=rate.acres, target_n_lb_ac=rate.rate_n_lb_ac,
                    mean_n_lb_ac=0.85 * rate.rate_n_lb_ac, total_n_lb=85.0 * rate.acres, within_share=0.5,
                    missed_acres=0.1, short_acres=8.0, right_acres=9.0, over_acres=0.0, twice_acres=0.2)
        for rate in made.rates
    )  # fmt: skip
    west, south, _, _ = made.field.boundary.bounds
    return Comparison(
        field="Small Field", season=2026, units="us", approved=False, source="applied.csv", crs=made.field.crs,
        product="UAN 32", unit="gal", n_lb_per_unit=3.54, prescribed_product=1800.0, applied_product=1500.0,
        within_share=0.5, skipped_acres=0.3, overlapped_acres=0.6, meter_factor=1.02, logged_product=1470.0,
        delivered_product=1500.0, zones=zones, dropped={"outside": 3}, footprints=np.array(ground, dtype=object),
        difference=Difference(missed_n_lb=-20.0, twice_n_lb=9.0, rate_n_lb=-700.0, no_apply_n_lb=0.0,
                              outside_n_lb=4.0, rate_factor=0.85),
        applied_n_lb_ac=np.array(applied), target_n_lb_ac=np.array(target),
        outlines={rate.zone: rate.outline for rate in made.rates}, skips=shapely.box(west, south, west + 9, south + 90),
        overlaps=shapely.box(west + 30, south, west + 33, south + 400),
        findings=(warning("audit.draft-applied", "review"),),
    )  # fmt: skip


def _harvested(made: Any) -> Harvested:
    """A trial of six plots, one of them left out."""
    plots = tuple(
        TrialPlot(label=str(k), planned_n_lb_ac=rate, n_lb_ac=rate + 1, sd_n_lb_ac=2.0, yield_bu_ac=150.0 + rate / 3,
                  points=40, why="uneven" if k == 5 else "",
                  outline=shapely.box(-94.619 + 0.0004 * k, 42.311, -94.6187 + 0.0004 * k, 42.313).wkt)
        for k, rate in enumerate((40.0, 80.0, 120.0, 160.0, 200.0, 90.0))
    )  # fmt: skip
    trial = PastTrial(field="Small Field", season=2026, block="block 1", rx="a" * 64, method="remaining-need",
                      approved=True, need_lb_ac=110.0, supplies={}, typical={}, acres=57.0, plots=plots,
                      harvest_sha256="b" * 64)  # fmt: skip
    return Harvested(field="Small Field", season=2026, units="us", crs=made.field.crs, boundary=made.field.boundary,
                     folder="rx", trials=(trial,), says=(), tops=((110.0, 140.0, 95.0, 180.0),),
                     findings=(note("rates.draft", "review"),))  # fmt: skip


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory, make: Callable[..., Any]) -> Path:
    """A folder with each page, as a person may meet it: a rate by hand, samples that do not count, a finding."""
    override = (Override(zone=1, rate_n_lb_ac=90.0, reason="wet"),)
    made = replace(make(review=ReviewSection(override=override)), overrides=override)
    west, south, _, _ = made.field.boundary.bounds
    samples = replace(
        made.field.samples, left_out=(("S9", west - 20, south + 50, ""), ("S8", west + 90, south + 9, "spilled"))
    )
    made = replace(made, field=replace(made.field, samples=samples))
    plan = plan_samples(
        read_ground(HERE.parents[1] / "demo_fields" / "mill_race" / "field.toml"), PlanOptions(samples=8)
    )
    season = runpy.run_path(str(HERE.parent / "many" / "test_season_pages.py"))["_page"]
    folder = tmp_path_factory.mktemp("pages")
    texts = (map_page(made), html_of(report_of(made)), compared_page(_comparison(made)), harvest_page(_harvested(made)),
             season(), field_page(plan, edge_need(plan)))  # fmt: skip
    for name, text in zip(NAMES, texts, strict=True):
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def live(chromium: Any) -> Iterator[Any]:
    """One window for all pages."""
    context = chromium.new_context(offline=True, has_touch=True)
    yield context.new_page()
    context.close()


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("every", [False, pytest.param(True, marks=pytest.mark.long)], ids=["some rows", "every row"])
def test_page_is_fit_for_anybody(live: Any, pages: Path, name: str, every: bool) -> None:
    """At each width and scheme: nothing wider than the window, a finger finds every part, axe-core finds nothing.

    Colours hang on the scheme and room on the width: all rules are tried at both ends, those of room at every width;
    rows of a table from the fourth on are like the three before. In the long run every rule, row and look.
    """
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-core is not installed (extra: test)")
    live.goto((pages / f"{name}.html").as_uri())
    live.evaluate("document.querySelectorAll('details').forEach(part => { part.open = true; })")
    if name == "map":
        live.select_option("#beside-it", "need_lb_ac")
    for width, height, scheme in LOOKS if every else LOOKS[::5] + LOOKS[1:5]:
        live.emulate_media(color_scheme=scheme)
        live.set_viewport_size({"width": width, "height": height})
        assert live.evaluate("document.documentElement.scrollWidth") <= width
        assert width > 360 or live.evaluate(SMALL) == []
        if not every:
            live.evaluate("document.querySelectorAll('tbody tr:nth-child(n + 4)').forEach(row => row.remove())")
        if every or (width, height, scheme) in LOOKS[::5]:
            found = axe.Axe().run(live, options={"resultTypes": ["violations"]}).response["violations"]
        else:
            found = live.evaluate("rules => axe.run({ runOnly: rules, resultTypes: ['violations'] })", ROOM)[
                "violations"
            ]
        assert [(scheme, width, one["id"], one["nodes"][0]["html"]) for one in found] == []


@pytest.mark.parametrize("name", NAMES)
def test_swatches_keep_their_colors_where_a_person_sets_all_others(live: Any, pages: Path, name: str) -> None:
    """With forced colours, a swatch, a bar or a path of a picture keeps the colour that it stands for."""
    page = live
    page.emulate_media(forced_colors="none", color_scheme="light")
    page.goto((pages / f"{name}.html").as_uri())
    look = """[...document.querySelectorAll('.swatch, .bar, svg path[fill^="#"]')].map(part => {
      const one = getComputedStyle(part); return [one.backgroundColor, one.backgroundImage, one.fill].join(); })"""
    plain = page.evaluate(look)
    page.emulate_media(forced_colors="active")
    forced = page.evaluate(look)
    page.emulate_media(forced_colors="none")
    assert forced == plain
    assert name not in ("map", "season") or plain


def test_pages_are_plain_without_scripts(chromium: Any, pages: Path) -> None:
    """Without scripts each page has its heading and text, and no control that does nothing."""
    context = chromium.new_context(offline=True, java_script_enabled=False)
    page = context.new_page()
    for name in NAMES:
        page.goto((pages / f"{name}.html").as_uri())
        assert len(page.locator("body").inner_text()) > 100, name
        dead = [part for part in page.locator("button, select, input").all() if part.is_visible()]
        assert not dead or name == "field", name  # which is nothing without them
    context.close()
