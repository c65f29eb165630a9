"""Heat units, collars, uptake and mineralization against published numbers, the source beside each."""

from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest

from vrn.errors import InputFileError, OutOfRangeError
from vrn.nitrogen import method
from vrn.nitrogen.clock import INTERVALS, clock_on, collars_of, collars_over, heat_units_f
from vrn.nitrogen.season import season_of
from vrn.nitrogen.stage import (
    mineralization_share_left,
    share_left_on,
    stage_name,
    stage_position,
    uptake_band,
    uptake_share,
    warmth_share,
)
from vrn.nitrogen.water import Days
from vrn.units import BU_AC_T_HA, LB_AC_KG_HA


@pytest.mark.parametrize(
    ("tmax_f", "tmin_f", "units"),
    [
        (80, 55, 17.5),  # Purdue Pest & Crop
        (90, 65, 25.5), (72, 46, 11), (63, 42, 6.5),  # Waushara Argus (University of Wisconsin)
        (70, 50, 10),  # Iowa State Agron 541
        (85, 60, 22.5), (68, 41, 9),  # Nielsen's examples, from memory; the arithmetic checks
        (48, 35, 0), (90, 55, 20.5), (100, 90, 36),  # both temperatures held to 50 … 86 before averaging; at most 36
    ],
)  # fmt: skip
def test_heat_units(tmax_f, tmin_f, units):
    """86/50 °F: hold each temperature to 50 … 86, then average, then take 50 off."""
    assert heat_units_f(tmin_f, tmax_f) == units


def test_swapped_temperatures_are_refused():
    """A minimum above the maximum is a swapped column."""
    with pytest.raises(OutOfRangeError, match="lowest temperature is above its highest"):
        heat_units_f(80, 50)


@pytest.mark.parametrize(
    ("units", "collars"),
    [(785, 8.1), (400, 3.41), (940, 10.0), (1040, 12.0), (1200, 15.2)],  # first: OSU C.O.R.N. 2018-15; others worked
)
def test_collars_with_emergence_at_120(units, collars):
    """(heat − 120) / 82 to V10, a collar each 50 after it (Purdue)."""
    assert collars_of(units) == pytest.approx(collars, abs=0.011)


def test_collars_by_another_interval():
    """With Iowa State's 84 a collar, 785 heat units are V7.92 (worked)."""
    assert collars_of(785, interval=INTERVALS[1]) == pytest.approx(7.92, abs=5e-3)


def test_collars_never_turn_back_and_end_at_tassel():
    """More heat never takes a collar away; leaves are out at 18."""
    collars = np.asarray(collars_of(np.linspace(0, 3000, 3001)))
    assert (np.diff(collars) >= 0).all()
    assert (collars[0], collars[-1]) == (-1.0, 18.0)


def _record(days, tmin_f=60.0, tmax_f=80.0, start=date(2026, 4, 1)):
    return [start + timedelta(days=i) for i in range(days)], np.full(days, tmin_f), np.full(days, tmax_f)


def test_clock_fills_short_gaps_and_refuses_long_ones():
    """A missing week is read off its neighbours and told; more needs normals."""
    days, low, high = _record(90)
    low[40:45] = np.nan
    high[40:45] = np.nan
    clock = clock_on(date(2026, 6, 20), planted_on=date(2026, 5, 1), days=days, tmin_f=low, tmax_f=high)
    assert clock.heat_units_f == pytest.approx(50 * 20.0)
    assert clock.days_filled == 5
    low[30:60] = np.nan
    with pytest.raises(InputFileError, match="No temperature for 30 days in a row from 2026-05-01"):
        clock_on(date(2026, 6, 20), planted_on=date(2026, 5, 1), days=days, tmin_f=low, tmax_f=high)


def test_clock_reaches_the_future_by_normals():
    """A day past the record is reached by long-term means of any year, by month and day."""
    days, low, high = _record(40)
    usual = _record(183, 60, 80, start=date(1991, 4, 1))
    clock = clock_on(date(2026, 7, 1), planted_on=date(2026, 5, 1), days=days, tmin_f=low, tmax_f=high, normals=usual)
    assert clock.heat_units_f == pytest.approx(61 * 20.0)


