"""The ways to make a surface from samples, each with its predictions of samples left out, and with draws."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from vrn.model.grid import Grid
from vrn.model.variogram import Variogram
from vrn.surface.cross_validation import distance_weights, inverse_distance_left_out, left_out
from vrn.surface.dense import local_kriging
from vrn.surface.fit import empirical_variogram, least_squares
from vrn.surface.kriging import USUAL_NEIGHBORS, Kriging, covariance_between
from vrn.surface.places import Places, by_place, in_threads
from vrn.surface.transform import Transform, gaussian_fields

MEAN = "mean"
INVERSE_DISTANCE = "inverse distance"
KRIGING = "ordinary kriging"
DRIFT = "kriging with external drift"

_POWERS = (1.0, 1.5, 2.0, 2.5, 3.0)
_TILE = 1_024

_Floats = NDArray[np.float64]
LOCAL_KRIGING = "local kriging"
_PAIRS_A_POINT = 1_500  # of the empirical variogram, at most about this many
_HELD_OUT = 20  # one point in so many


class Estimate(NamedTuple):
    """A surface at targets, the standard error of the field under the readings, and that of a new reading there."""

    values: _Floats
    se: _Floats | None
    predictive_se: _Floats | None


class Estimator(Protocol):
    """A way to make a surface: ``estimate`` and ``variance`` are of every reading from the other places."""

    @property
    def name(self) -> str: ...  # noqa: D102

    @property
    def estimate(self) -> _Floats: ...  # noqa: D102

    @property
    def variance(self) -> _Floats | None: ...  # noqa: D102

    def at(self, targets_m: _Floats, drift: _Floats | None) -> Estimate:
        """Surface and standard errors at targets."""
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

    def at(self, targets_m: _Floats, drift: _Floats | None) -> Estimate:
        """The mean, and its leave-one-out error, wherever there is a place."""
        somewhere = np.isfinite(targets_m).all(axis=1)
        mean = np.where(somewhere, self.places.merged(1.0)[0].mean(), np.nan)
        error = None if self.rmse is None else np.where(somewhere, self.rmse, np.nan)
        return Estimate(mean, error, error)  # what leaving a reading out misses it by is a new reading's error

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
    plausible: tuple[Variogram, ...]
    estimate: _Floats
    noise: float
    doubt: float = 1.0
    name: str = INVERSE_DISTANCE
    variance: None = None

    @classmethod
    def of(cls, places: Places, variogram: Variogram, plausible: tuple[Variogram, ...]) -> "InverseDistance":
        """Inverse distance of some places, two or more."""
        predicted = inverse_distance_left_out(places, _POWERS)
        best = int(np.argmin([by_place((one - places.values) ** 2, places.place).mean() for one in predicted]))
        made = cls(
            places=places, power=_POWERS[best], variogram=variogram, plausible=plausible, estimate=predicted[best],
            noise=_noise(places, variogram),
        )  # fmt: skip
        if not plausible:
            return made
        ground = _ground(places)
        variance = [made._squared(ground, as_likely)[1].mean() for as_likely in (variogram, *plausible)]
        return replace(made, doubt=_doubt(variance[0], np.array(variance[1:]), len(places)))

    def at(self, targets_m: _Floats, drift: _Floats | None) -> Estimate:
        """Inverse distance, and how far the field under the readings may be from it."""
        estimate, squared = self._squared(targets_m, self.variogram)
        se = self.doubt * np.sqrt(squared)
        return Estimate(estimate, se, np.sqrt(se**2 + self.noise))

    def _squared(self, targets_m: _Floats, variogram: Variogram) -> tuple[_Floats, _Floats]:
        """Estimate, and the variance of its error under a variogram."""
        places = self.places
        value, noise, _ = places.merged(variogram.nugget)
        among = covariance_between(places.coordinates_m, places.coordinates_m, variogram)
        among.flat[:: len(places) + 1] += noise
        estimate, squared = np.empty((2, len(targets_m)))

        def solve(start: int) -> None:
            tile = slice(start, start + _TILE)
            local = targets_m[tile] - places.origin_m
            weight = distance_weights(places, local, self.power)
            near = covariance_between(places.coordinates_m, local, variogram)
            near *= -2.0
            near += among @ weight
            estimate[tile] = value @ weight
            squared[tile] = variogram.partial_sill + np.einsum("ij,ij->j", weight, near)

        in_threads(solve, range(0, len(targets_m), _TILE))
        return estimate, np.maximum(squared, 0.0)

    def draws(self, grid: Grid, drift: _Floats | None, count: int, rng: np.random.Generator) -> NDArray[np.float32]:
        """The surface, and for each draw what inverse distance would miss of a field like it."""
        cells = np.empty((count, grid.rows * grid.cols), np.float32)
        value = np.empty((len(self.places), count))
        for some, variogram in _shared(count, self.plausible or (self.variogram,)):
            cells[some], value[:, some] = _tied(grid, self.places, variogram, len(range(count)[some]), rng)
        centers = grid.centers_m() - self.places.origin_m

        def solve(start: int) -> None:
            tile = slice(start, start + _TILE)
            cells[:, tile] += value.T @ distance_weights(self.places, centers[tile], self.power)

        in_threads(solve, range(0, len(centers), _TILE))
        return cells


@dataclass(frozen=True, kw_only=True, eq=False)
class Kriged:
    """Kriging of the field under the readings: the nugget is filtered as error of instrument and composite."""

    name: str
    places: Places  # on the transformed scale
    drift: _Floats | None  # shape (n, q)
    system: Kriging  # of the filtered field, on the transformed scale
    variogram: Variogram  # as it was fitted, on the transformed scale
    plausible: tuple[Variogram, ...]  # others that the readings hold to be about as likely; draws take turns with them
    transform: Transform
    noise: float  # mean error variance of the readings on the transformed scale
    estimate: _Floats  # of the readings from the other places, in the unit of the values, shape (n,)
    variance: _Floats  # shape (n,)
    doubt: float  # factor by which not knowing the variogram widens the standard error, on average over the ground

    @classmethod
    def of(
        cls, places: Places, variogram: Variogram, plausible: tuple[Variogram, ...] = (), *, transform: Transform,
        drift: _Floats | None = None,
    ) -> "Kriged":  # fmt: skip
        """Kriging of places that are already on the transformed scale."""
        predicted = left_out(Kriging.of(places, variogram, drift))
        mean, se = transform.back(*predicted)
        system = _filtered(places, variogram, drift)
        words = "" if transform.scale == "plain" else f" of {transform.scale}s"
        return cls(
            name=(KRIGING if drift is None else DRIFT) + words, places=places, drift=drift, system=system,
            variogram=variogram, plausible=plausible, transform=transform, noise=_noise(places, variogram),
            estimate=mean, variance=se**2, doubt=_kriging_doubt(places, system, plausible, drift),
        )  # fmt: skip

    def at(self, targets_m: _Floats, drift: _Floats | None) -> Estimate:
        """The field under the readings, and its standard error."""
        answer = self.system.at(targets_m, drift)
        mean, _ = self.transform.back(*answer, self.noise)
        _, se = self.transform.back(answer.estimate, answer.variance * self.doubt**2, answer.lagrange, self.noise)
        variance = answer.variance * self.doubt**2 + self.noise
        _, predictive = self.transform.back(answer.estimate, variance, answer.lagrange)
        return Estimate(mean, se, predictive)

    def draws(self, grid: Grid, drift: _Floats | None, count: int, rng: np.random.Generator) -> NDArray[np.float32]:
        """Fields drawn from the variogram, each tied to the readings by kriging what it misses of them."""
        cells = np.empty((count, grid.rows * grid.cols), np.float32)
        centers = grid.centers_m()
        for some, variogram in _shared(count, self.plausible or (self.variogram,)):
            system = _filtered(self.places, variogram, self.drift)
            cells[some], value = _tied(grid, self.places, variogram, len(range(count)[some]), rng)
            cells[some] += system.of_values(value, centers, drift)
        return self.transform.back_draw(cells, self.noise)


def _noise(places: Places, variogram: Variogram) -> float:
    """Mean variance of a reading around the field under it."""
    return float(variogram.nugget + (0.0 if places.error_variance is None else places.error_variance.mean()))


def _filtered(places: Places, variogram: Variogram, drift: _Floats | None) -> Kriging:
    """Kriging system of the field under the readings."""
    error = np.full(len(places.values), variogram.nugget)
    if places.error_variance is not None:
        error += places.error_variance
    return Kriging.of(replace(places, error_variance=error), variogram.without_nugget(), drift)


def _ground(places: Places) -> _Floats:
    """An even lattice over the places' ground, shape (256, 2). [m]"""
    steps = np.linspace(0.0, 1.0, 16)
    least, span = places.coordinates_m.min(axis=0), np.ptp(places.coordinates_m, axis=0)
    lattice = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    return np.asarray(lattice * span + least + places.origin_m, dtype=float)


