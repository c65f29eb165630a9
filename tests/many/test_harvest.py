"""What the end of a season teaches: check strips into the response fit, stalk nitrate by zone, kept in the book."""

import sqlite3
from pathlib import Path

import pytest

from vrn.errors import InputFileError
from vrn.many.book import Entry, record_build
from vrn.many.book_events import outcomes, record_outcome
from vrn.many.outcomes import read_outcomes, stalks_by_zone, strip_responses
from vrn.many.season import season_results
from vrn.model.season import Outcome

ZONES = [
    {"zone": 1, "rate_n_lb_ac": 90.0}, {"zone": 2, "rate_n_lb_ac": 130.0},
    {"zone": 3, "rate_n_lb_ac": 120.0, "label": "check strip 1, +30 lb N/ac in zone 1"},
    {"zone": 4, "rate_n_lb_ac": 60.0, "label": "check strip 1, -30 lb N/ac in zone 1"},
    {"zone": 5, "rate_n_lb_ac": 160.0, "label": "check strip 1, +30 lb N/ac in zone 2"},
    {"zone": 6, "rate_n_lb_ac": 100.0, "label": "check strip 1, -30 lb N/ac in zone 2"},
]  # fmt: skip
ENTRY = Entry(field_file="ash.toml", folder="ash", status="built", field="Ash", season=2026, summary={"zones": ZONES})


def _strip(value: float, rate: float | None = None, **more: object) -> Outcome:
    return Outcome(field="Ash", season=2026, what="strip_yield_bu_ac", value=value, rate_n_lb_ac=rate, **more)  # type: ignore[arg-type]


def _grain(rate: float, level: float) -> float:
    """A response worked by hand: b 0.9, c −0.0025; at $4.00 and $0.40 best at (0.1 − 0.9) / −0.005 = 160 lb/ac."""
    return level + 0.9 * rate - 0.0025 * rate * rate


def test_strips_speak_zone_by_zone() -> None:
    """Two zones of four strips: one answers to 160 lb, one to 120; three strips only tell their gain."""
    best = {1: 0.9, 2: 0.7}
    came = tuple(
        _strip(100.0 * zone + slope * rate - 0.0025 * rate * rate, rate, zone=zone)
        for zone, slope in best.items() for rate in (40.0, 90.0, 140.0, 190.0)
    )  # fmt: skip
    (result,) = season_results((ENTRY,), came, corn_per_bu=4.0, n_per_lb=0.4)
    assert [found.where for found in result.responses] == ["zone 1", "zone 2"]
    assert [found.optimum_n_lb_ac for found in result.responses] == pytest.approx([160.0, 120.0], abs=1e-4)
    inside = strip_responses(
        tuple(_strip(_grain(zone["rate_n_lb_ac"], 100.0), zone["rate_n_lb_ac"], zone=zone["zone"]) for zone in ZONES),  # type: ignore[index, arg-type]
        lies_in={3: 1, 4: 1, 5: 2, 6: 2},
    )  # fmt: skip
    assert [(found.where, found.findings[0].code) for found in inside] == [
        ("zone 1", "season.trial-strips"), ("zone 2", "season.trial-strips"),
    ]  # fmt: skip
    gain = inside[0].findings[0].quantities
    assert gain["gain"].value == pytest.approx(
        _grain(gain["most"].value, 100.0) - _grain(gain["least"].value, 100.0)  # type: ignore[arg-type]
    )


def test_strips_that_hold_no_response_say_why() -> None:
    """Strips at one rate say nothing; yields that only rise have no top; prices are asked for."""
    (same,) = strip_responses((_strip(150.0, 60.0), _strip(160.0, 60.0)))
    assert [found.code for found in same.findings] == ["nitrogen.strips-unused"]
    (many,) = strip_responses(tuple(_strip(_grain(rate, 90.0), rate) for rate in (0.0, 60.0, 120.0, 200.0)))
    assert many.findings[-1].code == "nitrogen.strips-without-prices"
    assert (many.observations, many.optimum_n_lb_ac) == (4, None)
    assert strip_responses((_strip(150.0),)) == ()


def test_stalks_have_a_class_by_zone() -> None:
    """Iowa State's classes of each zone's mean; 2,000–6,000 ppm takes 25 % off next year, more 50 % (Connecticut)."""
    values = {1: (2400.0, 2800.0), 2: (640.0,), 3: (9000.0,), None: (100.0,)}
    tests = tuple(
        Outcome(field="Ash", season=2026, what="stalk_nitrate_ppm", value=value, zone=zone)
        for zone, found in values.items() for value in found
    )  # fmt: skip
    found = stalks_by_zone(tests)
    assert [(item.zone, item.stalk_ppm, item.stalk_class, item.cut_share) for item in found] == [
        (1, 2600.0, "excess", 0.25), (2, 640.0, "marginal", 0.0), (3, 9000.0, "excess", 0.5), (None, 100.0, "low", 0.0),
    ]  # fmt: skip


def test_a_strip_with_a_zone_has_the_rate_prescribed_there(tmp_path: Path) -> None:
    """The rate is taken from the prescription, unless the table gives another."""
    path = tmp_path / "strips.csv"
    path.write_text(
        "field,what,value,zone,rate_n_lb_ac\nAsh,strip_yield_bu_ac,188,3,\nAsh,strip_yield_bu_ac,176,4,55\n"
        "Ash,stalk_nitrate_ppm,800,2,\n",
        encoding="utf-8",
    )
    found, _ = read_outcomes(path, (ENTRY,))
    assert [(item.zone, item.rate_n_lb_ac) for item in found] == [(3, 120.0), (4, 55.0), (2, None)]


@pytest.mark.parametrize(
    ("rows", "problem"),
    [
        ("Ash,stalk_nitrate_ppm,800,9\n", r"row 2: '9' is no zone of Ash"),
        ("Ash,stalk_nitrate_ppm,800,north\n", r"'north' is no zone of Ash"),
        ("Ash,stalk_nitrate_ppm,800,1\nAsh,stalk_nitrate_ppm,900,1\n", r"rows 2 and 3 are of the same field"),
    ],
)
def test_rows_that_cannot_be_told_apart_are_refused(tmp_path: Path, rows: str, problem: str) -> None:
    """A zone the prescription has not, and two rows that would take each other's place."""
    path = tmp_path / "stalks.csv"
    path.write_text("field,what,value,zone\n" + rows, encoding="utf-8")
    with pytest.raises(InputFileError, match=problem):
        read_outcomes(path, (ENTRY,))


def test_a_book_of_the_first_version_takes_zones(tmp_path: Path) -> None:
    """An older book reads without zones, and has them once something is recorded."""
    book = tmp_path / "season.db"
    record_build(book, ENTRY)
    with sqlite3.connect(book) as connection:
        connection.execute("ALTER TABLE outcome DROP COLUMN zone")
        connection.execute("PRAGMA user_version = 1")
    connection.close()
    assert outcomes(book) == ()
    record_outcome(book, _strip(180.0, 90.0, zone=1), _strip(170.0, 90.0, zone=2))
    assert [(item.zone, item.value) for item in outcomes(book)] == [(1, 180.0), (2, 170.0)]
