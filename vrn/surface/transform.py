"""Logarithms and square roots: interpolation on a scale where errors are alike, brought back without bias."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Scale = Literal["plain", "square root", "logarithm"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Transform:
    """
    A scale to interpolate on.

    Parameters
    ----------
    scale : {"plain", "square root", "logarithm"}

    Notes
    -----
    With y the estimate on the scale, s² its variance and λ the Lagrange term of kriging (0 when the mean is known),
    the way back is exp(y + s²/2 + λ) and y² + s² + 2λ. Error of the readings that was filtered on the scale is put
    back by half its variance (logarithm) or its variance (square root), so that the surface is that of mean readings.

    References
    ----------
    Cressie (1993), Statistics for Spatial Data, rev. ed., § 3.2.2; Journel & Huijbregts (1978), Mining Geostatistics,
    § VIII.A (lognormal kriging).

    Examples
    --------
    The mean of a lognormal with median 10 and log-variance 0.5 is 10 · exp(0.25):

    >>> mean, se = Transform(scale="logarithm").back(np.array([math.log(10.0)]), np.array([0.5]))
    >>> mean.round(4).tolist(), se.round(4).tolist()
    ([12.8403], [10.342])
    """

    scale: Scale = "plain"

    def applies(self, values: NDArray[np.float64]) -> bool:
        """Whether every value has a place on the scale."""
        return self.scale == "plain" or bool((values > 0).all())

    def forward(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Values on the scale."""
        if self.scale == "logarithm":
            return np.log(values)
        return np.sqrt(values) if self.scale == "square root" else values

    def error_variance(
        self, values: NDArray[np.float64], variance: NDArray[np.float64] | None
    ) -> NDArray[np.float64] | None:
        """Known error variances on the scale, by the slope at the value."""
        if variance is None or self.scale == "plain":
            return variance
        slope = 1.0 / values if self.scale == "logarithm" else 0.5 / np.sqrt(values)
        return variance * slope**2

    def log_slope(self, values: NDArray[np.float64]) -> float:
        """Sum of ln |d scale / d value|: what the likelihood gains by the change of scale itself."""
        if self.scale == "logarithm":
            return -float(np.log(values).sum())
        if self.scale == "square root":
            return -0.5 * float(np.log(values).sum()) - len(values) * math.log(2.0)
        return 0.0

    def back(
        self,
        estimate: NDArray[np.float64],
        variance: NDArray[np.float64],
        lagrange: NDArray[np.float64] | float = 0.0,
        noise: float = 0.0,
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """
        Mean and standard error in the unit of the values.

        Parameters
        ----------
        estimate, variance : ndarray, shape (m,)
            On the scale.
        lagrange : ndarray, shape (m,), or float
        noise : float
            Variance of the readings' error, filtered on the scale.

        Returns
        -------
        mean, se : ndarray, shape (m,)
        """
        if self.scale == "logarithm":
            mean = np.exp(estimate + 0.5 * variance + lagrange + 0.5 * noise)
            return mean, mean * np.sqrt(np.expm1(variance))
        if self.scale == "square root":
            mean = np.maximum(estimate**2 + variance + 2.0 * lagrange + noise, 0.0)
            return mean, np.sqrt(4.0 * estimate**2 * variance + 2.0 * variance**2)
        return estimate, np.sqrt(variance)

    def back_draw(self, draw: NDArray[np.float32], noise: float) -> NDArray[np.float32]:
        """Draws of the field on the scale, in the unit of the values; written into the array they came in."""
        if self.scale == "logarithm":
            draw += np.float32(0.5 * noise)
            return np.exp(draw, out=draw)
        if self.scale == "square root":
            draw *= draw
            draw += np.float32(noise)
        return draw