def _doubt(variance: float, of_plausible: _Floats, places: int) -> float:
    """Standard error with the variogram in doubt over that with it known; the sill's own doubt by Student's t."""
    if not len(of_plausible) or variance <= 0 or places < 5:
        return 1.0
    freedom = places - 1
    return math.sqrt(max(float(of_plausible.mean()) * freedom / (freedom - 2) / variance, 1.0))


def _kriging_doubt(places: Places, system: Kriging, plausible: tuple[Variogram, ...], drift: _Floats | None) -> float:
    if not plausible:
        return 1.0
    ground = _ground(places)
    middle = None if drift is None else np.zeros((len(ground), drift.shape[1]))
    answer = system.at(ground, middle)
    others = [_filtered(places, variogram, drift).at(ground, middle) for variogram in plausible]
    variance = [np.mean(other.variance + (other.estimate - answer.estimate) ** 2) for other in others]
    return _doubt(float(answer.variance.mean()), np.array(variance), len(places))


def _shared(count: int, variograms: Sequence[Variogram]) -> Iterator[tuple[slice, Variogram]]:
    """Draws dealt out evenly over variograms."""
    edges = np.linspace(0, count, len(variograms) + 1).round().astype(int).tolist()
    for first, last, variogram in zip(edges[:-1], edges[1:], variograms, strict=True):
        if last > first:
            yield slice(first, last), variogram


