"""The two ways to make a surface from samples, each with its predictions of samples left out, and with draws."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from vrn.model.grid import Grid
from vrn.model.variogram import Variogram
from vrn.surface.cross_validation import left_out
from vrn.surface.fit import MOST_BY_LIKELIHOOD, empirical_variogram, least_squares
from vrn.surface.kriging import Kriging, Prediction
from vrn.surface.likelihood import Likely
from vrn.surface.nearby import USUAL_NEIGHBORS, Nearby
from vrn.surface.places import Places
from vrn.surface.transform import Transform, gaussian_fields

MEAN = "mean"
KRIGING = "averaged kriging"
DISTANCE = "inverse distance"

_Floats = NDArray[np.float64]
_PAIRS_A_POINT = 1_500  # of the empirical variogram, at most about this many
_AT_ONCE = 2_048  # targets
_HELD_OUT = 500  # readings left out where there are many


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
class _Distances:
    """The nearest places weighted by one over the square of their distance; its error by a variogram, as kriging's."""

    places: Places
    variogram: Variogram
    value: _Floats  # shape (p,)
    noise: _Floats  # variance of each place's error, shape (p,)

    @classmethod
    def of(cls, places: Places, variogram: Variogram) -> "_Distances":
        """Of places whose errors are known."""
        value, noise, _ = places.merged(0.0)
        return cls(places=places, variogram=variogram, value=value, noise=noise)

    def at(self, targets_m: _Floats, drift: _Floats | None = None) -> Prediction:
        """Estimate and variance at targets: what any weights that add up to 1 leave."""
        answer = Prediction(*np.empty((2, len(targets_m))))
        for some in (slice(start, start + _AT_ONCE) for start in range(0, len(targets_m), _AT_ONCE)):
            targets = targets_m[some] - self.places.origin_m
            near, weight = self._nearest(targets)
            answer.estimate[some], answer.variance[some] = self._solved(near, weight, targets)
        return answer

    def of_values(self, values: _Floats, targets_m: _Floats, drift: _Floats | None) -> NDArray[np.float32]:
        """Estimates from other values at the same places, shape (p, k); returns (k, m)."""
        near, weight = self._nearest(targets_m - self.places.origin_m)
        estimates = np.zeros((values.shape[1], len(targets_m)), np.float32)
        for places, share in zip(near.T, weight.T, strict=True):
            estimates += (values[places].T * share).astype(np.float32)
        return estimates

    def left_out(self, held: NDArray[np.intp]) -> Prediction:
        """Some readings from the places nearest to theirs, and the variance of a reading about that."""
        at = self.places.place[held]
        targets = self.places.coordinates_m[at]
        near, weight = self._nearest(targets, without=at)
        own = np.broadcast_to(_known(self.places), self.places.values.shape)[held]
        estimate, variance = self._solved(near, weight, targets)
        return Prediction(estimate, variance + own)

    def _nearest(self, targets: _Floats, without: NDArray[np.intp] | None = None) -> tuple[NDArray[np.intp], _Floats]:
        """Places nearest to each target and their weights, shape (t, k); one place each may be left out."""
        from scipy.spatial import cKDTree

        count = min(USUAL_NEIGHBORS, len(self.places) - (without is not None))
        distance, near = cKDTree(self.places.coordinates_m).query(
            targets, k=range(1, count + 1 + (without is not None))
        )
        if without is not None:
            others = np.argsort(near == without[:, None], axis=1, kind="stable")[:, :-1]
            distance, near = (np.take_along_axis(one, others, axis=1) for one in (distance, near))
        weight = 1.0 / np.maximum(distance, 1e-6) ** 2
        return near, weight / weight.sum(axis=1, keepdims=True)

    def _solved(self, near: NDArray[np.intp], weight: _Floats, targets: _Floats) -> tuple[_Floats, _Floats]:
        points, sill = self.variogram.scaled(self.places.coordinates_m)[near], self.variogram.partial_sill
        away = points - self.variogram.scaled(targets)[:, None]
        to = self.variogram.correlation(np.hypot(*away.transpose(2, 0, 1)))
        apart = np.hypot(*(points[:, :, None] - points[:, None]).transpose(3, 0, 1, 2))
        among = np.einsum("tk,tkj,tj->t", weight, self.variogram.correlation(apart), weight)
        variance = sill * (1.0 - 2.0 * (weight * to).sum(axis=1) + among) + (weight**2 * self.noise[near]).sum(axis=1)
        return (weight * self.value[near]).sum(axis=1), np.maximum(variance, 0.0)


