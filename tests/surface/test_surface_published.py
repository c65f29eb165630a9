"""Kriging, variograms and inverse distance against published and independently computed answers."""

import numpy as np
import pytest

from vrn.surface import (
    Variogram,
    empirical_variogram,
    fit_variogram,
    inverse_distance,
    leave_one_out,
    ordinary_kriging,
)
from vrn.surface.kriging import Kriging
from vrn.surface.places import places_of

HANDBOOK_PLACES_M = [(61, 139), (63, 140), (64, 129), (68, 128), (71, 140), (73, 141), (75, 128)]
HANDBOOK_VALUES = [477, 696, 227, 646, 606, 791, 783]
NODES_M = [(181180, 333740), (181140, 333700), (181180, 333700), (181220, 333700), (181100, 333660),
           (179060, 329620), (179220, 329620)]  # fmt: skip
MEUSE = Variogram(model="spherical", nugget=0.05, partial_sill=0.59, range_m=897.0)


@pytest.fixture(scope="module")
def meuse() -> tuple[np.ndarray, np.ndarray]:
    """Zinc at 155 places beside the river Meuse (Pebesma & Bivand 2005; carried by scikit-gstat)."""
    import skgstat

    places, zinc = skgstat.data.meuse(variable="zinc").get("sample")
    return np.asarray(places, dtype=float), np.ravel(zinc).astype(float)


def test_handbook_kriging() -> None:
    """Isaaks & Srivastava (1989), ch. 12: estimate 592.7, variance 8.96 (printed); more digits solved in R (gstat)."""
    variogram = Variogram(model="exponential", partial_sill=10.0, range_m=1 / 0.3)
    estimate, variance = ordinary_kriging(HANDBOOK_PLACES_M, HANDBOOK_VALUES, [(65, 137)], variogram=variogram)
    assert estimate[0] == pytest.approx(592.72894, abs=5e-6)
    assert variance[0] == pytest.approx(8.9560528, abs=5e-8)


def test_handbook_weights() -> None:
    """The same example prints its weights: the estimate from one sample of 1 and six of 0 is that sample's weight."""
    variogram = Variogram(model="exponential", partial_sill=10.0, range_m=1 / 0.3)
    printed = [0.173, 0.318, 0.129, 0.086, 0.151, 0.057, 0.086]
    for value, weight in zip(np.eye(7), printed, strict=True):
        estimate, _ = ordinary_kriging(HANDBOOK_PLACES_M, value, [(65, 137)], variogram=variogram)
        assert estimate[0] == pytest.approx(weight, abs=6e-4)


@pytest.mark.parametrize(("power", "expected"), [(1.0, 593.95367), (2.0, 597.62038)])
def test_handbook_inverse_distance(power: float, expected: float) -> None:
    """Inverse distance on the handbook's seven samples, with exact distances (the book rounds them); computed in R."""
    estimate = inverse_distance(HANDBOOK_PLACES_M, HANDBOOK_VALUES, [(65, 137)], power=power)
    assert estimate[0] == pytest.approx(expected, abs=5e-6)


def test_meuse_kriging(meuse: tuple[np.ndarray, np.ndarray]) -> None:
    """log(zinc), fixed spherical variogram, all points: node by node as gstat 2.1 (R 4.2) krigs it."""
    places, zinc = meuse
    estimate, variance = ordinary_kriging(places, np.log(zinc), NODES_M, variogram=MEUSE)
    kriged = [6.4998766, 6.6227295, 6.5054120, 6.3877043, 6.7650041, 6.4690124, 6.4246722]
    spread = [0.31867761, 0.25093139, 0.27189393, 0.29442603, 0.17688532, 0.25305043, 0.23564684]
    assert estimate == pytest.approx(np.array(kriged), abs=1e-6)
    assert variance == pytest.approx(np.array(spread), abs=1e-6)


def test_meuse_leave_one_out(meuse: tuple[np.ndarray, np.ndarray]) -> None:
    """Mean error, RMSE and mean squared deviation ratio of gstat's krige.cv (R 4.2)."""
    places, zinc = meuse
    estimate, variance = leave_one_out(places, np.log(zinc), variogram=MEUSE)
    error = np.log(zinc) - estimate
    assert error.mean() == pytest.approx(-1.2560506e-05, abs=1e-10)
    assert np.sqrt(np.mean(error**2)) == pytest.approx(0.39174947, abs=1e-8)
    assert np.mean(error**2 / variance) == pytest.approx(0.82276331, abs=1e-8)


def test_meuse_empirical_variogram(meuse: tuple[np.ndarray, np.ndarray]) -> None:
    """First bins of gstat's variogram(log(zinc) ~ 1): cutoff a third of the diagonal."""
    places, zinc = meuse
    empirical = empirical_variogram(places, np.log(zinc))
    assert empirical.edges_m[-1] == pytest.approx(1596.62262, abs=1e-5)
    assert empirical.pairs[:3].tolist() == [57, 299, 419]
    assert empirical.distance_m[:3] == pytest.approx(np.array([79.292437, 163.97367, 267.36483]), abs=5e-6)
    assert empirical.semivariance[:3] == pytest.approx(np.array([0.12344793, 0.21621849, 0.30278588]), abs=5e-9)


