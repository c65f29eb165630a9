"""The season as a page, a GeoPackage and a command: what they say is what the book holds, and nothing runs away."""

import json
import re
import subprocess
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from html import unescape
from pathlib import Path
from typing import Any

import pyogrio
import pytest
import shapely

from vrn.errors import OutputError
from vrn.many.book import Entry, record_build
from vrn.many.book_events import outcomes, record_outcome
from vrn.many.season import due, season_results, to_order
from vrn.many.season_layers import write_season_geopackage
from vrn.model.season import Due, Link, Outcome
from vrn.pages.season_page import season_page, write_season_page

TODAY = date(2026, 6, 16)
NASTY = "<img src=x onerror=alert(1)> مزرعة & Søn's </script>"


def _entry(name: str, east: float, *, approved: bool) -> Entry:
    """A square field of two zones, 0.01° a side."""
    features = [
        {
            "type": "Feature",
            "properties": {"zone": zone, "rate_n_lb_ac": 100.0 + zone, "rate_product": 30.0, "rate_unit": "gal/ac",
                           "acres": 80.0},
            "geometry": shapely.geometry.mapping(shapely.box(east + west, 42.0, east + west + 0.005, 42.01)),
        }
        for zone, west in ((1, 0.0), (2, 0.005))
    ]  # fmt: skip
    summary = {"approved": approved, "acres": 160.0, "product": {"name": "UAN 32", "unit": "gal"},
               "total_product": 4800.0, "total_n_lb": 16987.2, "mean_rate_n_lb_ac": 106.17}  # fmt: skip
    crop = {"growth_stage": "V7", "sampled_on": "2026-06-15", "application_date": "2026-06-18"}
    return Entry(field_file=f"/valley/{east}/field.toml", folder=f"/rx/{name}", status="built", field=name, season=2026,
                 summary=summary, crop=crop, outlines=features, recorded_at="2026-06-16T04:00:00+00:00")  # fmt: skip


ENTRIES = (
    _entry(NASTY, -94.60, approved=False),
    _entry("Ash Hill", -94.58, approved=True),
    Entry(
        field_file="/valley/x",
        folder="/rx/x",
        status="failed",
        field="Elm",
        problem="samples.csv: row 4: <b>",
        remedy="x",
        recorded_at="2026-06-16T04:00:00+00:00",
    ),
)
CAME = (
    Outcome(field="Ash Hill", season=2026, what="stalk_nitrate_ppm", value=1200.0),
    Outcome(field="Ash Hill", season=2026, what="strip_yield_bu_ac", value=221.0, rate_n_lb_ac=130.0),
)


def _fields() -> tuple[Due, ...]:
    return due(ENTRIES, CAME, TODAY)


def _page() -> str:
    fields = _fields()
    return season_page(fields, to_order(fields), season_results(ENTRIES, CAME), TODAY, {})


def _rows(html: str) -> list[list[str]]:
    """Text of the cells of every row of the page's tables."""
    rows = re.findall(r"<tr.*?</tr>", html.split("<body")[1].split("<script")[0], flags=re.DOTALL)
    return [[unescape(re.sub(r"<[^>]+>", " ", cell)).strip() for cell in re.findall(r"<t[hd].*?</t[hd]>", row)]
            for row in rows]  # fmt: skip


def test_page_says_what_the_book_holds() -> None:
    """Counts, the order for both fields, the class of the stalk test and the strip stand in the page."""
    rows = _rows(_page())
    assert [row[1] for row in rows[1:4]] == ["failed", "DRAFT", "approved"]
    assert ["UAN 32", "2", "4,800", "4,800", "9,600", "gal"] in rows
    planned, applied, share, stalks, strips = rows[-1][1:]
    assert (rows[-1][0], planned, applied, share) == ("Ash Hill", "16,987", "", "")
    assert "1,200" in stalks
    assert re.search(r"130 .*221", strips)


