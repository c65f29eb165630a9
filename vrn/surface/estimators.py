"""The ways to make a surface from samples, each with what it says of samples it has not seen, and with draws."""

import math
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from vrn.field.grid import Grid
from vrn.surface.cross_validation import left_out
from vrn.surface.distance import distance_weights, inverse_distance_left_out
from vrn.surface.kriging import Kriging, covariance_between
from vrn.surface.places import Places
from vrn.surface.simulation import gaussian_fields
from vrn.surface.transform import Transform
from vrn.surface.variogram import Variogram

MEAN = "mean"
INVERSE_DISTANCE = "inverse distance"
KRIGING = "ordinary kriging"
DRIFT = "kriging with external drift"

_POWERS = (1.0, 1.5, 2.0, 2.5, 3.0)
_TILE = 1_024

_Floats = NDArray[np.float64]


class Estimator(Protocol):
    """A way to make a surface: ``estimate`` and ``variance`` are of every reading from the other places."""

    @property
    def name(self) -> str: ...  # noqa: D102

    @property
    def estimate(self) -> _Floats: ...  # noqa: D102

    @property
    def variance(self) -> _Floats | None: ...  # noqa: D102

    def at(self, targets_m: _Floats, drift: _Floats | None) -> tuple[_Floats, _Floats | None]:
        """Surface and standard error at targets."""
        ...

    def draws(self, grid: Grid, drift: _Floats | None, count: int, rng: np.random.Generator) -> NDArray[np.float32]:
        """Fields that the readings allow, shape (count, rows × cols)."""
        ...


@dataclass(frozen=True, kw_only=True, eq=False)
class Mean:
    """The plain mean of the places; its error is that of leaving one out."""

    places: Places
    estimate: _Floats
    name: str = MEAN
    variance: None = None

    @classmethod
    def of(cls, places: Places) -> "Mean":
        """Mean of some places, one or more."""
        value, count = places.merged(1.0)[0], len(places)
        others = (value.sum() - value) / (count - 1) if count > 1 else np.full(1, np.nan)
        return cls(places=places, estimate=others[places.place])

    @property
    def rmse(self) -> float | None:
        """Leave-one-out error; None for one place."""
        if len(self.places) < 2:
            return None
        return math.sqrt(float(np.mean((self.estimate - self.places.values) ** 2)))

    def at(self, targets_m: _Floats, drift: _Floats | None) -> tuple[_Floats, _Floats | None]:
        """The mean, and its leave-one-out error, wherever there is a place."""
        somewhere = np.isfinite(targets_m).all(axis=1)
        mean = np.where(somewhere, self.places.merged(1.0)[0].mean(), np.nan)
        return mean, None if self.rmse is None else np.where(somewhere, self.rmse, np.nan)

    def draws(self, grid: Grid, drift: _Floats | None, count: int, rng: np.random.Generator) -> NDArray[np.float32]:
        """The mean with its own error, the same in all cells, and the spread of the places, cell by cell."""
        value = self.places.merged(1.0)[0]
        spread = float(value.std(ddof=1)) if len(value) > 1 else 0.0
        mean = value.mean() + spread / math.sqrt(len(value)) * rng.standard_normal((count, 1))
        cells = rng.standard_normal((count, grid.rows * grid.cols), dtype=np.float32)
        cells *= np.float32(spread)
        cells += mean.astype(np.float32)
        return cells


