"""Restricted likelihood of a variogram, the one that makes it largest, and those that the readings allow."""

import functools
import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.findings import Finding, Quantity, note
from vrn.model.variogram import Fit, Variogram
from vrn.surface.climb import climb, derivatives, to_top
from vrn.surface.kriging import covariance_between
from vrn.surface.places import Places, places_of

METHOD: Final = "restricted maximum likelihood"

_IMPOSSIBLE = -1e12
# twice the gain in log-likelihood below which a range is not believed, a choice of this project: of sets of 45 readings
# that are nothing but scatter one in six reaches it and predicts the readings left out; with structure nearly all do
_LEAST_GAIN = 2.0
# 99.9th percentile of chi-square with two degrees of freedom: on open soil surveys of 30 to 140 places (tests/surface)
# directions accepted at 5 % predicted new places worse than none
_ANISOTROPY_GAIN = 13.82
_LEAST_RATIO = 0.2
_LIKELY = 12
# usual beforehand, by the likelihood of 60 properties of open soil surveys (LimeSoDa, arXiv 2502.20139): the range as
# a share of the extent, spread of its logarithm, and share of those without a pattern (3 % there, 11 % at most)
_USUAL, _SPREAD, _NO_PATTERN = 0.15, 1.0, 0.1
_RANGES, _SHARES, _SLOPES = 8, (0.02, 0.10, 0.25, 0.40, 0.60, 0.80, 0.95), (0.0, 0.5)
_SILLS = tuple(math.exp(log_sill) for log_sill in (-1.5, -0.75, 0.0, 0.75))  # of the values' variance
_EXPONENTIAL = Variogram(model="exponential", range_m=1.0)
_SHARE_FLOOR = 1e-6  # nugget over sill


def restricted_log_likelihood(
    coordinates_m: ArrayLike, values: ArrayLike, *, variogram: Variogram, error_variance: ArrayLike | None = None
) -> float:
    """
    Restricted log-likelihood of a variogram with a constant unknown mean.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing. [m]
    values : array_like, shape (n,)
        Readings of one place count as their mean.
    error_variance : array_like, shape (n,) or (), optional
        Known variance of each reading's error, besides the nugget.

    Notes
    -----
    −½ [(p − q) ln 2π + ln|V| + ln|FᵀV⁻¹F| + zᵀQz] of p places and q columns of the mean F, as Patterson and Thompson
    wrote it (the constant ½ ln|FᵀF|, which some add, is left out).

    References
    ----------
    Patterson & Thompson (1971), Recovery of inter-block information when block sizes are unequal, Biometrika 58,
    545–554.

    Examples
    --------
    Two independent readings of variance 1, two apart: zᵀQz = 2 and FᵀV⁻¹F = 2, so −½ (ln 2π + ln 2 + 2).

    >>> value = restricted_log_likelihood([(0, 0), (9, 0)], [4, 6], variogram=Variogram(model="nugget", nugget=1.0))
    >>> round(value, 6), round(-(math.log(2 * math.pi) + math.log(2) + 2) / 2, 6)
    (-2.265512, -2.265512)
    """
    places = places_of(coordinates_m, values, error_variance)
    value, noise, _ = places.merged(variogram.nugget)
    covariance = covariance_between(places.coordinates_m, places.coordinates_m, variogram)
    covariance.flat[:: len(value) + 1] += noise
    return _gaussian(covariance, np.column_stack([np.ones(len(value)), value]), 1.0)[0]