class _Part(NamedTuple):
    """One of the variograms that are averaged."""

    system: Kriging | Nearby | _Distances  # of the field under the readings, on the transformed scale
    nugget: float  # variance that the readings have each on their own, filtered as their error
    scatter: float  # the same where there is no pattern: it stays in the ground
    slope_variance: float
    weight: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Averaged:
    """Kriging of the field under the readings, averaged over variograms that the readings allow; draws take turns.

    The nugget is filtered as error of instrument and composite. A pure nugget among the variograms stands for no
    pattern: its field is one mean and scatter about it.
    """

    name: str
    places: Places  # on the transformed scale
    drift: _Floats | None  # shape (n, q)
    transform: Transform
    parts: tuple[_Part, ...]
    variogram: Variogram  # the likeliest, on the transformed scale
    range_m: float  # median distance to which the variograms tell, 0 for a pure nugget
    held: NDArray[np.intp]  # readings that were left out, shape (k,)
    estimate: _Floats  # of them from the other places, in the unit of the values, shape (k,)
    variance: _Floats  # shape (k,)

    @classmethod
    def of(
        cls, places: Places, likely: Sequence[Likely], best: Variogram, *, transform: Transform,
        drift: _Floats | None = None, by_distance: bool = False,
    ) -> "Averaged":  # fmt: skip
        """Kriging of places that are already on the transformed scale, with variograms that count alike.

        `by_distance`: places weighted by their distance instead, the variograms for the error alone.
        """
        many = len(places) > MOST_BY_LIKELIHOOD
        parts = []
        for one, times in Counter(likely).items():
            error = np.zeros(len(places.values)) + one.variogram.nugget + _known(places)
            at, field = replace(places, error_variance=error), one.variogram.without_nugget()
            system: Kriging | Nearby | _Distances = _Distances.of(at, field) if by_distance else (
                Nearby if many else Kriging
            ).of(
                at, field, drift if one.slope_variance else None, slope_variance=one.slope_variance or math.inf
            )  # fmt: skip
            own = one.variogram.nugget
            scatter = own if one.variogram.model == "nugget" else 0.0
            parts.append(_Part(system, own - scatter, scatter, one.slope_variance, times / len(likely)))
        held = np.arange(len(places.values))
        if many:
            held = np.sort(np.random.default_rng(0).permutation(len(held))[:_HELD_OUT])
        predicted = [
            (part, left_out(part.system) if isinstance(part.system, Kriging) else part.system.left_out(held))
            for part in parts
        ]
        mean, variance = mixed([(part.weight, *transform.back(*answer)) for part, answer in predicted])
        name = KRIGING + ("" if transform.scale == "plain" else f" of {transform.scale}s")
        return cls(
            name=DISTANCE if by_distance else name, places=places,
            drift=drift, transform=transform, parts=tuple(parts), variogram=best,
            range_m=float(np.median([one.variogram.reach_m for one in likely if one.variogram.range_m] or [0.0])),
            held=held, estimate=mean,
            variance=variance,
        )  # fmt: skip

    @property
    def no_pattern_share(self) -> float:
        """How much of the average is a plain mean."""
        return sum(part.weight for part in self.parts if part.system.variogram.model == "nugget")

    @property
    def followed_share(self) -> float:
        """How much of the average follows the layers of the drift."""
        return sum(part.weight for part in self.parts if part.slope_variance)

    def at(self, targets_m: _Floats, drift: _Floats | None) -> Estimate:
        """The field under the readings, its standard error and that of a new reading."""
        found, read = [], []
        for part in self.parts:
            middle, variance = part.system.at(targets_m, drift if part.slope_variance else None)
            of_reading = variance + float(np.mean(_known(part.system.places)))
            mean, se = self.transform.back(middle, variance + part.scatter, part.nugget)
            found.append((part.weight, mean, se))
            read.append((part.weight, mean, self.transform.back(middle, of_reading)[1]))
        mean, variance = mixed(found)
        return Estimate(mean, np.sqrt(variance), np.sqrt(mixed(read)[1]))

    def draws(self, grid: Grid, drift: _Floats | None, count: int, rng: np.random.Generator) -> NDArray[np.float32]:
        """Fields drawn from each variogram, each tied to the readings by kriging what it misses of them."""
        cells = np.empty((count, grid.rows * grid.cols), np.float32)
        centers = grid.centers_m()
        edges = np.cumsum([0.0, *(part.weight for part in self.parts)]) * count
        for part, first, last in zip(self.parts, *np.rint([edges[:-1], edges[1:]]).astype(int), strict=True):
            system, places, some = part.system, part.system.places, last - first
            at = places.coordinates_m + places.origin_m
            drawn, read = gaussian_fields(grid, at, variogram=system.variogram, count=some, rng=rng)
            read += np.sqrt(system.noise) * rng.standard_normal((some, len(places)))
            there = drift if part.slope_variance else None
            if there is not None and not isinstance(system, _Distances):
                slopes = math.sqrt(part.slope_variance) * rng.standard_normal((some, there.shape[1]))
                read += slopes @ system.drift.T[1:]
                drawn += (slopes @ there.T).astype(np.float32)
            drawn += system.of_values(system.value[:, None] - read.T, centers, there)
            if part.scatter:
                drawn += np.float32(math.sqrt(part.scatter)) * rng.standard_normal(drawn.shape, dtype=np.float32)
            cells[first:last] = self.transform.back_draw(drawn, part.nugget)
        return cells


def _known(places: Places) -> _Floats:
    """Variance of each reading's error."""
    return np.zeros(1) if places.error_variance is None else places.error_variance


def mixed(parts: Sequence[tuple[float, _Floats, _Floats]]) -> tuple[_Floats, _Floats]:
    """Mean and variance of a mixture, from weights, means and standard errors."""
    mean = np.asarray(sum(weight * middle for weight, middle, _ in parts))
    variance = sum(weight * (se**2 + (middle - mean) ** 2) for weight, middle, se in parts)
    return mean, np.asarray(variance)


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
