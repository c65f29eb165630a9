"""Best rate of a trial and its interval, against what was published of two open trials."""

import csv
import os
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from vrn.errors import InputFileError
from vrn.response.fit import Optimum, TrialFit, fit_quadratic

# winter wheat, two zones, kg N/ha and t/ha: Bachmaier 2009, Statistical Papers 50:649
LOW = {
    0: (4.48876387, 3.35536424, 3.30573117, 2.71256337),
    80: (6.84172536, 6.11120813, 5.7686453, 6.37501654),
    100: (6.62409516, 7.89659324, 6.96177067, 6.16549496),
    120: (7.6894549, 7.61487638, 6.66157467, 7.50877433),
    140: (7.13278384, 7.42, 6.57164215, 6.612152),
    160: (8.1812729, 7.41300167, 8.41245828, 7.23670609),
    180: (7.89708568, 7.58240454, 6.48232126, 6.55049694),
    200: (9.05025754, 7.87962383, 7.74302367, 7.57200843),
    220: (9.48442815, 7.91789712, 7.93447126, 6.32849124),
    240: (10.1129579, 7.85661767, 6.94466642, 8.19874246),
    260: (8.6488795, 7.7475802, 8.52184952, 7.32001729),
}  # fmt: skip
HIGH = {
    0: (4.082, 5.864, 5.176, 6.267),
    80: (7.639, 7.933, 7.377, 8.989),
    100: (7.96, 8.445, 9.475, 8.848),
    120: (7.807, 7.823, 9.414, 8.445),
    140: (9.341, 8.035, 9.775, 10.553),
    160: (9.346, 9.274, 9.756, 9.623),
    180: (10.256, 9.253, 10.339, 10.215),
    200: (9.643, 10.199, 10.213, 10.837),
    220: (10.395, 10.266, 10.456, 10.505),
    240: (9.771, 10.223, 10.469, 10.154),
    260: (10.326, 10.645, 10.812, 10.996),
}  # fmt: skip
# corn, kg N/ha and Mg/ha, 2006 site 5: Hernandez and Mulla 2008, Agronomy Journal 100:1221
SITE_5 = {
    0: (8.91634, 8.17685, 9.245, 8.8249),
    33.6: (10.9815, 9.84763, 10.0586, 9.81029),
    67.2: (12.4848, 10.7784, 13.4251, 10.5197),
    100.8: (14.2429, 14.3951, 12.9216, 13.2692),
    134.4: (15.4265, 13.5675, 15.0757, 14.1751),
    168: (14.9613, 14.5787, 14.4088, 14.7425),
}


def _fit(trial: Mapping[float, Sequence[float]]) -> TrialFit:
    rates = [rate for rate, yields in trial.items() for _ in yields]
    return fit_quadratic(rates, [value for yields in trial.values() for value in yields])


@pytest.mark.parametrize(
    ("trial", "point", "low", "high", "low_90", "high_90"),
    [(LOW, 199.08, 173.10, 260.06, 176.53, 244.02), (HIGH, 239.76, 203.97, 328.29, 208.48, 305.00)],
)
def test_published_interval_of_a_wheat_trial(
    trial: Mapping[float, Sequence[float]], point: float, low: float, high: float, low_90: float, high_90: float
) -> None:
    """Bachmaier 2009 prints 173 to 260 kg/ha for the low zone at a price ratio of 0.005454 (95 %)."""
    found, ninety = (_fit(trial).optimum(price_ratio=0.005454, confidence=share) for share in (0.95, 0.90))
    assert (found.kind, ninety.kind) == ("between", "between")
    assert found.point == pytest.approx(point, abs=0.02)
    assert (found.low, found.high) == pytest.approx((low, high), abs=0.05)
    assert (ninety.low, ninety.high) == pytest.approx((low_90, high_90), abs=0.05)


def test_published_interval_of_a_corn_trial() -> None:
    """Minnesota 2006, site 5: 191.7 kg/ha; 147.96 to 401.65 by the profile likelihood that was published (90 %)."""
    found = _fit(SITE_5).optimum(price_ratio=0.6615 / 118.1, confidence=0.90)
    assert found.point == pytest.approx(191.7198, abs=0.01)
    assert (found.low, found.high) == pytest.approx((147.96, 401.65), abs=1.0)


