"""Soil nitrate and the published methods against worked and published numbers, the source beside each."""

import pytest

from vrn.errors import OutOfRangeError, OutsideCalibrationError
from vrn.nitrogen import method, methods, nitrate_lb_ac
from vrn.nitrogen.catalogue import inputs_of
from vrn.nitrogen.field_need import _NEEDS
from vrn.nitrogen.late_spring import penn_state_history_factor
from vrn.nitrogen.method import SEASON_TOTAL
from vrn.nitrogen.profile_methods import nebraska_price_factor
from vrn.nitrogen.remaining_need import bulk_density_of
from vrn.units import LB_AC_KG_HA, NO3_N_SHARE
from vrn.words.methods import FINDINGS


@pytest.mark.parametrize(
    ("bulk_density_g_cm3", "lb_ac"),
    [(1.1, 2.991), (1.2, 3.263), (1.3, 3.535), (1.33, 3.617), (1.4, 3.807), (1.5, 4.079), (1.6, 4.351)],
)
def test_pounds_of_one_ppm_in_a_foot(bulk_density_g_cm3, lb_ac):
    """lb/ac = ppm × in × g/cm³ × 0.226613: from the acre, the inch and the pound."""
    got = nitrate_lb_ac(1, top_in=0, bottom_in=12, bulk_density_g_cm3=bulk_density_g_cm3)
    assert got == pytest.approx(lb_ac, abs=5e-4)


@pytest.mark.parametrize(
    ("density", "depth_in", "lb_ac"),
    [
        (1.324, 12, 3.6),  # 3.6 lb per ppm and foot: a supplier's page, 25 ppm is about 90 lb/ac
        (1.471, 12, 4.0),  # 4 lb per ppm and foot: University of Illinois agronomist, 20 ppm is 80 lb/ac
        (1.261, 7, 2.0),  # 2,000,000 lb in 7 in: IPNI manual
        (1.324, 20 / 3, 2.0),  # 2,000,000 lb in 6 2/3 in: Penn State, acre furrow slice
    ],
)
def test_the_bulk_density_each_rule_hides(density, depth_in, lb_ac):
    """Every rule of pounds for a ppm is a bulk density."""
    assert nitrate_lb_ac(1, top_in=0, bottom_in=depth_in, bulk_density_g_cm3=density) == pytest.approx(lb_ac, abs=2e-3)


def test_metric_agrees():
    """kg/ha = ppm × g/cm³ × cm × 0.1 (exact)."""
    got = nitrate_lb_ac(10, top_in=0, bottom_in=12, bulk_density_g_cm3=1.3) * LB_AC_KG_HA
    assert got == pytest.approx(10 * 1.3 * 30.48 * 0.1, rel=1e-12)


def test_nitrate_as_no3():
    """NO3-N is 0.2259 of NO3 (14.0067 / 62.0049); UC ANR divides by 4.43."""
    assert round(NO3_N_SHARE, 4) == 0.2259
    assert pytest.approx(4.4268, abs=5e-5) == 1 / NO3_N_SHARE


def test_unequal_layers():
    """(8 × 10 + 16 × 4) / 24 = 6 ppm; a missing second foot at 3 ppm: (12 + 3) / 2 = 7.5 (CropWatch 2019)."""
    known = {"nitrate_ppm": 10, "bottom_in": 8, "deep_nitrate_ppm": 4, "deep_top_in": 8, "deep_bottom_in": 24}
    assert inputs_of(method("nebraska"), known)["profile_nitrate_ppm"] == 6.0
    known = {"nitrate_ppm": 12, "bottom_in": 12, "yield_goal_bu_ac": 200, "organic_matter_pct": 2}
    assert inputs_of(method("nebraska"), known)["profile_nitrate_ppm"] == 7.5