@dataclass(frozen=True, kw_only=True, eq=False)
class InverseDistance:
    """Inverse distance with the power that leaves the least error; its error is that of the variogram."""

    places: Places
    power: float
    variogram: Variogram
    estimate: _Floats
    name: str = INVERSE_DISTANCE
    variance: None = None

    @classmethod
    def of(cls, places: Places, variogram: Variogram) -> "InverseDistance":
        """Inverse distance of some places, two or more."""
        told = inverse_distance_left_out(places, _POWERS)
        best = int(np.mean((told - places.values) ** 2, axis=1).argmin())
        return cls(places=places, power=_POWERS[best], variogram=variogram, estimate=told[best])

    def at(self, targets_m: _Floats, drift: _Floats | None) -> tuple[_Floats, _Floats | None]:
        """Inverse distance, and how far the field under the readings may be from it."""
        places, variogram = self.places, self.variogram
        value, noise, _ = places.merged(variogram.nugget)
        among = covariance_between(places.coordinates_m, places.coordinates_m, variogram)
        among.flat[:: len(places) + 1] += noise
        estimate, squared = np.empty((2, len(targets_m)))
        for start in range(0, len(targets_m), _TILE):
            tile = slice(start, start + _TILE)
            local = targets_m[tile] - places.origin_m
            near = covariance_between(places.coordinates_m, local, variogram)
            weight = distance_weights(places, local, self.power)
            estimate[tile] = value @ weight
            near *= -2.0
            near += among @ weight
            squared[tile] = variogram.partial_sill + np.einsum("ij,ij->j", weight, near)
        return estimate, np.sqrt(np.maximum(squared, 0.0))

    def draws(self, grid: Grid, drift: _Floats | None, count: int, rng: np.random.Generator) -> NDArray[np.float32]:
        """The surface, and for each draw what inverse distance would miss of a field like it."""
        cells, value = _tied(grid, self.places, self.variogram, count, rng)
        centers = grid.centers_m() - self.places.origin_m
        for start in range(0, len(centers), _TILE):
            tile = slice(start, start + _TILE)
            cells[:, tile] += value.T @ distance_weights(self.places, centers[tile], self.power)
        return cells


@dataclass(frozen=True, kw_only=True, eq=False)
class Kriged:
    """
    Kriging of the field under the readings: the nugget is filtered as error of instrument and composite.

    Parameters
    ----------
    name : str
    system : Kriging
        Of the filtered field, on the transformed scale.
    variogram : Variogram
        As it was fitted, on the transformed scale.
    transform : Transform
    noise : float
        Mean error variance of the readings on the transformed scale.
    estimate, variance : ndarray, shape (n,)
        Of the readings from the other places, in the unit of the values.
    """

    name: str
    system: Kriging
    variogram: Variogram
    transform: Transform
    noise: float
    estimate: _Floats
    variance: _Floats

    @classmethod
    def of(
        cls, places: Places, variogram: Variogram, *, transform: Transform, drift: _Floats | None = None
    ) -> "Kriged":
        """Kriging of places that are already on the transformed scale."""
        told = left_out(Kriging.of(places, variogram, drift))
        mean, se = transform.back(*told)
        error = np.full(len(places.values), variogram.nugget)
        if places.error_variance is not None:
            error += places.error_variance
        words = "" if transform.scale == "plain" else f" of {transform.scale}s"
        return cls(
            name=(KRIGING if drift is None else DRIFT) + words,
            system=Kriging.of(replace(places, error_variance=error), variogram.without_nugget(), drift),
            variogram=variogram,
            transform=transform,
            noise=float(error.mean()),
            estimate=mean,
            variance=se**2,
        )

    def at(self, targets_m: _Floats, drift: _Floats | None) -> tuple[_Floats, _Floats | None]:
        """The field under the readings, and its standard error."""
        return self.transform.back(*self.system.at(targets_m, drift), self.noise)

    def draws(self, grid: Grid, drift: _Floats | None, count: int, rng: np.random.Generator) -> NDArray[np.float32]:
        """Fields drawn from the variogram, each tied to the readings by kriging what it misses of them."""
        cells, value = _tied(grid, self.system.places, self.variogram, count, rng)
        cells += self.system.of_values(value, grid.centers_m(), drift)
        return self.transform.back_draw(cells, self.noise)


def _tied(
    grid: Grid, places: Places, variogram: Variogram, count: int, rng: np.random.Generator
) -> tuple[NDArray[np.float32], _Floats]:
    """Fields at the cells, and what the places' values are above readings of those fields, shape (p, count)."""
    smooth = variogram.without_nugget()
    cells, at_places = gaussian_fields(
        grid, places.coordinates_m + places.origin_m, variogram=smooth, count=count, rng=rng
    )
    filtered = places.error_variance is not None
    value, noise, _ = places.merged(0.0 if filtered else variogram.nugget)
    read = at_places + np.sqrt(noise) * rng.standard_normal((count, len(places)))
    return cells, value[:, None] - read.T