def test_delta_method_is_not_what_was_published() -> None:
    """Point ± t × its first-order error gives 163.9 to 234.3 for Bachmaier's low zone, which is not the interval."""
    fit = _fit(LOW)
    _, b, c = fit.coefficients
    slope = np.array([0.0, -1 / (2 * c), (b - 0.005454) / (2 * c**2)])
    error = 2.0195 * float(np.sqrt(slope @ fit.covariance @ slope))  # Student's t, 41 degrees of freedom, 95 %
    found = fit.optimum(price_ratio=0.005454)
    assert (found.point - error, found.point + error) == pytest.approx((163.9, 234.3), abs=0.2)
    assert found.low > found.point - error + 5
    assert found.high > found.point + error + 20


# Las Rosas, Argentina, corn, kg N/ha and 100 kg/ha: Anselin, Bongiovanni and Lowenberg-DeBoer (2004), American J. Agr.
# Economics 86:675, as open data. Quadratic by least squares (b, c), then variance of b, covariance, variance of c with
# errors that are alike within each of 18 strips: worked from the points by this project.
LAS_ROSAS_RATIO = 0.4348 / 6.85  # $/kg over $/100 kg
LAS_ROSAS = {
    (1999, ""): ((0.113007, -0.000320), (3.638352043e-04, -3.199957015e-06, 3.169434748e-08), "between", (58.4, 858.0)),
    (1999, "HT"): ((0.148706, -0.000426), (2.248115772e-04, -1.586220631e-06, 1.26336302e-08), "between",
                   (85.3, 134.3)),
    (1999, "LO"): ((0.087336, -0.000258), (1.947021935e-03, -1.479499105e-05, 1.238700579e-07), "everything", None),
    (1999, "W"): ((0.120793, -0.000334), (1.21746913e-03, -1.116243501e-05, 1.121291039e-07), "outside", (7.7, 56.5)),
    (2001, ""): ((0.097091, -0.000378), (2.493704106e-04, -2.068823295e-06, 1.831398951e-08), "between", (19.9, 53.7)),
    (2001, "HT"): ((0.244369, -0.001497), (2.355546085e-03, -1.752176518e-05, 1.404194327e-07), "between",
                   (51.5, 68.4)),
    (2001, "LO"): ((0.037025, 0.000130), (1.242070245e-03, -1.009080326e-05, 9.102703063e-08), "everything", None),
    (2001, "W"): ((0.069050, -0.000229), (2.323236251e-03, -1.85360235e-05, 1.643800226e-07), "everything", None),
}  # fmt: skip
LAS_ROSAS_BEST = {
    (1999, ""): (1738, 77.29), (1999, "E"): (368, 49.90), (1999, "HT"): (354, 99.94), (1999, "LO"): (461, 46.32),
    (1999, "W"): (555, 85.88), (2001, ""): (1705, 44.41), (2001, "E"): (362, 8.21), (2001, "HT"): (431, 60.42),
    (2001, "W"): (488, 12.18),
}  # fmt: skip
LAS_ROSAS_ENV = "VRN_LAS_ROSAS"  # a reader's own copy: CSV with year, yield, nitro, topo, rep, nf


def _by_strip(slopes: tuple[float, float], spread: tuple[float, float, float]) -> TrialFit:
    """A fit of 18 strips, so 17 degrees of freedom."""
    covariance = np.zeros((3, 3))
    covariance[1:, 1:] = [[spread[0], spread[1]], [spread[1], spread[2]]]
    return TrialFit(form="quadratic", coefficients=np.array([60.0, *slopes]), covariance=covariance, freedom=17,
                    rmse=1.0, observations=1738, blocks=1, lowest=0.0, highest=131.5)  # fmt: skip


@pytest.mark.parametrize(("year", "zone"), LAS_ROSAS)
def test_intervals_of_an_on_farm_trial_by_strip(year: int, zone: str) -> None:
    """One zone is bounded on both sides, one only outside a span, one not at all: never one interval for all zones."""
    slopes, spread, kind, ends = LAS_ROSAS[year, zone]
    found = _by_strip(slopes, spread).optimum(price_ratio=LAS_ROSAS_RATIO, confidence=0.90)
    assert found.kind == kind
    if ends is not None:  # three digits of c are printed: an end ten times beyond the rates moves with them
        assert found.low == pytest.approx(ends[0], abs=0.6)
        assert found.high == pytest.approx(ends[1], abs=0.6 if ends[1] < 200 else 60.0)


