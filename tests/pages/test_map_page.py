"""The map page: one file, nothing from outside, text that stays text, numbers that add up."""

import base64
import hashlib
import json
import math
import re
from dataclasses import replace
from decimal import Decimal
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from vrn.errors import InputFileError
from vrn.model.grid import grid_over
from vrn.model.settings import ExportSection
from vrn.model.surface import Surface
from vrn.pages.field_drawing import FieldDrawing, as_svg
from vrn.pages.field_maps import rate_drawing
from vrn.pages.map_page import map_page, write_map
from vrn.pages.ramps import rate_colors
from vrn.pages.tables import zone_label
from vrn.prescription.model import CheckStrip, Prescription
from vrn.words import UnitFormat, say

NASTY = "<img src=x onerror=alert(1)></script><script>alert(2)</script>{{ 7*7 }}\u2028&amp;\"'"


class _Page(HTMLParser):
    """What a browser would find: scripts, addresses, elements with handlers, text."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.scripts: list[tuple[dict[str, Any], str]] = []
        self.addresses: list[str] = []
        self.handlers: list[str] = []
        self.tags: list[str] = []
        self.words: list[str] = []
        self.meta: dict[str, str] = {}
        self._inside: dict[str, Any] | None = None
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append(tag)
        self.addresses += [str(found[name]) for name in ("src", "href", "action", "data") if name in found]
        self.handlers += [name for name in found if name.startswith("on")]
        if tag == "meta" and "http-equiv" in found:
            self.meta[str(found["http-equiv"])] = str(found["content"])
        if tag == "script":
            self._inside = found
            self.scripts.append((found, ""))

    def handle_endtag(self, tag: str) -> None:
        if tag == "script":
            self._inside = None

    def handle_data(self, data: str) -> None:
        if self._inside is not None:
            self.scripts[-1] = (self._inside, self.scripts[-1][1] + data)
        else:
            self.words.append(data)


def test_page_asks_nothing_of_the_network(prescription: Prescription) -> None:
    """No element of the page, and no rule of its styles, names an address outside the file."""
    html = map_page(prescription)
    page = _Page(html)
    assert [address for address in page.addresses if not address.startswith("#")] == []
    styles = re.findall(r"<style>(.*?)</style>", html, flags=re.DOTALL)
    assert len(styles) == 2
    for style in styles:
        assert [url for url in re.findall(r"url\(([^)]*)\)", style) if not url.startswith(("data:", "#"))] == []
        assert "@import" not in style
    assert "link" not in page.tags
    assert "$(" not in html  # jQuery is not there to answer


def test_policy_allows_these_scripts_and_no_origin(prescription: Prescription) -> None:
    """The policy names the hash of every script that runs, and no origin (W3C, Content Security Policy Level 3)."""
    page = _Page(map_page(prescription))
    policy = page.meta["Content-Security-Policy"]
    for attributes, text in page.scripts:
        if attributes.get("type") == "application/json":
            continue
        digest = base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
        assert f"'sha256-{digest}'" in policy
    assert policy.startswith("default-src 'none'; script-src 'sha256-")
    assert "http" not in policy
    assert "unsafe-eval" not in policy


def test_text_of_a_file_stays_text(make: Any) -> None:
    """A field name or sample id that looks like markup, script or template is shown as it was written."""
    clean, page = _Page(map_page(make())), _Page(map_page(make(name=NASTY, sample_ids=(NASTY, "2", "3", "4", "5"))))
    assert page.handlers == []
    assert page.tags == clean.tags
    assert len(page.scripts) == len(clean.scripts)
    shown = "".join(page.words)
    assert "onerror=alert(1)" in shown
    assert "{{ 7*7 }}" in shown
    assert "49" not in "".join(word for word in page.words if "onerror" in word)


def test_same_prescription_same_bytes(make: Any, tmp_path: Path) -> None:
    """Two prescriptions from the same inputs give the same page, byte for byte."""
    for name in ("one.html", "two.html"):
        write_map(make(), tmp_path / name)
    assert (tmp_path / "one.html").read_bytes() == (tmp_path / "two.html").read_bytes()


@pytest.mark.parametrize("units", ["us", "metric"])
def test_ledger_printed_on_the_page_adds_up(make: Any, units: str) -> None:
    """The printed tenths of each zone's ledger sum to the printed need."""
    html = map_page(make(units=units))
    ledgers = re.findall(r'<table class="ledger">(.*?)</table>', html, flags=re.DOTALL)
    assert len(ledgers) == 3
    cell = r'<td class="n">([+−]?\d+\.\d)</td>'
    for ledger in ledgers:
        body, after = ledger.split("<tfoot>")
        lines = [Decimal(text.replace("−", "-")) for text in re.findall(cell, body)]
        total = re.findall(rf'<tr class="sum">.*?{cell}', "<tfoot>" + after, re.DOTALL)[0]
        assert len(lines) == 3
        assert sum(lines) == Decimal(total)
        assert f"Need {total} " in html


