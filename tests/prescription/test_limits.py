"""Limits: every cap holds, every change has its reason, nothing is made up under the machine's least."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vrn.prescription.limits import RateRules, limited, rounded
from vrn.prescription.model import Change


def _rules(**values: object) -> RateRules:
    base: dict[str, object] = {
        "max_n_lb_ac": 150.0, "max_season_n_lb_ac": None, "machine_min_n_lb_ac": 30.0, "machine_max_n_lb_ac": 180.0,
        "step_n_lb_ac": 5.0, "below_minimum": "nearest",
    }  # fmt: skip
    return RateRules(**{**base, **values})  # type: ignore[arg-type]


def _values(change: Change) -> dict[str, object]:
    return {name: quantity.value for name, quantity in change.quantities.items()}


@pytest.mark.parametrize(
    ("below", "rate", "result"),
    [
        ("nearest", 14.0, 0.0), ("nearest", 15.0, 0.0), ("nearest", 16.0, 30.0), ("nearest", 29.0, 30.0),
        ("zero", 29.0, 0.0), ("minimum", 1.0, 30.0), ("minimum", 0.0, 0.0), ("zero", 30.0, 30.0),
    ],
)  # fmt: skip
def test_below_the_machines_least(below: str, rate: float, result: float) -> None:
    """Under 30 lb/ac: to zero, to 30, or to the nearer; the half goes to zero; no need stays no rate."""
    assert limited(rate, _rules(below_minimum=below))[0] == result


def test_caps_hold_in_order_and_say_why() -> None:
    """The pass cap, then what the season leaves: 240 less 130 applied is 110."""
    rate, changes = limited(190.0, _rules(max_season_n_lb_ac=240.0), zone=3, applied_n_lb_ac=130.0)
    assert rate == 110.0
    assert [(change.from_n_lb_ac, change.to_n_lb_ac, change.zone) for change in changes] == [
        (190, 150, 3),
        (150, 110, 3),
    ]
    assert [change.cause for change in changes] == ["pass-cap", "season-cap"]
    assert _values(changes[0]) == {"cap": 150.0}
    assert _values(changes[1]) == {"cap": 240.0, "applied": 130.0}


def test_credits_count_in_the_season() -> None:
    """240 less 100 applied and 30 credited is 110."""
    rules = _rules(max_season_n_lb_ac=240.0, credited_n_lb_ac=30.0)
    rate, (_, held) = limited(190.0, rules, applied_n_lb_ac=100.0)
    assert (rate, held.cause) == (110.0, "season-cap-credited")
    assert _values(held) == {"cap": 240.0, "applied": 100.0, "credited": 30.0}


def test_what_is_not_known_to_be_applied_never_lifts_the_seasons_cap() -> None:
    """With a season's cap and unknown nitrogen already on, nothing more goes on; without a cap it does not matter."""
    rules = _rules(max_season_n_lb_ac=240.0)
    rate, changes = limited(100.0, rules, applied_n_lb_ac=math.nan)
    assert (rate, [change.cause for change in changes]) == (0.0, ["season-cap-unknown"])
    assert rules.window(math.nan) == (0.0, 0.0)
    assert limited(100.0, _rules(), applied_n_lb_ac=math.nan) == (100.0, ())


def test_a_season_used_up_leaves_nothing() -> None:
    """What is left of the season is under the machine's least: nothing can be put on."""
    rate, changes = limited(100.0, _rules(max_season_n_lb_ac=160.0), applied_n_lb_ac=140.0)
    assert rate == 0.0
    assert changes[-1].cause == "no-step"
    assert _values(changes[-1]) == {"least": 30.0, "step": 5.0}


def test_unknown_need_is_no_rate() -> None:
    """NaN becomes 0 with its reason, never a rate."""
    rate, changes = limited(math.nan, _rules())
    assert (rate, changes[0].cause) == (0.0, "unknown-need")


rates = st.floats(0.0, 320.0)


