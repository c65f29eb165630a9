"""Restricted likelihood of a variogram: how well it explains the readings once the mean is taken out."""

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.surface.kriging import covariance_between
from vrn.surface.places import Places, places_of
from vrn.surface.variogram import Variogram

_IMPOSSIBLE = -1e12


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
    variogram : Variogram
    error_variance : array_like, shape (n,) or (), optional
        Known variance of each reading's error, besides the nugget.

    Returns
    -------
    log_likelihood : float

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
    log_likelihood, _ = gaussian_fit(covariance, value, np.ones((len(value), 1)), scale=1.0)
    return log_likelihood


def gaussian_fit(
    covariance: NDArray[np.float64], value: NDArray[np.float64], trend: NDArray[np.float64], *, scale: float | None
) -> tuple[float, float]:
    """
    Restricted log-likelihood of values around a trend, and the scale of the covariance that makes it largest.

    Parameters
    ----------
    covariance : ndarray, shape (p, p)
        Overwritten.
    value : ndarray, shape (p,)
    trend : ndarray, shape (p, q)
    scale : float or None
        Factor of the covariance; None to take the best.

    Returns
    -------
    log_likelihood : float
        Hugely negative where the covariance is singular.
    scale : float
    """
    from scipy.linalg.lapack import dpotrf, dtrtrs

    factor, failed = dpotrf(covariance, lower=1, overwrite_a=1)
    if failed:
        return _IMPOSSIBLE, 1.0
    half, failed = dtrtrs(factor, np.column_stack([trend, value]), lower=1)
    if failed:
        return _IMPOSSIBLE, 1.0
    half_trend, half_value = half[:, :-1], half[:, -1]
    gram = half_trend.T @ half_trend
    told = half_trend.T @ half_value
    squares = float(half_value @ half_value - told @ np.linalg.solve(gram, told))
    freedom = len(value) - trend.shape[1]
    if scale is None:
        scale = max(squares, 1e-300) / freedom
    log_determinant = 2.0 * float(np.log(factor.diagonal()).sum()) + float(np.linalg.slogdet(gram)[1])
    return (
        -0.5 * (freedom * math.log(2.0 * math.pi * scale) + log_determinant + squares / scale),
        scale,
    )


def correlation_matrix(places: Places, variogram: Variogram) -> NDArray[np.float64]:
    """Correlation of the part with a range between all places, shape (p, p)."""
    scaled = variogram.scaled(places.coordinates_m)
    east, north = (np.subtract.outer(axis, axis) for axis in scaled.T)
    return variogram.correlation(np.hypot(east, north))
