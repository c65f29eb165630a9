"""Draws of a surface: their moments against kriging's formulas, totals, transforms, seeds."""

import math
import warnings
from dataclasses import replace

import numpy as np
import pytest

from vrn.errors import OutOfRangeError
from vrn.findings import note
from vrn.model.grid import Grid
from vrn.model.layers import ConstantLayer
from vrn.surface import Variogram, interpolate, inverse_distance, layer_on_grid, points_on_grid, weighted_mean
from vrn.surface.estimators import Averaged, Mean
from vrn.surface.kriging import covariance_between
from vrn.surface.layers import GridDraws
from vrn.surface.likelihood import Likely
from vrn.surface.places import Places, places_of
from vrn.surface.transform import Scale, Transform, gaussian_fields

GRID = Grid(crs="EPSG:32615", west_m=0.0, north_m=400.0, cell_m=10.0, rows=40, cols=40)
VARIOGRAM = Variogram(model="exponential", nugget=0.5, partial_sill=2.0, range_m=80.0)


def _readings(count: int = 30, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    places_m = rng.uniform(5, 395, (count, 2))
    _, values = gaussian_fields(GRID, places_m, variogram=VARIOGRAM, count=1, rng=rng)
    return places_m, 10.0 + values[0] + math.sqrt(0.5) * rng.standard_normal(count)


def _kriged(places: Places, variogram: Variogram = VARIOGRAM, scale: Scale = "plain") -> Averaged:
    """Kriging with one variogram that is known."""
    return Averaged.of(places, [Likely(variogram, 0.0)], variogram, transform=Transform(scale=scale))


@pytest.mark.parametrize(
    "variogram",
    [
        VARIOGRAM,
        Variogram(model="spherical", partial_sill=2.0, range_m=500.0),
        Variogram(model="matern", nu=1.5, partial_sill=2.0, range_m=60.0),
        Variogram(model="exponential", partial_sill=2.0, range_m=150.0, anisotropy_ratio=0.3, azimuth_deg=30.0),
    ],
)
def test_gaussian_fields_have_their_variogram(variogram: Variogram) -> None:
    """Over 600 draws, covariances among cells and with points off the cells are the model's (6 standard errors)."""
    points_m = np.array([(203.0, 207.0), (15.0, 390.0)])
    cells, points = gaussian_fields(GRID, points_m, variogram=variogram, count=600, rng=np.random.default_rng(2))
    chosen = np.array([0, 1, 40, 90, 820, 825, 1180])
    drawn = np.column_stack([cells[:, chosen], points])
    where = np.vstack([GRID.centers_m()[chosen], points_m])
    expected = covariance_between(where, where, variogram)
    assert np.cov(drawn.T) == pytest.approx(expected, abs=6 * 2.0 * math.sqrt(2 / 600))
    assert drawn.mean(axis=0) == pytest.approx(np.zeros(9), abs=6 * math.sqrt(2.0 / 600))


def test_draws_have_the_estimate_and_error_of_kriging() -> None:
    """Conditional draws average to the kriged surface and scatter by its standard error."""
    surface = _kriged(places_of(*_readings()))
    estimate, se, _ = surface.at(GRID.centers_m(), None)
    drawn = surface.draws(GRID, None, 600, np.random.default_rng(3))
    assert np.abs(drawn.mean(axis=0) - estimate).max() < 5.5 * se.max() / math.sqrt(600)
    ratio = drawn.std(axis=0) / se
    assert ratio.mean() == pytest.approx(1.0, abs=0.02)
    assert ratio.min() > 0.8
    assert ratio.max() < 1.2


@pytest.mark.parametrize("step", [2, 3])
def test_draws_in_blocks_have_the_estimate_and_error_of_their_middles(step: int) -> None:
    """Draws in blocks average to the surface at the blocks' middles, and scatter by its standard error there."""
    surface = points_on_grid(*_readings(), GRID, name="nitrate_ppm")
    assert isinstance(surface.draws, GridDraws)
    kriged = _kriged(places_of(*_readings()))
    draws = replace(surface.draws, estimator=kriged)
    estimate, se, _ = kriged.at(GRID.blocks(step).centers_m(), None)
    drawn = draws(600, seed=3, step=step).reshape(600, -1)
    assert drawn.shape[1] == (-(-40 // step)) ** 2
    assert np.abs(drawn.mean(axis=0) - estimate).max() < 5.5 * se.max() / math.sqrt(600)
    assert (drawn.std(axis=0) / se).mean() == pytest.approx(1.0, abs=0.02)


def test_draws_of_a_total_have_the_error_of_block_kriging() -> None:
    """The mean over a zone scatters as block kriging says: weights · covariances · weights, worked out in full."""
    places_m, values = _readings()
    surface = _kriged(places_of(places_m, values))
    zone = np.zeros(GRID.shape, dtype=bool)
    zone[10:30, 5:25] = True
    centers = GRID.centers_m()[zone.ravel()]
    among = covariance_between(places_m, places_m, VARIOGRAM) + 0.5 * np.eye(len(values))
    system = np.block([[among, np.ones((30, 1))], [np.ones((1, 30)), np.zeros((1, 1))]])
    near = np.append(covariance_between(places_m, centers, VARIOGRAM).mean(axis=1), 1.0)
    within = covariance_between(centers, centers, VARIOGRAM).mean()
    expected = math.sqrt(within - near @ np.linalg.solve(system, near))
    drawn = surface.draws(GRID, None, 800, np.random.default_rng(4))[:, zone.ravel()].mean(axis=1)
    assert drawn.std() == pytest.approx(expected, rel=0.12)


def test_draws_of_a_mean() -> None:
    """A mean scatters by the spread of the places cell by cell, and by s/√n over the whole ground."""
    places_m, values = _readings(25)
    surface = Mean.of(places_of(places_m, values))
    drawn = surface.draws(GRID, None, 500, np.random.default_rng(6))
    spread = values.std(ddof=1)
    assert drawn[:, 7].std() == pytest.approx(spread * math.sqrt(1 + 1 / 25), rel=0.12)
    assert drawn.mean(axis=1).std() == pytest.approx(spread / 5, rel=0.12)
    _, se, _ = surface.at(GRID.centers_m()[:1], None)
    assert se[0] == pytest.approx(spread * math.sqrt(25 / 24), rel=1e-9)  # leaving one out: s · √(n/(n − 1))


def test_the_same_seed_draws_the_same_fields() -> None:
    """Draws are a function of the seed; the first of many are not those of few, but the same count repeats."""
    surface = points_on_grid(*_readings(), GRID, name="nitrate_ppm")
    first, again, other = surface.draws(6, seed=1), surface.draws(6, seed=1), surface.draws(6, seed=2)
    assert first.shape == (6, 40, 40)
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_draws_follow_a_scaled_surface() -> None:
    """A surface times two has draws and errors times two."""
    surface = points_on_grid(*_readings(), GRID, name="nitrate_ppm")
    twice = surface.scaled(2.0)
    assert np.array_equal(twice.draws(4, seed=1), 2 * surface.draws(4, seed=1))
    assert np.array_equal(twice.values, 2 * surface.values)
    assert np.array_equal(twice.se, 2 * surface.se)


def test_doubt_about_the_variogram_widens_the_error() -> None:
    """Of two variograms in turn the surface is the mean, and its variance theirs and how far they lie apart."""
    places = places_of(*_readings())
    other = Variogram(model="exponential", nugget=0.1, partial_sill=2.4, range_m=30.0)
    both = Averaged.of(places, [Likely(VARIOGRAM, 0.0), Likely(other, 0.0)], VARIOGRAM, transform=Transform())
    one, two = (_kriged(places, each).at(GRID.centers_m(), None) for each in (VARIOGRAM, other))
    made = both.at(GRID.centers_m(), None)
    np.testing.assert_allclose(made.values, (one.values + two.values) / 2)
    np.testing.assert_allclose(made.se**2, (one.se**2 + two.se**2) / 2 + (one.values - two.values) ** 2 / 4)


@pytest.mark.parametrize("kind", ["plain", "logarithm", "no pattern", "drift", "many"])
def test_a_surface_is_the_mean_of_its_draws(kind: str) -> None:
    """Over a zone |mean of draws − surface| is at most 3 sd/√m, and nearly everywhere; se is the draws' spread."""
    places_m, values = _readings(330 if kind == "many" else 30)
    rng, drift = np.random.default_rng(3), ()
    if kind == "logarithm":
        values = np.exp(values / 3.0)
    if kind == "no pattern":
        values = 10.0 + rng.standard_normal(len(values))
    if kind == "drift":
        slope = layer_on_grid(ConstantLayer(name="east", value=0.0), GRID)
        slope = replace(slope, values=np.sin(GRID.centers_m()[:, 0] / 40.0).reshape(GRID.shape))
        row, col, _ = GRID.cells_of(places_m)
        drift, values = (slope,), values + 3.0 * slope.values[row, col]
    surface = points_on_grid(places_m, values, GRID, name="x_ppm", drift=drift)
    share = surface.draws.estimator.no_pattern_share
    assert (share > 0.1) == (kind == "no pattern")
    assert (surface.draws.estimator.followed_share > 0.9) == (kind == "drift")
    drawn = surface.draws(960, seed=2)
    off = np.abs(drawn.mean(axis=0) - surface.values) * math.sqrt(960) / drawn.std(axis=0)
    assert off.max() < 5.5
    assert np.mean(off < 3.0) > 0.98
    zone = drawn[:, 5:20, 8:30].mean(axis=(1, 2))
    assert abs(zone.mean() - surface.values[5:20, 8:30].mean()) <= 3 * zone.std() / math.sqrt(960)
    assert (drawn.std(axis=0) / surface.se).mean() == pytest.approx(1.0, abs=0.02)


def test_logarithms_come_back_without_bias() -> None:
    """Over lognormal fields, kriging of logarithms averages to the mean of the readings' field, not to its median."""
    log_variogram = Variogram(model="exponential", nugget=0.1, partial_sill=0.5, range_m=80.0)
    missed = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        places_m = rng.uniform(5, 395, (30, 2))
        cells, at = gaussian_fields(GRID, places_m, variogram=log_variogram, count=1, rng=rng)
        truth = np.exp(2.0 + cells[0] + 0.05)  # a reading of the place averages exp(half the nugget) above the median
        logs = places_of(places_m, 2.0 + at[0] + math.sqrt(0.1) * rng.standard_normal(30))
        surface = _kriged(logs, log_variogram, "logarithm")
        missed.append(float((surface.at(GRID.centers_m(), None)[0] - truth).mean()))
    mean = math.exp(2.0 + 0.25 + 0.05)
    assert np.mean(missed) == pytest.approx(0.0, abs=3 * np.std(missed) / math.sqrt(40))
    assert 3 * np.std(missed) / math.sqrt(40) < 0.1 * mean


def test_square_roots_come_back_without_bias() -> None:
    """E(y²) = E(y)² + variance: the way back adds the variance that kriging left."""
    back, se = Transform(scale="square root").back(np.array([3.0]), np.array([0.5]), 0.2)
    assert back[0] == pytest.approx(9.0 + 0.5 + 0.2)
    assert se[0] == pytest.approx(math.sqrt(4 * 9 * 0.5 + 2 * 0.25))


def test_a_surface_of_amounts_does_not_fall_below_nothing() -> None:
    """Kriging along a layer can lead below 0; the surface is held there, and says so."""
    grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=400.0, cell_m=20.0, rows=20, cols=20)
    rng = np.random.default_rng(1)
    places_m = rng.uniform(0.0, 330.0, (25, 2)) + np.array([0.0, 35.0])
    nitrate_ppm = np.maximum(10.0 - 14.0 * places_m[:, 0] / 400.0 + rng.normal(0.0, 0.8, 25), 0.2)
    flat = layer_on_grid(ConstantLayer(name="east", value=0.0), grid)
    east = replace(flat, values=grid.centers_m()[:, 0].reshape(grid.shape))
    made = points_on_grid(places_m, nitrate_ppm, grid, name="nitrate_ppm", drift=[east])
    row, col, _ = grid.cells_of(places_m)
    there = east.values.ravel()
    bare = interpolate(
        places_m, nitrate_ppm, grid.centers_m(), drift=east.values[row, col], target_drift=there
    ).estimate.reshape(grid.shape)
    below = bare < 0
    assert below.any()
    assert (made.values[below] == 0.0).all()
    np.testing.assert_array_equal(made.values[~below], bare[~below])
    assert made.findings[-1] == note("surface.held-at-zero", made.name, cells=int(below.sum()))
    deeper = points_on_grid(places_m, nitrate_ppm - 5.0, grid, name="change_ppm")
    assert deeper.values.min() < 0  # readings that are below 0 themselves are not an amount


def test_weighted_mean_of_layers() -> None:
    """Layers weigh by thickness, 12 in over 6 in; their errors add as squares, and draws scatter by that."""
    top, deep = points_on_grid(*_readings(), GRID, name="a"), points_on_grid(*_readings(seed=2), GRID, name="b")
    made = weighted_mean([top, deep], [12.0, 6.0], name="nitrate_ppm")
    assert made.values == pytest.approx((2 * top.values + deep.values) / 3)
    assert made.se == pytest.approx(np.sqrt((2 * top.se) ** 2 + deep.se**2) / 3)
    drawn = made.draws(400, seed=1)
    assert (drawn.std(axis=0) / made.se).mean() == pytest.approx(1.0, abs=0.1)
    assert made.draws(3, seed=1, step=4).shape == (3, 10, 10)
    assert np.corrcoef(drawn[:, 20, 20], top.draws(400, seed=1)[:, 20, 20])[0, 1] > 0.5
    flat = layer_on_grid(ConstantLayer(name="c", value=3.0), GRID)
    assert weighted_mean([top, flat], [1.0, 1.0], name="x").draws is None
    with pytest.raises(OutOfRangeError, match="2 surfaces cannot be averaged"):
        weighted_mean([top, deep], [1.0], name="x")


def test_predictive_error_is_that_of_a_new_reading() -> None:
    """Of the field plus the nugget: the variance that PyKrige 1.7 states away from samples."""
    from pykrige.ok import OrdinaryKriging

    places_m, values = _readings()
    parameters = {"psill": VARIOGRAM.partial_sill, "range": VARIOGRAM.range_m, "nugget": VARIOGRAM.nugget}
    spherical = replace(VARIOGRAM, model="spherical")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # PyKrige calls SciPy in ways SciPy means to change; not ours to mend
        peer = OrdinaryKriging(*places_m.T, values, variogram_model="spherical", variogram_parameters=parameters)
        _, squared = peer.execute("points", *GRID.centers_m().T)
    _, se, predictive = _kriged(places_of(places_m, values), spherical).at(GRID.centers_m(), None)
    np.testing.assert_allclose(predictive**2, np.asarray(squared), rtol=1e-6)
    np.testing.assert_allclose(predictive**2, se**2 + VARIOGRAM.nugget, rtol=1e-9)


def test_predictive_error_of_logarithms_and_of_the_mean() -> None:
    """A lognormal reading about its estimate by its textbook variance; the mean's own error holds a reading's."""
    places_m, values = _readings()
    logs = places_of(places_m, np.log(np.abs(values) + 1.0))
    kriged = _kriged(logs, scale="logarithm")
    answer = kriged.parts[0].system.at(GRID.centers_m(), None)
    total = answer.variance + VARIOGRAM.nugget
    mean, _, predictive = kriged.at(GRID.centers_m(), None)
    np.testing.assert_allclose(predictive, mean * np.sqrt(np.expm1(total)), rtol=1e-9)
    _, se, of_reading = Mean.of(places_of(places_m, values)).at(GRID.centers_m(), None)
    np.testing.assert_array_equal(se, of_reading)


def test_predictive_error_follows_the_surface() -> None:
    """Scaled with the values, averaged over depths as independent, and unknown where it is unknown for one of them."""
    places_m, values = _readings()
    made = points_on_grid(places_m, values, GRID, name="nitrate_ppm")
    assert made.predictive_se.shape == GRID.shape
    assert (made.predictive_se >= made.se).all()
    np.testing.assert_allclose(made.scaled(-2.0).predictive_se, 2.0 * made.predictive_se)
    both = weighted_mean([made, made], [1.0, 3.0], name="nitrate_ppm")
    np.testing.assert_allclose(both.predictive_se, made.predictive_se * np.sqrt(0.25**2 + 0.75**2))
    assert (
        weighted_mean([made, replace(made, predictive_se=None)], [1.0, 1.0], name="nitrate_ppm").predictive_se is None
    )


def test_by_distance_is_shepards_with_an_honest_error() -> None:
    """Asked for, the surface is `inverse_distance`; its error is that of such weights, its draws' mean is the surface.

    Of ten fields of a known variogram, 90 % intervals hold the field about that often; kriging's error is the smaller.
    """
    rng = np.random.default_rng(11)
    places_m = rng.uniform(0, 800, (45, 2))
    grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=800.0, cell_m=50.0, rows=16, cols=16)
    both = np.vstack([places_m, grid.centers_m()])
    apart = np.hypot(*(np.subtract.outer(axis, axis) for axis in both.T))
    root = np.linalg.cholesky(9.0 * np.exp(-apart / 200.0) + 1e-9 * np.eye(len(both)))
    inside, wider = [], []
    for _ in range(10):
        field = 20.0 + root @ rng.normal(size=len(both))
        values = field[:45] + rng.normal(0, 1.0, 45)
        made = interpolate(places_m, values, grid.centers_m(), by_distance=True)
        kriged = interpolate(places_m, values, grid.centers_m())
        if made.chosen != "inverse distance":
            continue
        known = inverse_distance(places_m, values, grid.centers_m(), neighbors=24)
        assert made.estimate == pytest.approx(known, abs=1e-6)
        inside.append(np.mean(np.abs(made.estimate - field[45:]) <= 1.645 * made.se))
        wider.append(made.se.mean() / kriged.se.mean())
    assert len(inside) >= 7
    assert 0.85 <= np.mean(inside) <= 0.96
    assert np.mean(wider) > 1.0
    drawn = made.estimator.draws(grid, None, 960, np.random.default_rng(1))
    assert (np.abs(drawn.mean(axis=0) - made.estimate) <= 3 * drawn.std(axis=0) / 960**0.5).mean() > 0.98
    assert drawn.std(axis=0) == pytest.approx(made.se, rel=0.2)
