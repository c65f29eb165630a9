"""The map page in a real browser, offline, wide and narrow, by pointer and by keyboard."""

import re
import tomllib
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from vrn.findings import Quantity
from vrn.model.settings import ExportSection
from vrn.pages.map_page import write_map
from vrn.words import UnitFormat, say

pytestmark = pytest.mark.browser
WIDTHS = [(1280, 900), (360, 740)]
SOIL_LAYERS = ["nitrate_ppm", "nitrate_ppm_se", "organic_matter_pct", "yield_goal_bu_ac", "need_lb_ac"]


@pytest.fixture(scope="module")
def map_file(tmp_path_factory: pytest.TempPathFactory, make: Callable[..., Any]) -> Path:
    """The small prescription's map page."""
    path = tmp_path_factory.mktemp("map") / "map.html"
    write_map(make(), path)
    return path


def _said(name: str, **quantities: Any) -> str:
    return say(UnitFormat(metric=False), f"map.{name}", **quantities)


def _number(text: str) -> float:
    return float(re.sub(r"[^0-9.+-]", "", text.replace("−", "-")))


def _place_of(page: Any, longitude: float, latitude: float) -> tuple[float, float]:
    """Where a place of the map stands in the window."""
    where = page.evaluate(
        "([lng, lat]) => { const map = window.fieldMap.map;"
        "const p = map.latLngToContainerPoint([lat, lng]), box = map.getContainer().getBoundingClientRect();"
        "return [p.x + box.left, p.y + box.top]; }",
        [longitude, latitude],
    )
    return where[0], where[1]


def _center_of_zone(page: Any, zone: int) -> tuple[float, float]:
    """Middle of a zone's largest part, near which there is no edge."""
    lng, lat = page.evaluate(
        "(zone) => { let found; window.fieldMap.shapes.zones.eachLayer(l => { if (l.feature.properties.zone === zone) {"
        "const ring = l.feature.geometry.coordinates[0][0]; const n = ring.length - 1; found = [0, 1].map("
        "k => ring.slice(0, n).reduce((sum, p) => sum + p[k], 0) / n); } }); return found; }",
        zone,
    )
    return _place_of(page, lng, lat)


@pytest.mark.parametrize(("width", "height"), WIDTHS)
def test_page_opens_offline_and_fits(visit: Callable[..., Any], map_file: Path, width: int, height: int) -> None:
    """The map is drawn, nothing is wider than the window, and the draft is marked."""
    page = visit(map_file, width=width, height=height).page
    assert page.evaluate("document.documentElement.className") == "js"
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.locator(".draft").inner_text().lower() == "draft"
    assert page.locator("#main-pane path").count() >= 3
    assert not page.locator("figure.still").is_visible()


@pytest.mark.parametrize(("width", "height"), WIDTHS)
def test_numbers_of_zones_do_not_cover_each_other(
    visit: Callable[..., Any], tmp_path: Path, make: Callable[..., Any], width: int, height: int
) -> None:
    """Of numbers that would meet, that of the larger zone is seen; closer in, the others come back."""
    made = make()
    west, south, _, _ = made.field.boundary.bounds
    strips = [shapely.box(west + 60 + 30 * k, south + 150, west + 80 + 30 * k, south + 250) for k in range(4)]
    first = made.rates[0]
    cut = shapely.multipolygons(shapely.get_parts(shapely.difference(first.outline, shapely.union_all(strips))))
    more = [replace(first, zone=4 + k, outline=shapely.multipolygons([strip])) for k, strip in enumerate(strips)]
    write_map(replace(made, rates=(replace(first, outline=cut), *made.rates[1:], *more)), tmp_path / "map.html")
    page = visit(tmp_path / "map.html", width=width, height=height).page
    seen = (
        "[...document.querySelectorAll('#main-pane .tag b')].filter(t => getComputedStyle(t).visibility !== 'hidden')"
    )
    boxes = page.evaluate(
        f"{seen}.map(t => {{ const b = t.getBoundingClientRect(); return [b.left, b.top, b.right, b.bottom] }})"
    )
    assert 3 <= len(boxes) < 7
    for i, a in enumerate(boxes):
        assert not any(a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3] for b in boxes[:i])
    page.evaluate("window.fieldMap.map.setZoom(19, { animate: false })")
    assert page.evaluate(f"{seen}.length") == 8  # zone 2 lies on both sides of a ditch


