"""From field-file settings to a ledger: what is applied, what is credited, and what must be told."""

from datetime import date, timedelta
from itertools import product

import numpy as np
import pytest

from vrn.errors import OutsideCalibrationError
from vrn.nitrogen import method, methods
from vrn.nitrogen.applied import Applied
from vrn.nitrogen.cautions import (
    double_counting,
    pattern_caution,
    pattern_share,
    region_caution,
    second_foot_caution,
    stage_caution,
    surplus_caution,
)
from vrn.nitrogen.field_need import need_of_cells, side_by_side
from vrn.nitrogen.season import season_of
from vrn.nitrogen.water import Days

READING = {
    "nitrate_ppm": 11.0, "top_in": 0.0, "bottom_in": 12.0, "growth_stage": "V6", "yield_goal_bu_ac": 190.0,
    "organic_matter_pct": 3.1,
}  # fmt: skip
PULLED = [date(2026, 6, 8)]
CREDITS = ("previous_crop", "manure", "irrigation_water", "other")


def _application(on=date(2026, 4, 20), product="UAN 28", n_lb_ac=60.0, placement="broadcast"):
    return {"date": on, "product": product, "n_lb_ac": n_lb_ac, "placement": placement, "inhibitor": "none"}


def _weather(days=70, start=date(2026, 4, 1), rain=None, tmin_f=58.0, tmax_f=78.0):
    fell = np.zeros(days)
    for day, inches in (rain or {}).items():
        fell[day] = inches
    every = tuple(start + timedelta(days=i) for i in range(days))
    return Days(days=every, tmin_f=np.full(days, tmin_f), tmax_f=np.full(days, tmax_f), rain_in=fell)


@pytest.mark.parametrize("key", [item.key for item in methods()])
@pytest.mark.parametrize("amounts", list(product([0.0, 25.0], repeat=4)), ids=str)
def test_no_credit_is_counted_without_a_word(key, amounts):
    """Whatever credits a field file holds, under any method each one that is not 0 has a finding of its own."""
    given = dict(zip(CREDITS, amounts, strict=True))
    about = {finding.about for finding in double_counting(method(key), credits_lb_ac=given)}
    assert about == {f"credits.{name}" for name, amount in given.items() if amount}


def test_previous_crop_under_the_mass_balance_is_a_warning():
    """What the previous crop left is in the reading or in the organic matter: a person must decide."""
    ledger, findings = need_of_cells({}, **READING, credits_lb_ac={"previous_crop": 40.0})
    assert any(line.key == "credit_previous_crop" and line.lb_ac == -40 for line in ledger.lines)
    assert ("warning", "credits.previous_crop") in {(finding.level, finding.about) for finding in findings}


def test_a_test_that_takes_no_credit_ignores_it_aloud():
    """The Iowa test already indexes manure: the credit is left out, and that is a warning."""
    with_credit, findings = need_of_cells({"method": "iowa-lsnt"}, **READING, credits_lb_ac={"manure": 30.0})
    without, _ = need_of_cells({"method": "iowa-lsnt"}, **READING)
    assert with_credit.need_lb_ac == without.need_lb_ac
    assert ("warning", "nitrogen.credit-not-counted") in {(finding.level, finding.code) for finding in findings}


def test_what_was_applied_weeks_ago_stands_in_the_reading():
    """UAN ten weeks before sampling is all nitrate by every rule: its line is 0 and nothing is subtracted twice."""
    season = season_of(growth_stage="V6", sampled_on=PULLED, applications=[_application(on=date(2026, 3, 25))])
    ledger, _ = need_of_cells({}, **READING, season=season)
    line = next(line for line in ledger.lines if line.key == "applied_not_nitrate")
    assert line.lb_ac == pytest.approx(0.0, abs=1e-9)


