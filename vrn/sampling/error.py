"""Errors of sampling: samples that keep the mean's small enough, each reading's, and what makes the need's."""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.model.samples import ErrorCauses, ErrorParts, ReadingError, SoilSamples, profile_of
from vrn.model.variogram import Variogram
from vrn.prescription.model import Prescription
from vrn.sampling.standards import repeatability, standard_runs
from vrn.surface.likelihood import posterior
from vrn.surface.nearby import Nearby, some_of
from vrn.surface.places import places_of

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
    """Samples for a wanted error of the mean: the least n with ``t(n − 1) · CV ÷ √n`` within it.

    CV between samples [% of their mean]; half the confidence interval that is wanted [% of the mean]. Raises
    OutOfRangeError if a number is not positive, or the confidence not between 0 and 1. Source: Cochran (1977), Sampling
    Techniques, 3rd ed., § 4.4 and 4.6; Student's t, since the spread comes from the samples themselves.

    With t(21) = 2.080: 2.080 × 45 ÷ √22 = 19.96; with t(20) = 2.086 and 21 samples 20.5:

    >>> samples_needed(45, 20)
    22
    """
    _positive(cv_pct=cv_pct, error_pct=error_pct)
    count = max(2, math.ceil((student_t(confidence, 10**9) * cv_pct / error_pct) ** 2 - 1e-9))
    while error_of_mean_pct(cv_pct, count, confidence=confidence) > error_pct:
        count += 1
    return count


def error_of_mean_pct(
    cv_pct: float, samples: int, *, confidence: float = 0.95, core_cv_pct: float = 0.0, cores: int = 1
) -> float:
    """Half the confidence interval of the mean of composites of several cores.

    `core_cv_pct` between cores of one place is 0 when `cv_pct` holds it already; `cores` are mixed into each sample.
    One sample shows no error of its own: infinite.
    Source: Cochran (1977), Sampling Techniques, 3rd ed., § 10.3 (two stages).

    >>> round(error_of_mean_pct(45, 20), 1)
    21.1
    """
    _positive(cv_pct=cv_pct, samples=samples, cores=cores)
    if samples < 2:
        return math.inf
    return student_t(confidence, samples - 1) * math.sqrt((cv_pct**2 + core_cv_pct**2 / cores) / samples)


def size_curve(
    cv_pct: float, *, confidence: float = 0.95, core_cv_pct: float = 0.0, cores: int = 1,
    counts: tuple[int, ...] = (5, 10, 15, 20, 30, 40, 50, 60, 80, 100),
) -> tuple[SizeStep, ...]:  # fmt: skip
    """Error of the mean by number of samples, and what ten more buy.

    >>> step, = size_curve(45, counts=(10,))
    >>> round(step.error_pct, 1), round(step.ten_more_pct, 1)
    (32.2, 11.1)
    """

    def error(count: int) -> float:
        return error_of_mean_pct(cv_pct, count, confidence=confidence, core_cv_pct=core_cv_pct, cores=cores)

    return tuple(
        SizeStep(samples=count, error_pct=error(count), ten_more_pct=error(count) - error(count + 10))
        for count in counts
    )


def student_t(confidence: float, freedom: int) -> float:
    """Two-sided point of Student's t."""
    from scipy.special import stdtrit

    if not 0 < confidence < 1:
        problem = f"A confidence of {confidence} is not between 0 and 1."
        raise OutOfRangeError(problem, "Give it as 0.95.")
    return float(stdtrit(freedom, 0.5 + confidence / 2))


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


_LEAST_TO_FIT = 8
_MOST_TARGETS = 400


class _Split(NamedTuple):
    """Variance of the estimate at a spot by cause, the mean over spots, in the squared unit of the readings."""

    instrument: float
    composite: float
    space: float


def causes_of_error(prescription: Prescription) -> ErrorCauses | None:
    """Standard error of the need on a spot of the field and of each zone, split by cause.

    None where the need has no standard error, or the readings are composites of areas. The total is the need's own
    standard error, root mean square over the spots. What of it is the top foot's nitrate is split as kriging's weights
    carry the errors of the readings into the estimate; what the samples cannot resolve is ground. An error of the cores
    is cut to what the readings' nugget leaves room for.
    """
    need_se = prescription.surfaces["need_lb_ac"].se
    nitrate_se = prescription.surfaces["nitrate_ppm"].se
    readings = prescription.field.samples.field_readings()
    if need_se is None or nitrate_se is None or readings.areas:
        return None
    layer = profile_of(readings).top[0]
    error = error_of_readings(
        layer, of_all=prescription.field.samples,
        instrument_sd_ppm=prescription.field.settings.samples.instrument_sd_ppm,
    )  # fmt: skip
    split_at = _splitter(layer, error)
    total2 = (need_se**2).ravel()
    nitrate2 = np.minimum((_slope(prescription) * nitrate_se.ravel()) ** 2, total2)
    weights = prescription.share.ravel()
    usable = (weights > 0) & np.isfinite(total2) & np.isfinite(nitrate2)
    labels = prescription.zones.labels.ravel()
    centers = prescription.grid.centers_m()

    def part(rows: NDArray[np.intp]) -> ErrorParts:
        total = float(np.average(total2[rows], weights=weights[rows]))
        of_nitrate = float(np.average(nitrate2[rows], weights=weights[rows]))
        split = split_at(centers[rows])
        whole = max(sum(split), 1e-12)
        return ErrorParts(
            instrument_lb_ac=None if error.instrument_sd_ppm is None
            else _root(of_nitrate * split.instrument / whole),
            cores_lb_ac=None if error.core_cv_pct is None else _root(of_nitrate * split.composite / whole),
            ground_lb_ac=_root(of_nitrate * split.space / whole), other_lb_ac=_root(total - of_nitrate),
            total_lb_ac=_root(total),
        )  # fmt: skip

    if not usable.any():
        return None
    zones = {rate.zone: np.flatnonzero(usable & (labels == rate.zone)) for rate in prescription.rates}
    return ErrorCauses(
        field=part(np.flatnonzero(usable)),
        zones={zone: part(rows) for zone, rows in zones.items() if len(rows)}, error=error,
    )  # fmt: skip


