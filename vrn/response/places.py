"""Ground whose rate is asked for, what the budget counts there, and how sure a number is once trials have spoken."""

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from vrn.response.loss import crossing

Array = NDArray[np.float64]
Number = float | Array


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneNeed:
    """
    Ground of a coming season: what the budget says there, nothing learned in it.

    Parameters
    ----------
    field, zone : str
    season : int
    need_lb_ac : float
        [lb N/ac]
    supplies, typical : mapping
        As for `Trial`. [lb N/ac]
    """

    field: str
    zone: str
    season: int
    need_lb_ac: float
    supplies: Mapping[str, float] = dataclasses.field(default_factory=dict)
    typical: Mapping[str, float] = dataclasses.field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedRate:
    """
    What trials say of a zone in a season to come.

    Parameters
    ----------
    rate_n_lb_ac : float
        What is expected to pay best, within 60 lb/ac of the need and within what is allowed. [lb N/ac]
    t_mean_lb_ac, t_low_lb_ac, t_high_lb_ac : float
        Rate at which yield levels off, and the ends of its 90 % interval. [lb N/ac]
    worth : mapping
        Pounds that a pound of each supply counts for: mean, and the ends of the 90 % interval.
    """

    rate_n_lb_ac: float
    t_mean_lb_ac: float
    t_low_lb_ac: float
    t_high_lb_ac: float
    worth: Mapping[str, tuple[float, float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """
    A number that is not known: mean, standard deviation, and the ends of its 90 % interval.

    Parameters
    ----------
    mean, sd, low, high : float
    """

    mean: float
    sd: float
    low: float
    high: float


def supplies_of(lines: Mapping[str, Number]) -> dict[str, Number]:
    """
    What each source takes off a need, as positive pounds, from the lines of a ledger by their keys.

    >>> supplies_of({"crop": 180.0, "soil_nitrate": -60.0, "deep_nitrate": -10.0, "credit_manure": -20.0})
    {'soil_nitrate': 70.0, 'credit_manure': 20.0}
    """
    found: dict[str, Number] = {}
    for key, lb_ac in lines.items():
        name = "soil_nitrate" if key == "deep_nitrate" else key
        if name in ("soil_nitrate", "mineralization") or name.startswith("credit"):
            found[name] = found.get(name, 0.0) - lb_ac
    return found


def mixture(parts: Sequence[tuple[float, float, float]]) -> Spread:
    """Mean, standard deviation and 90 % interval of a mixture of normals: weight, mean, standard deviation each."""
    weights, means, sds = np.array(parts).T
    mean = float(weights @ means)
    sd = float(np.sqrt(weights @ (sds**2 + (means - mean) ** 2)))

    def at(share: float) -> float:
        return crossing(lambda v: share - float(weights @ ndtr((v - means) / sds)), mean - 12 * sd, mean + 12 * sd)

    low, high = at(0.05), at(0.95)
    return Spread(mean=mean, sd=sd, low=low, high=high)