def test_what_is_not_yet_nitrate_is_a_line_with_a_range():
    """Anhydrous three weeks before sampling: its middle is a line, its ends widen the band of the need."""
    item = _application(on=date(2026, 5, 18), product="Anhydrous", n_lb_ac=80.0, placement="injected")
    season = season_of(growth_stage="V6", sampled_on=PULLED, applications=[item])
    bare, _ = need_of_cells({}, **READING)
    ledger, _ = need_of_cells({}, **READING, season=season)
    found = season.not_yet
    assert ledger.unclipped_lb_ac == pytest.approx(bare.unclipped_lb_ac - 0.5 * (found.low_lb_ac + found.high_lb_ac))
    assert ledger.low_lb_ac == pytest.approx(bare.low_lb_ac - found.high_lb_ac)
    assert ledger.high_lb_ac == pytest.approx(bare.high_lb_ac - found.low_lb_ac)


def test_a_map_of_what_was_applied_scales_the_line():
    """Where the map says twice the listed pounds, twice as much is not yet nitrate; and both given is a warning."""
    item = _application(on=date(2026, 6, 6), product="Urea", n_lb_ac=50.0, placement="injected")
    season = season_of(growth_stage="V6", sampled_on=PULLED, applications=[item])
    ledger, findings = need_of_cells({}, **READING, season=season, applied_lb_ac=np.array([50.0, 100.0, np.nan]))
    line = next(line for line in ledger.lines if line.key == "applied_not_nitrate")
    assert line.lb_ac[1] == pytest.approx(2 * line.lb_ac[0])
    assert np.isnan(ledger.need_lb_ac).tolist() == [False, False, True]
    assert ("warning", "nitrogen.map-and-list") in {(finding.level, finding.code) for finding in findings}


def test_a_map_without_dates_has_a_finding():
    """A map alone does not say what was nitrate when the cores were pulled: nothing is counted, aloud."""
    ledger, findings = need_of_cells({}, **READING, applied_lb_ac=np.array([40.0, 60.0]))
    assert not [line for line in ledger.lines if line.key == "applied_not_nitrate"]
    assert "nitrogen.applied-without-dates" in {finding.code for finding in findings}


def test_applied_without_a_sampling_date_is_a_warning():
    """Without the day the cores were pulled nothing applied can be followed."""
    season = season_of(growth_stage="V6", applications=[_application()])
    assert season.not_yet is None
    assert "weather.no-sampling-date" in {finding.code for finding in season.findings if finding.level == "warning"}


@pytest.mark.parametrize("key", ["ohio-psnt", "michigan-psnt", "economic-optimum"])
def test_a_season_total_does_not_build_as_a_rate_for_now(key):
    """Nothing known of what is on: refused. Nothing put on, said with 0: built."""
    options = {"method": key, "base_rate_lb_ac": 160.0, "response_b": 1.0, "response_c": -0.0025}
    given = {**READING, "price_ratio": 0.1}
    with pytest.raises(OutsideCalibrationError, match="a season total, not a sidedress rate"):
        need_of_cells(options, **given)
    season = season_of(growth_stage="V6", sampled_on=PULLED, applications=[_application(n_lb_ac=0.0)])
    whole, _ = need_of_cells(options, **given, season=season)
    season = season_of(growth_stage="V6", sampled_on=PULLED, applications=[_application(n_lb_ac=35.0)])
    less, _ = need_of_cells(options, **given, season=season)
    assert whole.need_lb_ac - less.need_lb_ac == pytest.approx(35.0)


def test_a_profile_method_subtracts_only_what_came_after_it():
    """Nitrogen put on before the profile was pulled stands in its nitrate: only the later is a line."""
    items = [_application(on=date(2026, 4, 1)), _application(on=date(2026, 4, 25), n_lb_ac=20.0)]
    season = season_of(growth_stage="preplant", sampled_on=[date(2026, 4, 10)], applications=items)
    given = {**READING, "growth_stage": "preplant", "deep_nitrate_ppm": 6.0, "deep_bottom_in": 24.0}
    ledger, findings = need_of_cells({"method": "south-dakota"}, **given, season=season)
    assert next(line.lb_ac for line in ledger.lines if line.key == "applied") == -20.0
    assert "nitrogen.applied-before-profile" in {finding.code for finding in findings}


