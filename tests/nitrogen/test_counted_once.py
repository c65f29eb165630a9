"""No field file counts the same nitrogen twice, or loses sight of some, without a finding."""

from datetime import date
from itertools import product

import numpy as np
import pytest

from vrn.errors import OutsideCalibrationError
from vrn.nitrogen import method, methods
from vrn.nitrogen.applied import Applied
from vrn.nitrogen.cautions import double_counting
from vrn.nitrogen.field_need import need_of_cells, side_by_side
from vrn.nitrogen.season import season_of

PULLED = date(2026, 6, 8)
CREDITS = ("previous_crop", "manure", "irrigation_water", "other")
READING = {
    "nitrate_ppm": 9.0, "top_in": 0.0, "yield_goal_bu_ac": 190.0, "organic_matter_pct": 2.9, "price_ratio": 0.12,
}  # fmt: skip
OPTIONS = {"base_rate_lb_ac": 170.0, "history_factor": 1.75, "response_b": 1.0, "response_c": -0.0025}
BEFORE = {"date": date(2026, 5, 20), "product": "Anhydrous ammonia", "n_lb_ac": 45.0, "placement": "injected"}
AFTER = {"date": date(2026, 6, 9), "product": "UAN 28", "n_lb_ac": 30.0, "placement": "injected"}
MANURE = {"date": date(2026, 4, 2), "product": "Dairy slurry", "n_lb_ac": 60.0, "placement": "injected"}


def _depth_and_stage(key):
    """A core and a stage within the method's calibration."""
    one = method(key)
    bottom_in = 24.0 if one.bottom_in and one.bottom_in[0] >= 24 else 12.0
    return {"bottom_in": bottom_in, "growth_stage": "preplant" if bottom_in == 24 else "V5"}


@pytest.mark.parametrize("key", [item.key for item in methods()])
@pytest.mark.parametrize("listed", [(), (BEFORE,), (AFTER,), (BEFORE, AFTER), (MANURE,)], ids=len)
@pytest.mark.parametrize("mapped", [False, True])
def test_whatever_is_taken_off_and_may_stand_in_the_reading_has_a_finding(key, listed, mapped):
    """All credits, lists and maps together: each line that a reading may hold too is told, by its own key."""
    season = season_of(growth_stage="V5", sampled_on=[PULLED], applications=listed)
    cells = np.array([40.0, 80.0]) if mapped else None
    for amounts in product([0.0, 25.0], repeat=4):
        given = {name: amount for name, amount in zip(CREDITS, amounts, strict=True) if amount}
        ledger, findings = need_of_cells(
            {**OPTIONS, "method": key}, **{**READING, **_depth_and_stage(key)}, season=season, credits_lb_ac=given,
            applied_lb_ac=cells, to_build=False,
        )  # fmt: skip
        about = {finding.about for finding in findings}
        for line in ledger.lines:
            if line.key.startswith("credit_"):
                assert line.key.replace("credit_", "credits.") in about
        assert {f"credits.{name}" for name in given} <= about
        taken_off = any(line.key == "applied" and np.any(line.lb_ac < 0) for line in ledger.lines)
        in_the_test = method(key).takes("nitrate_ppm") or method(key).takes("profile_nitrate_ppm")
        if taken_off and in_the_test and method(key).kind == "season" and (mapped or BEFORE in listed):
            assert about & {"applications", "layers.applied_n"}
        if mapped and listed:
            assert "layers.applied_n" in about
        if "manure" in given and MANURE in listed:
            assert sum(finding.about == "credits.manure" for finding in findings) == 2


