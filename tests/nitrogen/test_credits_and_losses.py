"""Manure, water, and what becomes of applied nitrogen, against published numbers, the source beside each."""

from datetime import date, timedelta

import numpy as np
import pytest

from vrn.errors import OutOfRangeError
from vrn.nitrogen import nitrate_lb_ac
from vrn.nitrogen.applied import (
    DENITRIFICATION_RULES,
    IN_PER_IN_DRAINED,
    Applied,
    _kentucky_nitrate_share,
    _nitrified_share,
    denitrified_share_band,
    nitrate_share_band,
    not_yet_nitrate,
    product_kind,
    volatilized_share_band,
)
from vrn.nitrogen.lines import (
    AMMONIUM_KEPT_SHARE,
    _ammonium_kept_share,
    irrigation_n_lb_ac,
    manure_credit,
    manure_organic_n_lb_ac,
)
from vrn.units import LB_AC_KG_HA

ILLINOIS, BY_WARMTH, KENTUCKY, NEBRASKA = DENITRIFICATION_RULES


@pytest.mark.parametrize(
    ("spread", "manure", "freed"),
    [
        ([50.0], "liquid", 17.5), ([50.0, 50.0, 50.0], "liquid", 26.0),  # 10 t × 5 lb, Cornell css412
        ([50.0], "nebraska", 20.0), ([50.0, 50.0, 50.0], "nebraska", 35.0),  # UNL CropWatch 4 April 2022
        ([100.0], "solid", 25.0), ([100.0], "poultry", 55.0),  # Cornell css412
    ],
)  # fmt: skip
def test_organic_nitrogen_of_manure(spread, manure, freed):
    """Shares of this and two earlier years add up."""
    assert manure_organic_n_lb_ac(spread, manure=manure) == pytest.approx(freed)


def test_manure_counts_what_appears_after_sampling():
    """Only the share of the season still to come is a credit; ammonium spread before is in the reading."""
    assert manure_credit([50.0], share_left=0.5, manure="nebraska").lb_ac == pytest.approx(10.0)
    with pytest.raises(OutOfRangeError, match="no release schedule 'goat'"):
        manure_organic_n_lb_ac([1.0], manure="goat")


def test_ammonium_kept_by_days():
    """Half is kept when incorporated within a day (UNL in Feedstuffs), none after a week; later is never more."""
    assert _ammonium_kept_share(1.0) == 0.5
    assert _ammonium_kept_share(9.0) == 0.0
    shares = [share for _, share in AMMONIUM_KEPT_SHARE]
    assert shares == sorted(shares, reverse=True)


@pytest.mark.parametrize(("ppm", "water_in", "lb_ac"), [(10, 12, 27.2), (20, 24, 109), (20, 12, 54.4), (1, 12, 2.72)])
def test_irrigation_water(ppm, water_in, lb_ac):
    """Water carries ppm × in × 0.2266: Lower Loup NRD, UC, North Platte NRD (2.72 lb for a ppm in an acre-foot)."""
    assert irrigation_n_lb_ac(ppm, water_in=water_in) == pytest.approx(lb_ac, abs=0.3 if lb_ac > 100 else 0.03)


def test_irrigation_water_in_metric():
    """10 ppm in 300 mm is 30 kg/ha (exact)."""
    assert irrigation_n_lb_ac(10, water_in=300 / 25.4) * LB_AC_KG_HA == pytest.approx(30, rel=2e-4)


def test_top_foot_of_a_profile():
    """18 ppm × 4 = 72 lb/ac in the top foot, about 60 % of the profile: 120 in all, 48 below (OSCIA, Ontario)."""
    top = nitrate_lb_ac(18, top_in=0, bottom_in=12, bulk_density_g_cm3=1.471)
    assert top == pytest.approx(72, abs=0.05)
    assert top / 0.6 - top == pytest.approx(48, abs=0.05)


@pytest.mark.parametrize(("drained_in", "coarse", "moved"), [(3, False, 18), (3, True, 36)])
def test_nitrate_moves_with_drainage(drained_in, coarse, moved):
    """6 in for an inch drained, 12 on sand (University of Minnesota, Waseca, in No-Till Farmer 7135)."""
    assert drained_in * IN_PER_IN_DRAINED[coarse] == moved