def test_meuse_fit(meuse: tuple[np.ndarray, np.ndarray]) -> None:
    """Weights N/h² give the gstat vignette's fit (Pebesma): nugget .0507, partial sill .5906, range 897.0 m."""
    places, zinc = meuse
    fitted = fit_variogram(places, np.log(zinc), model="spherical", method="weighted least squares")
    assert fitted.nugget == pytest.approx(0.0507, rel=1e-3)
    assert fitted.partial_sill == pytest.approx(0.5906, rel=1e-3)
    assert fitted.range_m == pytest.approx(897.0, rel=1e-3)


def test_meuse_inverse_distance(meuse: tuple[np.ndarray, np.ndarray]) -> None:
    """Zinc, power 2, all points, first five nodes of the grid as gstat's idw gives them."""
    places, zinc = meuse
    estimate = inverse_distance(places, zinc, NODES_M[:5])
    expected = [633.68639, 712.54502, 654.16174, 604.44220, 857.25580]
    assert estimate == pytest.approx(np.array(expected), abs=6e-6)


# KT3D_H2O (Karanovic et al. 2009, Ground Water 47), its example as the PyKrige source distribution carries it (BSD-3):
# 15 samples (x, y, value), variogram 500 (1 − exp(−3h/3000)), nodes 50 m by 25 m from (1067275, 241459), row 0 in the
# north. Its printed answers: every 33rd node, and mean and mean square of all 10 000.
WATER = np.array([
    (1069209, 243400, 26), (1070962, 243239, 73), (1070957, 241845, 96), (1070767, 242652, 73), (1070063, 242374, 67),
    (1069440, 242201, 39), (1071851, 241678, 104), (1068668, 243391, 22), (1068897, 242501, 20), (1068128, 242816, 9),
    (1070878, 243820, 73), (1069805, 243729, 48), (1071428, 241868, 99), (1071012, 241572, 96), (1067493, 243015, 5),
])  # fmt: skip
WATER_VARIOGRAM = Variogram(model="exponential", partial_sill=500.0, range_m=1000.0)
ORDINARY = [
    [32.979033, 34.13094, 65.266936, 63.740866],
    [15.312069, 22.586958, 67.339732, 70.167267],
    [27.596017, 26.182132, 77.120739, 81.573829],
    [40.985286, 43.41003, 80.390811, 86.89391],
]
LINEAR_DRIFT = [
    [-8.4851959, 24.276495, 64.98889, 101.14088],
    [-1.5391633, 23.298515, 66.656508, 105.20852],
    [-1.0601188, 24.203719, 77.411736, 109.70931],
    [2.0048865, 35.806578, 84.049359, 113.98505],
]


def _water_nodes_m() -> np.ndarray:
    easting, northing = np.meshgrid(1067275 + 50 * np.arange(100), 241459 + 25 * np.arange(100)[::-1])
    return np.column_stack([easting.ravel(), northing.ravel()])


def test_published_kriged_grid() -> None:
    """Ordinary kriging gives the published 100 × 100 grid to its printed digits."""
    estimate, _ = ordinary_kriging(WATER[:, :2], WATER[:, 2], _water_nodes_m(), variogram=WATER_VARIOGRAM)
    assert estimate.reshape(100, 100)[::33, ::33] == pytest.approx(np.array(ORDINARY), abs=6e-6)
    assert estimate.mean() == pytest.approx(51.34952988, abs=1e-6)
    assert np.mean(estimate**2) == pytest.approx(3302.205509, abs=1e-4)


def test_published_kriging_variances() -> None:
    """Variances at the grid's corners and at (1069775, 242709), computed in R (gstat 2.1) from the same samples."""
    nodes_m = [(1067275, 241459), (1072225, 241459), (1067275, 243934), (1072225, 243934), (1069775, 242709)]
    estimate, variance = ordinary_kriging(WATER[:, :2], WATER[:, 2], nodes_m, variogram=WATER_VARIOGRAM)
    assert estimate[4] == pytest.approx(50.02179, abs=5e-6)
    assert variance == pytest.approx(np.array([528.26304, 304.05887, 451.66978, 508.86015, 233.31030]), abs=6e-6)


def test_published_grid_with_linear_drift() -> None:
    """With the coordinates as drift, kriging gives the published 100 × 100 grid of the same example."""
    middle = WATER[:, :2].mean(axis=0)
    places = places_of(WATER[:, :2], WATER[:, 2])
    system = Kriging.of(places, WATER_VARIOGRAM, (WATER[:, :2] - middle) / 1000.0)
    nodes_m = _water_nodes_m()
    estimate = system.at(nodes_m, (nodes_m - middle) / 1000.0).estimate
    assert estimate.reshape(100, 100)[::33, ::33] == pytest.approx(np.array(LINEAR_DRIFT), abs=6e-6)
    assert estimate.mean() == pytest.approx(50.68949616, abs=1e-6)


@pytest.mark.parametrize(("power", "rmse"), [(1.0, 332.65040), (2.0, 278.27338), (3.0, 257.54598)])
def test_meuse_inverse_distance_left_out(meuse: tuple[np.ndarray, np.ndarray], power: float, rmse: float) -> None:
    """Leave-one-out error of inverse distance on zinc, as gstat's krige.cv gives it for each power."""
    places, zinc = meuse
    others = ~np.eye(len(zinc), dtype=bool)
    estimate = [
        inverse_distance(places[rest], zinc[rest], places[[k]], power=power)[0] for k, rest in enumerate(others)
    ]
    assert np.sqrt(np.mean((estimate - zinc) ** 2)) == pytest.approx(rmse, abs=1e-5)