def test_replaced_prescriptions_are_listed_with_their_signers() -> None:
    """Signed, replaced by a signed one, then a draft: three lines; a field signed once has none."""
    signed = Link(id="a" * 64, replaces=None, signed_by="A. Marsh", signed_on="2026-06-16", recorded_at="")
    again = replace(signed, id="b" * 64, replaces=signed.id, signed_by="<b>Kline", signed_on="2026-06-17")
    draft = Link(id="c" * 64, replaces=None, signed_by=None, signed_on=None, recorded_at="")
    fields = _fields()
    ash = next(item.key for item in fields if item.field == "Ash Hill")
    html = season_page(fields, (), (), TODAY, {ash: (signed, again, draft)})
    first, second, third = [unescape(line) for line in re.findall(r"<li>(.*?)</li>", html.split("Ash Hill</h3>")[1])]
    assert re.search(r"A\. Marsh .*a{10} .*2026-06-16", first)
    assert "<b>Kline" in second
    assert second.index("b" * 10) < second.index("a" * 10)
    assert "c" * 10 in third
    assert "replaced" not in season_page(fields, (), (), TODAY, {ash: (signed,)}).split("<main>")[1].split("<script")[0]


def test_metric_season_is_metric() -> None:
    """Where every field is in metric units, totals are litres and kilograms (9,600 gal = 36,340 L by hand)."""
    entries = tuple(replace(entry, summary=entry.summary | {"units": "metric"}) for entry in ENTRIES[:2])
    fields = due(entries, (), TODAY)
    rows = {cells[0]: cells[1:] for cells in _rows(season_page(fields, to_order(fields), (), TODAY, {}))}
    assert rows["UAN 32"] == ["2", "18,170", "18,170", "36,340", "L"]
    assert "18,170 L UAN 32" in rows["Ash Hill"]


def test_names_are_text_and_never_markup() -> None:
    """A name that is a tag stays a name, in the table and in the data for the map."""
    html = _page()
    assert "<img" not in html.split("<body")[1]
    assert "&lt;img src=x onerror=alert(1)&gt;" in html
    data = re.search(r'<script type="application/json" id="drawn">(.*?)</script>', html, re.DOTALL)[1]
    assert {field["properties"]["name"] for field in json.loads(data)} == {NASTY, "Ash Hill"}


def test_page_asks_for_nothing() -> None:
    """No address is loaded, and the page's own policy forbids every origin."""
    html = _page()
    markup = re.sub(
        r"<script>.*?</script>", "", html, flags=re.DOTALL
    )  # the library's words hold a link it never loads
    assert not re.search(r'(?:src|href)\s*=\s*["\']?(?:https?:)?//', markup)
    assert "default-src 'none'" in unescape(html)
    assert html == _page()


def test_page_of_nothing_is_a_page() -> None:
    """A book without builds, and one with a failure only, still give a page."""
    for entries in ((), ENTRIES[2:]):
        fields = due(entries, (), TODAY)
        html = season_page(fields, to_order(fields), (), TODAY, {})
        assert html.count('<tr id="row-') == len(entries)


def test_geopackage_is_read_by_a_stranger(tmp_path: Path) -> None:
    """GDAL finds both layers with their totals, areas that join, and the same bytes the second time."""
    path = tmp_path / "season.gpkg"
    write_season_geopackage(_fields(), path)
    first = path.read_bytes()
    fields, zones = (pyogrio.read_dataframe(path, layer=layer) for layer in ("fields", "zones"))
    assert fields.crs.to_epsg() == 4326
    assert sorted(fields["field"]) == sorted([NASTY, "Ash Hill"])
    assert fields["total_n_lb"].sum() == pytest.approx(2 * 16987.2)
    assert sorted(fields["state"]) == ["DRAFT", "approved"]
    ground = [
        shapely.area(layer.geometry.to_numpy()).sum() for layer in (fields, zones)
    ]  # square degrees: a ratio only
    assert ground[0] == pytest.approx(ground[1])
    assert len(zones) == 4
    write_season_geopackage(_fields(), path)
    assert path.read_bytes() == first
    assert [item.name for item in tmp_path.iterdir()] == ["season.gpkg"]


def test_last_year_is_not_this_year(tmp_path: Path) -> None:
    """What was applied to a field last year is among the outcomes, and not in its row of this year."""
    path = tmp_path / "season.gpkg"
    came = (Outcome(field="Ash Hill", season=2025, what="applied_n_lb", value=15000.0),)
    write_season_geopackage(_fields(), path, came=came, results=season_results(ENTRIES, came))
    fields, outcomes = (pyogrio.read_dataframe(path, layer=layer) for layer in ("fields", "outcomes"))
    assert fields["applied_n_lb"].isna().all()
    assert outcomes["value"].tolist() == [15000.0]


