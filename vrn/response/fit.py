"""A quadratic through a nitrogen trial, and how well it bounds the best rate: Fieller's interval."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from vrn.errors import OutOfRangeError

Kind = Literal["between", "outside", "everything"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Optimum:
    """
    Best rate of a fitted quadratic, and Fieller's interval of it.

    Parameters
    ----------
    point : float
        NaN where the curve does not bend down.
    low, high : float
        Ends of the interval where ``kind`` is ``"between"``; of what is left out where it is ``"outside"``; NaN where
        it is ``"everything"``: the trial does not bound the best rate.
    kind : {"between", "outside", "everything"}
    """

    point: float
    low: float
    high: float
    kind: Kind


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class QuadraticFit:
    """
    Least squares of yield on nitrogen, y = a + b N + c N², in any consistent units.

    Parameters
    ----------
    coefficients : ndarray, shape (3,)
        a, b, c.
    covariance : ndarray, shape (3, 3)
    freedom : int
        Degrees of freedom of the residuals.
    """

    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    freedom: int

    def optimum(self, *, price_ratio: float, confidence: float = 0.95) -> Optimum:
        """
        Best rate at a price ratio (nitrogen over grain, in the units of the fit), with its confidence interval.

        References
        ----------
        Fieller (1954), J. Royal Statistical Society B 16:175: the rates N for which b + 2 c N = price ratio is not
        refused. Unlike the delta method it says when a trial bounds the best rate on one side only, or not at all.

        Examples
        --------
        >>> n = np.repeat([0.0, 50.0, 100.0, 150.0, 200.0], 2)
        >>> grain = 100 + 0.8 * n - 0.002 * n**2 + np.tile([1.0, -1.0], 5)
        >>> found = fit_quadratic(n, grain).optimum(price_ratio=0.1)
        >>> round(found.point, 3), found.kind
        (175.0, 'between')
        """
        _, b, c = self.coefficients
        v_b, v_bc, v_c = self.covariance[1, 1], self.covariance[1, 2], self.covariance[2, 2]
        t2 = float(stdtrit(self.freedom, 0.5 + confidence / 2)) ** 2
        a2, a1 = 4 * (c**2 - t2 * v_c), 4 * ((b - price_ratio) * c - t2 * v_bc)
        a0 = (b - price_ratio) ** 2 - t2 * v_b
        point = float((price_ratio - b) / (2 * c)) if c < 0 else float("nan")
        under_root = a1**2 - 4 * a2 * a0
        if under_root < 0 or a2 == 0:
            return Optimum(point=point, low=float("nan"), high=float("nan"), kind="everything")
        low, high = sorted((-a1 + sign * np.sqrt(under_root)) / (2 * a2) for sign in (-1.0, 1.0))
        return Optimum(point=point, low=float(low), high=float(high), kind="between" if a2 > 0 else "outside")


def fit_quadratic(n: ArrayLike, yield_: ArrayLike) -> QuadraticFit:
    """
    Fit yield against nitrogen by least squares.

    Parameters
    ----------
    n, yield_ : array_like, shape (plots,)
        In any consistent units.

    Raises
    ------
    OutOfRangeError
        If there are fewer than four plots or three rates.

    Examples
    --------
    >>> fit = fit_quadratic([0, 60, 120, 180, 240], [90, 132, 160, 174, 174])
    >>> [round(float(value), 4) for value in fit.coefficients]
    [90.0, 0.8167, -0.0019]
    """
    rate, grain = np.asarray(n, dtype=float).ravel(), np.asarray(yield_, dtype=float).ravel()
    if rate.shape != grain.shape or not (np.isfinite(rate).all() and np.isfinite(grain).all()):
        problem = "Rates and yields are not finite numbers, one for each plot."
        raise OutOfRangeError(problem, "Leave out plots without a yield.")
    if len(rate) < 4 or len(np.unique(rate)) < 3:
        problem = f"{len(rate)} plots at {len(np.unique(rate))} rates do not fix a curve."
        raise OutOfRangeError(problem, "Give at least four plots and three rates.")
    scale = float(np.abs(rate).max())
    design = np.vander(rate / scale, 3, increasing=True)
    coefficients, *_ = np.linalg.lstsq(design, grain, rcond=None)
    freedom = len(rate) - 3
    noise = float(((grain - design @ coefficients) ** 2).sum()) / freedom
    back = np.array([1.0, 1.0 / scale, 1.0 / scale**2])
    covariance = np.asarray(noise * np.linalg.inv(design.T @ design) * np.outer(back, back), dtype=np.float64)
    return QuadraticFit(coefficients=coefficients * back, covariance=covariance, freedom=freedom)