@pytest.mark.parametrize("key", [item.key for item in methods()])
def test_what_goes_on_after_sampling_comes_off_every_method(key):
    """No test has seen it, so each pound of it is a pound less, by a line of its own."""
    given = {**READING, **_depth_and_stage(key), "to_build": False}
    options = {**OPTIONS, "method": key}
    nothing = season_of(growth_stage="V5", sampled_on=[PULLED], applications=[{**AFTER, "n_lb_ac": 0.0}])
    later = season_of(growth_stage="V5", sampled_on=[PULLED], applications=[AFTER])
    bare, _ = need_of_cells(options, **given, season=nothing)
    less, _ = need_of_cells(options, **given, season=later)
    assert bare.unclipped_lb_ac - less.unclipped_lb_ac == pytest.approx(30.0)


def test_a_profile_gets_what_it_has_not_seen():
    """80 lb anhydrous three weeks before: 0 to 64 lb not yet nitrate (Kentucky 20 %, Iowa State all): 32 come off."""
    item = {**BEFORE, "date": date(2026, 5, 18), "n_lb_ac": 80.0}
    season = season_of(growth_stage="preplant", sampled_on=[PULLED], applications=[item])
    given = {**READING, **_depth_and_stage("south-dakota")}
    ledger, findings = need_of_cells({"method": "south-dakota"}, **given, season=season)
    line = next(line for line in ledger.lines if line.key == "applied_not_nitrate")
    assert line.lb_ac == pytest.approx(-32.0)
    assert "nitrogen.applied-before-profile" in {finding.code for finding in findings}


def test_a_late_spring_test_says_what_it_has_not_seen():
    """Anhydrous three weeks before the Iowa test is neither in it nor taken off: a person must decide."""
    season = season_of(growth_stage="V5", sampled_on=[PULLED], applications=[{**BEFORE, "date": date(2026, 5, 18)}])
    _, findings = need_of_cells({"method": "iowa-lsnt"}, **READING, **_depth_and_stage("iowa-lsnt"), season=season)
    (unseen,) = (finding for finding in findings if finding.code == "nitrogen.not-in-the-test")
    assert unseen.level == "warning"
    assert [unseen.quantities[end].value for end in ("low", "high")] == pytest.approx([0.0, 36.0])


def test_the_pass_itself_in_the_list_is_a_warning():
    """An application dated on the day of this pass would be taken off its own rate."""
    for day, warned in ((date(2026, 6, 12), True), (date(2026, 6, 11), False)):
        season = season_of(
            sampled_on=[PULLED], application_date=date(2026, 6, 12), applications=[{**AFTER, "date": day}]
        )
        found = [finding for finding in season.findings if finding.code == "weather.applied-in-this-pass"]
        assert bool(found) is warned


def test_the_same_application_twice_is_a_warning():
    """Two equal rows are a finding; two rows of different days are not."""
    one = Applied(on=date(2026, 5, 1), product="UAN 28", n_lb_ac=40.0)
    other = Applied(on=date(2026, 5, 9), product="UAN 28", n_lb_ac=40.0)
    (twice,) = double_counting(method("remaining-need"), applications=(one, one, other), sampled_on=PULLED)
    assert twice.code == "nitrogen.listed-twice"
    assert [part.value for part in twice.quantities.values()] == [40.0, "UAN 28", date(2026, 5, 1)]
    assert not double_counting(method("remaining-need"), applications=(one, other), sampled_on=PULLED)


def test_a_map_beside_a_list_of_nothing_is_a_warning():
    """A map of pounds and a list of none contradict each other."""
    none = [Applied(on=date(2026, 5, 1), product="UAN 28", n_lb_ac=0.0)]
    (found,) = double_counting(method("remaining-need"), applications=none, applied_map_lb_ac=[50.0, 70.0])
    assert (found.code, found.quantities["mapped"].value) == ("nitrogen.map-and-empty-list", 60.0)


@pytest.mark.parametrize("key", ["kansas", "iowa-lsnt", "ohio-psnt", "remaining-need"])
def test_a_window_that_cannot_be_checked_does_not_build(key):
    """Without a stage a preplant profile would be built on cores of any day: refused; shown when only asked."""
    given = {**READING, **_depth_and_stage(key), "growth_stage": None}
    season = season_of(sampled_on=[PULLED], applications=[AFTER])
    with pytest.raises(OutsideCalibrationError, match="the stage is not known"):
        need_of_cells({**OPTIONS, "method": key}, **given, season=season)


