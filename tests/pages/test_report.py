"""The report: one page for the grower, then the file; the same content as a page and on paper."""

import html
import re
import runpy
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from vrn.findings import Quantity
from vrn.model.layers import Weather
from vrn.model.readings import StandardRun, Suspect
from vrn.model.settings import PriceSection, ZoneSection
from vrn.nitrogen.method import from_memory
from vrn.pages.load_sheet import load_sheet
from vrn.pages.map_page import map_page
from vrn.pages.report_file import signer_lists, zones_part
from vrn.pages.report_grower import _after_harvest, grower_page, why_one_zone, zone_count_reason
from vrn.pages.report_page import html_of, report_of, report_pdf, write_reports
from vrn.pages.report_paper_table import _columns, begin_table
from vrn.pages.report_parts import Bullets, Part, Picture, Report, Table, Text
from vrn.pages.report_surfaces import readings_part
from vrn.prescription.model import CheckStrip, Prescription
from vrn.prescription.strips import RemainingReport
from vrn.response.payoff import AfterHarvest
from vrn.sampling.quality import assess_readings
from vrn.words import UnitFormat, say
from vrn.zones.model import FuzzyIndices, ZonesReport

Make = Callable[..., Prescription]


@pytest.fixture(scope="module")
def report() -> Report:
    """Report of the small prescription, made once."""
    maker: Make = runpy.run_path(str(Path(__file__).with_name("conftest.py")))["small_prescription"]
    return report_of(maker())


def _part(report: Report, title: str) -> Part:
    return next(part for part in (*report.grower, *report.file) if part.title == title)


def _titles(report: Report) -> list[str]:
    return [part.title for part in (*report.grower, *report.file)]


def _words(part: Part) -> str:
    return " ".join(piece.text for piece in part.pieces if isinstance(piece, Text))


def _table(part: Part, caption: str) -> Table:
    return next(piece for piece in part.pieces if isinstance(piece, Table) and piece.caption.startswith(caption))


def _money(words: str) -> list[str]:
    """Amounts of dollars, as printed; no price of a pound."""
    return re.findall(r"\$\d[\d,]*(?:\.\d+)?(?=[ .,])", words.replace(", ", " "))


def _pages(pdf: bytes) -> int:
    """Pages by the page tree's count (ISO 32000-1, table 29)."""
    found = re.search(rb"/Count (\d+)", pdf)
    assert found is not None
    return int(found[1])


def _with(prescription: Prescription, **changed: Any) -> Prescription:
    """The prescription with other settings."""
    settings = replace(prescription.field.settings, **changed)
    return replace(prescription, field=replace(prescription.field, settings=settings))


def test_grower_gets_one_sheet(make: Make, report: Report) -> None:
    """The grower's part fills one page of Letter and one of A4, with a long name and eight zones."""
    prescription = make(name="The long quarter behind the old school house, north of the creek")
    rates = tuple(replace(prescription.rates[i % 3], zone=i + 1) for i in range(8))
    many = replace(prescription, rates=rates)
    for units in ("us", "metric"):
        shown = _with(many, units=units)
        grower = replace(report, grower=grower_page(shown, UnitFormat(metric=units == "metric")), file=())
        assert _pages(report_pdf(grower, shown)) == 1
    assert _pages(report_pdf(report, prescription)) > 2


def test_grower_keeps_one_sheet_whatever_is_said(make: Make, report: Report) -> None:
    """Five long doubts beside ten zones: the map and the letters give way, in Letter and in A4."""
    for units in ("us", "metric"):
        made = make(units=units)
        made = replace(made, rates=tuple(replace(made.rates[k % 3], zone=k + 1) for k in range(10)))
        more = Part(title="More", pieces=(Bullets(items=("one word and another " * 14,) * 5),))
        long = replace(report, grower=(*grower_page(made, UnitFormat(metric=units == "metric")), more), file=())
        assert _pages(report_pdf(long, made)) == 1


