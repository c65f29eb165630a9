"""What rain did: pounds are kept, ranges hold together, and the water balance follows FAO-56."""

from datetime import date, timedelta

import numpy as np
import pytest

from vrn.errors import InputFileError, OutOfRangeError
from vrn.nitrogen.applied import Applied
from vrn.nitrogen.rain import expected_nitrate_ppm, rain_effect
from vrn.nitrogen.water import (
    SOIL_WATER,
    SoilWarmth,
    outer_radiation_mj,
    reference_water_use_in,
    soil_water_of,
    water_balance,
)

START = date(2026, 4, 1)


def _season(days=70, rain=None, tmin_f=58.0, tmax_f=78.0):
    fell = np.zeros(days)
    for day, inches in (rain or {}).items():
        fell[day] = inches
    every = [START + timedelta(days=i) for i in range(days)]
    return {"days": every, "tmin_f": np.full(days, tmin_f), "tmax_f": np.full(days, tmax_f), "rain_in": fell}


def _applied(day=14, product="UAN 28", placement="injected", n_lb_ac=80.0):
    return Applied(on=START + timedelta(days=day), product=product, n_lb_ac=n_lb_ac, placement=placement)


WET = {45: 3.0, 46: 2.0, 47: 2.0, 48: 1.0, 55: 1.5}


@pytest.mark.parametrize(
    ("day", "latitude_deg", "radiation"),
    [
        (date(2026, 9, 3), -20.0, 32.2),  # FAO-56, example 8
        (date(2026, 7, 15), 45.72, 40.6),  # FAO-56, example 20 (Lyon)
    ],
)
def test_radiation_at_the_top_of_the_atmosphere(day, latitude_deg, radiation):
    """FAO Irrigation and Drainage Paper 56, equation 21."""
    assert outer_radiation_mj(day, latitude_deg=latitude_deg) == pytest.approx(radiation, abs=0.1)


def test_reference_water_use():
    """26.6 and 14.8 °C at Lyon in July: 5.0 mm a day by equation 52 (FAO-56, example 20)."""
    got = reference_water_use_in(date(2026, 7, 15), 14.8 * 1.8 + 32, 26.6 * 1.8 + 32, latitude_deg=45.72)
    assert got * 25.4 == pytest.approx(5.0, abs=0.05)


@pytest.mark.parametrize("soil", list(SOIL_WATER))
def test_water_is_kept(soil):
    """Rain is what drained, what was used and what is still held, for every soil: nothing is made or lost."""
    season = _season(rain=WET)
    balance = water_balance(
        season["days"], season["tmin_f"], season["tmax_f"], season["rain_in"], soil=SOIL_WATER[soil]
    )
    used = sum(0.6 * reference_water_use_in(day, 58.0, 78.0, latitude_deg=41.5) for day in season["days"])
    gone = balance.drainage_in.sum()
    assert 0 <= gone <= season["rain_in"].sum()
    assert gone >= season["rain_in"].sum() - used - 1e-9
    assert (balance.drainage_in <= SOIL_WATER[soil].drains_in + 1e-12).all()


def test_a_dry_spring_drains_nothing():
    """Without rain nothing drains and no day is full."""
    season = _season()
    balance = water_balance(season["days"], season["tmin_f"], season["tmax_f"], season["rain_in"])
    assert balance.drainage_in.sum() == 0
    assert not balance.saturated.any()


def test_missing_days_are_read_off_their_neighbours():
    """NaN rain counts as none, NaN temperatures are filled; a record without any is refused."""
    season = _season(days=5)
    balance = water_balance(season["days"], [60, np.nan, 60, 60, 60], [80] * 5, [np.nan] * 5)
    assert balance.temperature_f.tolist() == [70.0] * 5
    with pytest.raises(OutOfRangeError, match="holds no temperature"):
        water_balance(season["days"], [np.nan] * 5, [np.nan] * 5, [0.0] * 5)


