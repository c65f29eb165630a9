"""Laws of every ledger: it adds up, as worked and as printed; more nitrate never means more need; unknown stays so."""

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrn.errors import OutOfRangeError
from vrn.nitrogen import Ledger, Line, method, methods
from vrn.nitrogen.ledger import largest_remainder
from vrn.words import UnitFormat, label_of

KEYS = [item.key for item in methods()]
BY_TEST = [key for key in KEYS if key != "economic-optimum"]
GOAL = st.floats(100, 280)
PPM = st.floats(0, 60)
POUNDS = st.floats(0, 300)
OM = st.floats(0.2, 9)
STAGE = st.sampled_from(["preplant", "V4", "V6", "V7", "V8", "V11", "VT", "R1"])
DRAWN = {
    "remaining-need": st.fixed_dictionaries(
        {"yield_goal_bu_ac": GOAL, "growth_stage": STAGE, "nitrate_ppm": PPM, "top_in": st.just(0.0),
         "bottom_in": st.just(12.0), "organic_matter_pct": OM},
        optional={"deep_nitrate_ppm": PPM, "second_foot_share": st.floats(0, 1), "recovery_share": st.floats(0.5, 1),
                  "credits_lb_ac": st.floats(0, 60), "n_per_bushel_lb": st.floats(0.7, 1.3),
                  "applied_left_lb_ac": POUNDS, "applied_left_low_lb_ac": POUNDS},
    ),
    "nebraska": st.fixed_dictionaries(
        {"yield_goal_bu_ac": GOAL, "profile_nitrate_ppm": PPM, "organic_matter_pct": OM},
        optional={"credits_lb_ac": st.floats(0, 60), "price_factor": st.floats(0.8, 1.09), "applied_lb_ac": POUNDS},
    ),
    "iowa-lsnt": st.fixed_dictionaries({"nitrate_ppm": PPM}, optional={"critical_ppm": st.floats(11, 25)}),
    "kansas": st.fixed_dictionaries(
        {"yield_goal_bu_ac": GOAL, "organic_matter_pct": OM, "profile_nitrate_lb_ac": POUNDS},
        optional={"applied_lb_ac": POUNDS},
    ),
    "penn-state-psnt": st.fixed_dictionaries(
        {"yield_goal_bu_ac": GOAL, "nitrate_ppm": PPM, "history_factor": st.floats(0.75, 8.75)}
    ),
    "penn-state-2023": st.fixed_dictionaries({"yield_goal_bu_ac": GOAL, "nitrate_ppm": PPM}),
    "ohio-psnt": st.fixed_dictionaries(
        {"base_rate_lb_ac": POUNDS, "nitrate_ppm": PPM}, optional={"applied_lb_ac": POUNDS}
    ),
    "michigan-psnt": st.fixed_dictionaries(
        {"base_rate_lb_ac": POUNDS, "nitrate_ppm": PPM}, optional={"applied_lb_ac": POUNDS}
    ),
    "minnesota-west": st.fixed_dictionaries({"yield_goal_bu_ac": GOAL, "profile_nitrate_lb_ac": POUNDS}),
    "south-dakota": st.fixed_dictionaries({"yield_goal_bu_ac": GOAL, "profile_nitrate_lb_ac": POUNDS}),
    "economic-optimum": st.fixed_dictionaries(
        {"b": st.floats(0.1, 2), "c": st.floats(-0.02, -0.0005), "price_ratio": st.floats(0, 0.5)},
        optional={"applied_lb_ac": POUNDS},
    ),
}  # fmt: skip
FEW = settings(max_examples=40)


def test_every_method_is_drawn():
    """No method escapes the laws."""
    assert set(DRAWN) == set(KEYS)