def test_signer_reads_what_rests_on_memory_and_who_disagrees(prescription: Prescription) -> None:
    """A number and a line from memory; the Iowa test's 56 lb/ac beside the zones' mean; not Ohio's, not run."""
    shown = UnitFormat(metric=False)
    lists = signer_lists(prescription, shown)
    assert "memory" not in lists
    mine = sum(rate.need_lb_ac * rate.acres for rate in prescription.rates) / prescription.acres
    iowa = next(one for one in lists["disagree"] if "Iowa" in one)
    assert re.findall(r"\d+ lb/ac", iowa)[:3] == ["56 lb/ac", f"{mine - 56:.0f} lb/ac", f"{mine:.0f} lb/ac"]
    assert not any("Ohio" in one for one in lists["disagree"])
    assert (len(lists["decide"]), len(lists["assumptions"])) == (1, 1)
    first = prescription.ledger
    lines = (replace(first.lines[0], source="Bulletin 9, from memory"), *first.lines[1:])
    ledger = replace(first, lines=lines, findings=(*first.findings, from_memory("bulk density", 1.35)))
    rates = (replace(prescription.rates[0], ledger=ledger), *prescription.rates[1:])
    number, line = signer_lists(replace(prescription, ledger=ledger, rates=rates), shown)["memory"]
    assert "1.35" in number
    assert "Bulletin 9" in line
    made = _part(report_of(prescription), say(shown, "report.signer"))
    assert report_of(prescription).file[0] == made


def test_zone_table_adds_up(report: Report) -> None:
    """Acres and product of the zones sum to the last row, within the rounding of each row."""
    table = _table(_part(report, "Rates"), "Zones")
    for column, half in ((1, 0.05), (7, 0.5)):
        numbers = [float(row[column].replace(",", "")) for row in table.rows]
        assert sum(numbers[:-1]) == pytest.approx(numbers[-1], abs=half * len(numbers))
    assert table.rows[-1][5] == "110"


def test_ledger_table_adds_up(report: Report) -> None:
    """Each zone's column of the ledger sums to its printed need."""
    table = _table(_part(report, "Why these rates"), "Nitrogen budget by zone")
    for column in (1, 2, 3):
        numbers = [Decimal(row[column].replace("−", "-")) for row in table.rows]
        assert sum(numbers[:-1]) == numbers[-1]


def test_one_zone_is_not_told_as_several(prescription: Prescription) -> None:
    """With one zone the first page speaks of one rate, and of no gain over one flat rate that is the same."""
    rate = prescription.rates[0]
    flat = replace(prescription, rates=(rate,), flat_rate_n_lb_ac=rate.rate_n_lb_ac, acres=rate.acres,
                   total_n_lb=rate.acres * rate.rate_n_lb_ac)  # fmt: skip
    page = grower_page(flat, UnitFormat(metric=False))
    shown, short = UnitFormat(metric=False), page[0].pieces
    gets = say(shown, "grower.field-gets", rates=shown.text("rate", rate.rate_n_lb_ac))
    assert gets in short[1].text
    assert "lb N/ac on average" not in short[1].text
    cost = _words(next(part for part in page if part.title == "Product and cost"))
    assert say(shown, "grower.flat-takes-same") in cost


def test_cost_against_one_flat_rate(prescription: Prescription, report: Report) -> None:
    """At $0.50/lb the cost is half of the pounds: worked here from rates, acres and price."""
    priced = _with(prescription, prices=PriceSection(n_per_lb=0.50))
    grower = grower_page(priced, UnitFormat(metric=False))
    words = _words(next(part for part in grower if part.title == "Product and cost"))
    total = sum(rate.rate_n_lb_ac * rate.acres for rate in prescription.rates)
    flat = 110.0 * sum(rate.acres for rate in prescription.rates)
    assert {f"${amount:,.0f}" for amount in (total / 2, flat / 2, abs(total - flat) / 2)} <= set(_money(words))
    assert not _money(_words(_part(report, "Product and cost")))


