"""How many zones: what each number leaves misallocated, and how much of the saving outlives the samples' error."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vrn.findings import counted


def misallocated(
    values: NDArray[np.float64],
    given: NDArray[np.float64],
    weights: NDArray[np.float64],
    se: NDArray[np.float64] | None,
) -> float:
    """
    Expected weighted mean of |truth − given|, where the truth is normal about the values.

    Parameters
    ----------
    values, given, weights : ndarray, shape (n,)
        Best estimate, what the zone gets, area.
    se : ndarray, shape (n,), or None
        Standard error of the values; None takes them as true.

    Returns
    -------
    mean : float

    Notes
    -----
    Mean of a folded normal: σ √(2/π) exp(−d²/2σ²) + d (1 − 2 Φ(−d/σ)) with d = value − given (Leone, Nelson and
    Nottingham 1961). With d = 0 it is 0.798 σ: what no zone can save.

    Examples
    --------
    >>> one = np.array([1.0])
    >>> misallocated(np.array([110.0]), np.array([100.0]), one, None)
    10.0
    >>> round(misallocated(np.array([100.0]), np.array([100.0]), one, np.array([10.0])), 3)
    7.979
    """
    gap = np.abs(values - given)
    if se is not None:
        from scipy.special import ndtr

        spread = np.where(np.isfinite(se) & (se > 0), se, 1e-12)
        ratio = gap / spread
        gap = spread * math.sqrt(2.0 / math.pi) * np.exp(-0.5 * ratio**2) + gap * (1.0 - 2.0 * ndtr(-ratio))
    return float(np.average(gap, weights=weights))


def zone_means(
    labels: NDArray[np.int32], values: NDArray[np.float64], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """
    Weighted mean of the cells of each zone, at its number; NaN at 0 and where a zone knows nothing.

    Parameters
    ----------
    labels, values, weights : ndarray, same shape
        Unknown values (NaN) take no part.

    Returns
    -------
    means : ndarray, shape (k + 1,)

    Examples
    --------
    >>> zone_means(np.array([1, 1, 2]), np.array([10.0, 20.0, 7.0]), np.array([1.0, 3.0, 1.0])).tolist()
    [nan, 17.5, 7.0]
    """
    known = np.isfinite(values) & (labels > 0)
    count = int(labels.max(initial=0)) + 1
    weight = np.bincount(labels[known], weights[known], count)
    total = np.bincount(labels[known], weights[known] * values[known], count)
    return total / np.where(weight > 0, weight, np.nan)


def worth_it(
    saved: Sequence[tuple[float, ...]],
    gaps: Sequence[float],
    *,
    least_saving: float,
    least_gap: float,
) -> tuple[int, str]:
    """
    Smallest number of zones after which more are not worth it.

    Parameters
    ----------
    saved : sequence of tuple of float
        What 1, 2, 3 … zones save against one, by each measure: a zone more must be worth it by every one. [lb/ac]
    gaps : sequence of float
        For each, the least distance between the values of two zones next to each other. [lb/ac]
    least_saving : float
        What each further zone must save on average to be worth drawing. [lb/ac]
    least_gap : float
        Zones nearer to each other than this are not told apart by their rates. [lb/ac]

    Returns
    -------
    count : int
    why : str

    Examples
    --------
    The third zone saves 3.0, the fourth 0.2:

    >>> worth_it([(0.0,), (9.0,), (12.0,), (12.2,)], [0.0, 40.0, 25.0, 15.0], least_saving=0.5, least_gap=5.0)[0]
    3
    """
    usable = [i for i in range(len(saved)) if i == 0 or gaps[i] >= least_gap]
    chosen = 0

    def gain_of(i: int) -> float:
        return min(there - here for there, here in zip(saved[i], saved[chosen], strict=True))

    while better := [i for i in usable if i > chosen and gain_of(i) >= least_saving * (i - chosen)]:
        chosen = better[0]
    zones = counted(chosen + 1, "zone")
    if chosen == len(saved) - 1:
        return chosen + 1, f"{zones}: the most that were tried."
    gain = gain_of(chosen + 1)
    if gain >= least_saving:
        return chosen + 1, f"{zones}: with one more, two would differ by less than a rate step of {least_gap:g} lb/ac."
    return chosen + 1, (
        f"{zones}: one more would save {max(gain, 0.0):.1f} lb/ac, and less than {least_saving:g} is not worth a zone."
    )