def _tied(
    grid: Grid, places: Places, variogram: Variogram, count: int, rng: np.random.Generator
) -> tuple[NDArray[np.float32], _Floats]:
    """Fields at the cells, and what the places' values are above readings of those fields, shape (p, count)."""
    at = places.coordinates_m + places.origin_m
    cells, at_places = gaussian_fields(grid, at, variogram=variogram.without_nugget(), count=count, rng=rng)
    value, noise, _ = places.merged(variogram.nugget)
    read = at_places + np.sqrt(noise) * rng.standard_normal((count, len(places)))
    return cells, value[:, None] - read.T


@dataclass(frozen=True, kw_only=True, eq=False)
class LocalKriged:
    """Kriging from the nearest points, the nugget filtered.

    ``estimate`` and ``variance``, shape (k,), are of the points ``held`` out, from the others.
    """

    points_m: _Floats
    values: _Floats
    variogram: Variogram
    held: NDArray[np.intp]
    estimate: _Floats
    variance: _Floats
    name: str = LOCAL_KRIGING

    @classmethod
    def of(cls, points_m: _Floats, values: _Floats) -> "LocalKriged":
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

    def at(self, targets_m: _Floats, drift: _Floats | None) -> Estimate:
        """The field under the points, and its standard error."""
        estimate, variance = local_kriging(
            self.points_m, self.values, targets_m, variogram=self.variogram.without_nugget(), neighbors=USUAL_NEIGHBORS,
            error_variance=self.variogram.nugget,
        )  # fmt: skip
        return Estimate(estimate, np.sqrt(variance), np.sqrt(variance + self.variogram.nugget))

    def draws(self, grid: Grid, drift: _Floats | None, count: int, rng: np.random.Generator) -> NDArray[np.float32]:
        """The surface plus its standard error times a field of the variogram: errors reach no farther than that."""
        estimate, se, _ = self.at(grid.centers_m(), drift)
        smooth = self.variogram.without_nugget()
        cells, _ = gaussian_fields(grid, np.empty((0, 2)), variogram=smooth, count=count, rng=rng)
        cells *= (np.asarray(se) / math.sqrt(smooth.sill or 1.0)).astype(np.float32)
        cells += estimate.astype(np.float32)
        return cells


def local_variogram(points_m: _Floats, values: _Floats) -> Variogram:
    """Exponential variogram over the short distances that local kriging works with.

    By least squares on 15 bins, up to the distance within which a point, shape (n, 2), has about 1 500 others.
    """
    width, height = np.ptp(points_m, axis=0)
    most = math.hypot(width, height) / 3
    ground = max(float(width * height), 1e-6)
    cutoff = min(most, math.sqrt(_PAIRS_A_POINT * ground / (math.pi * len(values))))
    empirical = empirical_variogram(points_m, values, cutoff_m=cutoff or 1.0)
    return least_squares(empirical, Variogram(model="exponential", range_m=1.0))


@dataclass(frozen=True, kw_only=True, eq=False)
class Held:
    """What a way to estimate predicts of points held out."""

    name: str
    estimate: _Floats
    variance: None = None

    @classmethod
    def mean(cls, values: _Floats, held: NDArray[np.intp]) -> "Held":
        """The mean of the points that were not held out, at those that were."""
        rest = np.ones(len(values), dtype=bool)
        rest[held] = False
        return cls(name=MEAN, estimate=np.full(len(held), values[rest].mean()))