@pytest.mark.parametrize(("top", "deep", "three_tenths", "four_a_foot"), [(12, 6, 64.8, 72.0), (20, 10, 108.0, 120.0)])
def test_two_layer_profile(top, deep, three_tenths, four_a_foot):
    """Two feet at 0.3 lb per ppm and inch, and at 4 lb per ppm and foot: the two differ by a ninth."""
    known = {"nitrate_ppm": top, "bottom_in": 12, "deep_nitrate_ppm": deep, "deep_top_in": 12, "deep_bottom_in": 24}
    assert inputs_of(method("kansas"), known)["profile_nitrate_lb_ac"] == pytest.approx(three_tenths)
    assert inputs_of(method("south-dakota"), known)["profile_nitrate_lb_ac"] == pytest.approx(four_a_foot)


@pytest.mark.parametrize("key", [item.key for item in methods()])
def test_every_method_works_its_own_example(key):
    """The example that `vrn methods KEY` prints comes out of the method (its source stands beside it)."""
    one = method(key)
    assert one.need(**one.example.inputs).need_lb_ac == pytest.approx(one.example.need_lb_ac, abs=5e-4)
    assert one.source
    assert one.region
    assert one.contains


@pytest.mark.parametrize(
    ("expected_yield", "ppm", "organic", "credit", "timing", "lb_ac"),
    [
        (200, 3, 2, 0, 1, 195.0), (200, 3, 2, 45, 1, 150.0), (200, 3, 2, 45, 0.95, 142.5),
        (180, 1.5, 1, 35, 1, 178.8), (150, 12, 2, 0, 1, 77.0),
        (200, 3, 8, 0, 1, 167.0), (200, 3, 0.1, 0, 1, 237.0),  # organic matter held to 0.5 … 3 %
    ],
)  # fmt: skip
def test_nebraska(expected_yield, ppm, organic, credit, timing, lb_ac):
    """35 + 1.2 EY − 8 ppm − 0.14 EY OM − credits (UNL EC117, 2019), times the factor for timing."""
    got = method("nebraska").need(
        yield_goal_bu_ac=expected_yield, profile_nitrate_ppm=ppm, organic_matter_pct=organic, credits_lb_ac=credit,
        timing_factor=timing,
    )  # fmt: skip
    assert got.need_lb_ac == pytest.approx(lb_ac)


def test_nebraska_organic_matter_credit_grows_with_yield():
    """One per cent is worth 21, 28, 35 lb/ac at 150, 200, 250 bu/ac (0.14 × yield)."""

    def credit(yield_goal):
        ledger = method("nebraska").need(yield_goal_bu_ac=yield_goal, profile_nitrate_ppm=3, organic_matter_pct=1)
        return -next(line.lb_ac for line in ledger.lines if line.key == "mineralization")

    assert [credit(goal) for goal in (150, 200, 250)] == pytest.approx([21, 28, 35])


@pytest.mark.parametrize(
    ("ratio", "factor"),
    [(8, 0.998), (5, 0.786), (6, 0.865), (7, 0.936), (9, 1.052), (10, 1.098), (12, 1.098), (3, 0.786)],
)
def test_nebraska_price_factor(ratio, factor):
    """0.263 + 0.1256 R − 0.00421 R², R held to 5 … 10 (equation from memory; limits CropWatch 2007)."""
    assert nebraska_price_factor(ratio * 0.5, 0.5) == pytest.approx(factor, abs=6e-4)


@pytest.mark.parametrize(
    ("ppm", "critical", "lb_ac"),
    [
        (10, 21, 88), (15, 15, 0),  # Farm Progress 21 June 2004, Iowa State numbers
        (15, 25, 80), (10, 25, 120), (24, 25, 8), (5, 25, 160), (30, 25, 0), (25, 25, 0),  # 8 lb/ac per ppm below 25
    ],
)  # fmt: skip
def test_iowa(ppm, critical, lb_ac):
    """(critical − ppm) × 8, never below 0 (Iowa State CROP 3140, as quoted by the farm press)."""
    assert method("iowa-lsnt").need(nitrate_ppm=ppm, critical_ppm=critical).need_lb_ac == lb_ac