@pytest.mark.parametrize(("width", "height"), WIDTHS)
def test_every_layer_and_overlay_toggles(visit: Callable[..., Any], map_file: Path, width: int, height: int) -> None:
    """One base layer at a time, each with its own legend; each overlay leaves the map and comes back."""
    page = visit(map_file, width=width, height=height).page
    for key in [*SOIL_LAYERS, "rate"]:
        page.select_option("#show", key)
        assert page.locator("#main-pane img.leaflet-image-layer").count() == (key != "rate")
        legends = page.locator(".key:visible")
        assert legends.count() == 1
        assert legends.get_attribute("data-key") == key
    elements = "document.querySelectorAll('#main-pane path:not([stroke=none]), #main-pane .leaflet-tooltip').length"
    for key in ("zones", "samples", "no-apply"):
        drawn = "document.querySelectorAll('#main-pane canvas').length" if key == "samples" else elements
        box = page.locator(f'[data-overlay="{key}"]')
        before = page.evaluate(drawn)
        box.uncheck()
        assert page.evaluate(drawn) < before
        box.check()
        assert page.evaluate(drawn) == before
    page.select_option("#show", "nitrate_ppm")
    assert page.evaluate("window.fieldMap.shapes.samples.numbers") == 5  # each place with its reading
    passes = page.locator('[data-overlay="passes"]')
    assert not passes.is_checked()
    without = page.evaluate(drawn)
    passes.check()
    assert page.evaluate(drawn) > without


@pytest.mark.parametrize(("width", "height"), WIDTHS)
def test_click_opens_a_ledger_whose_lines_sum(
    visit: Callable[..., Any], map_file: Path, width: int, height: int
) -> None:
    """A press on a zone shows that zone's ledger alone; its lines add up to the need printed under them."""
    page = visit(map_file, width=width, height=height).page
    for zone, rate in ((1, "90"), (2, "110"), (3, "130")):
        page.locator("#main-pane").scroll_into_view_if_needed()
        page.mouse.click(*_center_of_zone(page, zone))
        because = page.locator(".because:visible")
        assert because.count() == 1
        assert because.locator("h3").inner_text() == f"Zone {zone}: {rate} lb N/ac"
        lines = [_number(text) for text in because.locator(".ledger tbody td").all_inner_texts()]
        assert len(lines) == 3
        assert sum(lines) == _number(because.locator(".ledger .sum td").inner_text())
        assert "nitrate" in page.locator("#place").inner_text()


def test_values_at_a_place_are_the_surface_there(visit: Callable[..., Any], map_file: Path) -> None:
    """Pressed 100 m from the west edge, the page tells 24 − 100/50 = 22 ppm, as the surface was made."""
    page = visit(map_file).page
    page.mouse.click(*_center_of_zone(page, 1))  # zone 1 runs from 0 to 200 m
    said = re.search(r"nitrate ([\d.]+) ± ([\d.]+) ppm", page.locator("#place").inner_text())
    assert said is not None
    assert float(said[1]) == pytest.approx(22.0, abs=0.2)
    assert float(said[2]) == pytest.approx(0.5 + 0.002 * 100, abs=0.1)


def test_no_apply_ground_says_so(visit: Callable[..., Any], map_file: Path) -> None:
    """A press on the waterway says that it gets nothing; a press outside says that it is outside."""
    page = visit(map_file).page
    box = page.evaluate(
        "() => { const b = window.fieldMap.shapes['no-apply'].getBounds(); "
        "return [b.getCenter().lng, b.getCenter().lat, b.getNorth()]; }"
    )
    page.mouse.click(*_place_of(page, box[0], box[1]))
    assert page.locator("#place").inner_text().startswith(_said("no-nitrogen-here"))
    page.mouse.click(*_place_of(page, box[0], box[2] + 0.0004))
    assert page.locator("#place").inner_text().startswith(_said("outside"))


