"""Best-paying rates, flat bands and response fits against worked, published and independent numbers."""

import numpy as np
import pytest
from scipy.optimize import curve_fit, minimize_scalar

from vrn.errors import InputFileError, OutOfRangeError
from vrn.nitrogen import method
from vrn.response import fit_response
from vrn.response.fit import flat_band, optimum_n_lb_ac

# Jackson, Tennessee, 1962: Engelstad & Parks (1971), Agron. J. 63:21-23, as carried by the R package agridat
JACKSON_N_KG_HA = np.array([0.0, 67, 134, 201, 268, 335])
JACKSON_YIELD_Q_HA = np.array([46.5, 59, 71.9, 73.1, 74.5, 75.5])


@pytest.mark.parametrize(
    ("a", "b", "c", "ratio", "top", "highest_yield", "optimum", "yield_there"),
    [
        (100, 1.0, -0.0025, 0.10, 200, 200, 180.0, 199.0), (80, 1.2, -0.003, 0.10, 200, 200, 183.333, 199.167),
        (90, 0.9, -0.00225, 0.15, 200, 180, 166.667, 177.5), (60, 1.6, -0.004, 0.05, 200, 220, 193.75, 219.844),
    ],
)  # fmt: skip
def test_optimum_worked(a, b, c, ratio, top, highest_yield, optimum, yield_there):
    """(ratio − b) / 2c by the derivative; top −b / 2c (Sawyer et al. 2006, calculus)."""
    got = optimum_n_lb_ac(b, c, price_ratio=ratio)
    assert got == pytest.approx(optimum, abs=5e-4)
    assert optimum_n_lb_ac(b, c, price_ratio=0) == pytest.approx(top)
    assert a + b * top + c * top**2 == pytest.approx(highest_yield)
    assert a + b * got + c * got**2 == pytest.approx(yield_there, abs=5e-4)


def test_price_ratio():
    """$0.50 a pound and $3.50 a bushel are 0.14 (Iowa State crop news 872): with b 1, c −0.0025 that is 172 lb/ac."""
    assert optimum_n_lb_ac(1.0, -0.0025, price_ratio=0.50 / 3.50) == pytest.approx((1 - 0.142857) / 0.005, abs=1e-3)


def test_optimum_is_held_between_nothing_and_the_top():
    """A ratio at or above the first pound's worth gives 0; nothing lies above the highest rate tried."""
    assert optimum_n_lb_ac(0.4, -0.0025, price_ratio=0.4) == 0
    assert optimum_n_lb_ac(0.4, -0.0025, price_ratio=2.0) == 0
    assert optimum_n_lb_ac(1.0, -0.0025, price_ratio=0.1, highest_rate_lb_ac=150) == 150


@pytest.mark.parametrize("c", [0.0, 0.001, [-0.002, 0.001]])
def test_a_convex_response_is_refused(c):
    """Where yields bend upwards there is no best rate."""
    with pytest.raises(OutOfRangeError, match="does not bend down"):
        optimum_n_lb_ac(1.0, c, price_ratio=0.1)
    with pytest.raises(OutOfRangeError, match="does not bend down"):
        method("economic-optimum").need(b=1.0, c=c, price_ratio=0.1)


@pytest.mark.parametrize(
    ("b", "c", "corn", "n_price"), [(1.0, -0.0025, 4.0, 0.4), (0.3, -0.0025, 4.0, 0.8), (1.0, -0.001, 6.0, 0.02)]
)
def test_flat_band_by_search(b, c, corn, n_price):
    """The band's ends lose just the sum asked for, by a search of the return itself, the plateau included."""

    def return_per_ac(rate):
        reached = min(rate, -b / (2 * c))
        return corn * (b * reached + c * reached**2) - n_price * rate

    band = flat_band(b, c, corn_per_bu=corn, n_per_lb=n_price)
    best = minimize_scalar(
        lambda rate: -return_per_ac(rate), bounds=(0, 800), method="bounded", options={"xatol": 1e-9}
    )
    assert return_per_ac(band.optimum_n_lb_ac) == pytest.approx(-best.fun, abs=1e-6)
    assert return_per_ac(band.high_n_lb_ac) == pytest.approx(-best.fun - 1.0, abs=1e-6)
    if band.low_n_lb_ac > 0:
        assert return_per_ac(band.low_n_lb_ac) == pytest.approx(-best.fun - 1.0, abs=1e-6)


def test_flat_band_half_width():
    """√(1 / (4 × 0.0025)) = 10 lb/ac either side (worked)."""
    band = flat_band(1.0, -0.0025, corn_per_bu=4.0, n_per_lb=0.40)
    assert (band.low_n_lb_ac, band.high_n_lb_ac) == pytest.approx((170, 190))


