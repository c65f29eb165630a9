"""The choice between mean, inverse distance and kriging, made by what each says of samples it has not seen."""

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.surface.cross_validation import left_out
from vrn.surface.distance import inverse_distance, inverse_distance_left_out
from vrn.surface.fit import fit_places
from vrn.surface.kriging import Kriging
from vrn.surface.places import Places, places_of, points_of
from vrn.surface.variogram import Model, Variogram

MEAN = "mean"
INVERSE_DISTANCE = "inverse distance"
KRIGING = "ordinary kriging"

_FEWEST_FOR_DISTANCE = 5  # places; below it a leave-one-out error says next to nothing
_FEWEST_FOR_KRIGING = 8
_POWERS = (1.0, 1.5, 2.0, 2.5, 3.0)
_MODELS: tuple[Model, ...] = ("exponential", "spherical", "matern")

_Estimator = Callable[[NDArray[np.float64]], tuple[NDArray[np.float64], NDArray[np.float64] | None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """
    One way to make the surface, judged on readings left out one place at a time.

    Parameters
    ----------
    name : str
    rmse : float
        Root mean squared error, in the unit of the values.
    mean_error : float
        Mean of estimate less reading.
    msdr : float or None
        Mean of squared error over stated variance: 1 where the stated error is right; None where none is stated.
    skill : float
        1 − mean squared error ÷ that of the plain mean; 0 or less: no better than the mean.
    """

    name: str
    rmse: float
    mean_error: float
    msdr: float | None
    skill: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Interpolation:
    """
    A surface of samples at targets, and what its choice rests on.

    Parameters
    ----------
    estimate : ndarray, shape (m,)
    se : ndarray, shape (m,), or None
        Standard error of the field under the readings; None where nothing is known of it (one reading).
    chosen : str
        Name of the candidate taken.
    candidates : tuple of Candidate
        Simpler first; empty when there is nothing to compare.
    variogram : Variogram or None
        Of the kriging that was tried, chosen or not.
    notes : tuple of str
    readings, places : int
        What the surface was made from.
    """

    estimate: NDArray[np.float64]
    se: NDArray[np.float64] | None
    chosen: str
    candidates: tuple[Candidate, ...]
    variogram: Variogram | None
    notes: tuple[str, ...]
    readings: int
    places: int

    def to_plain(self) -> dict[str, Any]:
        """The choice as str, numbers, lists and dicts; the surface itself left out."""
        rmse = {candidate.name: candidate.rmse for candidate in self.candidates}
        return {
            "chosen": self.chosen,
            "loo_rmse": rmse.get(self.chosen),
            "mean_rmse": rmse.get(MEAN),
            "variogram": self.variogram.to_plain() if self.variogram else None,
            "candidates": [asdict(candidate) for candidate in self.candidates],
            "readings": self.readings,
            "places": self.places,
            "notes": list(self.notes),
        }


@dataclass(frozen=True, kw_only=True, eq=False)
class _Trial:
    """One way to estimate, with what it says of every reading left out."""

    name: str
    estimate: NDArray[np.float64]
    variance: NDArray[np.float64] | None
    at: _Estimator
    variogram: Variogram | None = None


def interpolate(
    coordinates_m: ArrayLike, values: ArrayLike, targets_m: ArrayLike, *, error_variance: ArrayLike | None = None
) -> Interpolation:
    """
    Surface of samples by whichever of mean, inverse distance and kriging the samples themselves support.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing of the readings. [m]
    values : array_like, shape (n,)
        NaN readings are left out, and told.
    targets_m : array_like, shape (m, 2)
        [m]
    error_variance : array_like, shape (n,) or (), optional
        Known variance of each reading's error.

    Returns
    -------
    interpolation : Interpolation

    Raises
    ------
    OutOfRangeError
        If no reading is known, or shapes do not fit.

    Notes
    -----
    Each candidate estimates every place from the others. The simplest is taken whose mean squared error is within one
    standard error (of the difference, reading by reading) of the best. The nugget is taken for error of instrument and
    composite and filtered: the surface is the field under the readings and does not run through them.

    References
    ----------
    Hastie, Tibshirani & Friedman (2009), The Elements of Statistical Learning, 2nd ed., § 7.10 (one-standard-error
    rule).

    Examples
    --------
    >>> interpolate([(0, 0), (50, 0)], [8.0, 12.0], [(25, 0)]).estimate.tolist()
    [10.0]
    """
    points, numbers = points_of(coordinates_m), np.asarray(values, dtype=float)
    notes: list[str] = []
    known = np.isfinite(numbers)
    if numbers.shape == (len(points),) and not known.all() and known.any():
        notes.append(f"{int((~known).sum())} of {len(numbers)} readings are unknown and left out.")
        points, numbers = points[known], numbers[known]
        if error_variance is not None:
            error_variance = np.broadcast_to(np.asarray(error_variance, dtype=float), known.shape)[known]
    places = places_of(points, numbers, error_variance)
    if len(places) < len(numbers):
        notes.append(f"{len(numbers)} readings were taken at {len(places)} places; each place counts once.")
    targets = points_of(targets_m)
    trials = _trials(places, notes)
    candidates = tuple(_judge(trial, numbers, trials[0]) for trial in trials) if len(places) > 1 else ()
    chosen = _simplest(trials, numbers)
    if chosen.name == MEAN and len(places) >= _FEWEST_FOR_DISTANCE and np.ptp(numbers):
        notes.append("No surface told readings it had not seen better than their plain mean: the mean is used.")
    if chosen.name == KRIGING:
        notes.append("The nugget is taken for error of instrument and composite and filtered out of the surface.")
    estimate, se = chosen.at(targets)
    variogram = next((trial.variogram for trial in trials if trial.variogram), None)
    if variogram is not None and variogram.fit is not None:
        notes += variogram.fit.notes
    return Interpolation(
        estimate=estimate, se=se, chosen=chosen.name, candidates=candidates, variogram=variogram, notes=tuple(notes),
        readings=len(numbers), places=len(places),
    )  # fmt: skip


def _trials(places: Places, notes: list[str]) -> list[_Trial]:
    """The ways worth trying, simpler first."""
    trials = [_mean(places)]
    if len(places) < _FEWEST_FOR_DISTANCE:
        if len(places) > 1:
            notes.append(f"{len(places)} places are too few to draw a surface from; their mean is used.")
    elif np.ptp(places.values):
        trials.append(_inverse_distance(places))
        if len(places) >= _FEWEST_FOR_KRIGING:
            kriging = _kriging(places)
            if kriging is not None:
                trials.append(kriging)
    return trials


def _mean(places: Places) -> _Trial:
    value, count = places.merged(1.0)[0], len(places)
    mean = float(value.mean())
    others = (value.sum() - value) / (count - 1) if count > 1 else np.full(1, np.nan)
    estimate = others[places.place]
    error = math.sqrt(float(np.mean((estimate - places.values) ** 2))) if count > 1 else None

    def at(targets: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64] | None]:
        somewhere = np.isfinite(targets).all(axis=1)
        return np.where(somewhere, mean, np.nan), None if error is None else np.where(somewhere, error, np.nan)

    return _Trial(name=MEAN, estimate=estimate, variance=None, at=at)


def _inverse_distance(places: Places) -> _Trial:
    """Inverse distance with the power that leaves the least error."""
    told = inverse_distance_left_out(places, _POWERS)
    errors = np.mean((told - places.values) ** 2, axis=1)
    best = int(errors.argmin())
    points = places.coordinates_m[places.place] + places.origin_m

    def at(targets: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64] | None]:
        estimate = inverse_distance(points, places.values, targets, power=_POWERS[best])
        return estimate, np.where(np.isnan(estimate), np.nan, math.sqrt(errors[best]))

    return _Trial(name=INVERSE_DISTANCE, estimate=told[best], variance=None, at=at)