def test_keyboard_alone_reaches_the_answer(visit: Callable[..., Any], map_file: Path) -> None:
    """By Tab, Enter, arrows and typing: a layer chosen, a zone asked, the map's middle asked, a rate changed."""
    page = visit(map_file).page
    seen: list[str] = []
    for _ in range(60):
        page.keyboard.press("Tab")
        at = page.evaluate(
            "document.activeElement.id || document.activeElement.name || document.activeElement.dataset.zone"
        )
        seen.append(at or page.evaluate("document.activeElement.tagName"))
        if at == "show":
            page.keyboard.press("ArrowDown")
            assert page.locator(".key:visible").get_attribute("data-key") == "nitrate_ppm"
        if page.evaluate("document.activeElement.classList.contains('leaflet-container')"):
            page.keyboard.press("Enter")
            assert page.locator("#place").inner_text() != _said("click")
        if at == "1":
            page.keyboard.press("Enter")
            assert page.locator(".because:visible h3").inner_text() == "Zone 1: 90 lb N/ac"
        if page.evaluate("document.activeElement.tagName === 'SUMMARY'") and "rate-1" not in seen:
            page.keyboard.press("Enter")
        if at == "rate-1":
            page.keyboard.press("Control+A")
            page.keyboard.type("95")
            break
    assert seen[0] == "A"  # the way past the map comes first
    assert "show" in seen
    assert page.locator('.rates [data-rate="1"]').inner_text() == "95"


def test_two_layers_side_by_side(visit: Callable[..., Any], map_file: Path) -> None:
    """A second map shows its own layer and follows the first when it moves."""
    page = visit(map_file).page
    page.select_option("#show", "nitrate_ppm")
    page.select_option("#beside-it", "need_lb_ac")
    assert page.locator("#beside img.leaflet-image-layer").count() == 1
    assert page.locator(".key:visible").count() == 2
    left, right = page.locator("#main-pane").bounding_box(), page.locator("#beside-pane").bounding_box()
    assert left["y"] == right["y"]
    assert left["x"] + left["width"] <= right["x"] + 1
    page.locator("#main-pane .leaflet-container").focus()
    page.keyboard.press("ArrowRight")
    same = (
        "() => { const a = window.fieldMap.map.getContainer();"
        "const x = e => e.querySelector('.leaflet-map-pane').getBoundingClientRect().x - e.getBoundingClientRect().x;"
        "return Math.abs(x(a) - x(document.getElementById('beside'))); }"
    )
    page.wait_for_function(f"({same})() < 2")
    page.select_option("#beside-it", "")
    assert not page.locator("#beside-pane").is_visible()