def test_side_by_side_works_as_the_build_does():
    """What the table says of a method is what building by it gives, applications and maps included."""
    season = season_of(growth_stage="V5", sampled_on=[PULLED], applications=[BEFORE, AFTER])
    cells = np.array([40.0, 90.0])
    known = {**READING, **_depth_and_stage("iowa-lsnt"), "nitrate_ppm": np.array([8.0, 12.0])}
    answers = side_by_side(OPTIONS, known, season=season, applied_lb_ac=cells)
    for answer in answers:
        if answer.status == "missing":
            continue
        built, _ = need_of_cells(
            {**OPTIONS, "method": answer.method.key}, **known, season=season, applied_lb_ac=cells, allow_outside=True
        )
        assert answer.need_lb_ac == pytest.approx(float(np.mean(built.need_lb_ac)), abs=1e-9)


def test_an_assumed_second_foot_is_a_warning():
    """Nebraska's 3 ppm (1.5 on sand) for a foot that was not pulled is a warning (CropWatch, 9 July 2019)."""
    given = {**READING, "bottom_in": 12.0, "growth_stage": "preplant", "to_build": False}
    for texture, ppm in ((None, 3.0), ("sand", 1.5)):
        _, findings = need_of_cells({"method": "nebraska", "texture": texture}, **given)
        (assumed,) = (finding for finding in findings if finding.code == "nitrogen.depth-assumed")
        assert (assumed.level, assumed.quantities["nitrate"].value) == ("warning", ppm)


def test_a_zone_of_cells_prints_what_it_is_a_mean_of():
    """Nebraska's organic-matter line on cells: 0.14 × the mean of yield × organic matter, as printed, to 0.1 lb/ac."""
    random = np.random.default_rng(7)
    goal, organic = random.uniform(140, 240, 300), random.uniform(1.0, 3.0, 300)
    goal += 20 * (organic - 2)
    ledger = method("nebraska").need(
        yield_goal_bu_ac=goal, profile_nitrate_ppm=random.uniform(3, 15, 300), organic_matter_pct=organic
    )
    zone = ledger.reduce(lambda values: float(values.mean()), size=300)
    line = next(line for line in zone.lines if line.key == "mineralization")
    factor, product_of_means = (float(part.split()[0]) for part in line.basis.split("×")[:2])
    assert factor * product_of_means == pytest.approx(-line.lb_ac, abs=0.05)
    assert abs(0.14 * goal.mean() * organic.mean() + line.lb_ac) > 0.1


def test_a_basis_says_where_its_pounds_of_profile_come_from():
    """10.5 ppm × 24 in × 0.3 = 75.6 lb/ac: the step from ppm is printed, and gives way to the user's."""
    given = {"top_in": 0.0, "bottom_in": 12.0, "growth_stage": "V3", "yield_goal_bu_ac": 210.0, "nitrate_ppm": 13.0,
             "organic_matter_pct": 2.6, "deep_nitrate_ppm": 8.0, "deep_bottom_in": 24.0, "to_build": False}  # fmt: skip
    ledger, findings = need_of_cells({"method": "kansas"}, **given)
    line = next(line for line in ledger.lines if line.key == "soil_nitrate")
    assert line.basis == "10.5 ppm × 24 in × 0.3 lb/ac per ppm and in"
    assert line.lb_ac == pytest.approx(-75.6)
    assert 0.3 in _from_memory(findings)
    ledger, findings = need_of_cells({"method": "kansas", "profile_lb_ac_per_ppm_in": 1 / 3}, **given)
    assert next(line.lb_ac for line in ledger.lines if line.key == "soil_nitrate") == pytest.approx(-84.0)
    assert 0.3 not in _from_memory(findings)


def _from_memory(findings):
    return [found.quantities["value"].value for found in findings if found.code == "methods.from-memory"]