def test_geopackage_holds_builds_and_what_came_of_them(tmp_path: Path) -> None:
    """Every build with its hash, totals, status and approval; applied total, strip and stalk class beside the field."""
    path = tmp_path / "season.gpkg"
    came = (*CAME, Outcome(field="Ash Hill", season=2026, what="applied_product", value=4700.0))
    hashed = tuple(replace(entry, summary_sha256="ab12") for entry in ENTRIES)
    write_season_geopackage(due(hashed, came, TODAY), path, builds=hashed, came=came,
                            results=season_results(hashed, came))  # fmt: skip
    fields, builds, outcomes_ = (pyogrio.read_dataframe(path, layer=name) for name in ("fields", "builds", "outcomes"))
    ash = fields.set_index("field").loc["Ash Hill"]
    # 16987.2 lb in 4800 gal: by hand, 4700 gal hold 16633.3 lb
    assert (round(ash["applied_n_lb"], 1), ash["stalk_class"], ash["state"]) == (16633.3, "optimal", "applied")
    assert list(builds["status"]) == ["built", "built", "failed"]
    assert list(builds["approval"]) == ["DRAFT", "approved", ""]
    assert set(builds["summary_sha256"]) == set(fields["summary_sha256"]) == {"ab12"}
    assert builds["total_n_lb"].isna().tolist() == [False, False, True]
    assert builds["problem"][2] == "samples.csv: row 4: <b>"
    assert sorted(outcomes_["what"]) == ["applied_product", "stalk_nitrate_ppm", "strip_yield_bu_ac"]
    assert outcomes_.set_index("what").loc["strip_yield_bu_ac", "rate_n_lb_ac"] == 130.0


def test_what_cannot_be_written_is_told(tmp_path: Path) -> None:
    """Nothing to draw, a wrong ending, a folder that is not there."""
    with pytest.raises(OutputError, match="no prescription to draw"):
        write_season_geopackage(due(ENTRIES[2:], (), TODAY), tmp_path / "a.gpkg")
    with pytest.raises(OutputError, match=r"does not end in \.gpkg"):
        write_season_geopackage(_fields(), tmp_path / "a.txt")
    with pytest.raises(OutputError, match="cannot be written"):
        write_season_page("x", tmp_path / "none" / "season.html")
    assert list(tmp_path.iterdir()) == []


def test_season_command_tells_records_and_writes(
    run_vrn: Callable[..., subprocess.CompletedProcess[str]], tmp_path: Path
) -> None:
    """Text, JSON, page and GeoPackage from one book; a recorded table is in it afterwards."""
    book, table = tmp_path / "season.db", tmp_path / "came.csv"
    record_build(book, *ENTRIES)
    record_outcome(book, *(replace(one, on=date(2026, 6, 15)) for one in CAME))
    table.write_text("field,what,value,on\nAsh Hill,applied_product,4700,2026-06-16\n", encoding="utf-8")
    pages = ("--html", tmp_path / "season.html", "--gpkg", tmp_path / "season.gpkg")
    done = run_vrn("season", book, "--on", "2026-06-16", "--record", table, *pages)
    assert done.returncode == 1, done.stderr  # one of its fields failed
    assert "16,633 lb N" in done.stdout
    assert [item.value for item in outcomes(book) if item.what == "applied_product"] == [4700.0]
    assert (tmp_path / "season.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    told = json.loads(run_vrn("season", book, "--on", "2026-06-16", "--json").stdout)
    assert [field["state"] for field in told["fields"]] == ["failed", "DRAFT", "applied"]
    assert told["to_order"][0]["draft"] == 4800.0
    before = json.loads(run_vrn("season", book, "--on", "2026-06-15", "--json").stdout)
    assert before["fields"] == []
    for act, states in (("--retire", ["failed", "applied"]), ("--return", ["failed", "DRAFT", "applied"])):
        assert run_vrn("season", book, "--season", 2026, act, NASTY, "--json").returncode == 1
        today = json.loads(run_vrn("season", book, "--season", 2026, "--json").stdout)
        assert [field["state"] for field in today["fields"]] == states


@pytest.mark.browser
def test_page_draws_in_a_browser(tmp_path: Path, chromium: Any) -> None:
    """Both fields are drawn, a name in the table leads to its field, and the console stays quiet."""
    path = tmp_path / "season.html"
    write_season_page(_page(), path)
    page = chromium.new_page(viewport={"width": 1000, "height": 800}, offline=True)
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(path.as_uri())
    assert page.locator("#map path.leaflet-interactive").count() == 2
    page.get_by_role("button", name="Ash Hill").click()
    assert page.locator("tr.on th").inner_text() == "Ash Hill"
    assert page.locator("img").count() == 0
    page.close()
    assert complaints == []
