"""What the season says: due, DRAFT, to order, results. Stages and classes against published figures."""

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from vrn.errors import InputFileError
from vrn.many.book import Entry
from vrn.many.outcomes import read_outcomes
from vrn.many.season import due, season_results, to_order
from vrn.model.season import Outcome


def _entry(name: str, *, approved: bool = False, status: str = "built", product: str = "UAN 32", total: float = 1000.0,
           **crop: str) -> Entry:  # fmt: skip
    summary = {
        "approved": approved,
        "product": {"name": product, "unit": "gal"},
        "total_product": total,
        "total_n_lb": total * 3.539,
    }
    return Entry(field_file=name, folder=name, status=status, field=name, season=2026,
                 summary=summary if status == "built" else {}, crop=crop)  # fmt: skip


def test_stage_goes_on_by_published_heat_units() -> None:
    """V6 + 4 collars at 82 GDD and 2 at 50 (Nielsen, Purdue), at 20 GDD a day: V10 after 16.4 days, V12 after 21.4."""
    sampled = date(2026, 6, 9)
    entry = _entry("Ash", growth_stage="V6", sampled_on=sampled.isoformat())
    stage = {days: due((entry,), (), sampled + timedelta(days=days))[0].stage_now for days in (0, 16, 17, 21, 22, 200)}
    assert stage == {0: "V6", 16: "V9", 17: "V10", 21: "V11", 22: "V12", 200: "VT"}
    assert due((entry,), (), sampled)[0].last_day == sampled + timedelta(days=21)


def test_fields_stand_in_the_order_of_decision() -> None:
    """Failed first, then by days left to the application date, applied last."""
    entries = (
        _entry("late", application_date="2026-06-20"),
        _entry("done", application_date="2026-06-10"),
        _entry("soon", application_date="2026-06-12", approved=True),
        _entry("broken", status="failed"),
        _entry("open"),
    )
    came = (Outcome(field="done", season=2026, what="applied_product", value=990.0),)
    found = due(entries, came, date(2026, 6, 11))
    assert [(item.field, item.state, item.days_left) for item in found] == [
        ("broken", "failed", None),
        ("soon", "approved", 1),
        ("late", "DRAFT", 9),
        ("open", "DRAFT", None),
        ("done", "applied", -1),
    ]


def test_only_the_last_season_is_due() -> None:
    """A field that nobody recorded as applied last year is neither due nor on this year's order."""
    now = _entry("now", total=400.0)
    failed = replace(_entry("broken", status="failed"), season=None)
    found = due((replace(_entry("then", total=900.0), season=2025), now, failed), (), date(2026, 6, 11))
    assert [item.field for item in found] == ["broken", "now"]
    assert [order.draft for order in to_order(found)] == [400.0]


def test_order_sums_what_is_not_applied_yet() -> None:
    """Product to order is the sum over fields that are neither failed nor applied, DRAFT told apart."""
    entries = (_entry("a", total=700.0, approved=True), _entry("b", total=300.0), _entry("c", total=5.0),
               _entry("d", product="UAN 28", total=50.0), _entry("e", status="failed"))  # fmt: skip
    came = (Outcome(field="c", season=2026, what="applied_n_lb", value=17.0),)
    orders = to_order(due(entries, came, date(2026, 6, 11)))
    assert [(order.product, order.approved, order.draft, order.fields) for order in orders] == [
        ("UAN 28", 0.0, 50.0, 1),
        ("UAN 32", 700.0, 300.0, 2),
    ]


def test_results_of_a_field() -> None:
    """900 gal at 3.539 lb/gal are 3185.1 lb; stalk tests of 1000 and 1600 ppm are optimal together."""
    came = (
        Outcome(field="Ash", season=2026, what="applied_product", value=900.0),
        Outcome(field="Ash", season=2026, what="stalk_nitrate_ppm", value=1000.0, note="north"),
        Outcome(field="Ash", season=2026, what="stalk_nitrate_ppm", value=1600.0, note="south"),
        Outcome(field="Ash", season=2026, what="strip_yield_bu_ac", value=218.0, rate_n_lb_ac=130.0),
    )
    (result,) = season_results((_entry("Ash"),), came)
    assert result.applied_n_lb == pytest.approx(3185.1)
    assert (result.stalk_ppm, result.stalk_class) == (1300.0, "optimal")
    assert result.strips == ((130.0, 218.0),)


def test_a_field_of_low_and_excess_is_not_called_optimal() -> None:
    """Stalks at 240 and 2,600 ppm in two zones have a mean of 1,420 ppm, and the classes of the zones."""
    came = tuple(
        Outcome(field="Ash", season=2026, what="stalk_nitrate_ppm", value=ppm, zone=zone)
        for zone, ppm in ((1, 2600.0), (2, 240.0))
    )
    (result,) = season_results((_entry("Ash"),), came)
    assert (result.stalk_ppm, result.stalk_class) == (1420.0, "excess, low")


@pytest.mark.parametrize(
    ("rows", "problem"),
    [
        ("Elm,applied_n_lb,5\n", "row 2: the field 'Elm' is not in the book"),
        ("Ash,stalk,5\n", "row 2: 'stalk' is nothing a season book keeps"),
        ("Ash,applied_n_lb,5\nAsh,applied_n_lb,lots\n", "row 3, value: 'lots' is not a number"),
        ("Ash,applied_n_lb,nan\n", "'nan' is not a number"),
        ("Ash,applied_n_lb,-5\n", "'-5' is not a number from 0 up"),
        ("Ash,applied_n_lb,\n", "'' is not a number from 0 up"),
        ("Twin,applied_n_lb,5\n", r"the book has 2 fields called 'Twin' \(Twin and Twin\)"),
    ],
)
def test_broken_outcome_is_refused(tmp_path: Path, rows: str, problem: str) -> None:
    """A row that a season book cannot keep is told with its number."""
    path = tmp_path / "outcomes.csv"
    path.write_text("field,what,value\n" + rows, encoding="utf-8")
    with pytest.raises(InputFileError, match=problem):
        read_outcomes(path, (_entry("Ash"), _entry("Twin"), _entry("Twin")))


def test_outcomes_are_read(tmp_path: Path) -> None:
    """Columns that apply are taken, the season comes from the book."""
    path = tmp_path / "outcomes.csv"
    path.write_text("Field,What,Value,rate_n_lb_ac\nAsh,strip_yield_bu_ac,218,130\n", encoding="utf-8")
    assert read_outcomes(path, (_entry("Ash"),))[0] == (
        Outcome(field="Ash", season=2026, what="strip_yield_bu_ac", value=218.0, rate_n_lb_ac=130.0),
    )