@pytest.mark.skipif(LAS_ROSAS_ENV not in os.environ, reason=f"{LAS_ROSAS_ENV} names no copy of the open data")
def test_an_on_farm_trial_from_its_points() -> None:
    """Points, best rates by zone and year, and 90 % intervals by strip, from the reader's own copy of the data."""
    with Path(os.environ[LAS_ROSAS_ENV]).open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    for (year, zone), (points, best) in LAS_ROSAS_BEST.items():
        mine = [row for row in rows if row["year"] == str(year) and zone in ("", row["topo"])]
        n, grain = (np.array([float(row[name]) for row in mine]) for name in ("nitro", "yield"))
        fit = fit_quadratic(n, grain)
        assert len(mine) == points
        assert fit.optimum(price_ratio=LAS_ROSAS_RATIO).point == pytest.approx(best, abs=0.05)
        if (year, zone) in LAS_ROSAS:
            design, strip = np.vander(n, 3, increasing=True), np.array([row["rep"] + row["nf"] for row in mine])
            off, bread = grain - design @ fit.coefficients, np.linalg.inv(design.T @ design)
            pulls = np.array([design[strip == one].T @ off[strip == one] for one in np.unique(strip)])
            covariance = 18 / 17 * (points - 1) / (points - 3) * bread @ pulls.T @ pulls @ bread
            found = replace(fit, covariance=covariance, freedom=17).optimum(
                price_ratio=LAS_ROSAS_RATIO, confidence=0.90
            )
            _, spread, kind, ends = LAS_ROSAS[year, zone]
            assert found.kind == kind
            assert covariance[1, 1] == pytest.approx(spread[0], rel=1e-6)
            if ends is not None:
                assert (found.low, found.high) == pytest.approx(ends, abs=0.5)


def test_interval_says_when_a_trial_bounds_little_or_nothing() -> None:
    """A straight rise bounds the best rate from one side at most; pure scatter does not bound it at all."""
    n = np.repeat([0.0, 60.0, 120.0, 180.0], 4)
    noise = np.random.default_rng(5).normal(0, 1, len(n))
    rising = fit_quadratic(n, 80 + 0.4 * n + noise).optimum(price_ratio=0.1)
    assert rising.kind == "outside"
    assert rising.low < 0 or rising.high > 180
    assert fit_quadratic(n, 150 + 12 * noise).optimum(price_ratio=0.1).kind == "everything"


@pytest.mark.parametrize("bend", [-0.002, -0.0005])
def test_interval_holds_the_truth_as_often_as_it_says(bend: float) -> None:
    """300 simulated trials: an 80 % interval holds the true best rate in 80 % of them, within three standard errors."""
    rng, n = np.random.default_rng(11), np.repeat(np.arange(0.0, 241.0, 40.0), 4)
    truth = (0.1 - 0.7) / (2 * bend)
    held = 0
    for _ in range(300):
        grain = 90 + 0.7 * n + bend * n**2 + rng.normal(0, 12, len(n))
        found = fit_quadratic(n, grain).optimum(price_ratio=0.1, confidence=0.80)
        between = found.low <= truth <= found.high
        held += {"between": between, "outside": not between, "everything": True}[found.kind]
    assert abs(held / 300 - 0.80) < norm.ppf(0.9987) * np.sqrt(0.8 * 0.2 / 300)


@pytest.mark.parametrize(("n", "grain"), [([0, 50, 100], [1, 2, 3]), ([0, 0, 50, 50], [1, 1, 2, 2]), ([0, 1], [1])])
def test_too_few_plots_are_refused(n: list[float], grain: list[float]) -> None:
    """A curve wants four plots and three rates, each with a yield."""
    with pytest.raises(InputFileError):
        fit_quadratic(n, grain)


@pytest.mark.parametrize(
    ("kind", "low", "high", "ends"),
    [
        ("between", 80.0, 150.0, (80.0, 150.0)), ("between", -20.0, 150.0, (-np.inf, 150.0)),
        ("between", 80.0, 230.0, (80.0, np.inf)), ("between", -20.0, 230.0, (-np.inf, np.inf)),
        ("outside", -40.0, 90.0, (90.0, np.inf)), ("outside", 70.0, 260.0, (-np.inf, 70.0)),
        ("outside", 70.0, 90.0, (-np.inf, np.inf)), ("outside", -40.0, 260.0, (180.0, np.inf)),
        ("everything", np.nan, np.nan, (-np.inf, np.inf)),
    ],
)  # fmt: skip
def test_ends_that_the_rates_tried_show(kind: str, low: float, high: float, ends: tuple[float, float]) -> None:
    """Rates from 0 to 180 were tried: an end outside them, or between two arms, is no end."""
    found = Optimum(point=100.0, low=low, high=high, kind=kind)  # type: ignore[arg-type]
    assert found.cut_to(0.0, 180.0) == ends