def test_much_broadcast_before_a_late_spring_test_is_a_warning():
    """Tests of the top foot do not hold after 40 to 60 lb/ac broadcast (NY, DE, PA bulletins)."""
    applied = [Applied(on=date(2026, 4, 20), product="Urea", n_lb_ac=80.0, placement="broadcast")]
    (found,) = double_counting(method("iowa-lsnt"), applications=applied, sampled_on=PULLED[0])
    assert (found.code, found.quantities["pounds"].value) == ("nitrogen.broadcast-before-test", 80.0)
    few = [Applied(on=date(2026, 4, 20), product="Urea", n_lb_ac=30.0, placement="broadcast")]
    assert not double_counting(method("iowa-lsnt"), applications=few, sampled_on=PULLED[0])


def test_texture_stands_in_for_a_bulk_density():
    """A sandy loam at 1.45 holds 1.45 / 1.35 as much as the default; a given bulk density goes before it."""

    def top(options):
        ledger, _ = need_of_cells(options, **READING)
        return next(line.lb_ac for line in ledger.lines if line.key == "soil_nitrate")

    assert top({"texture": "sandy loam"}) / top({}) == pytest.approx(1.45 / 1.35)
    assert top({"texture": "sandy loam", "bulk_density_g_cm3": 1.35}) == top({})


def test_unknown_cells_are_counted_aloud():
    """Cells without a reading have no need, and a finding says how many."""
    _, findings = need_of_cells({}, **READING | {"nitrate_ppm": np.array([5.0, np.nan, np.nan])})
    (found,) = (finding for finding in findings if finding.code == "nitrogen.need-unknown")
    assert [found.quantities[name].value for name in ("unknown", "cells")] == [2, 3]


def test_all_methods_on_one_reading():
    """Every method answers or says why not; those within their calibration stand first."""
    results = side_by_side({"base_rate_lb_ac": 150.0}, READING, applied_lb_ac=30.0)
    assert len(results) == len(methods())
    by_key = {answer.method.key: answer for answer in results}
    assert by_key["iowa-lsnt"].need_lb_ac == (25 - 11) * 8
    assert by_key["ohio-psnt"].need_lb_ac == 150 - 30 - 30
    assert by_key["nebraska"].status == "outside"
    assert by_key["nebraska"].reasons[0].code == "methods.outside-stage"
    assert by_key["kansas"].status == "missing"
    assert [reason.code for reason in by_key["kansas"].reasons] == ["methods.needs-deep-nitrate"]
    ranks = [("applies", "outside", "missing").index(answer.status) for answer in results]
    assert ranks == sorted(ranks)


def test_all_methods_on_a_field():
    """Over cells each answer is the mean of a need that is never below 0, with its least and greatest."""
    cells = {**READING, "nitrate_ppm": np.array([10.0, 30.0])}
    answer = next(one for one in side_by_side({}, cells) if one.method.key == "iowa-lsnt")
    assert (answer.need_lb_ac, answer.low_lb_ac, answer.high_lb_ac) == (60.0, 0.0, 120.0)
    weighted = side_by_side({}, cells, mean=lambda values: float(values @ [0.25, 0.75]))
    assert next(one for one in weighted if one.method.key == "iowa-lsnt").need_lb_ac == 30.0
    assert answer.status == "applies"


def test_second_foot_worth_pulling():
    """A low top foot, heavy rain since the last application and no deep core: look there, at the places given."""
    weather = _weather(rain={40: 3.0, 41: 2.5})
    season = season_of(growth_stage="V6", sampled_on=PULLED, applications=[_application()], weather=weather)
    found = second_foot_caution(top_nitrate_ppm=7.0, deep_sampled=False, rain=season.rain, places=("A4", "B2"))
    assert found.level == "warning"
    assert found.quantities["rain"].value == pytest.approx(5.5)
    assert found.quantities["places"].value == "A4, B2"
    assert second_foot_caution(top_nitrate_ppm=7.0, deep_sampled=True, rain=season.rain, places=()) is None
    assert second_foot_caution(top_nitrate_ppm=22.0, deep_sampled=False, rain=season.rain, places=()) is None
    dry = season_of(growth_stage="V6", sampled_on=PULLED, applications=[_application()], weather=_weather())
    assert second_foot_caution(top_nitrate_ppm=7.0, deep_sampled=False, rain=dry.rain, places=()) is None


