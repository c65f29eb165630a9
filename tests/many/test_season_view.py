"""What the season says: due, DRAFT, to order, results. Stages and classes against published figures."""

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import pytest

from vrn.errors import InputFileError
from vrn.many.book import Entry
from vrn.many.outcomes import read_outcomes
from vrn.many.season import due, season_findings, season_results, to_order
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


def test_one_field_typed_as_next_season_hides_no_other() -> None:
    """The season is that of the day; the field of another is told, and the others stay due and on the order."""
    entries = (_entry("a", total=400.0), _entry("b", total=300.0), replace(_entry("c", total=9.0), season=2062))
    found = due(entries, (), date(2026, 6, 11))
    assert sorted(item.field for item in found) == ["a", "b"]
    (told,) = season_findings(found, entries, 2026)
    assert (told.code, told.level, told.quantities["field"].value) == ("season.later", "warning", "c")
    assert [item.field for item in due(entries, (), date(2026, 6, 11), 2062)] == ["c"]


def _home(grower: str, key: str) -> Entry:
    return replace(_entry("Home 80"), field_file=f"{grower}/field.toml", key=key, grower=grower)


def test_two_growers_fields_of_one_name_both_have_results(tmp_path: Path) -> None:
    """Grower or id tells them apart; the name alone is refused; results, states and names keep apart."""
    entries = (_home("Olsen", "o80"), _home("Berg", "b80"))
    path = tmp_path / "came.csv"
    path.write_text("field,grower,what,value,on\nHome 80,Olsen,applied_n_lb,500,2026-06-10\n"
                    "b80,,stalk_nitrate_ppm,300,\n", encoding="utf-8")  # fmt: skip
    came, _ = read_outcomes(path, entries)
    assert [(one.field, one.key, one.on) for one in came] == [
        ("Home 80", "o80", date(2026, 6, 10)), ("Home 80", "b80", None)]  # fmt: skip
    assert {item.field: item.state for item in due(entries, came, date(2026, 6, 11))} == {
        "Home 80, Olsen": "applied", "Home 80, Berg": "DRAFT"}  # fmt: skip
    results = {result.field: result for result in season_results(entries, came)}
    assert (results["Home 80, Olsen"].applied_n_lb, results["Home 80, Olsen"].stalk_ppm) == (500.0, None)
    assert (results["Home 80, Berg"].applied_n_lb, results["Home 80, Berg"].stalk_ppm) == (None, 300.0)
    path.write_text("field,what,value\nHome 80,applied_n_lb,500\n", encoding="utf-8")
    with pytest.raises(InputFileError, match=r"2 fields called 'Home 80' .*Olsen.*Berg"):
        read_outcomes(path, entries)


def test_one_ground_under_two_fields_is_a_warning() -> None:
    """Two fields of the same bounds to a metre are told; a neighbour that shares an edge is not."""

    def lies(name: str, west: float) -> Entry:
        ring = [[west, 42.0], [west + 0.01, 42.0], [west + 0.01, 42.01], [west, 42.0]]
        zone = {"zone": 1, "rate_n_lb_ac": 100.0, "rate_product": 30.0, "rate_unit": "gal/ac", "acres": 80.0}
        shape = {"type": "Polygon", "coordinates": [ring]}
        return replace(_entry(name), outlines=[{"type": "Feature", "properties": zone, "geometry": shape}])

    entries = (lies("a", -94.0), lies("b", -94.000005), lies("c", -94.01))
    (told,) = season_findings(due(entries, (), date(2026, 6, 11)), entries, 2026)
    assert (told.code, {told.quantities["field"].value, told.quantities["other"].value}) == (
        "season.same-ground",
        {"a", "b"},
    )