def test_parts_appear_when_their_data_exist(prescription: Prescription, report: Report) -> None:
    """No weather, no season plot; no choice of zones, no curve; inputs, settings and sign-off always."""
    titles = _titles(report)
    assert "The season so far" not in titles
    assert {"Inputs", "Samples", "Surfaces", "How many zones", "From need to rate", "Every setting", "Cautions",
            "Sign-off", "The machine", "What other methods say"} <= set(titles)  # fmt: skip
    days = tuple(date(2026, 4, 1) + timedelta(days=i) for i in range(60))
    weather = Weather(days=days, tmin_f=np.full(60, 40.0), tmax_f=np.full(60, 60.0), rain_in=np.full(60, 0.1),
                      source="weather.csv")  # fmt: skip
    wet = replace(prescription, field=replace(prescription.field, weather=weather))
    season = _part(report_of(wet), "The season so far")
    assert isinstance(season.pieces[0], Picture)
    own = replace(prescription, zones=replace(prescription.zones, choice=(), report=None), drive=None, methods=())
    assert not {"How many zones", "The machine"} & set(_titles(report_of(own)))


def test_how_the_zones_were_drawn_is_told(prescription: Prescription) -> None:
    """Kernel, least sizes and both indices stand beside the curve."""
    zones = replace(
        prescription.zones,
        report=ZonesReport(
            by="need", reason="most-tried", drawn=3, smooth_m=9.144, least_patch_m2=4046.8564224,
            least_width_m=18.288, tolerance_m=6.096,
            indices=(FuzzyIndices(zones=2, fuzziness_index=0.271, normalised_entropy=0.331),),
        ),
    )  # fmt: skip
    part = _part(report_of(replace(prescription, zones=zones)), "How many zones")
    assert all(size in _words(part) for size in ("30 ft", "1.0 ac", "60 ft", "20 ft"))
    reports = (replace(zones.report, smooth_m=None, drawn=k) for k in (3, 30))
    one, other = (replace(prescription, zones=replace(zones, report=report)) for report in reports)
    rings = [_part(report_of(made), "How many zones").pieces[1] for made in (one, other)]
    assert rings[0] != rings[1]  # a number that was not tried has none
    rows = _table(part, "Number of zones").rows
    assert [row[4:] for row in rows[:3]] == [("", ""), ("0.27", "0.33"), ("", "")]


def test_every_input_stands_with_its_hash(report: Report) -> None:
    """The report lists each file that was read with its SHA-256 in full."""
    table = _table(_part(report, "Inputs"), "Files")
    assert table.rows == (("samples.csv", "0" * 64),)


def test_same_prescription_same_report(make: Make, tmp_path: Path) -> None:
    """Page and paper are the same, byte for byte, for the same inputs."""
    for name in ("one", "two"):
        write_reports(make(), *(tmp_path / f"{name}{end}" for end in (".html", ".pdf", "_ticket.pdf")))
    assert (tmp_path / "one.html").read_bytes() == (tmp_path / "two.html").read_bytes()
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()


def test_page_is_still_and_whole(make: Make) -> None:
    """The page holds no script and names no address; a field name that is markup stays text."""
    html = html_of(report_of(make(name="<script>alert(1)</script>{{ 7*7 }}")))
    assert "<script" not in html
    assert "&lt;script&gt;alert(1)&lt;/script&gt;{{ 7*7 }}" in html
    assert [url for url in re.findall(r'(?:src|href)="([^"]*)"', html) if not url.startswith("data:image/png")] == []


def test_strange_letters_do_not_stop_the_paper(make: Make, tmp_path: Path) -> None:
    """Control characters, an emoji and letters of other scripts in a name still give a report."""
    write_reports(make(name="Près\x07 🌽 村 ‮abc"), tmp_path / "r.html", tmp_path / "r.pdf", tmp_path / "ticket.pdf")
    assert (tmp_path / "r.pdf").read_bytes().startswith(b"%PDF-")


