"""Kriging against PyKrige and GSTools, and the compiled kernel against the plain function, on random sets."""

import gstools
import numpy as np
import pytest
from pykrige.ok import OrdinaryKriging
from pykrige.uk import UniversalKriging

from vrn.surface import Variogram, empirical_variogram, ordinary_kriging
from vrn.surface.kriging import Kriging
from vrn.surface.places import places_of

RANGE_M = 150.0
# our range parameter → PyKrige's "range": 3 r for exponential (1 − exp(−3h/range)), 7/4 r for gaussian
# (1 − exp(−(h/(4/7 range))²)), the sill distance for spherical
PYKRIGE_RANGE = {"spherical": 1.0, "exponential": 3.0, "gaussian": 7.0 / 4.0}


def _random_set(seed: int, count: int = 40) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.uniform(0, 800, (count, 2)), rng.normal(10, 3, count), rng.uniform(-50, 850, (60, 2))


@pytest.mark.parametrize("model", ["spherical", "exponential", "gaussian"])
@pytest.mark.parametrize("seed", [1, 2])
def test_agrees_with_pykrige(model: str, seed: int) -> None:
    """Estimate and variance equal PyKrige's to 1e-8, the range convention translated."""
    places_m, values, targets_m = _random_set(seed)
    variogram = Variogram(model=model, nugget=1.5, partial_sill=7.0, range_m=RANGE_M)
    peer = OrdinaryKriging(
        *places_m.T, values, variogram_model=model,
        variogram_parameters={"psill": 7.0, "nugget": 1.5, "range": PYKRIGE_RANGE[model] * RANGE_M},
    )  # fmt: skip
    expected, spread = peer.execute("points", *targets_m.T)
    estimate, variance = ordinary_kriging(places_m, values, targets_m, variogram=variogram)
    assert estimate == pytest.approx(np.asarray(expected), abs=1e-8)
    assert variance == pytest.approx(np.asarray(spread), abs=1e-8)


def _gstools(variogram: Variogram, **more: float) -> gstools.CovModel:
    """The same model in GSTools: rescale 1 makes its length scale the model's own range parameter."""
    kinds = {"spherical": gstools.Spherical, "exponential": gstools.Exponential, "gaussian": gstools.Gaussian}
    if variogram.model == "matern":  # its argument is √ν h ÷ length scale
        more["nu"] = variogram.nu or 0.5
        kind, scale = gstools.Matern, np.sqrt(variogram.nu or 0.5)
    else:
        kind, scale = kinds[variogram.model], 1.0
    return kind(
        dim=2, var=variogram.partial_sill, nugget=variogram.nugget, len_scale=scale * (variogram.range_m or 1.0),
        rescale=1.0, **more,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("model", "nu"), [("spherical", None), ("exponential", None), ("gaussian", None), ("matern", 1.5), ("matern", 0.8)]
)
def test_agrees_with_gstools(model: str, nu: float | None) -> None:
    """Estimate and variance equal GSTools' to 1e-8, Matérn of any smoothness included."""
    places_m, values, targets_m = _random_set(3)
    variogram = Variogram(model=model, nu=nu, nugget=1.5, partial_sill=7.0, range_m=RANGE_M)
    peer = gstools.krige.Ordinary(_gstools(variogram), places_m.T, values, exact=True)
    expected, spread = peer(targets_m.T)
    estimate, variance = ordinary_kriging(places_m, values, targets_m, variogram=variogram)
    assert estimate == pytest.approx(expected, abs=1e-8)
    assert variance == pytest.approx(spread, abs=1e-8)


def test_direction_agrees_with_gstools() -> None:
    """Anisotropy means the same in GSTools, whose angle runs counter-clockwise from east."""
    places_m, values, targets_m = _random_set(4)
    variogram = Variogram(
        model="exponential", nugget=1.0, partial_sill=7.0, range_m=300.0, anisotropy_ratio=0.4, azimuth_deg=30.0
    )
    peer = gstools.krige.Ordinary(
        _gstools(variogram, anis=0.4, angles=np.radians(60.0)), places_m.T, values, exact=True
    )
    expected, spread = peer(targets_m.T)
    estimate, variance = ordinary_kriging(places_m, values, targets_m, variogram=variogram)
    assert estimate == pytest.approx(expected, abs=1e-8)
    assert variance == pytest.approx(spread, abs=1e-8)


def test_external_drift_agrees_with_pykrige() -> None:
    """Kriging with an external drift equals PyKrige's universal kriging with a specified drift to 1e-8."""
    places_m, values, targets_m = _random_set(5)
    here, there = np.sin(places_m[:, 0] / 90), np.sin(targets_m[:, 0] / 90)
    variogram = Variogram(model="exponential", nugget=1.5, partial_sill=7.0, range_m=RANGE_M)
    peer = UniversalKriging(
        *places_m.T, values, variogram_model="exponential",
        variogram_parameters={"psill": 7.0, "nugget": 1.5, "range": 3 * RANGE_M}, drift_terms=["specified"],
        specified_drift=[here],
    )  # fmt: skip
    expected, spread = peer.execute("points", *targets_m.T, specified_drift_arrays=[there])
    answer = Kriging.of(places_of(places_m, values), variogram, here[:, None]).at(targets_m, there[:, None])
    assert answer.estimate == pytest.approx(np.asarray(expected), abs=1e-8)
    assert answer.variance == pytest.approx(np.asarray(spread), abs=1e-8)


