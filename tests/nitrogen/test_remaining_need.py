"""The mass balance: its lines, its window, its unknowns."""

import numpy as np
import pytest

from vrn.errors import OutOfRangeError, OutsideCalibrationError
from vrn.nitrogen import method
from vrn.nitrogen.field_need import need_of_cells

READING = {
    "yield_goal_bu_ac": 210, "growth_stage": "V7", "nitrate_ppm": 13, "top_in": 0, "bottom_in": 12,
    "organic_matter_pct": 2.6,
}  # fmt: skip


def _line(ledger, key):
    (line,) = (line for line in ledger.lines if line.key == key)
    return line


def test_lines_worked_by_hand():
    """210 × 1.1 × 0.885 = 204.4; 13 × 12 × 1.35 × 0.226613 = 47.7; half of 25.7 below; 2.6 × 20 × 0.72 = 37.4."""
    ledger = method("remaining-need").need(**READING, deep_nitrate_ppm=7, deep_top_in=12, deep_bottom_in=24)
    assert ledger.printed_lb_ac() == (204.4, -47.7, -12.9, -37.4)
    assert [line.key for line in ledger.lines] == ["crop", "soil_nitrate", "deep_nitrate", "mineralization"]
    assert ledger.need_lb_ac == pytest.approx(106.421, abs=5e-4)


def test_a_second_foot_that_was_not_pulled_is_a_printed_line():
    """Without a deep core the ledger prints "not measured, 0 counted", and a finding says so."""
    line = _line(method("remaining-need").need(**READING), "deep_nitrate")
    assert (line.label, line.basis, line.lb_ac) == ("Nitrate in the soil, 12–24 in", "not measured, 0 counted", 0.0)
    _, findings = need_of_cells({}, **READING)
    (found,) = (finding for finding in findings if finding.code == "nitrogen.depth-not-sampled-likely")
    assert [found.quantities[end].value for end in ("top", "bottom")] == [12.0, 24.0]


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"growth_stage": "R2"}, "crop is at R2"),
        ({"bottom_in": 3}, "these reach 3 in"),
        ({"top_in": 6}, "this one at 6 in"),
        ({"deep_nitrate_ppm": 4, "deep_bottom_in": 60}, "deep_bottom_in is outside"),
    ],
)
def test_outside_depth_or_stage_it_refuses(change, match):
    """Outside its window the method raises, and with allow_outside it answers and says so."""
    with pytest.raises(OutsideCalibrationError, match=match):
        method("remaining-need").need(**READING | change)
    ledger = method("remaining-need").need(**READING | change, allow_outside=True)
    assert ledger.findings[0].level == "warning"
    assert ledger.findings[0].code.startswith("methods.outside-")


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"nitrate_ppm": -1}, "nitrate_ppm is -1"),
        ({"organic_matter_pct": None}, "needs organic_matter_pct"),
        ({"yield_gaol_bu_ac": 200}, "Did you mean 'yield_goal_bu_ac'"),
        ({"growth_stage": "V99"}, "not one of corn"),
        ({"yield_goal_bu_ac": "many"}, "not a number"),
        ({"deep_nitrate_ppm": 3, "deep_top_in": 6}, "inside the top core"),
    ],
)
def test_impossible_inputs_are_refused(change, match):
    """Every refusal names the input and a remedy."""
    with pytest.raises(OutOfRangeError, match=match) as caught:
        method("remaining-need").need(**READING | change)
    assert caught.value.remedy


def test_unknown_stays_unknown():
    """A NaN reading leaves that cell's need NaN and no other."""
    ledger = method("remaining-need").need(**READING | {"nitrate_ppm": np.array([13.0, np.nan])})
    assert np.isnan(ledger.need_lb_ac).tolist() == [False, True]


def test_organic_matter_is_counted_up_to_its_cap():
    """8 % organic matter counts as 5 %, and a finding says so."""
    ledger = method("remaining-need").need(**READING | {"organic_matter_pct": 8.0})
    assert _line(ledger, "mineralization").lb_ac == pytest.approx(-5 * 20 * 0.72)
    (capped,) = ledger.findings
    assert (capped.code, capped.quantities["cap"].value) == ("nitrogen.organic-matter-capped-here", 5.0)


def test_credits_by_name_are_lines_of_their_own():
    """Every credit that is not 0 is a line."""
    ledger = method("remaining-need").need(**READING, credits_lb_ac={"manure": 12.0, "other": 0.0})
    assert _line(ledger, "credit_manure").lb_ac == -12.0
    assert not [line for line in ledger.lines if line.key == "credit_other"]


def test_recovery_raises_the_need():
    """A need of 80 lb/ac at a recovery of 0.8 asks for 100 (Stanford 1973: need over recovery)."""
    given = READING | {"nitrate_ppm": 0, "organic_matter_pct": 0, "yield_goal_bu_ac": 100, "uptake_share": 0.2}
    ledger = method("remaining-need").need(**given, n_per_bushel_lb=1.0, recovery_share=0.8)
    assert ledger.need_lb_ac == pytest.approx(100.0)