@pytest.mark.parametrize(
    ("goal", "ppm", "history", "lb_ac"),
    [
        (150, 15, 5.25, 86.25),
        (150, 12, 1.75, 144.0),
        (180, 10, 0.75, 190.5),
        (180, 21, 0.75, 0.0),
        (180, 35, 0.75, 0.0),
    ],
)
def test_penn_state(goal, ppm, history, lb_ac):
    """1.1 EY − history factor × ppm, none from 21 ppm up (Penn State Agronomy Guide Table 1.4-4)."""
    got = method("penn-state-psnt").need(yield_goal_bu_ac=goal, nitrate_ppm=ppm, history_factor=history)
    assert got.need_lb_ac == pytest.approx(lb_ac)


def test_penn_state_history_factor():
    """Manure since harvest and before: 3.5 + 1.75 = 5.25; none after soybean: 0.75 + 1 = 1.75 (Agronomy Facts 17)."""
    assert penn_state_history_factor(manure_since_harvest=True, manure_in_three_years_before=True) == 5.25
    assert penn_state_history_factor(previous_crop="soybean") == 1.75
    assert penn_state_history_factor(previous_crop="forage legume") == 4.25


@pytest.mark.parametrize(("goal", "ppm", "lb_ac"), [(200, 12, 83.2), (150, 25, 0.0)])
def test_penn_state_2023(goal, ppm, lb_ac):
    """0.71 EY − 4.9 ppm (Penn State 2023, quoted by the farm press), a negative rate is 0."""
    assert method("penn-state-2023").need(yield_goal_bu_ac=goal, nitrate_ppm=ppm).need_lb_ac == pytest.approx(lb_ac)


@pytest.mark.parametrize(
    ("key", "ppm", "credit"),
    [
        ("ohio-psnt", 19, 45),  # Ohio State 2022: 156 − 45 = 111 lb/ac
        ("ohio-psnt", 10, 0), ("ohio-psnt", 10.5, 30), ("ohio-psnt", 15, 30), ("ohio-psnt", 15.1, 45),
        ("ohio-psnt", 20, 45), ("ohio-psnt", 20.1, 90), ("ohio-psnt", 25, 90), ("ohio-psnt", 25.1, 156),
        ("michigan-psnt", 14, 30), ("michigan-psnt", 11, 30), ("michigan-psnt", 16, 60), ("michigan-psnt", 21, 90),
        ("michigan-psnt", 27, 156),  # Michigan State 2011: 14 and 11 ppm 30, 16 ppm 60, 21 ppm 90, 27 ppm none
    ],
)  # fmt: skip
def test_base_rate_less_credit(key, ppm, credit):
    """Base rate less the class's credit, classes half-open above (Ohio State 2022, Michigan State 2011)."""
    assert method(key).need(base_rate_lb_ac=156, nitrate_ppm=ppm).need_lb_ac == 156 - credit


@pytest.mark.parametrize(
    ("goal", "organic", "profile", "credit", "lb_ac"),
    [(150, 2, 30, 0, 170.0), (150, 2, 30, 40, 130.0), (200, 2.5, 64.8, 0, 205.2), (250, 1, 0, 0, 230.0)],
)
def test_kansas(goal, organic, profile, credit, lb_ac):
    """1.6 YG − 20 OM − profile − credits, at most 230 (equation and cap from memory, worked by hand)."""
    ledger = method("kansas").need(
        yield_goal_bu_ac=goal, organic_matter_pct=organic, profile_nitrate_lb_ac=profile, credits_lb_ac=credit
    )
    assert ledger.need_lb_ac == pytest.approx(lb_ac)
    assert sum(found.code == "methods.from-memory" for found in ledger.findings) == 3


def test_kansas_values_can_be_overridden():
    """A value from memory gives way to the user's, and is no longer called from memory."""
    ledger = method("kansas").need(
        yield_goal_bu_ac=150, organic_matter_pct=2, profile_nitrate_lb_ac=30, rate_factor_lb_bu=1.5, cap_lb_ac=300,
        organic_matter_lb_per_om_pct=20,
    )  # fmt: skip
    assert ledger.need_lb_ac == pytest.approx(155.0)
    assert not any(found.code == "methods.from-memory" for found in ledger.findings)