def test_duplicates_agree_with_pykrige() -> None:
    """With a nugget, several readings at one place weigh as PyKrige weighs them."""
    places_m, values, targets_m = _random_set(6, 20)
    places_m = np.vstack([places_m, places_m[:3], places_m[:1]])
    values = np.append(values, values[:4] + 2.0)
    variogram = Variogram(model="exponential", nugget=1.5, partial_sill=7.0, range_m=RANGE_M)
    peer = OrdinaryKriging(
        *places_m.T, values, variogram_model="exponential",
        variogram_parameters={"psill": 7.0, "nugget": 1.5, "range": 3 * RANGE_M},
    )  # fmt: skip
    expected, spread = peer.execute("points", *targets_m.T)
    estimate, variance = ordinary_kriging(places_m, values, targets_m, variogram=variogram)
    assert estimate == pytest.approx(np.asarray(expected), abs=1e-8)
    assert variance == pytest.approx(np.asarray(spread), abs=1e-8)


@pytest.mark.parametrize(
    ("model", "nu"),
    [
        ("spherical", None),
        ("exponential", None),
        ("gaussian", None),
        ("matern", 1.5),
        ("matern", 2.5),
        ("nugget", None),
    ],
)
def test_nearest_neighbours_equal_a_system_for_each(model: str, nu: float | None) -> None:
    """Local kriging of a target is ordinary kriging from its 12 nearest places, found by brute force."""
    rng = np.random.default_rng(7)
    places_m, values = rng.uniform(0, 800, (400, 2)), rng.normal(size=400)
    targets_m = np.vstack([rng.uniform(-100, 900, (20, 2)), places_m[:2]])
    known = {} if model == "nugget" else {"partial_sill": 1.0, "range_m": 60.0, "nu": nu}
    variogram = Variogram(model=model, nugget=0.4, **known)
    estimate, variance = ordinary_kriging(places_m, values, targets_m, variogram=variogram, neighbors=12)
    for k, target in enumerate(targets_m):
        near = np.argsort(np.hypot(*(places_m - target).T))[:12]
        alone, spread = ordinary_kriging(places_m[near], values[near], [target], variogram=variogram)
        assert estimate[k] == pytest.approx(alone[0], abs=1e-9)
        assert variance[k] == pytest.approx(spread[0], abs=1e-9)


def test_all_neighbours_are_no_neighbourhood() -> None:
    """With as many neighbours as places, local kriging is global kriging: errors and direction included."""
    places_m, values, targets_m = _random_set(8, 30)
    values, places_m = np.append(values, 5.0), np.vstack([places_m, places_m[0]])
    variogram = Variogram(
        model="exponential", nugget=0.4, partial_sill=3.0, range_m=200.0, anisotropy_ratio=0.5, azimuth_deg=110.0
    )
    targets_m = np.vstack([targets_m, places_m[:5]])
    errors = np.linspace(0.0, 1.0, len(values))
    for error_variance in (None, errors):
        every = ordinary_kriging(places_m, values, targets_m, variogram=variogram, error_variance=error_variance)
        local = ordinary_kriging(
            places_m, values, targets_m, variogram=variogram, error_variance=error_variance, neighbors=99
        )
        assert local[0] == pytest.approx(every[0], abs=1e-9)
        assert local[1] == pytest.approx(every[1], abs=1e-9)


def test_empirical_variogram_agrees_with_gstools() -> None:
    """Semivariances and pairs equal GSTools' in bins that hold no pair on an edge."""
    rng = np.random.default_rng(9)
    places_m, values = rng.uniform(0, 800, (300, 2)), rng.normal(size=300)
    empirical = empirical_variogram(places_m, values, cutoff_m=400.0, bins=10)
    centers, semivariance, pairs = gstools.vario_estimate(
        places_m.T, values, np.linspace(0, 400, 11), return_counts=True
    )
    assert len(centers) == 10
    assert empirical.pairs.tolist() == pairs.tolist()
    assert empirical.semivariance == pytest.approx(semivariance, rel=1e-10)


def test_pairs_counted_by_the_kernel_equal_those_in_tiles(monkeypatch: pytest.MonkeyPatch) -> None:
    """Above 4 000 readings a compiled loop counts the same pairs."""
    rng = np.random.default_rng(10)
    places_m, values = rng.uniform(0, 300, (700, 2)).round(1), rng.normal(size=700)
    plain = empirical_variogram(places_m, values, cutoff_m=90.0, bins=9)
    monkeypatch.setattr("vrn.surface.fit._MOST_IN_TILES", 100)
    dense = empirical_variogram(places_m, values, cutoff_m=90.0, bins=9)
    assert dense.pairs.tolist() == plain.pairs.tolist()
    assert dense.distance_m == pytest.approx(plain.distance_m, rel=1e-12)
    assert dense.semivariance == pytest.approx(plain.semivariance, rel=1e-12)