def test_unknown_stays_unknown(prescription: Prescription) -> None:
    """A zone whose need is not known is shown as not known, in tables and without a waterfall of its own."""
    first, *others = prescription.rates
    lines = (replace(first.ledger.lines[0], lb_ac=float("nan")), *first.ledger.lines[1:])
    ledger = replace(first.ledger, lines=lines)
    unknown = replace(first, need_lb_ac=float("nan"), nitrate_ppm=float("nan"), need_se_lb_ac=None, ledger=ledger)
    report = report_of(replace(prescription, rates=(unknown, *others)))
    row = _table(_part(report, "Rates"), "Zones").rows[0]
    assert row[2] == row[4] == "not known"
    assert _table(_part(report, "Why these rates"), "Nitrogen budget by zone").rows[-1][1] == "not known"


def test_metric_table(make: Make) -> None:
    """In metric the table is in ha, kg/ha and L (1 lb/ac = 1.120851 kg/ha: NIST SP 811)."""
    grower = grower_page(make(units="metric"), UnitFormat(metric=True))
    table = _table(next(part for part in grower if part.title == "Rates"), "Zones")
    assert table.header[1].endswith(" ha")
    assert table.rows[2][5] == "145.7"
    assert "L/ha" in table.header[6]


def test_check_of_the_readings_is_in_the_report(prescription: Prescription) -> None:
    """Check standards with their recovery and a control chart; a suspect is shown and not left out."""
    samples = prescription.field.samples
    read = np.array([10.1, 9.9, 10.0, 11.6])
    run = StandardRun(
        instrument="", order=np.arange(4), standards=np.arange(4), nominal_ppm=np.full(4, 10.0), read_ppm=read,
        good=np.abs(read - 10) <= 1, doubtful=np.arange(0), open_ended=np.arange(0), drift_pct=12.0, drift_p=0.2,
    )  # fmt: skip
    quality = replace(
        assess_readings(samples), runs=(run,), suspects=(Suspect(row=1, read_ppm=15.0, expected_ppm=9.0, score=4.2),)
    )
    part = readings_part(replace(prescription, readings=quality), UnitFormat(metric=False))
    assert part is not None
    tables = [piece for piece in part.pieces if isinstance(piece, Table)]
    assert tables[0].rows[3] == (str(samples.row[3]), "3", "10.0", "11.6", "116", "no")
    readings = samples.field_readings()
    assert tables[1].rows == ((readings.sample_id[1], str(readings.row[1]), "15.0", "9.0", "4.2"),)
    assert any(isinstance(piece, Picture) for piece in part.pieces)
    assert readings_part(replace(prescription, readings=None), UnitFormat(metric=False)) is None


class _Paper:
    """Paper whose letters are all one millimetre wide."""

    epw, l_margin = 100.0, 0.0

    def set_font(self, *_font: object) -> None:
        """Every font is the same."""

    def get_string_width(self, text: str) -> float:
        """A millimetre for each letter."""
        return float(len(text))


def test_numbers_on_paper_are_not_broken_while_words_can_give_way() -> None:
    """Six columns of six letters beside two of words: each number has its room, and the page's width is kept."""
    table = Table(
        caption="", header=("Line", *"123456", "Source"), rows=(("words " * 9, *["+193.6"] * 6, "words " * 9),),
        numbers=(1, 2, 3, 4, 5, 6), widths=(28, *[6] * 6, 36),
    )  # fmt: skip
    columns = _columns(_Paper(), table, 8.0)
    assert all(width >= 6.0 for _, width, flush_right in columns if flush_right)
    assert columns[-1][0] + columns[-1][1] == pytest.approx(100.0)
    roomy = _columns(_Paper(), replace(table, widths=(20, *[10] * 6, 20)), 8.0)
    assert [round(width) for _, width, _ in roomy] == [20, *[10] * 6, 20]