def test_minnesota():
    """1.2 × 150 − 60 = 120 (University of Minnesota DC6514)."""
    assert method("minnesota-west").need(yield_goal_bu_ac=150, profile_nitrate_lb_ac=60).need_lb_ac == 120


def test_south_dakota():
    """180 − 50 − 40 = 90; with no-till's 30 (from memory) 120 (SDSU factor of 2023)."""
    given = {"yield_goal_bu_ac": 180, "profile_nitrate_lb_ac": 50, "credits_lb_ac": 40}
    assert method("south-dakota").need(**given).need_lb_ac == 90
    assert method("south-dakota").need(**given, tillage_lb_ac=30).need_lb_ac == 120


@pytest.mark.parametrize("key", ["nebraska", "kansas", "minnesota-west", "south-dakota"])
def test_preplant_profiles_refuse_a_grown_crop(key):
    """Cores pulled after about V4 would over-apply: the method refuses and, asked to, answers and says so."""
    one = method(key)
    with pytest.raises(OutsideCalibrationError, match="it is for preplant to V4, the crop is at V8"):
        one.need(**one.example.inputs, growth_stage="V8", top_in=0, bottom_in=24)
    one.need(**one.example.inputs, growth_stage="V4", top_in=0, bottom_in=24)
    shown = one.need(**one.example.inputs, growth_stage="V8", allow_outside=True)
    assert [found.quantities["stage"].value for found in shown.findings if found.code == "methods.outside-stage"] == [
        "V8"
    ]


@pytest.mark.parametrize("key", ["iowa-lsnt", "penn-state-psnt", "penn-state-2023", "ohio-psnt", "michigan-psnt"])
def test_late_spring_tests_want_a_foot_at_v4_to_v6(key):
    """A core of two feet, or a crop past V6, is outside."""
    one = method(key)
    with pytest.raises(OutsideCalibrationError, match="cores from 0 to 12 in, these reach 24 in"):
        one.need(**one.example.inputs, top_in=0, bottom_in=24)
    with pytest.raises(OutsideCalibrationError, match="it is for V4 to V6, the crop is at V9"):
        one.need(**one.example.inputs, growth_stage="V9")


@pytest.mark.parametrize("key", [item.key for item in methods() if item.kind == "season"])
def test_season_totals_say_so_or_subtract(key):
    """A season's total says so until what is already applied is given; then it is a line."""
    one = method(key)
    given = {name: value for name, value in one.example.inputs.items() if name != "applied_lb_ac"}
    assert SEASON_TOTAL in one.need(**given).findings
    ledger = one.need(**given, applied_lb_ac=40)
    assert SEASON_TOTAL not in ledger.findings
    assert ledger.need_lb_ac == pytest.approx(one.example.need_lb_ac - 40, abs=1e-3)


def test_unknown_method_names_the_nearest():
    """A misspelt key is answered with the nearest one."""
    with pytest.raises(OutOfRangeError, match="Did you mean 'iowa-lsnt'"):
        method("iowa-lsnd")


def test_texture_gives_a_bulk_density():
    """A sandy loam is denser than a clay; an unknown class is refused with the list."""
    assert bulk_density_of("sandy loam") > bulk_density_of("clay")
    with pytest.raises(OutOfRangeError, match="Texture class 'gravel' is not known"):
        bulk_density_of("gravel")


@pytest.mark.parametrize("item", methods(), ids=lambda item: item.key)
def test_every_input_a_method_can_lack_or_leave_has_its_words(item):
    """What is required has a sentence for when it is missing, a calibrated range one for when it is left."""
    for one in item.inputs:
        if one.required:
            assert _NEEDS[one.name].split(".")[1] in FINDINGS
        if one.calibrated is not None:
            assert one.outside.split(".")[1] in FINDINGS
    assert {caution.code.split(".")[1] for caution in item.cautions} <= set(FINDINGS)