def _kriging(places: Places) -> _Trial | None:
    """Kriging with the model of largest likelihood; None where the readings hold no structure at all."""
    fitted = [fit_places(places, model=model) for model in _MODELS]
    variogram = max(fitted, key=lambda v: v.fit.log_likelihood if v.fit and v.fit.log_likelihood else -math.inf)
    if variogram.model == "nugget":
        return None
    estimate, variance = left_out(Kriging.of(places, variogram))
    error = 0.0 if places.error_variance is None else places.error_variance
    filtered = places_of(places.coordinates_m[places.place] + places.origin_m, places.values, error + variogram.nugget)
    system = Kriging.of(filtered, variogram.without_nugget())

    def at(targets: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64] | None]:
        smooth, spread = system.at(targets)
        return smooth, np.sqrt(spread)

    return _Trial(name=KRIGING, estimate=estimate, variance=variance, at=at, variogram=variogram)


def _judge(trial: _Trial, values: NDArray[np.float64], mean: _Trial) -> Candidate:
    error = trial.estimate - values
    squared, of_mean = float(np.mean(error**2)), float(np.mean((mean.estimate - values) ** 2))
    msdr = None
    if trial.variance is not None and (trial.variance > 0).all():
        msdr = float(np.mean(error**2 / trial.variance))
    return Candidate(
        name=trial.name,
        rmse=math.sqrt(squared),
        mean_error=float(error.mean()),
        msdr=msdr,
        skill=1.0 - squared / of_mean if of_mean > 0 else 0.0,
    )


def _simplest(trials: list[_Trial], values: NDArray[np.float64]) -> _Trial:
    """First trial whose squared errors are within one standard error of the best one's, reading by reading."""
    if len(trials) == 1:
        return trials[0]
    squared = [(trial.estimate - values) ** 2 for trial in trials]
    best = min(squared, key=lambda errors: float(errors.mean()))
    for trial, errors in zip(trials, squared, strict=True):
        worse = errors - best
        if worse.mean() <= worse.std(ddof=1) / math.sqrt(len(worse)):
            return trial
    return trials[-1]