def test_day_before_planting_is_refused():
    """A sampling date before planting is a wrong date."""
    days, low, high = _record(40)
    with pytest.raises(InputFileError, match="2026-04-20 is before the planting date 2026-05-01"):
        clock_on(date(2026, 4, 20), planted_on=date(2026, 5, 1), days=days, tmin_f=low, tmax_f=high)


@pytest.mark.parametrize(
    ("stage", "share"),
    [
        ("V6", 0.10), ("VT", 0.80),  # a corn breeder's compilation
        ("V14", 2 / 3), ("V10", 0.35),  # a corn breeder's summary of Bender et al. 2013
        ("R1", 0.63),  # a corn breeder's field data
        ("VT", 0.60), ("VT", 0.70),  # 60–70 % by tassel: Iowa Soybean Association, and Bender
    ],
)  # fmt: skip
def test_published_uptake_lies_in_the_band(stage, share):
    """What summaries print of uptake by stage lies within the band the ledger shows."""
    low, high = uptake_band(stage)
    assert low <= share <= high
    assert low <= uptake_share(stage) <= high


def test_uptake_step_from_v10_to_v14():
    """89 kg/ha of 286 in ten days from V10 to V14: 31 % of the total (Bender et al. 2013, Agron. J. 105:161)."""
    assert uptake_share("V14") - uptake_share("V10") == pytest.approx(89 / 286, abs=0.02)


def test_uptake_never_falls():
    """Uptake, its band and the mineralization left are monotone, and the shares lie in 0 … 1."""
    places = np.linspace(-1, 24, 2501)
    low, high = uptake_band(places)
    for curve in (uptake_share(places), low, high, -np.asarray(mineralization_share_left(places))):
        assert (np.diff(np.asarray(curve)) >= -1e-12).all()
    assert np.min(low) == 0
    assert np.max(high) == 1
    assert (np.asarray(low) <= np.asarray(uptake_share(places))).all()
    assert (np.asarray(high) >= np.asarray(uptake_share(places))).all()


def test_uptake_of_a_published_crop():
    """286 kg/ha for 12.0 Mg/ha dry grain is 255.2 lb/ac for 226.2 bu/ac at 15.5 %: 1.13 lb/bu (Bender et al. 2013)."""
    lb_ac = 286 / LB_AC_KG_HA
    bu_ac = 12.0 / 0.845 / BU_AC_T_HA
    assert (lb_ac, bu_ac) == (pytest.approx(255.2, abs=0.05), pytest.approx(226.2, abs=0.1))
    assert lb_ac / bu_ac == pytest.approx(1.1278, abs=5e-4)


@pytest.mark.parametrize(("taken", "left"), [(0.35, 146.6), (0.50, 112.8)])
def test_remaining_uptake(taken, left):
    """200 bu × 1.1278 lb/bu = 225.6 lb/ac; what is left after 35 % and 50 % (worked)."""
    ledger = method("remaining-need").need(
        yield_goal_bu_ac=200, n_per_bushel_lb=1.1278, uptake_share=taken, growth_stage="V10", nitrate_ppm=0, top_in=0,
        bottom_in=12, organic_matter_pct=0,
    )  # fmt: skip
    assert ledger.need_lb_ac == pytest.approx(left, abs=0.05)


@pytest.mark.parametrize("name", ["preplant", "VE", "V1", "V7", "V17", "VT", "R1", "R4", "R6"])
def test_stage_names_go_there_and_back(name):
    """A stage and its place on the axis say the same."""
    assert stage_name(stage_position(name)) == name


MONTHS = {4: 10, 5: 16, 6: 21, 7: 24, 8: 23, 9: 18}  # °C, a made-up season


def _monthly():
    days = [date(2026, 4, 1) + timedelta(days=i) for i in range(183)]
    return days, np.array([MONTHS[day.month] for day in days], dtype=float)


@pytest.mark.parametrize(
    ("from_day", "share"),
    [(date(2026, 6, 1), 0.7811), (date(2026, 7, 1), 0.5982), (date(2026, 8, 1), 0.3656), (date(2026, 6, 16), 0.6896)],
)
def test_share_of_warmth_left(from_day, share):
    """Sum of 2^(T/10) from a day over its sum for the season (worked on a made-up season)."""
    days, warmth = _monthly()
    season = (days[0], days[-1])
    got = warmth_share(days, warmth, first=from_day, end=date(2026, 10, 1), season=season)
    assert got == pytest.approx(share, abs=5e-5)