def test_cautions_name_their_danger():
    """A late stage and the region: each by its own code."""
    late = [stage_caution(stage) for stage in ("V8", "V12", "VT", "R2")]
    assert late[0] is None
    assert [one.code for one in late[1:]] == [
        "nitrogen.stage-late", "nitrogen.stage-near-tassel", "nitrogen.stage-after-tassel"
    ]  # fmt: skip
    assert region_caution(method("iowa-lsnt")).quantities["region"].value == "Iowa"
    assert region_caution(method("remaining-need")).quantities == {}


def test_yield_pattern_caution():
    """When the yield layer makes the pattern, its share is a warning; shares add up to 1."""
    random = np.random.default_rng(2)
    goal, ppm = random.uniform(120, 240, 300), random.uniform(10, 12, 300)
    ledger, _ = need_of_cells({}, **READING | {"yield_goal_bu_ac": goal, "nitrate_ppm": ppm})
    assert sum(pattern_share(ledger).values()) == pytest.approx(1.0)
    share = pattern_caution(ledger).quantities["share"].value
    assert share == pytest.approx(pattern_share(ledger)["crop"])
    assert share > 0.5
    even, _ = need_of_cells({}, **READING | {"nitrate_ppm": random.uniform(4, 30, 300)})
    assert pattern_caution(even) is None
    assert pattern_share(need_of_cells({}, **READING)[0]) == {}


def test_surplus_is_counted():
    """Where the soil holds more than the crop wants, a finding says how much and where."""
    ledger, _ = need_of_cells({}, **READING | {"nitrate_ppm": np.array([10.0, 90.0])})
    found = surplus_caution(ledger)
    assert found.quantities["share"].value == 0.5
    assert found.quantities["surplus"].value == pytest.approx(-ledger.unclipped_lb_ac[1])
    assert surplus_caution(need_of_cells({}, **READING)[0]) is None


def test_rain_that_took_what_was_applied_limits_what_the_crop_holds():
    """7 in of rain on a 60 lb spring dressing, 2 ppm left at V12: the crop may be short; less so after a dry spring.

    By stage 190 × 1.1 × 0.45 = 94 lb. Without a word on what was applied, and with manure credited, nothing is known.
    """
    starved = READING | {"nitrate_ppm": 2.0, "growth_stage": "V12", "organic_matter_pct": 2.0}

    def most(season, **more):
        ledger, findings = need_of_cells({}, **starved, season=season, **more)
        told = [one.quantities["most"].value for one in findings if one.code == "nitrogen.crop-may-be-short"]
        return ledger, (told[0] if told else 0.0)

    def season(**rain):
        return season_of(growth_stage="V12", sampled_on=PULLED, applications=[_application()], weather=_weather(**rain))

    wet, short_wet = most(season(rain={40: 3.5, 41: 3.5}))
    dry, short_dry = most(season())
    assert short_wet > short_dry + 10
    assert wet.band_lb_ac[1] - wet.need_lb_ac > 10
    assert wet.need_lb_ac >= dry.need_lb_ac
    _, none_on = most(season_of(growth_stage="V12", sampled_on=PULLED, applications=[]))
    assert none_on == pytest.approx(94.05 - 16.0 - 20.0 + 2.0 * 12 * 1.35 * 0.226613, abs=0.1)
    assert most(season_of(growth_stage="V12", sampled_on=PULLED))[1] == 0.0
    assert most(season_of(growth_stage="V12", sampled_on=PULLED, applications=[]), credits_lb_ac={"manure": 9})[1] == 0
