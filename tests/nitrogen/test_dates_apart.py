"""Sampling dates that lie apart, dates ahead, and normals: each ledger is worked on its own day."""

from datetime import date, timedelta

import numpy as np
import pytest

from vrn.nitrogen.field_need import need_of_cells
from vrn.nitrogen.season import season_of
from vrn.nitrogen.stage import mineralization_share_left, share_left_on, stage_position, uptake_share
from vrn.nitrogen.water import Days

PLANTED = date(2026, 5, 1)
EARLY, LATE = date(2026, 6, 1), date(2026, 6, 15)
READING = {"nitrate_ppm": np.array([9.0, 9.0, 14.0]), "top_in": 0.0, "bottom_in": 12.0,
           "yield_goal_bu_ac": np.array([180.0, 220.0, 200.0]),
           "organic_matter_pct": np.array([2.0, 3.0, 4.0])}  # fmt: skip
UREA = {"date": date(2026, 5, 25), "product": "Urea", "n_lb_ac": 60.0, "placement": "incorporated"}


def _days(first, count, tmin_f=60.0, tmax_f=80.0):
    every = tuple(first + timedelta(days=i) for i in range(count))
    return Days(days=every, tmin_f=np.full(count, tmin_f), tmax_f=np.full(count, tmax_f), rain_in=np.zeros(count))


def _season(sampled_on, **given):
    return season_of(sampled_on=sampled_on, planting_date=PLANTED, weather=_days(PLANTED, 80), **given)


@pytest.mark.parametrize("counted", [None, "V8"])
def test_each_cell_is_worked_on_its_own_day(counted):
    """A cell in a field of two dates has the lines it would have in a field sampled on its date alone."""
    applied = {"applications": [UREA]}
    whole = _season([EARLY, LATE, LATE], growth_stage=counted, **applied)
    parts = [_season([day], growth_stage=stage, **applied) for day, stage in whole.collars_by_date.items()]
    which = np.array([0, 1, 0])
    ledger, _ = need_of_cells({}, **READING, season=whole.by_cell(parts, which))
    for cell, part in enumerate(which):
        alone, _ = need_of_cells({}, **READING, season=parts[part])
        for line, other in zip(ledger.lines, alone.lines, strict=True):
            assert line.key == other.key
            assert np.broadcast_to(line.lb_ac, 3)[cell] == pytest.approx(
                np.broadcast_to(other.lb_ac, 3)[cell], abs=1e-9
            )
        assert ledger.low_lb_ac[cell] == pytest.approx(np.broadcast_to(alone.low_lb_ac, 3)[cell], abs=1e-9)
        assert ledger.high_lb_ac[cell] == pytest.approx(np.broadcast_to(alone.high_lb_ac, 3)[cell], abs=1e-9)


def test_a_count_moves_the_clock_of_every_date():
    """Counted V8: 14 days of 20 heat units earlier, at 82 a collar, the crop was 3.41 collars younger."""
    season = _season([EARLY, LATE, LATE], growth_stage="V8")
    assert season.growth_stage == "V8"
    assert season.collars_by_date == {EARLY: pytest.approx(8 - 14 * 20 / 82), LATE: pytest.approx(8.0)}


def test_an_area_of_two_dates_prints_what_it_is_a_mean_of():
    """Crop and organic-matter lines of a zone, worked from its printed basis, to 0.1 lb/ac."""
    whole = _season([EARLY, LATE])
    parts = [_season([day], growth_stage=stage) for day, stage in whole.collars_by_date.items()]
    ledger, _ = need_of_cells({}, **READING, season=whole.by_cell(parts, np.array([0, 1, 1])))
    zone = {line.key: line for line in ledger.reduce(lambda values: float(values.mean()), size=3).lines}
    stages = [stage_position(part.growth_stage) for part in (parts[0], parts[1], parts[1])]
    goal, organic = READING["yield_goal_bu_ac"], READING["organic_matter_pct"]
    crop = np.mean(goal * 1.1 * (1 - np.array([uptake_share(stage) for stage in stages])))
    freed = np.mean(organic * 20 * np.array([mineralization_share_left(stage) for stage in stages]))
    for key, wanted in (("crop", crop), ("mineralization", freed)):
        times, less = zone[key].basis.split("−")
        first, second = (float(part.split()[0]) for part in times.split("×"))
        assert first * second - float(less.split()[0]) == pytest.approx(wanted, abs=0.02)
        assert abs(zone[key].lb_ac) == pytest.approx(wanted)


