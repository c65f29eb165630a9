"""Errors of sampling: how many samples and cores keep the mean's small enough, and the variance of each reading."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError
from vrn.model.reading_error import ReadingError
from vrn.model.samples import SoilSamples
from vrn.sampling.standards import repeatability, standard_runs

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
    """Samples for a wanted error of the mean: ``(z · CV ÷ error)²``, rounded up.

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
    """Half the confidence interval of the mean of composites of several cores.

    `core_cv_pct` between cores of one place is 0 when `cv_pct` holds it already; `cores` are mixed into each sample.
    Source: Cochran (1977), Sampling Techniques, 3rd ed., § 10.3 (two stages).

    >>> round(error_of_mean_pct(45, 20), 1)
    19.7
    """
    _positive(cv_pct=cv_pct, samples=samples, cores=cores)
    return _z(confidence) * math.sqrt((cv_pct**2 + core_cv_pct**2 / cores) / samples)


def size_curve(
    cv_pct: float,
    *,
    confidence: float = 0.95,
    core_cv_pct: float = 0.0,
    cores: int = 1,
    counts: tuple[int, ...] = (5, 10, 15, 20, 30, 40, 50, 60, 80, 100),
) -> tuple[SizeStep, ...]:
    """Error of the mean by number of samples, and what ten more buy.

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


_LEAST_FREEDOM = 3  # below it a standard deviation says little
_LEAST_PAIRS = 5
CLOSE_M = 12.0  # two samples no further apart are a pair
_Source = Literal["given", "duplicates", "standards", "unknown"]


def error_of_readings(
    readings: SoilSamples, *, of_all: SoilSamples | None = None, instrument_sd_ppm: float | None = None
) -> ReadingError:
    """Error variance of each reading, from the best there is.

    For readings of one depth layer; duplicates and standards of the whole file (`of_all`) tell the instrument's error.
    The instrument: as given; else from duplicates (three degrees of freedom or more); else from check standards around
    their own mean (four or more). The composite: (core CV × median reading)² ÷ cores, where the file says how many
    cores were mixed; the median and not the reading itself, since low readings would else be trusted most and the map
    drawn down. The CV comes from pairs of samples within 12 m of each other (five pairs or more): half the mean squared
    difference, less the instrument's variance, times the cores; else 50 %.

    A reading of 20 ppm from 16 cores, 50 % between cores: 10 ÷ 4 = 2.5 ppm, a variance of 6.25.

    >>> from vrn.model.samples import Handling
    >>> one = SoilSamples(
    ...     sample_id=("1",), crs="EPSG:32615", coordinates_m=np.zeros((1, 2)), top_in=np.zeros(1),
    ...     bottom_in=np.full(1, 12.0), nitrate_ppm=np.array([20.0]), kind=("field",), sampled_on=(None,),
    ...     nominal_ppm=np.array([np.nan]), below_detection=np.array([False]), area_id=("",), areas={},
    ...     row=np.array([2]), handling=(Handling(cores=16),))
    >>> error = error_of_readings(one, instrument_sd_ppm=1.0)
    >>> error.instrument_ppm2.tolist(), error.composite_ppm2.tolist()
    ([1.0], [6.25])
    """
    sd, sd_from, count = _instrument(of_all if of_all is not None else readings, instrument_sd_ppm)
    instrument = np.full(len(readings), 0.0 if sd is None else sd**2)
    cores = np.array([handling.cores or 0 for handling in readings.handling], dtype=float)
    if not (cores > 0).any():
        return ReadingError(
            instrument_sd_ppm=sd, instrument_from=sd_from, instrument_count=count, core_cv_pct=None,
            cores_from="unknown", instrument_ppm2=instrument, composite_ppm2=np.zeros(len(readings)),
        )  # fmt: skip
    cv_pct, pairs = _between_cores(readings, cores, 0.0 if sd is None else sd)
    known = readings.nitrate_ppm[np.isfinite(readings.nitrate_ppm)]
    level = float(np.median(known)) if len(known) else 0.0
    mixed = np.where(cores > 0, cores, cores[cores > 0].min())  # not written down: taken for the fewest that were
    composite = (cv_pct / 100.0 * level) ** 2 / mixed
    return ReadingError(
        instrument_sd_ppm=sd, instrument_from=sd_from, instrument_count=count, core_cv_pct=cv_pct,
        cores_from="pairs" if pairs else "assumed", core_pairs=pairs, instrument_ppm2=instrument,
        composite_ppm2=composite,
    )  # fmt: skip


def _instrument(samples: SoilSamples, given: float | None) -> tuple[float | None, _Source, int]:
    if given is not None:
        return given, "given", 0
    twice = repeatability(samples)
    if twice is not None and twice.freedom >= _LEAST_FREEDOM:
        return twice.sd_ppm, "duplicates", twice.samples
    squares, freedom, read_count = 0.0, 0, 0
    for run in standard_runs(samples):
        for nominal in np.unique(run.nominal_ppm):
            read = run.read_ppm[run.nominal_ppm == nominal]
            squares += float(((read - read.mean()) ** 2).sum())
            freedom += len(read) - 1
            read_count += len(read)
    if freedom >= _LEAST_FREEDOM:
        return float(np.sqrt(squares / freedom)), "standards", read_count
    return None, "unknown", 0


def _between_cores(readings: SoilSamples, cores: NDArray[np.float64], sd_ppm: float) -> tuple[float, int]:
    """Core CV and the close pairs it comes from; as usual, from none, where there are too few. [%]"""
    from scipy.spatial import cKDTree

    usable = np.flatnonzero((cores > 0) & np.isfinite(readings.nitrate_ppm) & np.isfinite(readings.coordinates_m[:, 0]))
    places, first = np.unique(readings.coordinates_m[usable], axis=0, return_index=True)
    if len(places) > 1:
        pairs = cKDTree(places).query_pairs(CLOSE_M, output_type="ndarray")
        if len(pairs) >= _LEAST_PAIRS:
            one, other = usable[first[pairs[:, 0]]], usable[first[pairs[:, 1]]]
            half = (readings.nitrate_ppm[one] - readings.nitrate_ppm[other]) ** 2 / 2 - sd_ppm**2
            level = (readings.nitrate_ppm[one] + readings.nitrate_ppm[other]) / 2
            each = 2 / (1 / cores[one] + 1 / cores[other])
            squared = float(np.sum(half * each) / max(float(np.sum(level**2)), 1e-12))
            return 100.0 * float(np.sqrt(max(squared, 0.0))), len(pairs)
    return CORE_CV_PCT, 0