@pytest.mark.parametrize("key", KEYS)
@FEW
@given(data=st.data())
def test_lines_add_up(key, data):
    """Lines sum to the unclipped total to 1e-9, what is printed adds up to the printed total, need is max(0, sum)."""
    ledger = method(key).need(**data.draw(DRAWN[key]))
    exact = math.fsum(line.lb_ac for line in ledger.lines)
    assert ledger.unclipped_lb_ac == pytest.approx(exact, abs=1e-9)
    assert ledger.need_lb_ac == max(0.0, ledger.unclipped_lb_ac)
    printed = ledger.printed_lb_ac()
    assert sum(round(value * 10) for value in printed) == round(ledger.unclipped_lb_ac * 10)
    for value, line in zip(printed, ledger.lines, strict=True):
        assert abs(value - line.lb_ac) < 0.1 + 1e-9


@pytest.mark.parametrize("key", BY_TEST)
@FEW
@given(data=st.data(), more=st.floats(0, 40))
def test_more_nitrate_never_needs_more(key, data, more):
    """Whatever else is known, a higher test never raises the need."""
    inputs = data.draw(DRAWN[key])
    name = next(one for one in ("nitrate_ppm", "profile_nitrate_ppm", "profile_nitrate_lb_ac") if one in inputs)
    before = method(key).need(**inputs).need_lb_ac
    after = method(key).need(**inputs | {name: inputs[name] + more}).need_lb_ac
    assert after <= before + 1e-9


@pytest.mark.parametrize("key", KEYS)
@FEW
@given(data=st.data())
def test_scalars_and_arrays_agree_exactly(key, data):
    """A cell among many gets bit for bit what it gets alone."""
    cells = data.draw(st.lists(DRAWN[key], min_size=1, max_size=4))
    names = [name for name in cells[0] if all(name in cell for cell in cells)]
    rows = [{name: cell[name] for name in names} | {"growth_stage": cells[0].get("growth_stage")} for cell in cells]
    fixed = ("top_in", "bottom_in", "growth_stage")
    columns = {name: np.array([row[name] for row in rows]) for name in names if name not in fixed}
    together = method(key).need(**columns, **{name: rows[0].get(name) for name in fixed})
    alone = [method(key).need(**row).unclipped_lb_ac for row in rows]
    assert np.broadcast_to(together.unclipped_lb_ac, len(rows)).tolist() == alone


@pytest.mark.parametrize(
    ("key", "name"),
    [(item.key, one.name) for item in methods() for one in item.inputs
     if one.required and one.name not in ("top_in", "bottom_in", "growth_stage")],
)  # fmt: skip
def test_unknown_in_unknown_out(key, name):
    """NaN in any required input is NaN in the need of that cell, and of no other."""
    one = method(key)
    value = float(one.example.inputs[name])
    ledger = one.need(**{**one.example.inputs, name: np.array([value, np.nan])})
    assert np.isnan(ledger.need_lb_ac).tolist() == [False, True]
    assert np.isnan(one.need(**{**one.example.inputs, name: np.nan}).need_lb_ac)


@FEW
@given(values=st.lists(st.floats(-400, 400), min_size=1, max_size=12), decimals=st.integers(0, 2))
def test_largest_remainder(values, decimals):
    """Rounded parts add up to the rounded whole, and none moves by a whole unit."""
    scale = 10**decimals
    rounded = largest_remainder(values, decimals=decimals)
    assert sum(round(value * scale) for value in rounded) == round(sum(values) * scale)
    for before, after in zip(values, rounded, strict=True):
        assert abs(after - before) * scale < 1 + 1e-6


def test_an_unknown_line_prints_as_unknown():
    """With a NaN among the lines each is rounded by itself."""
    assert largest_remainder([1.26, math.nan])[0] == 1.3