class Likelihood:
    """Restricted likelihood of one set of readings, as a function of a variogram's parameters.

    `shape`: model whose parameters are sought; its numbers are not used.
    """

    def __init__(self, places: Places, shape: Variogram) -> None:
        self.shape, self.places, self.freedom = shape, places, places.at_once() - 1
        value, _, self.own = places.merged(1.0)  # a place of two readings has half the nugget
        self.unit = float(np.std(value)) or float(np.std(places.values))
        self.value = value / self.unit
        self.columns = np.column_stack([np.ones(len(places)), self.value])
        self.known = places.error_variance is not None
        self.error = places.merged(0.0)[1] / self.unit**2 if self.known else np.zeros(len(places))
        points = places.coordinates_m
        self.distance_m = np.hypot(*(np.subtract.outer(axis, axis) for axis in points.T))
        apart = self.distance_m + np.diag(np.full(len(points), np.inf))
        self.spacing_m = float(np.median(apart.min(axis=0)))
        self.extent_m = float(np.hypot(*np.ptp(points, axis=0)))

    def log_likelihood(self, range_m: float, share: float) -> float:
        """Log-likelihood at a range and a nugget's share of the sill, of values in units of their spread."""
        return self._log_likelihood_and_sill(np.array([math.log(range_m), share, 0.0]))[0]

    def best(self, *, anisotropy: bool = False) -> Variogram:
        """Variogram of the largest likelihood, from several starts.

        `anisotropy`: whether a direction of longest continuity is looked for; it is kept when a likelihood-ratio test
        at 0.1 % supports it. Where no range raises the likelihood, a pure nugget.
        """
        plain = self._pure_nugget()
        if self.shape.model == "nugget":
            return plain
        theta, height = self._isotropic()
        if anisotropy:
            turned, higher = self._anisotropic(theta)
            if 2.0 * (higher - height) > _ANISOTROPY_GAIN:
                theta, height = turned, higher
        theta, height = self._to_top(theta)
        variogram, gain = self._of(theta), 2.0 * (height - self._log_likelihood_of(plain))
        if variogram.partial_sill <= 1e-4 * variogram.sill or gain <= 2e-6:
            return plain
        return replace(
            variogram,
            fit=Fit(
                method=METHOD, log_likelihood=height - self.freedom * math.log(self.unit), gain=gain,
                standard_errors=self._standard_errors(variogram), findings=self._findings(variogram, gain),
            ),
        )  # fmt: skip

    def _log_likelihood_and_sill(self, theta: NDArray[np.float64]) -> tuple[float, float]:
        """Log-likelihood of values in units of their spread, and the sill. θ: ln range, nugget share, ln sill, turn."""
        range_m = math.exp(theta[0])
        if len(theta) > 3:
            turned = replace(
                self.shape, range_m=range_m, anisotropy_ratio=math.exp(theta[3]), azimuth_deg=math.degrees(theta[4])
            ).scaled(self.places.coordinates_m)
            ratio = np.hypot(*(np.subtract.outer(axis, axis) for axis in turned.T))
        else:
            ratio = self.distance_m / range_m
        covariance = self.shape.correlation(ratio)
        sill = math.exp(theta[2]) if self.known else 1.0
        covariance *= sill * (1.0 - theta[1])
        covariance.reshape(-1)[:: len(covariance) + 1] += sill * theta[1] * self.own + self.error
        height, scale = _gaussian(covariance, self.columns, 1.0 if self.known else None)
        return height, sill * scale

    def _cost(self, theta: NDArray[np.float64]) -> float:
        return -self._log_likelihood_and_sill(theta)[0]

    @functools.cached_property
    def grid(self) -> list[tuple[float, NDArray[np.float64]]]:
        """Log-likelihoods over the whole range of parameters, and the parameters; highest first."""
        least, most = math.log(self.spacing_m / 2), math.log(self.extent_m)
        sills = (-1.5, -0.75, 0.0, 0.75) if self.known else (0.0,)
        found = [
            (-self._cost(theta), theta)
            for log_range in np.linspace(least, most, 8)
            for share in (0.03, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9)
            for theta in (np.array([log_range, share, log_sill]) for log_sill in sills)
        ]
        return sorted(found, key=lambda pair: -pair[0])

    def _bounds(self, parameters: int) -> list[tuple[float, float]]:
        """Least and most of each parameter; the sill is free only where an error is known."""
        ranges = math.log(self.spacing_m / 2), math.log(self.extent_m * 2)
        sills = (-12.0, 6.0) if self.known else (0.0, 0.0)
        return [ranges, (_SHARE_FLOOR, 1.0), sills, (math.log(_LEAST_RATIO), 0.0), (-2.0, 5.0)][:parameters]

    def _isotropic(self) -> tuple[NDArray[np.float64], float]:
        first = self.grid[0][1]
        other = next((theta for _, theta in self.grid if abs(theta[0] - first[0]) > 0.6), first)
        found = [climb(self._cost, start, self._bounds(3)) for start in (first, other)]
        return max(found, key=lambda pair: pair[1])

    def _anisotropic(self, theta: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
        """From the isotropic optimum, the best of twelve directions and ratios and its neighbourhood."""
        starts = [
            np.array([theta[0] - log_ratio / 2, theta[1], theta[2], log_ratio, azimuth])
            for log_ratio in (-0.5, -1.1)
            for azimuth in np.arange(6) * math.pi / 6
        ]
        return climb(self._cost, min(starts, key=self._cost), self._bounds(5))

    def _to_top(self, theta: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
        """To the top from near it, the nugget's share stepped in logarithms; without a nugget where that is as high."""

        def linear(point: NDArray[np.float64]) -> NDArray[np.float64]:
            return np.array([point[0], math.exp(point[1]), *point[2:]])

        def height(point: NDArray[np.float64]) -> float:
            return -self._cost(linear(point))

        least, most = np.array(self._bounds(len(theta))).T
        least[1], most[1] = math.log(_SHARE_FLOOR), 0.0
        start = np.array([theta[0], math.log(max(theta[1], _SHARE_FLOOR)), *theta[2:]])
        bare = np.array([*start[:1], least[1], *start[2:]])
        (with_nugget, higher), (without, high) = (to_top(height, at, least, most) for at in (start, bare))
        return (linear(without), high) if high >= higher - 1e-6 else (linear(with_nugget), higher)

    def _of(self, theta: NDArray[np.float64]) -> Variogram:
        sill = self._log_likelihood_and_sill(theta)[1] * self.unit**2
        share = 0.0 if theta[1] <= 2 * _SHARE_FLOOR else float(theta[1])
        nugget, partial_sill = sill * share, sill * (1.0 - share)
        found = replace(self.shape, range_m=math.exp(theta[0]), nugget=nugget, partial_sill=partial_sill)
        if len(theta) > 3:
            azimuth_deg = math.degrees(theta[4]) % 180.0
            found = replace(found, anisotropy_ratio=math.exp(theta[3]), azimuth_deg=azimuth_deg)
        return found

    def _log_likelihood_of(self, variogram: Variogram) -> float:
        """Log-likelihood of any variogram, of values in units of their spread."""
        places = self.places.coordinates_m
        covariance = covariance_between(places, places, variogram)
        covariance /= self.unit**2
        covariance.reshape(-1)[:: len(covariance) + 1] += variogram.nugget / self.unit**2 * self.own + self.error
        return _gaussian(covariance, self.columns, 1.0)[0]

    def _pure_nugget(self) -> Variogram:
        from scipy.optimize import minimize_scalar

        nugget = _gaussian(np.diag(self.own), self.columns, None)[1] * self.unit**2
        if self.known:

            def cost(log_nugget: float) -> float:
                return -self._log_likelihood_of(Variogram(model="nugget", nugget=math.exp(log_nugget) * self.unit**2))

            found = float(minimize_scalar(cost, bounds=(-14.0, 3.0), method="bounded").x)
            nugget = 0.0 if found < -13.9 else math.exp(found) * self.unit**2
        variogram = Variogram(model="nugget", nugget=nugget)
        height = self._log_likelihood_of(variogram) - self.freedom * math.log(self.unit)
        findings = () if self.shape.model == "nugget" else (note("surface.no-structure", "surface"),)
        return replace(variogram, fit=Fit(method=METHOD, log_likelihood=height, gain=0.0, findings=findings))

    def _findings(self, variogram: Variogram, gain: float) -> tuple[Finding, ...]:
        found = []
        if gain < _LEAST_GAIN:
            gains = {"gain": Quantity("number", round(gain, 1)), "least": Quantity("number", _LEAST_GAIN)}
            found.append(note("surface.little-structure", "surface", **gains))
        if (variogram.range_m or 0.0) > self.extent_m:
            found.append(note("surface.range-longer", "surface"))
        return tuple(found)

    def _standard_errors(self, variogram: Variogram) -> dict[str, float | None]:
        """From the curvature of the likelihood at its top; None for a parameter that stands at a bound."""
        names = ("nugget", "partial_sill", "range_m")
        point = np.array([variogram.nugget, variogram.partial_sill, variogram.range_m])
        free = [i for i in range(3) if point[i] > 0]

        def height(at: NDArray[np.float64]) -> float:
            return self._log_likelihood_of(replace(variogram, **dict(zip(names, at.tolist(), strict=True))))

        errors: dict[str, float | None] = dict.fromkeys(names)
        try:
            spread = np.linalg.inv(-derivatives(height, point, free, 1e-3 * point)[1]).diagonal()
        except np.linalg.LinAlgError:
            return errors
        for position, i in enumerate(free):
            if np.isfinite(spread[position]) and spread[position] > 0:
                errors[names[i]] = float(math.sqrt(spread[position]))
        return errors


class Likely(NamedTuple):
    """A variogram that readings allow, and the variance of the slopes along the layers that the values follow."""

    variogram: Variogram
    slope_variance: float


class Posterior(NamedTuple):
    """Variograms that readings allow."""

    log_evidence: float  # of the scale that the values are on, but for the change of scale itself
    best: Likely  # the likeliest of those with a range
    likely: tuple[Likely, ...]  # twelve alike; a pure nugget stands for no pattern


def posterior(
    places: Places, drift: NDArray[np.float64] | None = None,
    correlation_of: Callable[[float], NDArray[np.float64]] | None = None,
) -> Posterior:  # fmt: skip
    """What readings say of their exponential variogram: twelve, in proportion to their likelihood and what is usual.

    `drift` (n, q): layers that the values may follow, centred and scaled. Their slopes are 0, or have half the sill's
    root as their spread. Ranges run from half the spacing to the extent, 0.15 of it the usual one, give or take a
    factor of e; the sill is integrated out, or on a grid where errors are known. No pattern at all is one in ten.
    `correlation_of`: correlation of the places' values at a range, where they are not those of points, shape (p, p).

    Source: Handcock & Stein (1993), A Bayesian analysis of kriging, Technometrics 35, 403–410.
    """
    likelihood = Likelihood(places, _EXPONENTIAL)
    value, unit2, freedom = likelihood.value, likelihood.unit**2, likelihood.freedom
    columns, layers = [np.ones(len(value))], None if drift is None else places.merged(1.0, drift)[0]
    ranges_m = np.exp(np.linspace(math.log(likelihood.spacing_m / 2), math.log(likelihood.extent_m), _RANGES)).tolist()
    usual = [
        math.exp(-0.5 * (math.log(range_m / (_USUAL * likelihood.extent_m)) / _SPREAD) ** 2) for range_m in ranges_m
    ]
    plain = np.column_stack([*columns, value])
    followed = plain if layers is None else np.column_stack([*columns, layers, value])

    def of_range(range_m: float) -> NDArray[np.float64]:
        return np.asarray(correlation_of(range_m) if correlation_of else np.exp(likelihood.distance_m / -range_m))

    def weighed(correlation: NDArray[np.float64], share: float, slope: float) -> Iterator[tuple[float, float]]:
        """Log-likelihood and sill, of values in units of their spread."""
        for sill in _SILLS if likelihood.known else (1.0,):
            covariance = correlation * (sill * (1.0 - share))
            covariance.reshape(-1)[:: len(value) + 1] += sill * share * likelihood.own + likelihood.error
            height, scale = _gaussian(
                covariance, followed if slope else plain, 1.0 if likelihood.known else None, slope**2 * sill
            )
            yield height, sill if likelihood.known else scale * freedom / max(freedom - 2.0, 1.0)

    none = [
        (height, 1.0, Likely(Variogram(model="nugget", nugget=sill * unit2), 0.0))
        for height, sill in weighed(np.eye(len(value)), 1.0, 0.0)
    ]
    found = [
        (height, prior / sum(usual) / len(_SHARES),
         Likely(replace(_EXPONENTIAL, range_m=range_m, nugget=sill * share * unit2,
                        partial_sill=sill * (1.0 - share) * unit2), slope**2 * sill * unit2))
        for range_m, prior in zip(ranges_m, usual, strict=True)
        for correlation in (of_range(range_m),)
        for share in _SHARES
        for slope in (_SLOPES if layers is not None else _SLOPES[:1])
        for height, sill in weighed(correlation, share, slope)
    ]  # fmt: skip
    top = max(height for height, _, _ in (*none, *found))
    of_some = (1.0 - _NO_PATTERN) / (len(_SLOPES) if layers is not None else 1)
    odds = np.array([_NO_PATTERN for _ in none] + [of_some * prior for _, prior, _ in found]) / len(none)
    weight = odds * np.exp([height - top for height, _, _ in (*none, *found)])
    along = np.cumsum(weight)
    picked = np.searchsorted(along / along[-1], (np.arange(_LIKELY) + 0.5) / _LIKELY)
    every = [likely for _, _, likely in (*none, *found)]
    return Posterior(
        log_evidence=top + math.log(along[-1]) - freedom * math.log(likelihood.unit),
        best=every[len(none) + int(weight[len(none) :].argmax())], likely=tuple(every[k] for k in picked),
    )  # fmt: skip


def _gaussian(
    covariance: NDArray[np.float64], columns: NDArray[np.float64], scale: float | None, slope_variance: float = 0.0
) -> tuple[float, float]:
    """Restricted log-likelihood, and the factor of the covariance (the best one when None).

    The columns are a constant, layers with slopes of a given variance about 0, then the values; the covariance is
    spent. With the factor free the likelihood is, but for a constant, also that with it integrated out (prior 1/σ²).
    """
    from scipy.linalg.lapack import dpotrf, dtrtrs

    factor, failed = dpotrf(covariance.T, lower=1, overwrite_a=1)
    if failed:
        return _IMPOSSIBLE, 1.0
    half, failed = dtrtrs(factor, columns, lower=1)
    if failed:
        return _IMPOSSIBLE, 1.0
    trends = columns.shape[1] - 1
    product, slopes = half.T @ half, trends - 1
    if slopes:
        product.flat[trends + 2 : -1 : trends + 2] += 1.0 / slope_variance
    corner, failed = dpotrf(product, lower=1)  # its last pivot is the square root of what the mean leaves
    if 0 < failed <= trends:
        return _IMPOSSIBLE, 1.0
    squares = 1e-300 if failed else max(float(corner[-1, -1]) ** 2, 1e-300)
    freedom = len(columns) - 1
    if scale is None:
        scale = squares / freedom
    pivots = np.concatenate([factor.diagonal(), corner.diagonal()[:-1]])
    log_determinant = 2.0 * float(np.log(pivots).sum()) + (slopes and slopes * math.log(slope_variance))
    return -0.5 * (freedom * math.log(2.0 * math.pi * scale) + log_determinant + squares / scale), scale