def test_months_of_warmth_add_up():
    """Months weigh .0853 .1336 .1829 .2326 .2171 .1485 of that season, together 1 (worked)."""
    days, warmth = _monthly()
    edges = [date(2026, month, 1) for month in range(4, 11)]
    shares = [warmth_share(days, warmth, first=a, end=b, season=(days[0], days[-1])) for a, b in pairwise(edges)]
    assert shares == pytest.approx([0.0853, 0.1336, 0.1829, 0.2326, 0.2171, 0.1485], abs=5e-5)
    assert sum(shares) == pytest.approx(1.0)


def test_share_left_feeds_the_ledger():
    """3 % organic matter × 20 × 0.6896 = 41.4 lb/ac (worked)."""
    ledger = method("remaining-need").need(
        yield_goal_bu_ac=200, growth_stage="V8", nitrate_ppm=0, top_in=0, bottom_in=12, organic_matter_pct=3,
        mineralization_share_left=0.6896,
    )  # fmt: skip
    assert -next(line.lb_ac for line in ledger.lines if line.key == "mineralization") == pytest.approx(41.4, abs=0.03)


def test_a_record_that_ends_at_sampling_leaves_it_to_the_table():
    """Without the rest of the season the share is by stage, and the season says why."""
    days, low, high = _record(75)
    with pytest.raises(InputFileError, match="cover 75 of the 183 days"):
        share_left_on(date(2026, 6, 10), days=days, tmin_f=low, tmax_f=high)
    weather = Days(days=tuple(days), tmin_f=low, tmax_f=high, rain_in=np.zeros(75))
    season = season_of(growth_stage="V7", sampled_on=[date(2026, 6, 10)], weather=weather)
    assert season.mineralization_share_left is None
    assert [finding.code for finding in season.findings] == ["weather.mineralization-by-stage"]


def test_stage_comes_from_planting_date_and_weather():
    """40 days of 20 heat units are 800: (800 − 120) / 82 = V8.3, and the user is asked to count."""
    days, low, high = _record(90)
    weather = Days(days=tuple(days), tmin_f=low, tmax_f=high, rain_in=np.zeros(90))
    given = {"sampled_on": [date(2026, 6, 10)], "planting_date": date(2026, 5, 1), "weather": weather}
    season = season_of(**given)
    assert season.growth_stage == pytest.approx(680 / 82)
    assert "weather.stage-from-weather" in {finding.code for finding in season.findings}
    counted = season_of(**given, growth_stage="V5")
    assert counted.growth_stage == "V5"
    (against,) = (finding for finding in counted.findings if finding.level == "warning")
    assert (against.code, against.quantities["stage"].value) == ("weather.stage-against-weather", "V8")


def test_dates_apart_have_stages_of_their_own():
    """Cores pulled two weeks apart were pulled at two stages: both are shown."""
    days, low, high = _record(90)
    weather = Days(days=tuple(days), tmin_f=low, tmax_f=high, rain_in=np.zeros(90))
    dates = [date(2026, 6, 1), date(2026, 6, 15), date(2026, 6, 15)]
    season = season_of(sampled_on=dates, planting_date=date(2026, 5, 1), weather=weather)
    assert [stage_name(place) for place in season.collars_by_date.values()] == ["V6", "V9"]
    (found,) = (finding for finding in season.findings if finding.code == "weather.stage-by-date")
    assert [found.quantities[end].value for end in ("early", "late")] == ["V6", "V9"]


def test_collars_over_a_record_agree_with_the_clock():
    """Day by day and on one day, the clock says the same."""
    days, low, high = _record(80)
    daily = collars_over(days, date(2026, 5, 1), low, high)
    clock = clock_on(date(2026, 6, 10), planted_on=date(2026, 5, 1), days=days, tmin_f=low, tmax_f=high)
    assert daily[days.index(date(2026, 6, 9))] == pytest.approx(clock.collars)