@pytest.mark.parametrize("texture", [None, "silt loam", "loamy sand", "silty clay"])
@pytest.mark.parametrize("product", ["UAN 28", "Anhydrous", "Urea", "AMS", "slurry"])
def test_bands_hold_together(texture, product):
    """Every band lies between nothing and what was applied, its low never above its high."""
    item = _applied(product=product, placement="broadcast")
    effect = rain_effect([item], on=START + timedelta(days=69), **_season(rain=WET), texture=texture)
    (fate,) = effect.fates
    for name in ("volatilized_lb_ac", "denitrified_lb_ac", "below_lb_ac", "top_foot_lb_ac", "second_foot_lb_ac",
                 "not_nitrate_lb_ac"):  # fmt: skip
        low, high = getattr(fate, name)
        assert -1e-9 <= low <= high <= item.n_lb_ac + 1e-9
        assert effect.total(name) == (low, high)


def test_in_a_dry_spring_nothing_is_lost():
    """No rain: injected nitrogen is all in the top foot or still waiting, by every rule."""
    effect = rain_effect([_applied(product="Urea")], on=START + timedelta(days=69), **_season())
    (fate,) = effect.fates
    assert fate.denitrified_lb_ac == (0.0, 0.0)
    assert fate.below_lb_ac == (0.0, 0.0)
    assert fate.top_foot_lb_ac[1] + fate.not_nitrate_lb_ac[0] == pytest.approx(80.0)
    assert fate.top_foot_lb_ac[0] + fate.not_nitrate_lb_ac[1] == pytest.approx(80.0)
    assert fate.top_foot_lb_ac[1] > 75


def test_more_rain_leaves_less():
    """A wetter season never leaves more of the same application in the top foot."""
    left = []
    for factor in (0.0, 0.5, 1.0, 2.0):
        season = _season(rain={day: inches * factor for day, inches in WET.items()})
        effect = rain_effect([_applied()], on=START + timedelta(days=69), **season)
        left.append(effect.total("top_foot_lb_ac"))
    assert left == sorted(left, reverse=True)


def test_a_sand_loses_more_than_a_silt():
    """Nitrate moves twice as far in sand for the same drainage (Minnesota): less stays in two feet at best."""
    season = _season(rain={45: 2.5, 46: 2.0})
    best = {}
    for texture in ("silt loam", "sand"):
        effect = rain_effect([_applied()], on=START + timedelta(days=69), **season, texture=texture)
        best[texture] = effect.total("top_foot_lb_ac")[1] + effect.total("second_foot_lb_ac")[1]
    assert best["sand"] < best["silt loam"]


def test_the_rules_span_several_fold_in_warm_wet_soil():
    """In warm full soil the published rules differ at least threefold in what was denitrified."""
    season = _season(rain={45: 5.0, 46: 3.0, 47: 3.0}, tmin_f=68, tmax_f=87)
    effect = rain_effect([_applied()], on=START + timedelta(days=56), **season, texture="silty clay")
    low, high = effect.total("denitrified_lb_ac")
    assert high > 3 * low
    assert high > 20


def test_the_daily_band_ends_where_the_fates_do():
    """The season's plot ends at the totals that are printed."""
    effect = rain_effect([_applied(), _applied(day=40)], on=START + timedelta(days=69), **_season(rain=WET))
    low, high = effect.total("top_foot_lb_ac")
    assert (effect.top_low_lb_ac[-1], effect.top_high_lb_ac[-1]) == pytest.approx((low, high))
    plain = effect.to_plain()
    assert len(plain["days"]) == len(plain["top_foot_low_lb_ac"]) == 70


def test_expected_band_of_the_top_foot():
    """What is left of the applications and what the soil freed, less the crop's uptake, over 3.671 lb for a ppm."""
    effect = rain_effect([_applied(product="Calcium nitrate")], on=START + timedelta(days=69), **_season())
    low, high = expected_nitrate_ppm(effect, mineralized_lb_ac=20.0, uptake_lb_ac=(10.0, 25.0))
    assert (low, high) == pytest.approx(((80 - 25) / 3.6711, (80 + 20 - 10) / 3.6711), rel=1e-3)