@pytest.mark.parametrize(("width", "height"), WIDTHS)
def test_edit_changes_totals_and_saves_a_review(
    visit: Callable[..., Any], map_file: Path, make: Callable[..., Any], tmp_path: Path, width: int, height: int
) -> None:
    """A changed rate with a reason moves the totals by rate × acres; the saved file holds just that."""
    from vrn.ingest.field_file import settings_from

    prescription = make()
    page = visit(map_file, width=width, height=height).page
    page.locator("#review summary").click()
    before = _number(page.locator("#total-n").inner_text())
    assert before == round(prescription.total_n_lb)
    page.fill('[name="rate-3"]', "120")
    assert page.locator("#wrong-3").inner_text() == _said("no-reason")
    page.fill('[name="reason-3"]', 'Sandy knoll: "leaches" \\ 2024')
    zone = prescription.rates[2]
    assert _number(page.locator("#total-n").inner_text()) == round(prescription.total_n_lb - 10.0 * zone.acres)
    gallons = prescription.total_product - 10.0 / (0.32 * 11.06) * zone.acres
    assert _number(page.locator("#total-product").inner_text()) == round(gallons)
    shown = '[...document.querySelectorAll(\'.zones [data-rate="3"], .rates [data-rate="3"]\')].map(e => e.textContent)'
    assert page.evaluate(shown) == ["120", "120"]
    assert page.locator("#because-3").text_content() == "Zone 3: 120 lb N/ac"
    assert page.locator(".top [data-total=n]").inner_text() == page.locator("#total-n").inner_text()
    assert _number(page.locator(".top [data-was-total=n]").inner_text().split(":")[1]) == before
    assert "3: 120*" in page.locator("#main-pane .tag").all_inner_texts()
    page.once("dialog", lambda dialog: dialog.accept())  # the browser asks before the changes are left
    page.reload()
    assert page.input_value('[name="rate-3"]') == "120"
    assert page.evaluate(shown) == ["120", "120"]
    page.fill('[name="approved_by"]', "A. Marsh")
    page.locator("#review [type=submit]").click()
    assert page.locator("#wrong-sign").inner_text() == _said("half-signed")
    page.fill('[name="approved_on"]', "2026-06-15")
    with page.expect_download() as waiting:
        page.locator("#review [type=submit]").click()
    assert waiting.value.suggested_filename == "small_field_2026_review.toml"
    waiting.value.save_as(tmp_path / "review.toml")
    saved = tomllib.loads((tmp_path / "review.toml").read_text(encoding="utf-8"))
    assert saved["review"]["override"] == [{"zone": 3, "rate_n_lb_ac": 120, "reason": 'Sandy knoll: "leaches" \\ 2024'}]
    field_file = {
        "field": {"name": "Small Field", "season": 2026, "boundary": "boundary.geojson"},
        "crop": {"yield_goal_bu_ac": 210.0, "growth_stage": "V8"},
        "samples": {"file": "samples.csv"},
        **saved,
    }
    settings = settings_from(field_file)
    assert settings.approved
    assert settings.review.override[0].rate_n_lb_ac == 120.0


@pytest.mark.parametrize(
    ("typed", "said"),
    [("181", "out-of-range"), ("-5", "out-of-range"), ("10", "too-low"), ("", "no-number")],
)
def test_limits_hold_in_the_review(visit: Callable[..., Any], map_file: Path, typed: str, said: str) -> None:
    """Above the machine's 180 lb/ac, below 0, between 0 and its least 30, or empty: told, and not saved."""
    page = visit(map_file).page
    page.locator("#review summary").click()
    page.fill('[name="reason-2"]', "trial")
    page.fill('[name="rate-2"]', typed)
    assert page.locator("#wrong-2").inner_text().startswith(_said(said, allowed=""))
    page.locator("#review [type=submit]").click()
    assert page.locator("#saved").inner_text() == _said("not-saved")


def test_without_scripts_the_still_picture_and_every_ledger_stand(visit: Callable[..., Any], map_file: Path) -> None:
    """With scripts off, the still picture, the rates and all three ledgers are there, and no dead control."""
    page = visit(map_file, java_script_enabled=False).page
    assert page.locator("figure.still svg").is_visible()
    assert page.locator(".because:visible").count() == 3
    assert page.locator("section.rates table").first.is_visible()
    assert not page.locator("#review").is_visible()
    assert not page.locator("#show").is_visible()


def test_print_shows_the_picture_and_every_ledger(visit: Callable[..., Any], map_file: Path) -> None:
    """On paper: the still picture, all ledgers, the rates; no control."""
    page = visit(map_file).page
    page.emulate_media(media="print")
    page.locator("figure.still svg").wait_for()
    assert page.locator(".because:visible").count() == 3
    for control in ("#show", "#review", ".zones", "#main-pane"):
        assert not page.locator(control).is_visible()