@pytest.mark.parametrize(
    ("kind", "inhibited", "row"),
    [
        ("anhydrous", False, (0, 0.20, 0.65)), ("anhydrous", True, (0, 0.10, 0.50)), ("urea", False, (0, 0.50, 0.75)),
        ("urea", True, (0, 0.30, 0.70)), ("uan", False, (0.25, 0.60, 0.80)),
        ("ammonium nitrate", False, (0.50, 0.80, 0.90)),
    ],
)  # fmt: skip
def test_nitrate_share_by_weeks(kind, inhibited, row):
    """After 0, 3, 6 weeks (Kentucky, No-Till Farmer 1438); the band across rules holds it; it never falls."""
    assert tuple(_kentucky_nitrate_share(kind, weeks=weeks, inhibited=inhibited) for weeks in (0, 3, 6)) == row
    for weeks, share in zip((0, 3, 6), row, strict=True):
        low, high = nitrate_share_band(kind, weeks=weeks, inhibitor="nitrification" if inhibited else "none")
        assert low <= share <= high
    shares = [_kentucky_nitrate_share(kind, weeks=weeks / 4, inhibited=inhibited) for weeks in range(80)]
    assert shares == sorted(shares)
    assert shares[-1] <= 1


@pytest.mark.parametrize(
    ("kind", "inhibited", "weeks", "share"),
    [
        ("anhydrous", False, 8.0, 0.65 + 2 * (0.65 - 0.20) / 3),  # 0.95
        ("anhydrous", True, 9.0, 0.50 + 3 * (0.50 - 0.10) / 3),  # 0.90
        ("urea", False, 8.0, 0.75 + 2 * (0.75 - 0.50) / 3),  # 0.9167
        ("uan", False, 7.5, 0.80 + 1.5 * (0.80 - 0.60) / 3),  # 0.90
        ("ammonium nitrate", False, 9.0, 1.0),  # 0.90 + 3 × 0.1 ÷ 3 reaches all of it
    ],
)
def test_nitrate_share_beyond_six_weeks(kind, inhibited, weeks, share):
    """The table ends at six weeks (Kentucky, No-Till Farmer 1438): beyond, the slope from 3 to 6 weeks, by hand."""
    assert _kentucky_nitrate_share(kind, weeks=weeks, inhibited=inhibited) == pytest.approx(share)


@pytest.mark.parametrize(
    ("kind", "weeks"), [("ammonium", 2), ("anhydrous", 8), ("urea", 4 / 7 + 2.5), ("uan", 4 / 7 + 2.5)]
)
def test_all_is_nitrate_by_the_latest_week(kind, weeks):
    """Ammonium in 1–2 weeks, anhydrous 3–8, urea 2–4 days and 1.25–2.5 weeks (Iowa State 2024)."""
    assert nitrate_share_band(kind, weeks=weeks)[1] == pytest.approx(1.0)


def test_denitrified_by_illinois():
    """120 lb UAN × 95 % nitrate × 4 % × 10 days = 45.6 lb/ac (Iowa State 2014, printed 45)."""
    assert 120 * 0.95 * ILLINOIS.share(10, 70)[0] == pytest.approx(45.6)


def test_denitrified_by_tennessee():
    """180 lb ammonium nitrate, 80 % nitrate; 5 days less 2 at 4 %: 17.28 lb/ac (University of Tennessee)."""
    nitrate = 180 * _kentucky_nitrate_share("ammonium nitrate", weeks=3)
    assert nitrate == pytest.approx(144)
    assert nitrate * KENTUCKY.share(5, 70)[1] == pytest.approx(17.28)


def test_denitrified_by_kentucky():
    """175 lb urea, 3 weeks: 87.5 lb nitrate; 7 days less 2 at 3–4 %: 13.1 to 17.5 lb/ac (University of Kentucky)."""
    nitrate = 175 * _kentucky_nitrate_share("urea", weeks=3)
    low, high = KENTUCKY.share(7, 70)
    assert (nitrate, nitrate * low, nitrate * high) == pytest.approx((87.5, 13.125, 17.5))


@pytest.mark.parametrize(
    ("days", "temperature_f", "share"),
    [(5, 57.5, 0.10), (10, 57.5, 0.25), (3, 77.5, 0.60), (5, 77.5, 0.75), (7, 77.5, 0.85), (9, 77.5, 0.95)],
)
def test_denitrified_by_nebraska(days, temperature_f, share):
    """10 % in 5, 25 % in 10 days at 55–60 °F; 60 % in 3 at 75–80 (UNL EC155; 5 to 9 warm days from memory)."""
    assert NEBRASKA.share(days, temperature_f) == pytest.approx((share, share))