def test_area_means_add_up():
    """A ledger of cells averaged over a zone is a ledger: lines sum to the mean, and the basis takes the means."""
    random = np.random.default_rng(1)
    ledger = method("remaining-need").need(
        yield_goal_bu_ac=random.uniform(150, 230, 500), growth_stage="V8", nitrate_ppm=random.uniform(4, 30, 500),
        top_in=0, bottom_in=12, organic_matter_pct=random.uniform(1.5, 4.5, 500),
    )  # fmt: skip
    share = random.uniform(0, 1, 500)
    zone = ledger.reduce(lambda values: float(values @ share / share.sum()), size=500)
    mean = float(np.asarray(ledger.unclipped_lb_ac) @ share / share.sum())
    assert zone.unclipped_lb_ac == pytest.approx(mean, abs=1e-9)
    for line in zone.lines:
        if line.lb_ac:
            assert _worked(line.basis) == pytest.approx(abs(line.lb_ac), abs=0.05)
            assert not re.search(r"\d\.\d{4}[1-9]", line.basis)  # no more digits than that takes
    assert "each cell's ppm" in next(line for line in ledger.lines if line.key == "soil_nitrate").basis


def _worked(basis: str) -> float:
    """What a basis of factors gives, worked as it is printed."""
    value = 1.0
    for part in basis.split("×"):
        words = part.replace("(", "").replace(")", "").replace("− ", "-").split()
        value *= 1 + float(words[1]) if words[0] == "1" and words[1].startswith("-") else float(words[0])
    return value


@pytest.mark.parametrize("stage", ["V5", "V8", "V11"])
def test_a_pocket_calculator_finds_every_line(stage):
    """What a basis prints, worked as it stands, is its line to 0.1 lb/ac."""
    ledger = method("remaining-need").need(
        yield_goal_bu_ac=187, growth_stage=stage, nitrate_ppm=11.3, top_in=0, bottom_in=12, organic_matter_pct=2.7,
        deep_nitrate_ppm=6.4, n_per_bushel_lb=1.05, bulk_density_g_cm3=1.28,
    )  # fmt: skip
    for line in ledger.lines:
        assert _worked(line.basis) == pytest.approx(abs(line.lb_ac), abs=0.05)


def test_printing_many_cells_is_refused():
    """Only an area's ledger is printed."""
    with pytest.raises(OutOfRangeError, match="no single printed line"):
        method("iowa-lsnt").need(nitrate_ppm=[5.0, 6.0]).printed_lb_ac()


def test_plus_moves_the_band():
    """A further line moves the sum and the band by the same."""
    crop = Line(label="", lb_ac=100.0, basis="", source="", key="crop")
    ledger = Ledger(lines=(crop,), method="", low_lb_ac=80.0, high_lb_ac=110.0)
    less = ledger.plus(Line(label="", lb_ac=-90.0, basis="", source="", key="more"))
    assert (less.need_lb_ac, less.band_lb_ac) == (10.0, (0.0, 20.0))


@pytest.mark.parametrize("key", [item.key for item in methods()])
def test_a_label_is_the_same_in_words_and_in_the_library(key):
    """Each line of a published method is labelled by the catalogue as the library labels it, with no inch in metric."""
    one = method(key)
    more = ("credits_lb_ac", "applied_lb_ac")
    inputs = {name: value for name, value in one.example.inputs.items() if name not in more}
    credit = {"credits_lb_ac": {"manure": 5.0, "previous_crop": 5.0}} if one.takes("credits_lb_ac") else {}
    applied = {"applied_lb_ac": 10.0} if one.takes("applied_lb_ac") else {}
    ledger = one.need(**inputs, **credit, **applied)
    for line in ledger.lines:
        assert label_of(UnitFormat(metric=False), line) == line.label
        assert not re.search(r"\d in\b", label_of(UnitFormat(metric=True), line))


def test_a_line_of_the_users_own_keeps_its_label():
    """A hand-made line has no entry in the catalogue."""
    assert label_of(UnitFormat(metric=True), Line(label="Cover crop", lb_ac=5.0, basis="", source="", key="mine")) == (
        "Cover crop"
    )
