"""Rates against the best that could be done with the generator known: `python tests/benchmarks/surface_limit.py`.

The fields are made as in `tests/truth/simulated.py`, easier: ranges twice as long, nitrate with a spread of 0.40 in its
logarithm, 45 samples at random off by 0.8 ppm alone, organic matter at 60 places of its own, and need by Nebraska's
preplant equation on a profile of two feet. Limit: the mean need
of each cell over the posterior with means, ranges and errors known: logarithms of nitrate by simple kriging (the error
on their scale by the slope at the reading), yield by kriging its raster's blocks from the 24 nearest with their error,
organic matter by simple kriging of what yield does not tell. That this rest is independent of yield is an
approximation: their ranges differ somewhat.
"""

import argparse
import sys
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1] / "truth"))

from simulated import GOAL_BU_AC, Making, Simulated, need_lb_ac, simulate

from vrn.pipeline import build
from vrn.surface import Variogram, ordinary_kriging

Array = NDArray[np.float64]
ERROR_PPM, SD, YIELD_ERROR, CELL_M = 0.8, 0.40, 0.02, 12.0
MAKING = Making(
    nitrate_cv=float(np.sqrt(np.expm1(SD**2))), stretch=2.0, own_organic_samples=60, at_random=True,
    reading_error_ppm=ERROR_PPM, cores_error_share=0.0, yield_error=YIELD_ERROR,
    equation="nebraska",
)  # fmt: skip
NODES = ((-np.sqrt(3.0), 1 / 6), (0.0, 2 / 3), (np.sqrt(3.0), 1 / 6))


def _simple(places: Array, values: Array, error: Array, targets: Array, covariance: object) -> tuple[Array, Array]:
    """Simple kriging of a field of mean 0: estimate and standard error."""
    among = covariance(_apart(places, places)) + np.diag(error)  # type: ignore[operator]
    near = covariance(_apart(places, targets))  # type: ignore[operator]
    weights = np.linalg.solve(among, near)
    sill = covariance(np.zeros(1))[0]  # type: ignore[operator]
    return values @ weights, np.sqrt(np.maximum(sill - np.einsum("ij,ij->j", weights, near), 0.0))


def _apart(one: Array, other: Array) -> Array:
    return np.hypot(*(np.subtract.outer(a, b) for a, b in zip(one.T, other.T, strict=True)))


def posterior(truth: Simulated, targets: Array) -> tuple[tuple[Array, Array], tuple[Array, Array], Array]:
    """Logarithm of nitrate over 14 ppm and organic matter with their errors, and the goal, of each target."""
    of_nitrate, of_organic, of_own = (range_m / 3.0 for range_m in truth.practical_ranges_m)
    places, read = truth.field.samples.coordinates_m, truth.field.samples.nitrate_ppm
    log = _simple(
        places, np.log(read) - np.log(14.0) + SD**2 / 2, (ERROR_PPM / read) ** 2, targets,
        lambda h: SD**2 * np.exp(-h / of_nitrate),
    )  # fmt: skip
    raster = truth.field.yield_potential
    smooth = Variogram(model="exponential", partial_sill=0.12**2, range_m=(0.25 * of_organic + 0.75 * of_own))

    def relative(at: Array) -> Array:
        centers = raster.grid.centers_m()
        values = raster.values.ravel()
        return ordinary_kriging(centers, values, at, variogram=smooth, neighbors=24, error_variance=YIELD_ERROR**2)[0]

    organic = truth.field.organic_matter

    def covariance(h: Array) -> Array:
        return 0.6**2 * (0.5625 * np.exp(-h / of_organic) + 0.1875 * np.exp(-h / of_own))

    told, there = (3.0 + 0.6 * 0.5 * (relative(at) - 1.0) / 0.12 for at in (organic.coordinates_m, targets))
    rest, rest_se = _simple(
        organic.coordinates_m, organic.values - told, np.full(len(told), 0.15**2), targets, covariance
    )
    return log, (there + rest, rest_se), GOAL_BU_AC * relative(targets) / raster.values.mean()


def limit(truth: Simulated, targets: Array) -> Array:
    """Rate of each target by the posterior with the generator known. [lb/ac]"""
    (log, log_se), (organic, organic_se), goal = posterior(truth, targets)
    rate = np.zeros(len(targets))
    for (a, wa), (b, wb) in product(NODES, NODES):
        ppm, pct = 14.0 * np.exp(log + a * log_se - SD**2 / 2), np.clip(organic + b * organic_se, 0.8, 8.0)
        rate += wa * wb * need_lb_ac(ppm, pct, goal, equation=truth.making.equation)
    return rate


def losses(seed: int) -> tuple[float, ...]:
    """Mean |rate − true need| of one field: limit, need raster, the raster in 5-lb steps, zones. [lb/ac]"""
    truth = simulate(seed, making=MAKING)
    settings = truth.field.settings
    header = replace(settings.header, cell_m=CELL_M)
    made = build(replace(truth.field, settings=replace(settings, header=header)))
    here = made.share > 0
    need = truth.at(made.grid, truth.need_lb_ac)[here]
    raster = np.maximum(made.surfaces["need_lb_ac"].values[here], 0.0)
    rates = (limit(truth, made.grid.centers_m()[here.ravel()]), raster, 5.0 * np.round(raster / 5.0),
             made.rate_grid()[here])  # fmt: skip
    inside = np.isfinite(need)  # a cell that the field's edge cuts may have its middle off the field
    covered = [
        np.mean((np.abs(truth.at(made.grid, values)[here] - made.surfaces[name].values[here])
                 <= 1.6449 * made.surfaces[name].se[here])[inside])
        for name, values in (("nitrate_ppm", truth.nitrate_ppm), ("organic_matter_pct", truth.organic_matter_pct))
    ]  # fmt: skip
    return *(float(np.nanmean(np.abs(rate - need))) for rate in rates), float(np.nanmean(raster - need)), *covered


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--fields", type=int, default=30)
    parser.add_argument("--first", type=int, default=701)
    given = parser.parse_args()
    found = np.array([losses(seed) for seed in range(given.first, given.first + given.fields)])
    least = found[:, 0].mean()
    for k, name in enumerate(("limit", "need raster", "raster in 5-lb steps", "zones")):
        above = found[:, k] - found[:, 0]
        print(f"{name:22} {found[:, k].mean():6.2f} lb/ac  ratio {found[:, k].mean() / least:.3f}"
              f"  above {above.mean():.2f} ± {above.std(ddof=1) / len(above) ** 0.5:.2f}")  # fmt: skip
    print(f"raster less need {found[:, 4].mean():+.2f}; 90 % intervals cover nitrate {found[:, 5].mean():.3f},"
          f" organic matter {found[:, 6].mean():.3f}")  # fmt: skip