def test_every_number_of_a_changed_zone_follows(visit: Callable[..., Any], map_file: Path) -> None:
    """130 to 100 lb/ac: sentence, ledger, label and title say 100 and 28.25 gal/ac, beside what it was."""
    page = visit(map_file).page
    page.locator("#review summary").click()
    page.locator('[data-zone="3"]').click()
    page.fill('[name="rate-3"]', "100")
    page.fill('[name="reason-3"]', "thin stand")
    because = page.locator("#why-3")
    lead = because.locator(".lead").inner_text()
    assert lead.startswith("28.3 gal/ac")  # 100 / (0.32 × 11.06) is 28.255
    assert _said("flat-less", flat="110 lb N/ac", apart="10 lb N/ac") in lead
    assert because.locator("tfoot .rate td").inner_text() == "100"
    assert because.locator("tfoot [data-line]").is_visible()
    assert "thin stand" in because.locator(".changed").inner_text()
    assert because.locator("h3").inner_text() == "Zone 3: 100 lb N/ac"
    tags = page.locator("#main-pane .tag b").all_inner_texts()
    assert "3: 100*" in tags
    assert not [text for text in tags if text.startswith("3: 130")]
    page.emulate_media(media="print")
    assert page.locator(".still-changed").inner_text() == _said("still-before")
    page.emulate_media(media="screen")
    page.locator("#discard").click()
    assert because.locator("tfoot .rate td").inner_text() == "130"
    assert not because.locator("tfoot [data-line]").is_visible()
    assert "100" not in because.locator(".lead").inner_text()


def test_samples_that_do_not_count_say_why(visit: Callable[..., Any], tmp_path: Path, make: Callable[..., Any]) -> None:
    """Outside, left out by a person, or without a number: drawn as crosses, and found by number with the reason."""
    made = make()
    west, south, _, _ = made.field.boundary.bounds
    all_read = made.field.samples
    samples = replace(all_read, left_out=(("S8", west + 90, south + 9, "spilled bag"), ("S9", west - 20, south, "")),
                      nitrate_ppm=np.where(np.arange(5) == 3, np.nan, all_read.nitrate_ppm))  # fmt: skip
    write_map(replace(made, field=replace(made.field, samples=samples)), tmp_path / "map.html")
    page = visit(tmp_path / "map.html").page
    for name, why in (("S8", "by-hand"), ("S9", "out"), ("S4", "no-number")):
        page.fill("#find-id", name)
        page.keyboard.press("Enter")
        assert page.locator("#place").inner_text() == _said(f"sample-{why}", ids=name, reason="spilled bag")
    page.fill("#find-id", "S1")
    page.keyboard.press("Enter")
    assert "22.8 ppm" in page.locator("#place").inner_text()  # 24 − 60/50


def test_text_from_files_never_runs(visit: Callable[..., Any], tmp_path: Path, make: Callable[..., Any]) -> None:
    """A field name with an image that would call a script shows as text; nothing runs, nothing is loaded."""
    nasty = "<img src=x onerror=\"document.title='ran'\"></script>{{ 7*7 }}"
    write_map(make(name=nasty, sample_ids=(nasty, "2", "3", "4", "5")), tmp_path / "nasty.html")
    page = visit(tmp_path / "nasty.html").page
    assert page.title().startswith("<img src=x")
    assert "{{ 7*7 }}" in page.locator("h1").inner_text()
    assert page.locator('img[src="x"]').count() == 0


