"""Control-chart arithmetic: is the instrument still the one it was this morning?"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError

_D2_OF_TWO = 1.128  # mean range of two normal values over their standard deviation, as the handbook prints it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ControlChart:
    """
    A control chart.

    Parameters
    ----------
    points : ndarray, shape (n,)
        What is plotted: readings, or their running mean.
    center, low, high : float
        Centre line and three-sigma limits.
    sigma : float
        Standard deviation of one reading.
    outside : tuple of int
        Points beyond a limit, from 0.
    """

    points: NDArray[np.float64]
    center: float
    low: float
    high: float
    sigma: float
    outside: tuple[int, ...]

    def to_plain(self) -> dict[str, object]:
        """The chart as numbers and lists."""
        return {
            "points": self.points.tolist(), "center": self.center, "low": self.low, "high": self.high,
            "sigma": self.sigma, "outside": list(self.outside),
        }  # fmt: skip


def individuals_chart(readings: ArrayLike) -> ControlChart:
    """
    Shewhart chart of single readings in their order, sigma from the mean moving range.

    Parameters
    ----------
    readings : array_like, shape (n,)
        At least two.

    Returns
    -------
    chart : ControlChart
        Limits at the mean ± 3 · mean moving range ÷ 1.128.

    Raises
    ------
    OutOfRangeError
        If there are fewer than two readings, or one is unknown.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, § 6.3.2.2 (doi:10.18434/M32189).

    Examples
    --------
    Moving ranges 2, 1, 1: mean 1.333, sigma 1.182.

    >>> chart = individuals_chart([10, 12, 11, 12])
    >>> chart.center, round(chart.sigma, 3), round(chart.high, 3)
    (11.25, 1.182, 14.796)
    """
    values = _known(readings, least=2)
    sigma = float(np.abs(np.diff(values)).mean() / _D2_OF_TWO)
    return _chart(values, float(values.mean()), sigma, 3.0 * sigma)


def ewma_chart(readings: ArrayLike, *, target: float, sigma: float, weight: float = 0.3) -> ControlChart:
    """
    Chart of the exponentially weighted running mean: it sees a slow drift that single readings hide.

    Parameters
    ----------
    readings : array_like, shape (n,)
        In their order.
    target : float
        What they should read; where the running mean begins.
    sigma : float
        Standard deviation of one reading.
    weight : float
        Of the newest reading, 0 … 1.

    Returns
    -------
    chart : ControlChart
        ``points[0]`` is after the first reading; limits at target ± 3 σ √(weight ÷ (2 − weight)).

    Raises
    ------
    OutOfRangeError
        If a number is unknown, sigma negative, or the weight not in (0, 1].

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, § 6.3.2.4 (doi:10.18434/M32189).

    Examples
    --------
    0.3 × 52 + 0.7 × 50 = 50.6; 0.3 × 47 + 0.7 × 50.6 = 49.52:

    >>> ewma_chart([52, 47], target=50, sigma=2).points.round(2).tolist()
    [50.6, 49.52]
    """
    values = _known(readings, least=1)
    if not 0 < weight <= 1 or not sigma >= 0:
        problem = f"A running mean with weight {weight} and sigma {sigma} cannot be charted."
        raise OutOfRangeError(problem, "Give a weight above 0 and at most 1, and a sigma of 0 or more.")
    running, points = float(target), []
    for value in values:
        running = weight * value + (1 - weight) * running
        points.append(running)
    return _chart(np.array(points), float(target), float(sigma), 3.0 * sigma * float(np.sqrt(weight / (2 - weight))))


def _chart(points: NDArray[np.float64], center: float, sigma: float, half: float) -> ControlChart:
    outside = np.flatnonzero(np.abs(points - center) > half + 1e-12)
    return ControlChart(
        points=points, center=center, low=center - half, high=center + half, sigma=sigma,
        outside=tuple(int(i) for i in outside),
    )  # fmt: skip


def _known(readings: ArrayLike, *, least: int) -> NDArray[np.float64]:
    values = np.asarray(readings, dtype=float)
    if values.ndim != 1 or len(values) < least or not np.isfinite(values).all():
        problem = f"A control chart needs at least {least} known readings in a row."
        raise OutOfRangeError(problem, "Leave unknown readings out, or read the standard more often.")
    return values
