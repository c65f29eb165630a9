"""How many samples, and how many cores in each, for an error one can live with."""

import math
from dataclasses import dataclass
from typing import Literal

from vrn.errors import OutOfRangeError

USUAL_CV_PCT = 45.0  # nitrate within a field: 30 to 60 % is usual (from memory)
CORE_CV_PCT = 50.0  # one core is off by about 50 %, five by about 25 % (five-core study of side-dressed corn, 2003)
WANTED_ERROR_PCT = 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeStep:
    """What a number of samples buys."""

    samples: int
    error_pct: float  # half the confidence interval of the field's mean [% of the mean]
    ten_more_pct: float  # what ten more samples take off that [percentage points]


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSize:
    """How many samples, and what that rests on."""

    samples: int
    # for the mean of the field; for a map
    needed: int
    for_map: int
    given: bool  # whether the number was asked for
    cv_pct: float  # variation within the field [%]
    cv_from: Literal["given", "readings", "usual"]
    cv_readings: int  # readings in hand that it comes from
    # wanted: half the confidence interval of the mean [% of the mean], and its confidence
    error_pct: float
    confidence: float
    error_of_mean_pct: float  # what the number will give [% of the mean]


def samples_needed(cv_pct: float, error_pct: float, *, confidence: float = 0.95) -> int:
    """
    Samples for a wanted error of the mean: ``(z · CV ÷ error)²``, rounded up.

    CV between samples [% of their mean]; half the confidence interval that is wanted [% of the mean]. Raises
    OutOfRangeError if a number is not positive, or the confidence not between 0 and 1. Source: Cochran (1977), Sampling
    Techniques, 3rd ed., § 4.4 and 4.6.

    (1.96 × 45 ÷ 20)² = 19.4:

    >>> samples_needed(45, 20)
    20
    """
    _positive(cv_pct=cv_pct, error_pct=error_pct)
    return max(1, math.ceil((_z(confidence) * cv_pct / error_pct) ** 2 - 1e-9))


def error_of_mean_pct(
    cv_pct: float, samples: int, *, confidence: float = 0.95, core_cv_pct: float = 0.0, cores: int = 1
) -> float:
    """
    Half the confidence interval of the mean of composites of several cores.

    `core_cv_pct` between cores of one place is 0 when `cv_pct` holds it already; `cores` are mixed into each sample.
    Source: Cochran (1977), Sampling Techniques, 3rd ed., § 10.3 (two stages).

    >>> round(error_of_mean_pct(45, 20), 1)
    19.7
    """
    _positive(cv_pct=cv_pct, samples=samples, cores=cores)
    return _z(confidence) * math.sqrt((cv_pct**2 + core_cv_pct**2 / cores) / samples)


def cores_needed(error_pct: float, *, core_cv_pct: float = CORE_CV_PCT, confidence: float = 0.95) -> int:
    """
    Cores in one sample for a wanted error of that sample [% of its true mean], of cores that differ by ``core_cv_pct``.

    (1.96 × 50 ÷ 25)² = 15.4:

    >>> cores_needed(25)
    16
    """
    return samples_needed(core_cv_pct, error_pct, confidence=confidence)


def size_curve(
    cv_pct: float,
    *,
    confidence: float = 0.95,
    core_cv_pct: float = 0.0,
    cores: int = 1,
    counts: tuple[int, ...] = (5, 10, 15, 20, 30, 40, 50, 60, 80, 100),
) -> tuple[SizeStep, ...]:
    """
    Error of the mean by number of samples, and what ten more buy.

    >>> step, = size_curve(45, counts=(10,))
    >>> round(step.error_pct, 1), round(step.ten_more_pct, 1)
    (27.9, 8.2)
    """

    def error(count: int) -> float:
        return error_of_mean_pct(cv_pct, count, confidence=confidence, core_cv_pct=core_cv_pct, cores=cores)

    return tuple(
        SizeStep(samples=count, error_pct=error(count), ten_more_pct=error(count) - error(count + 10))
        for count in counts
    )


def _z(confidence: float) -> float:
    from statistics import NormalDist

    if not 0 < confidence < 1:
        problem = f"A confidence of {confidence} is not between 0 and 1."
        raise OutOfRangeError(problem, "Give it as 0.95.")
    return NormalDist().inv_cdf(0.5 + confidence / 2)


def _positive(**numbers: float) -> None:
    for name, value in numbers.items():
        if not (math.isfinite(value) and value > 0):
            problem = f"{name} is {value}."
            raise OutOfRangeError(problem, "Give a number above 0.")