def test_script_sums_the_table_that_python_made(prescription: Prescription) -> None:
    """The data the page sums give the totals of the prescription."""
    page = _Page(map_page(prescription))
    data = next(json.loads(text) for attributes, text in page.scripts if attributes.get("type") == "application/json")
    assert sum(row["rate"] * row["acres"] for row in data["rates"]) == pytest.approx(prescription.total_n_lb, abs=1e-9)
    assert sum(row["product"] * row["acres"] for row in data["rates"]) == pytest.approx(prescription.total_product)


def test_draft_until_approved(make: Any) -> None:
    """The page says DRAFT unless a name, a date and the id of this very prescription are in the field file."""
    from datetime import date

    from vrn.model.settings import ReviewSection

    assert 'class="draft"' in map_page(make())
    assert 'class="draft"' in map_page(make(review=ReviewSection(approved_by="A. Marsh")))
    unnamed = ReviewSection(approved_by="A. Marsh", approved_on=date(2026, 6, 15))
    assert 'class="draft"' in map_page(replace(make(review=unnamed), id="0" * 64))
    review = replace(unnamed, approved_id="0" * 64)
    signed = map_page(replace(make(review=review), id="0" * 64))
    assert 'class="draft"' not in signed
    by = say(UnitFormat(metric=False), "report.signed", name="A. Marsh", on=date(2026, 6, 15))
    assert by in signed


def test_metric_page_has_no_trade_unit_left(make: Any) -> None:
    """A metric page has no rate, area, total in pounds, acres, gallons (NIST SP 811: 1 lb/ac = 1.120851 kg/ha)."""
    html = map_page(make(units="metric"))
    body = html.split("<body>")[1].split('<script type="application/json"')[0]
    assert not re.search(r"\d (lb|ac|gal|bu)\b", re.sub(r"<small>.*?</small>", "", body))
    assert "145.7" in body  # 130 lb N/ac
    assert UnitFormat(metric=True).number("rate", 130.0) == "145.7"


def _with_tiles(prescription: Prescription, tiles: str) -> Prescription:
    settings = replace(prescription.field.settings, export=ExportSection(tiles=tiles))
    return replace(prescription, field=replace(prescription.field, settings=settings))


def test_background_opens_the_policy_to_its_own_origin(prescription: Prescription) -> None:
    """With a tile address the policy lets pictures in from that origin, and nothing else from anywhere."""
    tiles = "https://{s}.tiles.example.org/{z}/{x}/{y}.png?key=1"
    policy = _Page(map_page(_with_tiles(prescription, tiles))).meta["Content-Security-Policy"]
    assert "img-src data: https://*.tiles.example.org;" in policy
    assert policy.count("http") == 1


@pytest.mark.parametrize(
    "tiles",
    ["https://a.org; script-src */{z}", "javascript:alert(1)", "https://a.org'unsafe-inline'/x", "tiles/{z}.png"],
)
def test_background_cannot_widen_the_policy(prescription: Prescription, tiles: str) -> None:
    """An address with more than scheme and host in its origin is refused, with the remedy."""
    with pytest.raises(InputFileError, match="no address of a background") as refused:
        map_page(_with_tiles(prescription, tiles))
    assert "{z}/{x}/{y}" in refused.value.remedy


