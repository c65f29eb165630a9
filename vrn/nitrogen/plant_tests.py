"""The plant as its own test: greenness against a strip with ample nitrogen, and stalk nitrate after harvest."""

from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.nitrogen.ledger import Number, as_number
from vrn.units import LB_AC_KG_HA

Scheme = Literal["iowa", "iowa-newer", "penn-state", "purdue"]
# upper edges: below the first "low", the next "marginal" where there is one, up to 2,000 ppm "optimal", above "excess"
_EDGES_PPM: Final = {
    "iowa": ((250.0, "low"), (700.0, "marginal")),
    "iowa-newer": ((250.0, "low"),),
    "penn-state": ((700.0, "low"),),
    "purdue": ((450.0, "low"),),
}
_EXCESS_PPM: Final = 2000.0
ACT_BELOW_PCT: Final = 95.0  # Penn State Agronomy Facts 53; University of Nebraska G1632


def stalk_class(stalk_nitrate_ppm: ArrayLike, *, scheme: Scheme = "iowa") -> list[str]:
    """Class of stalk nitrate, an edge always in the better class.

    NO3-N in dry stalk, 6–14 in above the soil, one to three weeks after black layer [ppm]. `low`, `marginal`,
    `optimal`, `excess`, or `unknown` for NaN. Raises OutOfRangeError if a value is negative or the scheme is not known.
    Sources: Iowa State University (AgSource table); Penn State; Purdue.

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
    """Share to take off next year's rate after too much nitrogen.

    0 up to 2,000 ppm, 0.25 to 6,000, 0.5 above (published to 12,000); NaN stays NaN. Raises OutOfRangeError if a value
    is negative. Source: Connecticut trials, abstract of 2007.

    >>> next_year_cut_share([1800, 4000, 9000])
    [0.0, 0.25, 0.5]
    """
    values = _checked(stalk_nitrate_ppm)
    shares = np.select([values <= 2000, values <= 6000, values > 6000], [0.0, 0.25, 0.5], default=np.nan)
    return [float(share) for share in shares]


def sufficiency_index_pct(reading: ArrayLike, reference: ArrayLike) -> Number:
    """Greenness of the crop against a strip with ample nitrogen; below 95 % it is short.

    Raises OutOfRangeError if the reference is not above 0. Sources: Penn State Agronomy Facts 53; University of
    Nebraska-Lincoln G1632.

    >>> round(sufficiency_index_pct(48.0, 52.0), 1)
    92.3
    """
    if np.any(np.less_equal(reference, 0)):
        problem = "The reference strip reads 0 or less."
        raise OutOfRangeError(problem, "Give the mean reading of a strip that was never short of nitrogen.")
    return as_number(np.divide(reading, reference) * 100.0)


def sensed_need_lb_ac(index_pct: ArrayLike) -> Number:
    """Nitrogen a short crop wants by its greenness, from memory: check it against the paper.

    Source: Varvel et al. (2007), from memory.

    >>> round(sensed_need_lb_ac(95.0), 1)
    40.0
    """
    short = np.maximum(0.97 - np.asarray(index_pct, dtype=float) / 100.0, 0.0)
    return as_number(317.0 * np.sqrt(short) / LB_AC_KG_HA)


def _checked(stalk_nitrate_ppm: ArrayLike) -> NDArray[np.float64]:
    values = np.atleast_1d(np.asarray(stalk_nitrate_ppm, dtype=float))
    if np.any(np.less(values, 0)):
        problem = f"Stalk nitrate is {np.nanmin(values):g} ppm."
        raise OutOfRangeError(problem, "Leave a value empty (NaN) where no stalks were cut.")
    return values