def _slope(prescription: Prescription) -> NDArray[np.float64]:
    """Pounds of need for each ppm in the top foot, by cell; 0 where it is unknown. [lb/ac per ppm]"""
    ppm = prescription.surfaces["nitrate_ppm"].values.ravel()
    pounds = sum(
        (np.asarray(one.lb_ac, float) for one in prescription.ledger.lines if one.key == "soil_nitrate"), np.zeros(())
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.broadcast_to(pounds, ppm.shape) / ppm
    return np.nan_to_num(slope, posinf=0.0, neginf=0.0)


def _splitter(layer: SoilSamples, error: ReadingError) -> Callable[[NDArray[np.float64]], _Split]:
    """Function of spots that splits nitrate's error there."""
    ppm, places = layer.nitrate_ppm, layer.coordinates_m
    supplied, variogram, some = error.variance_ppm2, None, some_of(len(ppm))
    if len(np.unique(places, axis=0)) >= _LEAST_TO_FIT and np.ptp(ppm[some]) > 0:
        known = None if supplied is None else supplied[some]
        variogram = posterior(places_of(places[some], ppm[some], known)).best.variogram
    seen = np.zeros(len(ppm)) if supplied is None else supplied - error.instrument_ppm2
    hidden = error.composite_ppm2 - seen  # the part all composites share, which the nugget holds
    if variogram is None:
        of_mean = _Split(0.0, 0.0, 1.0)  # all of it ground
        if len(ppm) > 1:
            of_mean = _split_of_mean(
                ppm, instrument_variance=error.instrument_ppm2, composite_variance=error.composite_ppm2
            )
        return lambda _spots: of_mean
    room = min(float(hidden.mean()) if len(hidden) else 0.0, variogram.nugget)
    rest = Variogram(
        model="exponential", nugget=variogram.nugget - room, partial_sill=variogram.partial_sill,
        range_m=variogram.range_m,
    )  # fmt: skip
    return lambda spots: _split_of_kriging(
        places, spots, variogram=rest, instrument_variance=error.instrument_ppm2, composite_variance=seen + room
    )


def _split_of_kriging(
    coordinates_m: ArrayLike, targets_m: ArrayLike, *, variogram: Variogram, instrument_variance: ArrayLike,
    composite_variance: ArrayLike,
) -> _Split:  # fmt: skip
    """Error of kriging by cause: the weights carry each reading's error into the estimate, the rest is ground not seen.

    Of more than 400 spots an even part is taken; each is estimated from the nearest places. The variogram was fitted
    beside these error variances; its nugget, what the samples cannot resolve, counts as space. With weights λ and the
    readings' error variances D the kriging variance is λᵀDλ, split between instrument and composite, and space.

    One pair of readings 100 m apart, the middle estimated from both with weight one half: an instrument variance of 2
    gives 2 × 0.25 × 2 = 1.

    >>> split = _split_of_kriging([(0, 0), (100, 0)], [(50, 0)], instrument_variance=2.0, composite_variance=0.0,
    ...                          variogram=Variogram(model="exponential", partial_sill=4.0, range_m=30.0))
    >>> round(split.instrument, 9), split.composite
    (1.0, 0.0)
    """
    points, targets = np.asarray(coordinates_m, dtype=float), np.asarray(targets_m, dtype=float)
    instrument = np.broadcast_to(np.asarray(instrument_variance, dtype=float), len(points))
    composite = np.broadcast_to(np.asarray(composite_variance, dtype=float), len(points))
    error = variogram.nugget + instrument + composite
    places = places_of(points, np.zeros(len(points)), error)
    weight = 1.0 / np.maximum(error, 1e-12)
    weight = weight / np.bincount(places.place, weight, len(places))[places.place]
    by_place = [np.bincount(places.place, weight**2 * part, len(places)) for part in (instrument, composite)]
    if len(targets) > _MOST_TARGETS:
        targets = targets[np.linspace(0, len(targets) - 1, _MOST_TARGETS).astype(int)]
    near, weights, variance = Nearby.of(places, variogram.without_nugget()).weights(targets)
    of_instrument, of_composite = (float((weights**2 * part[near]).sum(axis=1).mean()) for part in by_place)
    return _Split(of_instrument, of_composite, max(float(variance.mean()) - of_instrument - of_composite, 0.0))


def _split_of_mean(values: ArrayLike, *, instrument_variance: ArrayLike, composite_variance: ArrayLike) -> _Split:
    """Error of a plain mean of two readings or more by cause: what varies beyond their own error is space.

    Variances of shape (n,) or ().
    """
    read = np.asarray(values, dtype=float)
    count = len(read)
    instrument = float(np.broadcast_to(np.asarray(instrument_variance, dtype=float), count).mean())
    composite = float(np.broadcast_to(np.asarray(composite_variance, dtype=float), count).mean())
    space = max(float(read.var(ddof=1)) - instrument - composite, 0.0)
    return _Split(instrument / count, composite / count, space * (1 + 1 / count))


def _root(variance: float) -> float:
    return float(np.sqrt(max(float(variance), 0.0)))
