"""Thousands of points to a surface: a variogram from bins, kriging from the nearest, judged on points held out."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vrn.model.grid import Grid
from vrn.model.variogram import Variogram
from vrn.surface.dense import local_kriging
from vrn.surface.empirical import empirical_variogram
from vrn.surface.estimators import MEAN
from vrn.surface.fit import least_squares
from vrn.surface.kriging import USUAL_NEIGHBORS
from vrn.surface.simulation import gaussian_fields

LOCAL_KRIGING = "local kriging"

_PAIRS_A_POINT = 1_500  # of the empirical variogram, at most about this many
_HELD_OUT = 20  # one point in so many


@dataclass(frozen=True, kw_only=True, eq=False)
class LocalKriged:
    """
    Kriging from the nearest points, the nugget filtered.

    Parameters
    ----------
    points_m : ndarray, shape (n, 2)
        [m]
    values : ndarray, shape (n,)
    variogram : Variogram
    held : ndarray of int, shape (k,)
        Points that were held out to judge it.
    estimate, variance : ndarray, shape (k,)
        Of those from the others.
    """

    points_m: NDArray[np.float64]
    values: NDArray[np.float64]
    variogram: Variogram
    held: NDArray[np.intp]
    estimate: NDArray[np.float64]
    variance: NDArray[np.float64]
    name: str = LOCAL_KRIGING

    @classmethod
    def of(cls, points_m: NDArray[np.float64], values: NDArray[np.float64]) -> "LocalKriged":
        """Fit to points and judge on one in twenty, held out."""
        variogram = local_variogram(points_m, values)
        held = np.random.default_rng(len(values)).permutation(len(values))[: max(len(values) // _HELD_OUT, 1)]
        rest = np.ones(len(values), dtype=bool)
        rest[held] = False
        estimate, variance = local_kriging(
            points_m[rest], values[rest], points_m[held], variogram=variogram, neighbors=USUAL_NEIGHBORS
        )
        return cls(
            points_m=points_m, values=values, variogram=variogram, held=held, estimate=estimate, variance=variance
        )

    def at(
        self, targets_m: NDArray[np.float64], drift: NDArray[np.float64] | None
    ) -> tuple[NDArray[np.float64], NDArray[np.float64] | None]:
        """The field under the points, and its standard error."""
        estimate, variance = local_kriging(
            self.points_m, self.values, targets_m, variogram=self.variogram.without_nugget(), neighbors=USUAL_NEIGHBORS,
            error_variance=self.variogram.nugget,
        )  # fmt: skip
        return estimate, np.sqrt(variance)

    def draws(
        self, grid: Grid, drift: NDArray[np.float64] | None, count: int, rng: np.random.Generator
    ) -> NDArray[np.float32]:
        """The surface plus its standard error times a field of the variogram: errors reach no farther than that."""
        estimate, se = self.at(grid.centers_m(), drift)
        smooth = self.variogram.without_nugget()
        cells, _ = gaussian_fields(grid, np.empty((0, 2)), variogram=smooth, count=count, rng=rng)
        cells *= (np.asarray(se) / math.sqrt(smooth.sill or 1.0)).astype(np.float32)
        cells += estimate.astype(np.float32)
        return cells


def local_variogram(points_m: NDArray[np.float64], values: NDArray[np.float64]) -> Variogram:
    """
    Exponential variogram over the short distances that local kriging works with.

    Parameters
    ----------
    points_m : ndarray, shape (n, 2)
        [m]
    values : ndarray, shape (n,)

    Returns
    -------
    variogram : Variogram
        By least squares on 15 bins, up to the distance within which a point has about 1 500 others.
    """
    width, height = np.ptp(points_m, axis=0)
    most = math.hypot(width, height) / 3
    ground = max(float(width * height), 1e-6)
    cutoff = min(most, math.sqrt(_PAIRS_A_POINT * ground / (math.pi * len(values))))
    empirical = empirical_variogram(points_m, values, cutoff_m=cutoff or 1.0)
    return least_squares(empirical, Variogram(model="exponential", range_m=1.0))


@dataclass(frozen=True, kw_only=True, eq=False)
class Held:
    """What a way to estimate says of points held out."""

    name: str
    estimate: NDArray[np.float64]
    variance: None = None

    @classmethod
    def mean(cls, values: NDArray[np.float64], held: NDArray[np.intp]) -> "Held":
        """The mean of the points that were not held out, at those that were."""
        rest = np.ones(len(values), dtype=bool)
        rest[held] = False
        return cls(name=MEAN, estimate=np.full(len(held), values[rest].mean()))