def _in_two_weeks_of_rain(**ground):
    rain = dict.fromkeys(range(45, 55), 1.2)
    effect = rain_effect([_applied(n_lb_ac=80.0)], on=START + timedelta(days=65), **_season(rain=rain), **ground,
                         texture="loam")  # fmt: skip
    return effect, np.array(effect.total("denitrified_lb_ac")), np.array(effect.total("below_lb_ac"))


def test_leaching_and_denitrification_share_the_water():
    """Poor drainage keeps the soil full and loses more to the air, good drainage more to below; tile is in between."""
    poor, air_poor, below_poor = _in_two_weeks_of_rain(drainage="poor")
    tiled, air_tiled, below_tiled = _in_two_weeks_of_rain(drainage="poor", tile=True)
    well, air_well, below_well = _in_two_weeks_of_rain(drainage="well")
    assert (air_poor > air_tiled).all()
    assert (air_tiled >= air_well).all()
    assert (below_well >= below_tiled).all()
    assert (below_tiled > below_poor).all()
    assert poor.days_saturated > tiled.days_saturated > well.days_saturated


def test_unknown_drainage_is_a_span():
    """Without a drainage class the band holds that of the texture's own figure (moderate: 0.6 in a day)."""
    _, air, below = _in_two_weeks_of_rain()
    _, air_known, below_known = _in_two_weeks_of_rain(drainage="moderate")
    for span, known in ((air, air_known), (below, below_known)):
        assert span[0] <= known[0] + 1e-9
        assert span[1] >= known[1] - 1e-9
        assert np.ptp(span) > np.ptp(known)


def test_soil_follows_the_air_slowly():
    """A warm day in a cold spell moves the soil by a fifth; frost counts nothing; a record tells of its own days."""
    days = [START + timedelta(days=i) for i in range(40)]
    cold = np.full(40, 28.0)
    warmth = SoilWarmth.of(days, cold, cold)
    assert warmth.between(days[0], days[-1]) == 0.0
    one = cold.copy()
    one[30] = 68.0  # 20 °C: 22 at the surface, 0.2 of the way from −0.4
    assert SoilWarmth.of(days, one, one).between(days[30], days[31]) == pytest.approx(0.2025 * 22.8 - 0.44, abs=0.1)
    assert warmth.between(START - timedelta(days=1), days[5]) is None
    assert warmth.between(days[0], days[-1] + timedelta(days=9)) is None
    even = SoilWarmth.of(days, np.full(40, 50.0), np.full(40, 50.0))
    beyond = even.between(days[30], days[39] + timedelta(days=4))
    assert beyond == pytest.approx(13 * 11.16, rel=0.01)


def test_a_usual_winter_is_colder_than_its_spring():
    """Mid-November to mid-March 150 to 500 °C·day (a mild one at Champaign: 566), the two months after it more."""
    winter = SoilWarmth.usual_c_days(date(2025, 11, 15), date(2026, 3, 15))
    assert 150 < winter < 500
    assert SoilWarmth.usual_c_days(date(2026, 3, 15), date(2026, 5, 15)) > winter


def test_a_record_that_begins_too_late_is_refused():
    """Weather from after the first application cannot tell what became of it."""
    season = _season()
    with pytest.raises(InputFileError, match="does not reach from the first application"):
        rain_effect([Applied(on=date(2026, 3, 1), product="Urea", n_lb_ac=50.0)], on=date(2026, 5, 1), **season)
    with pytest.raises(InputFileError, match="does not reach from the first application to 2026-08-01"):
        rain_effect([_applied()], on=date(2026, 8, 1), **season)


def test_texture_classes_of_water():
    """Sand is coarse, clay is fine, a sandy clay loam neither."""
    assert soil_water_of("sand").coarse
    assert not soil_water_of("sandy clay loam").coarse
    assert soil_water_of("silty clay").drains_in < soil_water_of("loam").drains_in