@given(
    st.lists(st.tuples(rates, st.floats(0.5, 80.0)), min_size=1, max_size=8),
    st.sampled_from([1.0, 5.0, 8.0]),
    st.floats(0.0, 60.0),
    st.floats(61.0, 200.0),
    st.floats(30.0, 260.0),
    st.floats(0.0, 150.0),
    st.sampled_from(["nearest", "zero", "minimum"]),
)
def test_no_rate_ever_breaks_a_limit(
    zones: list[tuple[float, float]],
    step: float,
    least: float,
    most: float,
    cap: float,
    applied: float,
    below: str,
) -> None:
    """Whatever the needs, every rate is 0 or a multiple of the step between the least and the lowest cap."""
    rules = _rules(max_n_lb_ac=cap, max_season_n_lb_ac=220.0, machine_min_n_lb_ac=least, machine_max_n_lb_ac=most,
                   step_n_lb_ac=step, below_minimum=below)  # fmt: skip
    wanted = [limited(rate, rules, applied_n_lb_ac=applied)[0] for rate, _ in zones]
    window = rules.window(applied)
    final = rounded(wanted, [acres for _, acres in zones], [window] * len(zones), step=step)
    for rate in final:
        assert rate == pytest.approx(round(rate / step) * step)
        assert rate == 0 or least - 1e-6 <= rate <= min(cap, most, 220.0 - applied) + 1e-6


@given(st.lists(st.tuples(st.floats(31.0, 149.0), st.floats(0.5, 80.0)), min_size=1, max_size=10))
def test_rounding_keeps_the_fields_total(zones: list[tuple[float, float]]) -> None:
    """The total moves by at most half a step on the largest zone, and every rate to a step beside it."""
    wanted = np.array([rate for rate, _ in zones])
    acres = np.array([area for _, area in zones])
    final = np.array(rounded(wanted.tolist(), acres.tolist(), [(30.0, 150.0)] * len(zones), step=5.0))
    assert abs(np.sum(acres * (final - wanted))) <= 2.5 * acres.max() + 1e-6
    assert np.abs(final - wanted).max() < 5.0


@pytest.mark.parametrize("count", [14, 30])
def test_many_zones_keep_the_total_too(count: int) -> None:
    """Beyond a dozen zones not every way is tried, and the total still stays within half a step of the largest."""
    rng = np.random.default_rng(count)
    wanted, acres = 92.4 + rng.uniform(-0.3, 0.3, count), rng.uniform(2, 20, count)
    final = np.array(rounded(wanted.tolist(), acres.tolist(), [(5.0, 200.0)] * count, step=5.0))
    assert abs(np.sum(acres * (final - wanted))) <= 2.5 * acres.max() + 1e-6


def test_rates_on_a_step_stay() -> None:
    """Nothing is moved that need not be."""
    assert rounded([50.0, 95.0, 0.0], [9.0, 4.0, 2.0], [(5.0, 200.0)] * 3, step=5.0) == [50.0, 95.0, 0.0]


def test_rounding_moves_no_more_pounds_than_it_must() -> None:
    """Against every way of rounding three zones, tried one by one."""
    import itertools

    rng = np.random.default_rng(9)
    for _ in range(40):
        wanted, acres = rng.uniform(40, 140, 3), rng.uniform(1, 30, 3)
        final = np.array(rounded(wanted.tolist(), acres.tolist(), [(5.0, 200.0)] * 3, step=5.0))
        low = np.floor(wanted / 5) * 5
        ways = [low + np.array(up) for up in itertools.product((0.0, 5.0), repeat=3)]
        within = [way for way in ways if abs(np.sum(acres * (way - wanted))) <= 2.5 * acres.max() + 1e-9]
        nearest = np.round(wanted / 5) * 5
        least = min(np.sum(acres * np.abs(way - wanted)) for way in within)
        moved = np.sum(acres * np.abs(final - wanted))
        assert moved == pytest.approx(least) or np.array_equal(final, nearest)