def test_maximum_return_to_nitrogen():
    """Three sites: 177.78 lb/ac, $284.44, profitable from 167.24 to 188.31 (worked after Sawyer et al. 2006)."""
    band = flat_band([1.0, 1.2, 0.5], [-0.0025, -0.003, -0.00125], corn_per_bu=4.0, n_per_lb=0.40)
    assert band.optimum_n_lb_ac == pytest.approx(177.78, abs=5e-3)
    assert band.return_per_ac == pytest.approx(284.44, abs=5e-3)
    assert (band.low_n_lb_ac, band.high_n_lb_ac) == pytest.approx((167.24, 188.31), abs=0.01)


def test_published_optimum_of_a_tennessee_trial():
    """Level from 225 kg/ha on, best-paying at 140 kg/ha for $0.11 and $1.15 (R package agridat, engelstad.nitro)."""
    fit = fit_response(JACKSON_N_KG_HA, JACKSON_YIELD_Q_HA, form="quadratic-plateau")
    assert fit.top == pytest.approx(225, abs=0.5)
    assert fit.optimum(price_ratio=0.11 / 1.15).point == pytest.approx(140, abs=1.0)


def test_plateau_fit_agrees_with_an_independent_fitter():
    """Coefficients and standard errors as scipy's least squares finds them."""

    def plateau(rate, a, b, c):
        reached = np.minimum(rate, -b / (2 * c))
        return a + b * reached + c * reached**2

    start = (46.0, 0.25, -0.0006)
    found, covariance = curve_fit(plateau, JACKSON_N_KG_HA, JACKSON_YIELD_Q_HA, p0=start, xtol=1e-14, ftol=1e-14)
    fit = fit_response(JACKSON_N_KG_HA, JACKSON_YIELD_Q_HA, form="quadratic-plateau")
    assert fit.coefficients == pytest.approx(found, rel=1e-4)
    assert fit.errors == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-3)


def test_quadratic_fit_agrees_with_polynomial_regression():
    """Coefficients and standard errors as numpy's polynomial regression finds them."""
    found, covariance = np.polyfit(JACKSON_N_KG_HA, JACKSON_YIELD_Q_HA, 2, cov=True)
    fit = fit_response(JACKSON_N_KG_HA, JACKSON_YIELD_Q_HA, form="quadratic")
    assert fit.coefficients[::-1] == pytest.approx(found, rel=1e-9)
    assert fit.covariance[::-1, ::-1] == pytest.approx(covariance, rel=1e-9)


def test_check_strips_are_fitted_within_their_blocks():
    """Strips in three zones of different level, on one response: the levels do not bend it."""
    rates = np.tile([60.0, 120.0, 150.0, 180.0], 3)
    block = np.repeat(["low", "middle", "high"], 4)
    level = np.repeat([70.0, 100.0, 130.0], 4)
    fit = fit_response(rates, level + rates - 0.0025 * rates**2, form="quadratic", block=block)
    assert fit.coefficients == pytest.approx((100.0, 1.0, -0.0025))
    assert (fit.blocks, fit.freedom) == (3, 7)
    found = fit.optimum(price_ratio=0.1)
    assert (found.point, found.low, found.high) == pytest.approx((180.0,) * 3, abs=1e-5)


@pytest.mark.parametrize(
    ("rates", "yields", "match"),
    [
        ([0, 50, 100, 150], [100, 110, 125, 150], "do not bend down"),
        ([0, 50, 100, 150], [150, 130, 115, 110], "do not bend down"),
        ([0, 0, 100, 100], [100, 101, 150, 151], "4 yields at 2 rates"),
        ([0, 50, 100], [100, 140, 150], "3 yields at 3 rates"),
        ([0, 50, 100, np.nan], [100, 140, 150, 151], "3 yields at 3 rates"),
        ([-10, 50, 100, 150], [100, 140, 150, 151], "none below 0"),
    ],
)
def test_trials_that_hold_no_response_are_refused(rates, yields, match):
    """A convex, falling, or too small trial gives no optimum."""
    with pytest.raises(InputFileError, match=match):
        fit_response(rates, yields)


def test_interval_of_a_trial_in_blocks_covers():
    """Over 300 simulated trials of four blocks, quadratic, 90 % of the intervals hold the truth, within 3 s.e."""
    random = np.random.default_rng(4)
    rates, block = np.tile([0.0, 50, 100, 150, 200, 250], 4), np.repeat(range(4), 6)
    inside = 0
    for _ in range(300):
        yields = 100 + 10 * block + rates - 0.0025 * rates**2 + random.normal(0, 6, len(rates))
        found = fit_response(rates, yields, form="quadratic", block=block).optimum(price_ratio=0.1, confidence=0.9)
        inside += found.kind != "between" or found.low <= 180 <= found.high
    assert abs(inside / 300 - 0.90) < 3 * np.sqrt(0.9 * 0.1 / 300)
