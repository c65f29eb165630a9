"""What the prescription is measured against: one flat rate, and the usual script of general libraries."""

import warnings

import numpy as np
from numpy.typing import NDArray
from simulated import GOAL_BU_AC, STEP_LB_AC, Simulated, need_lb_ac

from vrn.model.layers import PointLayer, RasterLayer

Array = NDArray[np.float64]


def _step(rate: Array | float) -> Array:
    return np.round(np.asarray(rate, dtype=float) / STEP_LB_AC) * STEP_LB_AC


def flat_rate(truth: Simulated) -> float:
    """One rate from the same samples: the need at their mean nitrate and organic matter, to the machine's step."""
    organic = truth.field.organic_matter
    assert isinstance(organic, PointLayer)
    nitrate_ppm, organic_matter_pct = float(truth.field.samples.nitrate_ppm.mean()), float(organic.values.mean())
    return float(_step(need_lb_ac(nitrate_ppm, organic_matter_pct, GOAL_BU_AC, equation=truth.making.equation)))


def usual_script(truth: Simulated) -> Array:
    """PyKrige, spherical → k-means, 4 zones on z-scores → the mean need of each zone; rates on the truth's grid."""
    from pykrige.ok import OrdinaryKriging
    from sklearn.cluster import KMeans

    organic, relative = truth.field.organic_matter, truth.field.yield_potential
    assert isinstance(organic, PointLayer)
    assert isinstance(relative, RasterLayer)
    east, north = truth.grid.eastings_m(), truth.grid.northings_m()

    def kriged(places: Array, values: Array) -> Array:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # PyKrige calls SciPy in ways SciPy means to change; not ours to mend
            surface, _ = OrdinaryKriging(places[:, 0], places[:, 1], values, variogram_model="spherical").execute(
                "grid", east, north
            )
        return np.asarray(surface, dtype=float)

    nitrate_ppm = kriged(truth.field.samples.coordinates_m, truth.field.samples.nitrate_ppm)
    organic_matter_pct = kriged(organic.coordinates_m, organic.values)
    row, col, _ = relative.grid.cells_of(truth.grid.centers_m())
    yield_goal = GOAL_BU_AC * (relative.values / relative.values.mean())[row, col].reshape(truth.grid.shape)
    layers = np.column_stack([layer.ravel() for layer in (nitrate_ppm, organic_matter_pct, yield_goal)])
    scores = (layers - layers.mean(axis=0)) / np.where(layers.std(axis=0) > 0, layers.std(axis=0), 1.0)
    zone = KMeans(n_clusters=4, n_init=10, random_state=0).fit_predict(scores)
    need = need_lb_ac(nitrate_ppm, organic_matter_pct, yield_goal, equation=truth.making.equation).ravel()
    means = np.array([need[zone == k].mean() for k in range(4)])
    return _step(means)[zone].reshape(truth.grid.shape)