def test_earlier_overrides_stay_in_a_new_review(
    visit: Callable[..., Any], tmp_path: Path, make: Callable[..., Any]
) -> None:
    """A rate that a person set before is saved again beside the new one, and a signed page asks for a new signature."""
    from vrn.model.settings import Override, ReviewSection

    review = ReviewSection(
        approved_by="A. Marsh",
        approved_on=date(2026, 6, 14),
        approved_id="a" * 64,
        override=(Override(zone=1, rate_n_lb_ac=90.0, reason="wet"),),
    )
    write_map(replace(make(review=review), id="a" * 64, overrides=review.override), tmp_path / "map.html")
    page = visit(tmp_path / "map.html").page
    page.locator("#review summary").click()
    page.fill('[name="rate-2"]', "112")
    assert page.locator("#wrong-2").inner_text() == _said("no-reason")
    page.fill('[name="reason-2"]', "sand")
    assert page.locator("#wrong-2").inner_text() == _said(
        "counted", rate="110", steps=_said("steps", step=Quantity("rate", 5.0))
    )
    page.locator("#review [type=submit]").click()
    assert page.locator("#wrong-sign").inner_text() == _said("sign-again")
    page.fill('[name="approved_by"]', "B. Lund")
    page.fill('[name="approved_on"]', "2026-06-16")
    with page.expect_download() as waiting:
        page.locator("#review [type=submit]").click()
    waiting.value.save_as(tmp_path / "review.toml")
    saved = tomllib.loads((tmp_path / "review.toml").read_text(encoding="utf-8"))["review"]
    assert (saved["approved_by"], saved["approved_on"]) == ("B. Lund", date(2026, 6, 16))
    set_by_hand = [(one["zone"], one["rate_n_lb_ac"], one["reason"]) for one in saved["override"]]
    assert set_by_hand == [(1, 90, "wet"), (2, 110, "sand")]


@pytest.mark.parametrize(
    "field_name", ["mill_race", *(pytest.param(name, marks=pytest.mark.long) for name in ("cedar_bend", "heron_flat"))]
)
def test_rebuilt_prescription_equals_the_page(visit: Callable[..., Any], tmp_path: Path, field_name: str) -> None:
    """A demo field reviewed in the browser and built again with the saved file is what the page showed."""
    import vrn
    from vrn.ingest import read_field

    field_file = Path(__file__).parents[2] / "demo_fields" / field_name / "field.toml"
    built = vrn.build(read_field(field_file))
    write_map(built, tmp_path / "map.html")
    page = visit(tmp_path / "map.html").page
    page.locator("#review summary").click()
    less = built.rates[1].rate_n_lb_ac - 2 * built.field.settings.machine.rate_step_n_lb_ac
    page.fill('[name="rate-2"]', f"{less:g}")
    page.fill('[name="reason-2"]', "thin stand")
    shown = [_number(page.locator(where).inner_text()) for where in ("#total-n", "#total-product", "#total-mean")]
    rates = [
        _number(page.locator(f'.rates [data-rate="{zone}"]').inner_text()) for zone in range(1, len(built.rates) + 1)
    ]
    with page.expect_download() as waiting:
        page.locator("#review [type=submit]").click()
    waiting.value.save_as(tmp_path / "review.toml")
    again = vrn.build(read_field(field_file, review=tmp_path / "review.toml"))
    assert [rate.rate_n_lb_ac for rate in again.rates] == rates
    assert rates[1] == less
    assert shown == [round(again.total_n_lb), round(again.total_product), round(again.mean_rate_n_lb_ac, 1)]


def test_phone_answers_over_the_map(visit: Callable[..., Any], map_file: Path) -> None:
    """At 360 × 740 the map comes first; a press answers from below, pin, rate and nearest sample in sight together."""
    page = visit(map_file, width=360, height=740, has_touch=True).page
    assert page.locator("#main-pane").bounding_box()["y"] < 120
    small = "[...document.querySelectorAll('button, select, input, summary')].map(e => e.getBoundingClientRect())"
    assert (
        page.evaluate(f"{small}.filter(b => b.height && b.height < 44 && b.width !== 24).length") == 0
    )  # but tick boxes
    lng, lat = page.evaluate(
        "window.fieldMap.map.getBounds().pad(-0.4).toBBoxString().split(',').map(Number).slice(0, 2)"
    )
    page.touchscreen.tap(*_place_of(page, lng, lat))
    sheet, title = page.locator("#why").bounding_box(), page.locator(".because.on h3").bounding_box()
    pin = page.evaluate("document.querySelector('.leaflet-pin-pane path').getBoundingClientRect().bottom")
    assert pin <= sheet["y"] + 1 < title["y"] < 740
    assert sheet["y"] + sheet["height"] == pytest.approx(740, abs=1)
    assert re.search(r"S\d, [\d,]+ ft", page.locator("#place").inner_text())
    page.keyboard.press("Escape")
    assert page.locator("#why").bounding_box()["y"] > 740


