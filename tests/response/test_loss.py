"""Laws of the expected loss and of the best-paying rate, and values worked from tables."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.stats import norm

from vrn.errors import OutOfRangeError
from vrn.response.loss import Response, best_rate, crossing, expected_loss, held_ratio

SMOOTH, KINKED = Response(curvature=0.5, kink_weight=0.0), Response(kink_weight=1.0, kink_slope=1.0)
SPREAD = norm.ppf((np.arange(4000) + 0.5) / 4000)  # needs of a class, in standard deviations
MONEY = {"corn_per_bu": 4.40, "n_per_lb": 0.60, "method_sd_lb_ac": 40.0}


@given(ratio=st.floats(0.001, 0.7), sd=st.floats(0.01, 90.0), mean=st.floats(-300.0, 300.0), kink=st.floats(0.0, 1.0))
@settings(max_examples=50)
def test_a_crossing_is_where_brent_finds_it(ratio: float, sd: float, mean: float, kink: float) -> None:
    """A second root finder, on what the rates are found with; beyond the ends, the end."""

    def gain(rate: float) -> float:
        return float(Response(kink_weight=kink).slope_bu_lb(rate, np.array([mean]), np.array([sd]))[0]) - ratio

    low, high = mean - 8 * sd, mean + 8 * sd
    expected = low if gain(low) <= 0 else brentq(gain, low, high, xtol=1e-12)
    assert crossing(gain, low, high) == pytest.approx(expected, abs=2e-9)
    assert crossing(lambda x: x - 5, 0.0, 1.0) == 0.0
    assert crossing(lambda x: 5 - x, 0.0, 1.0) == 1.0


@pytest.mark.parametrize(("z", "once"), [(0.0, 0.398942), (-1.0, 1.083315)])
def test_unit_loss_tables(z: float, once: float) -> None:
    """L(0) = 0.3989 and L(−1) = 1.0833 stand in every table of the unit normal loss; L₂(0) = ½."""
    assert KINKED.lost_bu_ac(z, np.zeros(1), np.ones(1)) == pytest.approx(once, abs=1e-6)
    assert SMOOTH.lost_bu_ac(0.0, np.zeros(1), np.ones(1)) == pytest.approx(0.5 * 0.5)


@pytest.mark.parametrize(("ratio", "rate"), [(0.10, 118.23), (0.125, 110.0), (0.15, 102.54), (0.20, 88.97)])
def test_ground_of_one_need(ratio: float, rate: float) -> None:
    """110 lb/ac, error 40, worked with tables of the unit normal loss."""
    assert best_rate([110.0], price_ratio=ratio, method_sd_lb_ac=40.0) == pytest.approx(rate, abs=0.01)


@pytest.mark.parametrize(("ratio", "rate"), [(0.10, 120.31), (0.125, 111.66), (0.13636, 108.02), (0.20, 89.74)])
def test_ground_of_five_needs(ratio: float, rate: float) -> None:
    """90 to 130 lb/ac in equal parts, 8 of error each: worked the same way."""
    needs, se = [90, 100, 110, 120, 130], [8.0] * 5
    assert best_rate(needs, se_lb_ac=se, price_ratio=ratio, method_sd_lb_ac=40.0) == pytest.approx(rate, abs=0.01)


@pytest.mark.parametrize(("sd", "dollars"), [(10, 0.73), (20, 2.84), (30, 6.17)])
def test_what_spread_costs(sd: float, dollars: float) -> None:
    """$/ac of one rate on needs that spread by so much, corn at 4.40 and nitrogen at 0.60."""
    assert expected_loss(110 + sd * SPREAD, **MONEY) == pytest.approx(dollars, abs=0.01)


RESPONSES = st.fixed_dictionaries({
    "curvature": st.floats(0.001, 0.005), "kink_weight": st.floats(0.0, 0.9), "kink_slope": st.floats(0.5, 1.0),
})  # fmt: skip
NEEDS = st.lists(st.floats(0.0, 250.0), min_size=1, max_size=6)


@given(need=st.floats(0, 250), sd=st.floats(10, 60), response=RESPONSES)
@settings(max_examples=40)
def test_ground_of_one_need_gets_it_at_the_anchor(need: float, sd: float, response: dict[str, float]) -> None:
    """At 0.125 the rate is the need whatever the response: a published method names what paid."""
    assert best_rate([need], price_ratio=0.125, method_sd_lb_ac=sd, **response) == pytest.approx(need, abs=1e-6)


@given(needs=NEEDS, sd=st.floats(10, 60), response=RESPONSES, ratio=st.floats(0.101, 0.199), more=st.floats(-50, 50))
@settings(max_examples=40)
def test_laws_of_the_best_rate(
    needs: list[float], sd: float, response: dict[str, float], ratio: float, more: float
) -> None:
    """Dearer nitrogen means less; only the ratio counts; all needs raised raise the rate; beyond the ends it holds."""
    given_all = {"method_sd_lb_ac": sd, **response}
    rate = best_rate(needs, price_ratio=ratio, **given_all)
    assert best_rate(needs, price_ratio=ratio + 0.0005, **given_all) < rate
    raised = best_rate([need + more for need in needs], price_ratio=ratio, **given_all)
    assert raised == pytest.approx(rate + more, abs=1e-6)
    for beyond, end in ((0.25, 0.20), (0.04, 0.10)):
        assert best_rate(needs, price_ratio=beyond, **given_all) == best_rate(needs, price_ratio=end, **given_all)


@given(needs=NEEDS, sd=st.floats(10, 60), response=RESPONSES, away=st.floats(-80, 80))
@settings(max_examples=40)
def test_no_other_rate_loses_less(needs: list[float], sd: float, response: dict[str, float], away: float) -> None:
    """The best rate against any other, the mean need among them; parts of their own lose no more than the whole."""
    money = {"corn_per_bu": 4.4, "n_per_lb": 0.6, "method_sd_lb_ac": sd, **response}
    rate = best_rate(needs, price_ratio=0.6 / 4.4, method_sd_lb_ac=sd, **response)
    least = expected_loss(needs, **money)
    assert least == pytest.approx(expected_loss(needs, rate_lb_ac=rate, **money))
    assert least >= -1e-6
    for other in (rate + away, float(np.mean(needs))):
        assert expected_loss(needs, rate_lb_ac=other, **money) >= least - 1e-6
    # each part at its own best rate loses nothing above even ground
    assert sum(expected_loss([need], **money) for need in needs) == pytest.approx(0.0, abs=1e-6)


def test_spread_asks_for_a_little_more() -> None:
    """Kachanoski and Fairchild 1996: one rate for uneven ground lies above the mean of its best rates."""
    rates = [best_rate(110 + sd * SPREAD, price_ratio=0.125, method_sd_lb_ac=40.0) for sd in (0.01, 10, 20, 30)]
    assert np.diff(rates) == pytest.approx([0.6, 1.9, 3.1], abs=0.15)


def test_a_kink_alone_is_the_newsvendor() -> None:
    """Tembo and others 2008 (AJAE 90:424): with a straight rise the best rate is the quantile 1 − ratio ÷ slope."""
    shift = norm.ppf(1 - 0.15 / 0.75) - norm.ppf(1 - 0.125 / 0.75)
    found = best_rate([100.0], price_ratio=0.15, method_sd_lb_ac=30.0, kink_weight=1.0)
    assert found == pytest.approx(100 + 30 * shift, abs=1e-6)


def test_draws_find_the_same_rate() -> None:
    """60,000 seasons with one shift for all cells, each cell with its own error: the rate that loses least."""
    rng = np.random.default_rng(3)
    needs, se = np.array([70.0, 110.0, 150.0]), np.array([6.0, 12.0, 9.0])
    anchored = best_rate([0.0], price_ratio=0.125, method_sd_lb_ac=40.0)
    assert anchored == pytest.approx(0.0, abs=1e-9)
    level = -_best_without_anchor(rng.normal(0, 40.0, (60_000, 1)), 0.125)
    truth = needs + level + rng.normal(0, 40.0, (60_000, 1)) + rng.normal(0, 1, (60_000, 3)) * se
    expected = best_rate(needs, se_lb_ac=se, price_ratio=0.136, method_sd_lb_ac=40.0)
    assert _best_without_anchor(truth, 0.136) == pytest.approx(expected, abs=1.0)


def _best_without_anchor(truth: np.ndarray, ratio: float) -> float:
    """Rate of least mean loss over drawn rates of the plateau, by halving steps over a grid."""
    low, high = float(truth.min()), float(truth.max())
    for _ in range(4):
        rates = np.linspace(low, high, 21)
        lost = []
        for rate in rates:
            short = np.maximum(truth - rate, 0.0)
            lost.append(0.85 * 0.0024 * (short**2).mean() + 0.15 * 0.75 * short.mean() + ratio * rate)
        at, step = rates[int(np.argmin(lost))], rates[1] - rates[0]
        low, high = at - step, at + step
    return float(at)


# rate [lb/ac], net return over no nitrogen [$/ac], corn [$/bu]; nitrogen 0.63 $/lb: Ohio State extension, May 2021
OHIO_2021 = ((161, 234.56, 4.50), (167, 272.10, 5.00), (173, 310.01, 5.50), (177, 348.22, 6.00))


def test_price_response_lies_between_published_tables() -> None:
    """Lb/ac for 0.05 of price ratio: Ohio 2021 −23; Iowa and Minnesota −10 to −13 (from memory, not verified)."""
    gains = [(net + 0.63 * rate) / corn for rate, net, corn in OHIO_2021]
    assert gains == pytest.approx([74.66, 75.46, 76.18, 76.62], abs=0.01)
    rates, ratios = [row[0] for row in OHIO_2021], [0.63 / row[2] for row in OHIO_2021]
    # at the best rates the last pound makes its price, so the table is of a curve like ours
    assert (gains[3] - gains[0]) / (rates[3] - rates[0]) == pytest.approx(np.mean(ratios), abs=0.005)
    theirs = (rates[0] - rates[3]) / (ratios[0] - ratios[3]) * 0.05
    assert theirs == pytest.approx(-22.9, abs=0.1)
    ours = [best_rate([150.0], price_ratio=ratio, method_sd_lb_ac=40.0) for ratio in (ratios[0], ratios[3])]
    assert theirs < (ours[0] - ours[1]) / (ratios[0] - ratios[3]) * 0.05 < -13


def test_nebraska_takes_off_for_dear_nitrogen() -> None:
    """Nebraska extension 2007: 20 to 40 lb/ac less where 8:1 becomes 6:1 or 5:1; the default is at its lower end."""
    off = [best_rate([150.0], price_ratio=1 / price, method_sd_lb_ac=40.0) - 150.0 for price in (8, 6, 5)]
    assert off[0] == pytest.approx(0.0, abs=1e-6)
    assert -40 < off[2] < -20 < off[1] < -10  # at 6:1 it takes off less than published


@pytest.mark.parametrize("wrong", [
    {"need_lb_ac": [np.nan]}, {"need_lb_ac": []}, {"method_sd_lb_ac": 0.0}, {"price_ratio": 0.0},
    {"price_ratio": float("nan")}, {"weights": [-1.0]}, {"se_lb_ac": [-1.0]}, {"kink_weight": 2.0},
])  # fmt: skip
def test_impossible_values_are_refused(wrong: dict[str, object]) -> None:
    """No rate comes of no need, no price, or an error below 0."""
    values = {"need_lb_ac": [100.0], "price_ratio": 0.12, "method_sd_lb_ac": 40.0, **wrong}
    with pytest.raises(OutOfRangeError):
        best_rate(values.pop("need_lb_ac"), **values)  # type: ignore[arg-type]


def test_unknown_ground_takes_no_part() -> None:
    """A cell without a need, or without ground, changes nothing."""
    whole = best_rate([80.0, np.nan, 120.0, 500.0], weights=[1, 1, 1, 0], price_ratio=0.13, method_sd_lb_ac=40.0)
    assert whole == best_rate([80.0, 120.0], price_ratio=0.13, method_sd_lb_ac=40.0)
    assert held_ratio(0.6 / 4.4) == 0.6 / 4.4


def test_nitrogen_that_stays_is_what_lies_above_the_level_off() -> None:
    """At T it is 0.3989 s; far below nothing stays, far above every pound more; need less T is the anchor's shift."""
    response = Response(curvature=0.0024, kink_weight=0.15, kink_slope=0.75)
    level = 100.0 + 1.144  # s_m 40: the default's T lies 1.144 above the need at 0.125

    def left(rate: float) -> float:
        return float(response.left_lb_ac(rate, np.array([100.0]), method_sd_lb_ac=40.0)[0])

    assert left(level) == pytest.approx(0.398942 * 40, abs=0.01)
    assert left(0.0) < 0.1
    assert left(400.0) == pytest.approx(400.0 - level, abs=0.01)
    draws = np.maximum(120.0 - np.random.default_rng(1).normal(level, 40.0, 200_000), 0.0).mean()
    assert left(120.0) == pytest.approx(draws, rel=0.01)