def test_quarter_section_stays_small(prescription: Prescription) -> None:
    """A quarter section of 3 m cells with five layers of pure noise is under 1.5 MB, the worst a picture can be."""
    west, _south, _east, north = prescription.grid.bounds_m
    outline = shapely.box(west, north - 805, west + 805, north)
    grid = grid_over(outline, crs=prescription.grid.crs, cell_m=3.0)
    noise = np.random.default_rng(1).normal(20, 5, (5, *grid.shape))
    names = ("nitrate_ppm", "organic_matter_pct", "yield_goal_bu_ac", "need_lb_ac")
    surfaces = {name: Surface(name=name, grid=grid, values=noise[i], chosen="made") for i, name in enumerate(names)}
    surfaces["nitrate_ppm"] = replace(surfaces["nitrate_ppm"], se=np.abs(noise[4]))
    rate = replace(prescription.rates[0], outline=shapely.multipolygons([outline]))
    zones = replace(prescription.zones, labels=np.ones(grid.shape, np.int32), outlines=(rate.outline,))
    field = replace(prescription.field, boundary=outline, no_apply=shapely.Polygon())
    large = replace(prescription, field=field, grid=grid, share=np.ones(grid.shape), surfaces=surfaces, zones=zones,
                    rates=(rate,))  # fmt: skip
    assert len(map_page(large).encode("utf-8")) < 1_500_000


def _with_slivers(prescription: Prescription) -> Prescription:
    """Zone 1 less four strips of 12 m side by side, each a zone of its own whose rate is off in the last bit."""
    west, south, _, _ = prescription.field.boundary.bounds
    strips = [shapely.box(west + 40 + 20 * k, south + 100, west + 52 + 20 * k, south + 300) for k in range(4)]
    first = prescription.rates[0]
    cut = shapely.multipolygons(shapely.get_parts(shapely.difference(first.outline, shapely.union_all(strips))))
    rates = [replace(first, outline=cut), *prescription.rates[1:]]
    rates += [
        replace(first, zone=4 + k, outline=shapely.multipolygons([strip]), rate_n_lb_ac=math.nextafter(90.0, 91.0))
        for k, strip in enumerate(strips)
    ]
    return replace(prescription, rates=tuple(rates))


def test_numbers_on_the_still_picture_cover_none_before_them(prescription: Prescription) -> None:
    """Where strips are too narrow for their numbers, the larger zones keep theirs and no two boxes meet."""
    svg = as_svg(rate_drawing(_with_slivers(prescription), UnitFormat(metric=False)), "")
    boxes = [tuple(map(float, found)) for found in re.findall(
        r'<rect x="([-.\d]+)" y="([-.\d]+)" width="([.\d]+)" height="([.\d]+)" ', svg)]  # fmt: skip
    told = re.findall(r'font-weight="600"[^>]*>([^<]+)</text>', svg)
    assert {"1: 90", "2: 110", "3: 130"} <= set(told)
    assert 3 < len(told) < 7
    assert len(boxes) == len(told)
    for i, (x, y, wide, high) in enumerate(boxes):
        for a, b, wide_b, high_b in boxes[:i]:
            assert x >= a + wide_b - 0.15 or a >= x + wide - 0.15 or y >= b + high_b - 0.15 or b >= y + high - 0.15


def test_rates_that_print_alike_have_one_colour(prescription: Prescription) -> None:
    """A strip's rate is a sum: off in the last bit, it still prints as its neighbour's and has its colour."""
    colors = rate_colors(_with_slivers(prescription).rates)
    assert len(set(colors.values())) == 3
    assert colors[1] == colors[4]


def test_check_strips_are_an_overlay(prescription: Prescription) -> None:
    """Zones that are check strips can be shown over the map, and say what they are."""
    strip = replace(prescription.rates[2], trial=CheckStrip(pair=1, difference_n_lb_ac=20.0, in_zone=2))
    html = map_page(replace(prescription, rates=(*prescription.rates[:2], strip)))
    assert 'data-overlay="strips"' in html
    assert zone_label(strip, UnitFormat(metric=False))[1:] in html
    assert 'data-overlay="strips"' not in map_page(prescription)


def test_a_label_stays_inside_the_drawing() -> None:
    """A long name at either side of a field of 400 m is moved in, one in the middle is not; drawn 640 wide."""
    ends = (shapely.Point(5, 300), shapely.Point(395, 100), shapely.Point(200, 200))
    drawing = FieldDrawing(bounds_m=(0.0, 0.0, 400.0, 400.0), labels=tuple((at, "A field of long name") for at in ends))
    sheet = drawing.laid_out(0.0, 0.0, 640.0, 640.0, point=2.0, down=True)
    assert [text for *_, text in sheet.labels] == ["A field of long name"] * 3
    for x, _, wide, _, _ in sheet.labels:
        assert wide / 2 <= x <= 640.0 - wide / 2
    assert sheet.labels[2][0] == pytest.approx(320.0)