STARVED = READING | {"growth_stage": "V12", "organic_matter_pct": 2.5, "nitrate_ppm": 2.465}


def test_a_crop_holds_no_more_than_could_reach_it():
    """210 bu at V12, 120 lb applied and 90 of it lost: 88 lb/ac by the stage, up to 131 where the crop was short.

    By stage it holds 0.45 × 231 = 104; 30 left, 20 freed, 20 there in spring and 9 still in the soil leave it 61.
    """
    by_stage = method("remaining-need").need(**STARVED)
    assert by_stage.need_lb_ac == pytest.approx(88.0, abs=0.1)
    ledger = method("remaining-need").need(**STARVED, applied_left_lb_ac=30.0)
    assert ledger.band_lb_ac[1] == pytest.approx(131.0, abs=0.1)
    short = _line(ledger, "short").lb_ac  # with three times that nitrate in spring: what is sure
    assert short == pytest.approx(43.0 - 40.0, abs=0.1)
    assert ledger.need_lb_ac == pytest.approx(88.0 + short, abs=0.1)
    (told,) = (finding for finding in ledger.findings if finding.code == "nitrogen.crop-may-be-short")
    assert told.level == "warning"
    pounds = {name: told.quantities[name].value for name in ("stage", "supply", "most")}
    assert pounds == pytest.approx({"stage": 104.0, "supply": 61.0, "most": 43.0}, abs=0.1)
    settled = method("remaining-need").need(**STARVED, applied_left_lb_ac=30.0, uptake_share=0.264)
    assert settled.need_lb_ac == pytest.approx(131.0, abs=0.2)
    assert not [line for line in settled.lines if line.key == "short"]


@pytest.mark.parametrize(
    ("change", "short"),
    [
        ({"applied_left_lb_ac": 33.0}, None),  # 3 lb more: nothing is sure any more
        ({"applied_left_lb_ac": 20.0}, 13.0),
        ({"applied_left_lb_ac": 20.0, "nitrate_ppm": 10.0}, None),  # soil that still holds nitrate starves no crop
        ({"applied_left_lb_ac": 20.0, "spring_nitrate_lb_ac": 10.0}, 43.0),
        ({"applied_left_lb_ac": 20.0, "growth_stage": "V6"}, None),
    ],
)
def test_what_is_sure_is_a_line_and_the_rest_is_a_band(change, short):
    """The line is the gap left by the most that can have reached the crop; less supply, earlier stages, full soils."""
    ledger = method("remaining-need").need(**STARVED | change)
    lines = [line.lb_ac for line in ledger.lines if line.key == "short"]
    assert lines == ([] if short is None else [pytest.approx(short, abs=0.1)])


def test_a_wide_loss_widens_the_band_alone():
    """Between 0 and 60 lb left: what is counted follows the 60, the upper end the 0; unknown cells stay unknown."""
    given = STARVED | {"nitrate_ppm": np.array([2.465, np.nan])}
    ledger = method("remaining-need").need(**given, applied_left_lb_ac=60.0, applied_left_low_lb_ac=0.0)
    assert not [line for line in ledger.lines if line.key == "short" and line.lb_ac[0] > 0]
    assert ledger.band_lb_ac[1][0] == pytest.approx(88.0 + 73.0, abs=0.1)
    assert np.isnan(ledger.need_lb_ac).tolist() == [False, True]


def test_one_core_of_two_feet_and_two_cores_agree():
    """10 ppm from 0 to 24 in counts as 10 ppm in each foot, the second by its share; a need of its own ppm differs."""
    given = READING | {"nitrate_ppm": 10.0}
    one = method("remaining-need").need(**given | {"bottom_in": 24})
    two = method("remaining-need").need(**given, deep_nitrate_ppm=10.0)
    assert one.need_lb_ac == pytest.approx(two.need_lb_ac, abs=1e-9)
    whole = method("remaining-need").need(**given | {"bottom_in": 24}, second_foot_share=1.0)
    assert whole.need_lb_ac == pytest.approx(one.need_lb_ac - 0.5 * 10 * 12 * 1.35 * 0.226613, abs=0.01)


@pytest.mark.parametrize(("top", "end", "counted_in"), [(6, 12, 6.0), (6, 18, 9.0), (12, 24, 6.0)])
def test_what_lies_in_the_first_foot_is_no_second_foot(top, end, counted_in):
    """A layer of 6–12 in counts in full, one of 6–18 in by its inches, one of 12–24 in by half."""
    given = READING | {"bottom_in": float(top)}
    ledger = method("remaining-need").need(**given, deep_nitrate_ppm=7.0, deep_top_in=top, deep_bottom_in=end)
    assert _line(ledger, "deep_nitrate").lb_ac == pytest.approx(-7 * counted_in * 1.35 * 0.226613, abs=1e-3)
