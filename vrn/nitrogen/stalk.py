"""End-of-season stalk nitrate: its class, and what it says for next year."""

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError

Scheme = Literal["iowa", "iowa-newer", "penn-state", "purdue"]
# upper edges: below the first "low", the next "marginal" where there is one, up to 2,000 ppm "optimal", above "excess"
_EDGES_PPM: Final = {
    "iowa": ((250.0, "low"), (700.0, "marginal")),
    "iowa-newer": ((250.0, "low"),),
    "penn-state": ((700.0, "low"),),
    "purdue": ((450.0, "low"),),
}
_EXCESS_PPM: Final = 2000.0
STALK_SOURCE: Final = "Iowa State, Penn State, Purdue; cut by class: Connecticut 2007"


def stalk_class(stalk_nitrate_ppm: ArrayLike, *, scheme: Scheme = "iowa") -> list[str]:
    """
    Class of stalk nitrate, an edge always in the better class.

    Parameters
    ----------
    stalk_nitrate_ppm : array_like, shape (n,) or scalar
        NO3-N in dry stalk, 6–14 in above the soil, one to three weeks after black layer. [ppm]
    scheme : {"iowa", "iowa-newer", "penn-state", "purdue"}

    Returns
    -------
    classes : list of str
        ``low``, ``marginal``, ``optimal``, ``excess``, or ``unknown`` for NaN.

    Raises
    ------
    OutOfRangeError
        If a value is negative or the scheme is not known.

    References
    ----------
    Iowa State University (AgSource table); Penn State; Purdue.

    Examples
    --------
    >>> stalk_class([249, 250, 700, 2000, 2001])
    ['low', 'marginal', 'optimal', 'optimal', 'excess']
    """
    if scheme not in _EDGES_PPM:
        problem = f"There is no scheme {scheme!r} for stalk nitrate."
        raise OutOfRangeError(problem, "Use one of: " + ", ".join(_EDGES_PPM) + ".")
    values = _checked(stalk_nitrate_ppm)

    def one(ppm: float) -> str:
        if np.isnan(ppm):
            return "unknown"
        if ppm > _EXCESS_PPM:
            return "excess"
        return next((name for edge, name in _EDGES_PPM[scheme] if ppm < edge), "optimal")

    return [one(float(ppm)) for ppm in values]


def next_year_cut_share(stalk_nitrate_ppm: ArrayLike) -> list[float]:
    """
    Share to take off next year's rate after too much nitrogen.

    Parameters
    ----------
    stalk_nitrate_ppm : array_like, shape (n,) or scalar
        [ppm]

    Returns
    -------
    shares : list of float
        0 up to 2,000 ppm, 0.25 to 6,000, 0.5 above (published to 12,000); NaN stays NaN.

    Raises
    ------
    OutOfRangeError
        If a value is negative.

    References
    ----------
    Connecticut trials, abstract of 2007.

    Examples
    --------
    >>> next_year_cut_share([1800, 4000, 9000])
    [0.0, 0.25, 0.5]
    """
    values = _checked(stalk_nitrate_ppm)
    shares = np.select([values <= 2000, values <= 6000, values > 6000], [0.0, 0.25, 0.5], default=np.nan)
    return [float(share) for share in shares]


def _checked(stalk_nitrate_ppm: ArrayLike) -> NDArray[np.float64]:
    values = np.atleast_1d(np.asarray(stalk_nitrate_ppm, dtype=float))
    if np.any(np.less(values, 0)):
        problem = f"Stalk nitrate is {np.nanmin(values):g} ppm."
        raise OutOfRangeError(problem, "Leave a value empty (NaN) where no stalks were cut.")
    return values