def test_denitrified_by_warmth():
    """2–3 % a day at 55–65 °F, 4–5 % above 65, after 2–3 days (agprofessional)."""
    assert BY_WARMTH.share(6, 60) == pytest.approx((0.06, 0.12))
    assert BY_WARMTH.share(6, 75) == pytest.approx((0.12, 0.20))


def test_rules_differ_several_times_in_warm_soil():
    """At five warm days Illinois says 20–25 % and Nebraska 75 %: the band spans both and every other rule."""
    low, high = denitrified_share_band(5, temperature_f=77.5)
    assert high == pytest.approx(0.75)
    assert low <= 0.08
    assert high / ILLINOIS.share(5, 77.5)[0] > 3


@pytest.mark.parametrize("days", range(0, 40, 3))
@pytest.mark.parametrize("temperature_f", [40, 55, 62, 70, 85])
def test_denitrified_shares_are_shares(days, temperature_f):
    """Low is never above high, and neither leaves 0 … 1, however long the water stands."""
    low, high = denitrified_share_band(days, temperature_f=temperature_f)
    assert 0 <= low <= high <= 1


def _rain(inches_on_day, start=date(2026, 5, 1), days=14):
    return [start + timedelta(days=i) for i in range(days)], [inches_on_day.get(i, 0.0) for i in range(days)]


def test_urea_on_the_surface():
    """Half of UAN is urea (Purdue): at most half as much is at risk as of urea, none in tilled or injected."""
    assert volatilized_share_band("uan", placement="broadcast") == pytest.approx((0.04, 0.25))
    assert volatilized_share_band("urea", placement="incorporated") == (0.0, 0.0)
    assert volatilized_share_band("anhydrous", placement="broadcast") == (0.0, 0.0)


def test_rain_stops_the_loss_of_urea():
    """0.25 in (Minnesota) or 0.5 in (Montana, Nebraska) stops it: on the day itself, or days apart."""
    days, rain = _rain({0: 0.8})
    given = {"placement": "broadcast", "applied_on": days[0]}
    assert volatilized_share_band("urea", **given, days=days, rain_in=rain) == (0.0, 0.0)
    days, rain = _rain({2: 0.3, 4: 0.6})
    low, high = volatilized_share_band("urea", **given, days=days, rain_in=rain)
    assert (low, high) == pytest.approx((0.08 * 2 / 7, 0.5 * 4 / 7))


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("UAN 28", "uan"), ("28-0-0", "uan"), ("urea ammonium nitrate", "uan"), ("NH3", "anhydrous"),
        ("Anhydrous ammonia", "anhydrous"), ("Urea 46-0-0", "urea"), ("AMS", "ammonium"), ("MAP 11-52-0", "ammonium"),
        ("ammonium nitrate 34-0-0", "ammonium nitrate"), ("dairy slurry", "unknown"),
    ],
)  # fmt: skip
def test_kind_of_a_product(name, kind):
    """The kind of nitrogen is read from the product's name or analysis."""
    assert product_kind(name) == kind


def test_applied_not_yet_nitrate_is_a_range():
    """100 lb anhydrous three weeks before: Kentucky 20 % nitrate, Iowa State at its earliest all of it: 0 to 80."""
    item = Applied(on=date(2026, 5, 20), product="Anhydrous", n_lb_ac=100.0, placement="injected")
    found = not_yet_nitrate([item], sampled_on=date(2026, 6, 10))
    assert (found.low_lb_ac, found.high_lb_ac, found.line.lb_ac) == pytest.approx((0.0, 80.0, -40.0))
    assert found.line.key == "applied_not_nitrate"


def test_applied_after_sampling_is_all_to_come():
    """What went on after the cores were pulled cannot be in them."""
    item = Applied(on=date(2026, 6, 11), product="AMS", n_lb_ac=30.0, placement="injected")
    assert not_yet_nitrate([item], sampled_on=date(2026, 6, 10)).line.lb_ac == -30.0


def test_a_negative_application_is_refused():
    """Less than nothing cannot be applied."""
    with pytest.raises(OutOfRangeError, match="-5 lb N/ac was applied"):
        Applied(on=date(2026, 5, 1), product="UAN 28", n_lb_ac=-5.0)