def _scattered(prescription: Prescription, **nitrate: Any) -> Prescription:
    """One zone of one need on a field whose nitrate is its mean."""
    rate, need = prescription.rates[0], prescription.surfaces["need_lb_ac"]
    surfaces = prescription.surfaces | {
        "nitrate_ppm": replace(prescription.surfaces["nitrate_ppm"], chosen="mean", **nitrate),
        "need_lb_ac": replace(need, values=np.full_like(need.values, rate.need_lb_ac)),
    }
    choice = tuple(replace(one, misallocated_lb_ac=1e-12) for one in prescription.zones.choice)
    zones = replace(prescription.zones, choice=choice, report=replace(prescription.zones.report, drawn=1))
    return replace(prescription, rates=(rate,), surfaces=surfaces, zones=zones, flat_rate_n_lb_ac=rate.rate_n_lb_ac)


def test_a_field_without_a_pattern_says_why_and_what_would_help(prescription: Prescription) -> None:
    """First page, part on zones and map tell that the samples show no pattern, and what could; no curve of zeros."""
    made, shown = _scattered(prescription), UnitFormat(metric=False)
    on_zones = zones_part(made, shown)
    assert on_zones is not None
    told = (_words(grower_page(made, shown)[0]), _words(on_zones), html.unescape(map_page(made)))
    for words in told:
        assert say(shown, "grower.one-zone-scatter", places=5) in words
        assert say(shown, "grower.one-zone-help") in words
    assert not [piece for piece in on_zones.pieces if isinstance(piece, Picture | Table)]
    error = Quantity("concentration", 3.9)
    doubts = grower_page(made, shown)[-1].pieces[0]
    assert isinstance(doubts, Bullets)
    assert say(shown, "grower.one-mean", mean=error) in doubts.items


def test_one_zone_of_a_varied_need_or_by_order_gives_its_own_reason(prescription: Prescription) -> None:
    """Where the need varies, or a person asked for one zone, scatter is not blamed; several zones need no reason."""
    shown, made = UnitFormat(metric=False), _scattered(prescription)
    varied = replace(made, surfaces=made.surfaces | {"need_lb_ac": prescription.surfaces["need_lb_ac"]})
    assert zone_count_reason(varied.zones.report, shown) in why_one_zone(varied, shown)
    asked = replace(made, field=replace(made.field, settings=replace(made.field.settings, zones=ZoneSection(count=1))))
    assert why_one_zone(asked, shown) == say(shown, "grower.one-zone-asked")
    assert why_one_zone(prescription, shown) == ""


def test_check_strips_are_not_counted_as_zones(prescription: Prescription) -> None:
    """Three zones with a strip cut out stay three zones in the summary, and the strip's step is told."""
    cut = CheckStrip(pair=1, difference_n_lb_ac=30.0, in_zone=1)
    strip = replace(prescription.rates[0], zone=4, rate_n_lb_ac=120.0, trial=cut)
    made = replace(prescription, rates=(*prescription.rates, strip))
    told = _words(grower_page(made, UnitFormat(metric=False))[0])
    shown, mean = UnitFormat(metric=False), Quantity("rate", prescription.mean_rate_n_lb_ac)
    assert say(shown, "grower.zones-get", zones=3, rates="90 to 130 lb N/ac", mean=mean) in told
    assert say(shown, "grower.strips", steps="30 lb N/ac") in told


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("flat_n_lb_ac", [95.31, 95.32, 95.33, 121.7, 121.71, 121.72])
def test_printed_difference_is_that_of_the_printed_totals(make: Make, units: str, flat_n_lb_ac: float) -> None:
    """What the zones take more or less is the difference of the two numbers beside it, to the unit."""
    made = replace(make(units=units), flat_rate_n_lb_ac=flat_n_lb_ac)
    page = grower_page(made, UnitFormat(metric=units == "metric"))
    words = _words(next(part for part in page if part.title == "Product and cost")).replace(",", "")
    total, flat, apart = map(int, re.findall(r"(\d+) (?:lb|kg) N\b(?!/)", words))
    assert abs(total - flat) == apart