def test_dates_apart_without_a_clock_are_a_warning():
    """One stage for cores two weeks apart is a person's decision."""
    season = season_of(growth_stage="V7", sampled_on=[EARLY, LATE])
    assert season.collars_by_date == {}
    (found,) = season.findings
    assert (found.code, found.level) == ("weather.one-stage-for-all", "warning")
    assert found.quantities["stage"].value == "V7"
    assert not season_of(growth_stage="V7", sampled_on=[EARLY, EARLY + timedelta(days=3)]).findings


def test_the_application_date_is_shown_and_credits_nothing():
    """The stage on the day of the pass is shown, moved by the count; the ledger is the same without it."""
    later = _season([LATE], growth_stage="V8", application_date=date(2026, 6, 19))
    found = next(finding for finding in later.findings if finding.code == "weather.stage-on-pass")
    assert found.quantities["collars"].value == pytest.approx(8 + 4 * 20 / 82)
    with_date, _ = need_of_cells({}, **READING, season=later)
    without, _ = need_of_cells({}, **READING, season=_season([LATE], growth_stage="V8"))
    np.testing.assert_array_equal(with_date.unclipped_lb_ac, without.unclipped_lb_ac)


def test_normals_reach_where_the_record_ends():
    """Record to sampling and normals behind it: the share of warmth of the joined year, and a stage on a later day."""
    record = _days(date(2026, 4, 1), 76, tmin_f=50.0, tmax_f=70.0)
    normals = _days(date(2001, 1, 1), 365, tmin_f=58.0, tmax_f=84.0)
    joined = [date(2026, 4, 1) + timedelta(days=i) for i in range(183)]
    low, high = [50.0] * 76 + [58.0] * 107, [70.0] * 76 + [84.0] * 107
    season = season_of(growth_stage="V7", sampled_on=[LATE], planting_date=PLANTED, weather=record, normals=normals,
                       application_date=date(2026, 7, 1))  # fmt: skip
    assert season.mineralization_share_left == pytest.approx(share_left_on(LATE, days=joined, tmin_f=low, tmax_f=high))
    assert season.clock_at_application.on == date(2026, 7, 1)
    found = next(finding for finding in season.findings if finding.code == "weather.mineralization-by-weather")
    assert found.quantities["share"].value == season.mineralization_share_left
    assert found.quantities["table"].value == mineralization_share_left("V7")
    alone = season_of(growth_stage="V7", sampled_on=[LATE], planting_date=PLANTED, weather=record)
    assert alone.mineralization_share_left is None


def test_warmth_used_is_the_source_beside_its_line():
    """Whose share of mineralization it is stands beside the line: the record's, the table's or the user's."""
    season = season_of(growth_stage="V7", sampled_on=[LATE], weather=_days(date(2026, 4, 1), 183))

    def source(options, season):
        ledger, _ = need_of_cells(options, **READING, growth_stage="V7", season=season)
        return next(line.source for line in ledger.lines if line.key == "mineralization")

    assert "share of the season's warmth" in source({}, season)
    assert "no published table was seen" in source({}, None)
    assert "given by the user" in source({"mineralization_share_left": 0.6}, season)


def test_cores_before_planting_are_preplant():
    """A profile pulled before the planting date is preplant, not a wrong date."""
    season = season_of(sampled_on=[date(2026, 4, 20)], planting_date=PLANTED, weather=_days(date(2026, 4, 1), 60))
    assert season.growth_stage == "preplant"