def test_samples_answer_by_press_and_by_number(visit: Callable[..., Any], map_file: Path) -> None:
    """Pressed or looked up, S3 tells its reading of 19.0 ppm and the map's there: 24 − 250/50, in its cell of 10 m."""
    visited = visit(map_file, geolocation={"latitude": 42.31, "longitude": -94.615}, permissions=["geolocation"])
    page = visited.page
    page.fill("#find-id", "s3")
    page.keyboard.press("Enter")
    found = page.locator("#place").inner_text()
    numbers = [float(number) for number in re.findall(r"([\d.]+) ppm", found)]
    assert found.split()[:2] == ["Sample", "S3:"]
    assert numbers[0] == 19.0
    assert numbers[-1] == pytest.approx(19.0, abs=0.11)
    place = page.evaluate("window.fieldMap.map.getCenter()")
    page.click("#whole")
    page.mouse.click(*_place_of(page, place["lng"], place["lat"]))
    assert page.locator("#place").inner_text() == found
    over = "document.querySelector('.leaflet-pin-pane').style.zIndex > "
    on_top = f"{over}document.querySelector('.leaflet-lines-pane').style.zIndex"
    assert page.evaluate(on_top)
    assert not page.locator(".aim").is_visible()
    page.fill("#find-id", "none")
    page.keyboard.press("Enter")
    assert page.locator("#found").inner_text() == _said("no-sample", id="none")
    page.click("#where")
    started = _said("where-here", distance="0 ft")
    page.wait_for_function("said => document.getElementById('place').textContent.startsWith(said)", arg=started)


def test_metric_review_is_saved_in_metric(visit: Callable[..., Any], tmp_path: Path, make: Callable[..., Any]) -> None:
    """A metric page takes and saves kg/ha; read back it is the step meant (NIST SP 811: 110 lb/ac is 123.2936)."""
    from vrn.ingest.field_file import settings_from

    write_map(make(units="metric"), tmp_path / "map.html")
    page = visit(tmp_path / "map.html").page
    page.locator("#review summary").click()
    page.fill('[name="rate-3"]', "123.3")
    page.fill('[name="reason-3"]', "sand")
    assert page.locator("#total-mean").inner_text().endswith(" kg N/ha")
    with page.expect_download() as waiting:
        page.locator("#review [type=submit]").click()
    waiting.value.save_as(tmp_path / "review.toml")
    saved = tomllib.loads((tmp_path / "review.toml").read_text(encoding="utf-8"))
    assert saved["review"]["override"][0]["rate_n_kg_ha"] == pytest.approx(123.2936, abs=1e-4)
    field_file = {
        "units": "metric",
        "field": {"name": "Small Field", "season": 2026, "boundary": "boundary.geojson"},
        "crop": {"yield_goal_t_ha": 13.2, "growth_stage": "V8"},
        "samples": {"file": "samples.csv"},
        **saved,
    }
    assert settings_from(field_file).review.override[0].rate_n_lb_ac == pytest.approx(110.0, abs=1e-6)


def test_background_comes_from_the_given_address_only(
    visit: Callable[..., Any], tmp_path: Path, make: Callable[..., Any]
) -> None:
    """With a tile address in the field file the page asks that origin for pictures, and no other."""
    prescription = make()
    settings = replace(
        prescription.field.settings, export=ExportSection(tiles="https://tiles.example.org/{z}/{x}/{y}.png")
    )
    write_map(replace(prescription, field=replace(prescription.field, settings=settings)), tmp_path / "map.html")
    visited = visit(tmp_path / "map.html", answered="https://tiles.example.org")
    visited.page.wait_for_selector("#main-pane img.leaflet-tile-loaded")
    assert any(url.startswith("https://tiles.example.org/") for url in visited.requests)
