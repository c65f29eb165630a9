"""Corn as its own test: greenness against a strip that was never short of nitrogen."""

import numpy as np
from numpy.typing import ArrayLike

from vrn.errors import OutOfRangeError
from vrn.nitrogen.ledger import Number, as_number
from vrn.units import LB_AC_KG_HA

ACT_BELOW_PCT = 95.0  # Penn State Agronomy Facts 53; University of Nebraska G1632


def sufficiency_index_pct(reading: ArrayLike, reference: ArrayLike) -> Number:
    """
    Greenness of the crop against a strip with ample nitrogen; below 95 % it is short.

    Parameters
    ----------
    reading, reference : array_like, shape (n,) or scalar
        Mean readings of the crop and of the strip, in one unit.

    Returns
    -------
    index : float or ndarray
        [%]

    Raises
    ------
    OutOfRangeError
        If the reference is not above 0.

    References
    ----------
    Penn State Agronomy Facts 53; University of Nebraska-Lincoln G1632.

    Examples
    --------
    >>> round(sufficiency_index_pct(48.0, 52.0), 1)
    92.3
    """
    if np.any(np.less_equal(reference, 0)):
        problem = "The reference strip reads 0 or less."
        raise OutOfRangeError(problem, "Give the mean reading of a strip that was never short of nitrogen.")
    return as_number(np.divide(reading, reference) * 100.0)


def sensed_need_lb_ac(index_pct: ArrayLike) -> Number:
    """
    Nitrogen a short crop wants by its greenness, from memory: check it against the paper.

    Parameters
    ----------
    index_pct : array_like, shape (n,) or scalar
        Sufficiency index. [%]

    Returns
    -------
    need_lb_ac : float or ndarray
        317 √(0.97 − index) kg/ha; 0 from 97 % up. [lb/ac]

    References
    ----------
    Varvel et al. (2007), from memory.

    Examples
    --------
    >>> round(sensed_need_lb_ac(95.0), 1)
    40.0
    """
    short = np.maximum(0.97 - np.asarray(index_pct, dtype=float) / 100.0, 0.0)
    return as_number(317.0 * np.sqrt(short) / LB_AC_KG_HA)
