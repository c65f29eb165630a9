"""The kriging system of all samples, solved in tiles that stay in the processor's cache."""

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.model.variogram import Variogram
from vrn.surface.places import Places, in_threads, points_of

_TILE_NUMBERS = 65_536  # covariances held at a time: half a megabyte, which stays in cache


class Prediction(NamedTuple):
    """What kriging predicts at some places."""

    estimate: NDArray[np.float64]  # shape (m,)
    variance: NDArray[np.float64]  # shape (m,)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Kriging:
    """The kriging system of one set of samples: factored once, asked as often as wanted."""

    places: Places
    variogram: Variogram
    # what the mean is built from, at the places; a column of ones for ordinary kriging, shape (p, q)
    drift: NDArray[np.float64]
    value: NDArray[np.float64]  # value of each place, the variance of its error, and what of that is nugget, shape (p,)
    noise: NDArray[np.float64]  # shape (p,)
    nugget_part: NDArray[np.float64]  # shape (p,)
    root: NDArray[np.float64]  # inverse of the covariance's lower Cholesky factor, shape (p, p)
    solved_drift: NDArray[np.float64]  # Covariance⁻¹ · drift, shape (p, q)
    # inverse of the lower Cholesky factor of driftᵀ · covariance⁻¹ · drift + precision of the slopes, shape (q, q)
    mean_root: NDArray[np.float64]

    @classmethod
    def of(
        cls, places: Places, variogram: Variogram, drift: NDArray[np.float64] | None = None, *,
        slope_variance: float = math.inf,
    ) -> "Kriging":  # fmt: skip
        """Factor the system of ``places``.

        `drift` (n, q): layers the mean follows besides a constant, at the readings. `slope_variance`: variance of the
        slopes along them about 0, as far as it is known beforehand. Raises OutOfRangeError if the system is singular.
        """
        count = places.at_once()
        value, noise, nugget_part = places.merged(variogram.nugget)
        columns = [np.ones(count)]
        if drift is not None:
            columns += list(places.merged(variogram.nugget, drift)[0].T)
        trend = np.column_stack(columns)
        covariance = covariance_between(places.coordinates_m, places.coordinates_m, variogram)
        covariance.flat[:: count + 1] += noise
        scale = variogram.partial_sill + float(noise.max())
        if scale == 0.0:  # a field without any variation: its mean is all there is
            if places.varied:
                problem = "The variogram has a sill of 0, and the values differ."
                raise OutOfRangeError(problem, "Fit the variogram to these values.")
            covariance = np.eye(count) * 1e-150
        root = _inverse_root(covariance)
        half = root @ trend
        solved_drift = root.T @ half
        precision = half.T @ half
        precision.flat[len(columns) + 1 :: len(columns) + 1] += 1.0 / slope_variance
        mean_root = _inverse_root(precision)
        _check_solution(covariance, solved_drift, trend)
        return cls(
            places=places, variogram=variogram, drift=trend, value=value, noise=noise, nugget_part=nugget_part,
            root=root, solved_drift=solved_drift, mean_root=mean_root,
        )  # fmt: skip

    @property
    def exact(self) -> bool:
        """Whether a sample is reproduced: no error variance was given."""
        return self.places.error_variance is None

    def coefficients(self, values: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
        """Generalised least-squares coefficients of the drift, shape (q,) or (q, k): the mean when q is 1."""
        value = self.value if values is None else values
        return self.mean_root.T @ (self.mean_root @ (self.solved_drift.T @ value))

    def dual(self, values: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
        """Covariance⁻¹ · (value − drift · coefficients): the estimate is covariances to the places times this."""
        value = self.value if values is None else values
        return self.root.T @ (self.root @ (value - self.drift @ self.coefficients(values)))

    def at(self, targets_m: ArrayLike, target_drift: NDArray[np.float64] | None = None) -> Prediction:
        """Estimate and variance at targets.

        `targets_m` (m, 2). `target_drift` (m, q - 1): the drift's layers at the targets.
        """
        targets = points_of(targets_m) - self.places.origin_m
        trend = with_constant(len(targets), target_drift)
        coefficients = self.coefficients()
        weights = np.vstack([self.solved_drift.T, self.dual()])
        answer = Prediction(*np.empty((2, len(targets))))
        step = max(64, _TILE_NUMBERS // len(self.places))

        def solve(start: int) -> None:
            tile = slice(start, start + step)
            near = covariance_between(self.places.coordinates_m, targets[tile], self.variogram)
            for whole, part in zip(answer, self._solve(near, trend[:, tile], weights, coefficients), strict=True):
                whole[tile] = part

        in_threads(solve, range(0, len(targets), step))
        nowhere = ~np.isfinite(targets).all(axis=1)
        for whole in answer:
            whole[nowhere] = np.nan
        self._at_samples(targets, trend, weights, coefficients, answer)
        return answer

    def _solve(
        self, near: NDArray[np.float64], trend: NDArray[np.float64], weights: NDArray[np.float64],
        coefficients: NDArray[np.float64],
    ) -> Prediction:  # fmt: skip
        """Prediction from covariances to the places, shape (p, t), which are spent."""
        from scipy.linalg.blas import dtrmm

        seen = weights @ near
        half = dtrmm(1.0, self.root.T, near.T, side=1, overwrite_b=1).T  # root · near, half the work for a triangle
        gap = self.mean_root @ (trend - seen[:-1])
        variance = self.variogram.sill - np.einsum("ij,ij->j", half, half) + np.einsum("ij,ij->j", gap, gap)
        return Prediction(seen[-1] + coefficients @ trend, np.maximum(variance, 0.0))

    def _at_samples(
        self, targets: NDArray[np.float64], trend: NDArray[np.float64], weights: NDArray[np.float64],
        coefficients: NDArray[np.float64], answer: Prediction,
    ) -> None:  # fmt: skip
        """Put right the targets that lie on a sample: the sample itself, or with errors the field under it."""
        target, place = matches(targets, self.places.coordinates_m)
        if not len(target):
            return
        if self.exact:
            answer.estimate[target], answer.variance[target] = self.value[place], 0.0
        elif self.variogram.nugget:
            near = covariance_between(self.places.coordinates_m, targets[target], self.variogram)
            near[place, np.arange(len(target))] += self.nugget_part[place]
            answer.estimate[target], variance = self._solve(near, trend[:, target], weights, coefficients)
            answer.variance[target] = np.maximum(variance - self.variogram.nugget + self.nugget_part[place], 0.0)

    def of_values(
        self, values: NDArray[np.float64], targets_m: NDArray[np.float64], target_drift: NDArray[np.float64] | None
    ) -> NDArray[np.float32]:
        """Estimates from other values at the same places.

        `values` (p, k). `targets_m` (m, 2). `target_drift` (m, q - 1). Returns (k, m).
        """
        targets = targets_m - self.places.origin_m
        trend = with_constant(len(targets), target_drift)
        coefficients, dual = self.coefficients(values).T, self.dual(values).T
        estimates = np.empty((values.shape[1], len(targets)), np.float32)
        step = max(64, _TILE_NUMBERS // len(self.places))

        def solve(start: int) -> None:
            tile = slice(start, start + step)
            near = covariance_between(self.places.coordinates_m, targets[tile], self.variogram)
            estimates[:, tile] = dual @ near + coefficients @ trend[:, tile]

        in_threads(solve, range(0, len(targets), step))
        return estimates


def covariance_between(
    places_m: NDArray[np.float64], targets_m: NDArray[np.float64], variogram: Variogram
) -> NDArray[np.float64]:
    """Covariance of the smooth field between two sets of points; the nugget is left out.

    `places_m`, `targets_m` (p, 2). Returns (p, t).
    """
    a, b = variogram.scaled(places_m), variogram.scaled(targets_m)
    distance = np.subtract.outer(a[:, 0], b[:, 0])
    distance *= distance
    other = np.subtract.outer(a[:, 1], b[:, 1])
    other *= other
    distance += other
    np.sqrt(distance, out=distance)
    covariance = variogram.correlation(distance)
    covariance *= variogram.partial_sill
    return covariance


def matches(targets_m: NDArray[np.float64], places_m: NDArray[np.float64]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Targets that lie exactly on a place, and that place; ``places_m`` are unique and in order of easting."""
    key = np.ascontiguousarray(places_m, dtype=float).view(np.complex128).ravel()
    sought = np.ascontiguousarray(targets_m, dtype=float).view(np.complex128).ravel()
    place = np.minimum(np.searchsorted(key, sought), len(key) - 1)
    target = np.flatnonzero(key[place] == sought)
    return target, place[target]


def with_constant(count: int, drift: NDArray[np.float64] | None) -> NDArray[np.float64]:
    """Ones and the drift's layers, a row each, shape (q, count)."""
    if drift is None:
        return np.ones((1, count))
    return np.vstack([np.ones(count), np.asarray(drift, dtype=float).reshape(count, -1).T])


def _inverse_root(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Inverse of the lower Cholesky factor."""
    from scipy.linalg.lapack import dpotrf, dtrtri

    factor, failed = dpotrf(matrix, lower=1)
    if failed:
        raise _singular()
    inverse, failed = dtrtri(factor, lower=1)
    if failed:
        raise _singular()
    return np.ascontiguousarray(np.tril(inverse))


def _check_solution(covariance: NDArray[np.float64], solved: NDArray[np.float64], wanted: NDArray[np.float64]) -> None:
    """Refuse a system so near singular that its answer would be rounding error."""
    missed = np.abs(covariance @ solved - wanted).max()
    if not missed <= 1e-6 * max(1.0, float(np.abs(wanted).max())):
        raise _singular()


def _singular() -> OutOfRangeError:
    problem = "The kriging system cannot be solved: some samples lie too close for this variogram."
    return OutOfRangeError(problem, "Give the variogram a nugget above 0, or fit it to these values.")
