"""Fitted variograms: the restricted likelihood against an independent one, its optimum, direction, known errors."""

import math

import numpy as np
import pytest
from scipy.linalg import null_space
from scipy.optimize import minimize
from scipy.stats import multivariate_normal

from vrn.model.grid import Grid
from vrn.surface import Variogram, fit_variogram, restricted_log_likelihood
from vrn.surface.likelihood import posterior
from vrn.surface.places import places_of
from vrn.surface.transform import gaussian_fields

GRID = Grid(crs="EPSG:32615", west_m=0.0, north_m=800.0, cell_m=20.0, rows=40, cols=40)


def _simulated(variogram: Variogram, count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Readings of one simulated field, the nugget as their error."""
    rng = np.random.default_rng(seed)
    places_m = rng.uniform(10, 790, (count, 2))
    _, values = gaussian_fields(GRID, places_m, variogram=variogram, count=1, rng=rng)
    return places_m, 12.0 + values[0] + math.sqrt(variogram.nugget) * rng.standard_normal(count)


def _by_contrasts(places_m: np.ndarray, values: np.ndarray, variogram: Variogram, errors: np.ndarray) -> float:
    """Log-density of the values' contrasts, by SciPy: Harville (1974), Biometrika 61, 383–385."""
    distance = np.hypot(*(np.subtract.outer(axis, axis) for axis in places_m.T))
    covariance = variogram.sill - variogram.semivariance(distance.ravel()).reshape(distance.shape)
    covariance += np.diag(errors)
    contrasts = null_space(np.ones((1, len(values))))
    density = multivariate_normal(np.zeros(len(values) - 1), contrasts.T @ covariance @ contrasts)
    return float(density.logpdf(contrasts.T @ values))


@pytest.mark.parametrize(
    "variogram",
    [
        Variogram(model="exponential", nugget=1.0, partial_sill=4.0, range_m=120.0),
        Variogram(model="spherical", nugget=0.2, partial_sill=4.0, range_m=300.0),
        Variogram(model="matern", nu=1.5, nugget=1.0, partial_sill=4.0, range_m=60.0),
        Variogram(model="nugget", nugget=3.0),
    ],
)
def test_restricted_likelihood_is_that_of_the_contrasts(variogram: Variogram) -> None:
    """Up to ½ ln n, the convention's constant, it is the density of any orthonormal contrasts of the readings."""
    rng = np.random.default_rng(1)
    places_m, values = rng.uniform(0, 800, (25, 2)), rng.normal(10, 2, 25)
    for errors in (np.zeros(25), np.linspace(0.1, 2.0, 25)):
        ours = restricted_log_likelihood(places_m, values, variogram=variogram, error_variance=errors)
        theirs = _by_contrasts(places_m, values, variogram, errors)
        assert ours + 0.5 * math.log(25) == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize("model", ["exponential", "spherical"])
def test_fit_is_at_the_top(model: str) -> None:
    """No start of an independent search over the independent likelihood finds a higher place."""
    places_m, values = _simulated(Variogram(model="exponential", nugget=1.0, partial_sill=4.0, range_m=150.0), 45, 2)
    fitted = fit_variogram(places_m, values, model=model)

    def cost(theta: np.ndarray) -> float:
        nugget, partial_sill, range_m = np.exp(theta)
        variogram = Variogram(model=model, nugget=nugget, partial_sill=partial_sill, range_m=range_m)
        return -_by_contrasts(places_m, values, variogram, np.zeros(45))

    found = min(
        minimize(cost, np.log(start), method="Nelder-Mead", options={"maxfev": 300}).fun
        for start in ((1.0, 4.0, 100.0), (0.2, 3.0, 400.0))
    )
    assert fitted.fit.log_likelihood + 0.5 * math.log(45) >= -found - 1e-3
    ours = restricted_log_likelihood(places_m, values, variogram=fitted)
    assert fitted.fit.log_likelihood == pytest.approx(ours, abs=1e-8)


def test_scale_of_the_values_scales_the_fit() -> None:
    """Values in other units, coordinates elsewhere: the same range, the sill by the square of the unit."""
    places_m, values = _simulated(Variogram(model="exponential", nugget=1.0, partial_sill=4.0, range_m=150.0), 40, 3)
    once = fit_variogram(places_m, values, model="exponential")
    other = fit_variogram(places_m + 4e6, values * 1000.0 + 5.0, model="exponential")
    assert other.range_m == pytest.approx(once.range_m, rel=1e-3)
    assert other.sill == pytest.approx(once.sill * 1e6, rel=1e-3)
    assert other.nugget == pytest.approx(once.nugget * 1e6, rel=1e-2)


def test_fit_finds_what_was_simulated() -> None:
    """Over 12 simulated fields of 80 readings, sill and range are right on average, to their stated standard errors."""
    truth = Variogram(model="exponential", nugget=1.0, partial_sill=4.0, range_m=100.0)
    fitted = [fit_variogram(*_simulated(truth, 80, seed), model="exponential") for seed in range(12)]
    assert np.median([v.sill for v in fitted]) == pytest.approx(5.0, rel=0.25)
    assert np.median([v.range_m for v in fitted if v.range_m]) == pytest.approx(100.0, rel=0.4)
    errors = [v.fit.standard_errors["partial_sill"] for v in fitted if v.fit.standard_errors]
    assert 0.5 < np.median([error for error in errors if error]) < 4.0


def test_standard_errors_are_the_spread_over_fields() -> None:
    """Curvature at the top foretells how far the partial sill strays from field to field (within a factor of two)."""
    truth = Variogram(model="exponential", nugget=0.5, partial_sill=4.0, range_m=60.0)
    fitted = [fit_variogram(*_simulated(truth, 120, seed), model="exponential") for seed in range(14)]
    strayed = np.std([v.partial_sill for v in fitted])
    stated = np.median([v.fit.standard_errors["partial_sill"] or np.nan for v in fitted])
    assert 0.5 < strayed / stated < 2.0


def test_known_error_is_not_counted_twice() -> None:
    """Given the readings' error variance the nugget is what is left: nothing, where it was all error."""
    truth = Variogram(model="spherical", nugget=2.0, partial_sill=4.0, range_m=300.0)
    told, untold = [], []
    for seed in range(8):
        places_m, values = _simulated(truth, 60, seed)
        told.append(fit_variogram(places_m, values, error_variance=2.0).nugget)
        untold.append(fit_variogram(places_m, values).nugget)
    assert np.median(untold) == pytest.approx(2.0, abs=1.0)
    assert np.median(told) < 0.7
    assert np.median(np.subtract(untold, told)) > 1.0


def test_direction_is_found_where_there_is_one() -> None:
    """A field four times longer at 60° than across is seen as such; a round one keeps its ratio of 1."""
    long = Variogram(
        model="exponential", nugget=0.2, partial_sill=4.0, range_m=300.0, anisotropy_ratio=0.25, azimuth_deg=60.0
    )
    fitted = fit_variogram(*_simulated(long, 120, 4), model="exponential", anisotropy=True)
    assert fitted.anisotropy_ratio < 0.6
    assert fitted.azimuth_deg == pytest.approx(60.0, abs=20.0)
    round_ = Variogram(model="exponential", nugget=0.2, partial_sill=4.0, range_m=100.0)
    for seed in range(4):
        fitted = fit_variogram(*_simulated(round_, 80, seed), model="exponential", anisotropy=True)
        assert fitted.anisotropy_ratio == 1.0


def test_twelve_variograms_surround_the_likeliest() -> None:
    """The twelve are about as likely as any on the grid, differ among themselves, and the best is one of the grid."""
    places_m, values = _simulated(Variogram(model="exponential", nugget=1.0, partial_sill=4.0, range_m=150.0), 40, 6)
    found = posterior(places_of(places_m, values))
    variograms = [one.variogram for one in found.likely if one.variogram.model != "nugget"]
    heights = [restricted_log_likelihood(places_m, values, variogram=v) for v in (found.best.variogram, *variograms)]
    assert len(found.likely) == 12
    assert min(heights) > max(heights) - 5.0
    assert len({round(v.range_m or 0.0) for v in variograms}) > 3


def test_evidence_goes_with_the_units() -> None:
    """Distances in another unit stretch the ranges; values in another one change the evidence by n − 1 logarithms."""
    rng = np.random.default_rng(4)
    values = rng.normal(10.0, 2.0, 9)
    east = np.arange(9) * 100.0
    near = posterior(places_of(np.column_stack([east, 0 * east]), values))
    assert 0 < sum(one.variogram.model == "nugget" for one in near.likely) < 12
    moved = posterior(places_of(np.column_stack([7 * east, 0 * east]), 3 * values + 5))
    ranges = [one.variogram.range_m for one in near.likely if one.variogram.range_m]
    assert [one.variogram.range_m for one in moved.likely if one.variogram.range_m] == pytest.approx(
        7 * np.array(ranges)
    )
    assert moved.log_evidence == pytest.approx(near.log_evidence - 8 * np.log(3.0))


def test_a_slope_is_followed_where_there_is_one() -> None:
    """Readings that follow a layer have slopes in nearly all of the twelve; readings that do not, in half or less."""
    truth = Variogram(model="exponential", nugget=0.5, partial_sill=3.0, range_m=60.0)
    places_m, values = _simulated(truth, 80, 5)
    layer = np.random.default_rng(1).standard_normal((80, 1))
    tilted = posterior(places_of(places_m, values + 2.0 * layer[:, 0]), layer)
    level = posterior(places_of(places_m, values), layer)
    assert sum(one.slope_variance > 0 for one in tilted.likely) >= 11
    assert sum(one.slope_variance > 0 for one in level.likely) <= 6