@pytest.mark.parametrize(
    ("degree_days_c", "inhibited", "usual", "seen"),
    [  # D and law: fitted to the first four; seen: Nafziger, University of Illinois, 2016 and 2017; Fernández 2012
        (394, False, 0.47, 0.47), (394, True, 0.34, 0.30), (566, False, 0.60, 0.62), (566, True, 0.45, 0.49),
        (876, True, 0.60, 0.50), (876, True, 0.60, 0.67), (1184, True, 0.71, 0.70), (510, False, 0.56, 0.55),
        (360, False, 0.44, 0.40),
    ],
)  # fmt: skip
def test_ammonia_turns_to_nitrate_with_the_soils_warmth(degree_days_c, inhibited, usual, seen):
    """Illinois fields and an incubation at 39 °F for 90 days, shares of what was recovered.

    The fields' degree days are of half-monthly soil temperatures from memory: the station's record was not seen.
    """
    assert _nitrified_share(degree_days_c, inhibited=inhibited)[1] == pytest.approx(usual, abs=0.01)
    assert _nitrified_share(degree_days_c, inhibited=inhibited)[1] == pytest.approx(seen, abs=0.11)


@pytest.mark.parametrize(("inhibited", "seen"), [(False, 0.40), (False, 0.74), (True, 0.11), (True, 0.15)])
def test_the_band_holds_incubations(inhibited, seen):
    """90 days at 39 °F, with and without an inhibitor, a dark and a light soil: 40, 75, 10, 15 % (Fernández 2012)."""
    least, _, most = _nitrified_share(360.0, inhibited=inhibited)
    assert least - 0.01 <= seen <= most + 0.01


def test_nitrification_rises_with_temperature_as_measured():
    """Frederick 1956, SSSAJ 20:496, 15.5 to 35 °C: 45, 60, 90, 120 ppm a week; the line is within a sixth.

    At 7 °C 10 ppm were measured, and the straight line says 20: left as it is, for field soils are used to the cold.
    """
    at = np.array([15.5, 21.0, 27.0, 35.0])
    measured = np.array([45.0, 60.0, 90.0, 120.0]) / 45.0
    slope = np.array([_nitrified_share(t * 0.01)[1] for t in at]) / _nitrified_share(0.155)[1]
    assert slope == pytest.approx(measured, rel=0.17)
    assert _nitrified_share(0.07)[1] / _nitrified_share(0.155)[1] > 10 / 45


def test_autumn_ammonia_is_not_all_nitrate_in_january():
    """Ten weeks after 5 November the rule made for spring says all of it; fields held half and less."""
    item = Applied(on=date(2025, 11, 5), product="Anhydrous ammonia", n_lb_ac=180.0, placement="injected")
    found = not_yet_nitrate([item], sampled_on=date(2026, 1, 14))
    assert nitrate_share_band("anhydrous", weeks=10.0)[1] == 1.0
    assert 0.25 < found.low_lb_ac / 180.0 < 0.53
    assert 0.60 < found.high_lb_ac / 180.0 < 0.85


@pytest.mark.parametrize("kind", ["anhydrous", "urea", "uan", "ammonium", "coated urea", "unknown"])
def test_warmth_and_inhibitors_work_one_way(kind):
    """More warmth never leaves less nitrate, an inhibitor never more; the least lies below the most."""
    bands = [nitrate_share_band(kind, weeks=4.0, degree_days_c=d) for d in (0.0, 100.0, 400.0, 1500.0)]
    assert bands == sorted(bands)
    assert all(low <= high for low, high in bands)
    with_it = nitrate_share_band(kind, weeks=4.0, degree_days_c=400.0, inhibitor="both")
    assert with_it <= bands[2]


@pytest.mark.parametrize(
    ("name", "kind"),
    [("28%", "uan"), ("32%", "uan"), ("28 percent", "uan"), ("UAN28", "uan"), ("32-0-0", "uan"), ("N-32", "uan"),
     ("polymer-coated urea", "coated urea"), ("Urea, coated", "coated urea"), ("44-0-0", "coated urea"),
     ("Urea 46", "urea"), ("ammonium sulfate", "ammonium"), ("10-34-0", "ammonium"), ("liquid manure 28 t", "unknown")],
)  # fmt: skip
def test_names_as_the_trade_writes_them(name, kind):
    """UAN by its per cent alone, coated urea by its coat or its 44 %."""
    assert product_kind(name) == kind


def test_coated_urea_waits():
    """A coat keeps urea from the air at best altogether, and from nitrate longer than urea's own way."""
    assert volatilized_share_band("coated urea", placement="broadcast")[0] == 0.0
    coated, plain = (nitrate_share_band(kind, weeks=4.0, degree_days_c=300.0) for kind in ("coated urea", "urea"))
    assert coated[0] < plain[0]