def test_many_zones_leave_the_ledgers_numbers_whole(prescription: Prescription) -> None:
    """With fourteen zones the sources stand under the ledger's table: its numbers need their room."""
    many = tuple(replace(prescription.rates[k % 3], zone=k + 1) for k in range(14))
    report = report_of(replace(prescription, rates=many))
    part = _part(report, "Why these rates")
    table = _table(part, "Nitrogen budget by zone")
    assert len(table.header) == 15
    assert [
        piece for piece in part.pieces if isinstance(piece, Bullets) and "Crop, from V8 on: Handbook" in piece.items
    ]


@pytest.mark.parametrize(("left_mm", "turned"), [(200.0, False), (20.0, True)])
def test_a_table_begins_where_its_first_rows_fit(left_mm: float, turned: bool) -> None:
    """A caption with a table whose first row is tall goes to the next page with it, rather than stand alone."""
    turns: list[bool] = []

    class Paper(_Paper):
        """So much room is left on the page."""

        eph = 250.0

        def will_page_break(self, height: float) -> bool:
            """Whether something is higher than the room left. [mm]"""
            return height > left_mm

        def add_page(self) -> None:
            """Turn the page."""
            turns.append(True)

    table = Table(caption="", header=("a", "b"), rows=(("x", "word " * 40), ("y", "z")), widths=(80, 20))
    begin_table(Paper(), table, size=7, above=5)  # 18 letters to a line: about 13 lines of 3 mm
    assert bool(turns) is turned


def test_the_map_makes_room_for_a_long_table(make: Make) -> None:
    """Twelve zones in the table of zones still leave the grower one sheet, in Letter and in A4."""
    for units in ("us", "metric"):
        made = make(units=units)
        made = replace(made, rates=tuple(replace(made.rates[k % 3], zone=k + 1) for k in range(12)))
        grower = replace(report_of(made), file=())
        assert _pages(report_pdf(grower, made)) == 1


def test_what_is_left_after_a_rain_out_is_not_held_against_the_whole_fields_rate(prescription: Prescription) -> None:
    """The flat rate is said to be the whole field's, no total of it is struck for the rest, and both areas are told."""
    rest = RemainingReport(covered_ac=30.0, left_ac=28.0, whole_total_n_lb=6400.0, whole_total_product=1808.0,
                           short_ac=0.0, narrow_ac=0.0, topped_up_ac=0.0,
                           was_zone=(1, 2, 3))  # fmt: skip
    made = replace(prescription, remaining=rest)
    report, sheet = report_of(made), load_sheet(made)
    shown = UnitFormat(metric=False)
    whole_field = say(shown, "grower.flat-whole-field", flat=Quantity("rate", 110.0))
    assert whole_field in _words(_part(report, "In short"))
    cost = _words(_part(report, "Product and cost"))
    assert say(shown, "grower.left") in cost
    assert "flat rate" not in cost
    left, whole, mass = Quantity("area", 28.0), Quantity("area", 58.0), Quantity("mass", 6400.0)
    classes = {"full": Quantity("area", 30.0), "short": Quantity("area", 0.0), "narrow": Quantity("area", 0.0)}
    assert say(shown, "rates.left", left=left, whole=whole, mass=mass, **classes) in _words(
        _part(report, "The machine")
    )
    assert say(shown, "sheet.left", area=whole) in sheet


@pytest.mark.parametrize("metric", [False, True])
@pytest.mark.parametrize(("put", "grain"), [(162.3, 140.7), (109.6, 147.4), (120.4, 120.6)])
def test_balance_is_that_of_the_printed_numbers(
    prescription: Prescription, put: float, grain: float, metric: bool
) -> None:
    """Put on less carried off is what is printed as their difference: 162 − 141 = 21, though 21.6 rounds to 22."""
    balance = AfterHarvest(left_lb_ac=1.0, flat_left_lb_ac=1.0, put_on_lb_ac=put, grain_lb_ac=grain)
    text = _after_harvest(replace(prescription, after_harvest=balance), UnitFormat(metric=metric))
    on, off, apart = (int(number) for number in re.findall(r"\d+", text)[-3:])
    assert apart == abs(on - off)
