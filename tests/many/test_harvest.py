"""What the end of a season teaches: check strips into the response fit, stalk nitrate by zone, kept in the book."""

import sqlite3
from pathlib import Path

import pytest

from vrn.errors import InputFileError
from vrn.many.book import Entry, outcomes, record_build, record_outcome
from vrn.many.outcomes import read_outcomes, stalks_by_zone, strip_response
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


def test_strips_and_the_rate_around_them_give_back_the_response() -> None:
    """Two zones 40 bu/ac apart on one response: each strip is held against the zone it lies in, and 160 comes back."""
    level = {1: 100.0, 2: 140.0}
    lies_in = {1: 1, 2: 2, 3: 1, 4: 1, 5: 2, 6: 2}
    came = tuple(
        _strip(_grain(zone["rate_n_lb_ac"], level[lies_in[zone["zone"]]]), zone["rate_n_lb_ac"], zone=zone["zone"])  # type: ignore[index, arg-type]
        for zone in ZONES
    )
    (result,) = season_results((ENTRY,), came, corn_per_bu=4.0, n_per_lb=0.4)
    assert result.response is not None
    assert result.response.optimum_n_lb_ac == pytest.approx(160.0, abs=1e-4)
    assert result.response.observations == 6
    assert result.response.findings[0].quantities["yields"].value == 6
    alone = strip_response(came, corn_per_bu=4.0, n_per_lb=0.4)  # each strip its own level: nothing to compare
    assert alone is not None
    assert alone.form == ""


def test_strips_that_hold_no_response_say_why() -> None:
    """Three strips are too few, and yields that only rise have no top; prices are asked for."""
    few = strip_response((_strip(150.0, 60.0), _strip(160.0, 90.0), _strip(165.0, 120.0)))
    assert few is not None
    assert [found.code for found in few.findings] == ["nitrogen.strips-unused"]
    many = strip_response(tuple(_strip(_grain(rate, 90.0), rate) for rate in (0.0, 60.0, 120.0, 200.0)))
    assert many is not None
    assert many.findings[-1].code == "nitrogen.strips-without-prices"
    assert (many.observations, many.optimum_n_lb_ac) == (4, None)
    assert strip_response((_strip(150.0),)) is None


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
