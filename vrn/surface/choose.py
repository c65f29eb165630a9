"""The choice between mean, inverse distance and kriging, made by what each predicts of samples left out."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.findings import Finding, note
from vrn.model.surface import SurfaceChoice
from vrn.model.variogram import Candidate, Model, Variogram
from vrn.surface.estimators import DRIFT, MEAN, Estimator, Held, InverseDistance, Kriged, LocalKriged, Mean
from vrn.surface.fit import MOST_BY_LIKELIHOOD, fit_places
from vrn.surface.kriging import MOST_AT_ONCE
from vrn.surface.likelihood import believed, highest_on_grid, likeliest
from vrn.surface.places import Places, by_place, one_blas_thread, places_of, points_of, readings_of
from vrn.surface.transform import Scale, Transform

_FEWEST_FOR_DISTANCE = 5  # places; below it a leave-one-out error says next to nothing
_FEWEST_FOR_KRIGING = 8
_FEWEST_FOR_DIRECTION = 50
_ALIKE = 4.0  # largest error variance over the smallest up to which readings are taken as equals
_MODELS: tuple[Model, ...] = ("exponential", "spherical", "matern")
_SCALES: tuple[Scale, ...] = ("plain", "square root", "logarithm")
_ABOUT = "surface"  # until it has a name
_SCALE_GAIN = 1.92  # in log-likelihood: half of chi-square's 95th percentile with one degree of freedom


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Interpolation:
    """A surface of samples at targets, and what its choice rests on."""

    estimate: NDArray[np.float64]  # shape (m,)
    # standard error of the field under the readings; None where nothing is known of it (one reading), shape (m,)
    se: NDArray[np.float64] | None
    predictive_se: NDArray[np.float64] | None  # standard error of a new reading, its own scatter included, shape (m,)
    chosen: str  # name of the candidate taken
    candidates: tuple[Candidate, ...]  # simpler first; empty when there is nothing to compare
    variogram: Variogram | None  # of the kriging that was tried, chosen or not
    findings: tuple[Finding, ...]
    readings: int  # what the surface was made from
    places: int
    estimator: Estimator  # what was chosen, for other targets and for draws
    # the drift's layers at the targets, as the estimator takes them, shape (m, q)
    target_drift: NDArray[np.float64] | None = None

    @property
    def choice(self) -> SurfaceChoice:
        """What the choice rests on, each reading as the others predict it; the surface left out."""
        predicted = self.estimator.estimate if len(self.estimator.estimate) == self.readings <= MOST_AT_ONCE else ()
        rmse = {one.name: one.rmse if math.isfinite(one.rmse) else None for one in self.candidates}
        return SurfaceChoice(
            candidates=self.candidates, loo_rmse=rmse.get(self.chosen), mean_rmse=rmse.get(MEAN),
            variogram=self.variogram,
            left_out=tuple(round(float(value), 4) for value in predicted) if self.candidates else (),
            readings=self.readings, places=self.places, range_m=_range_m(self.estimator),
        )  # fmt: skip


@dataclass(frozen=True, kw_only=True, eq=False)
class Drift:
    """Drift at readings and targets, centred and scaled by the readings; None where there is none."""

    at_readings: NDArray[np.float64] | None = None
    at_targets: NDArray[np.float64] | None = None

    @classmethod
    def of(
        cls, points: NDArray[np.float64], drift: ArrayLike | None, targets: NDArray[np.float64],
        target_drift: ArrayLike | None, known: NDArray[np.bool_], findings: list[Finding],
    ) -> "Drift":  # fmt: skip
        """Check the layers, and leave out those that are the same, or unknown, at the readings."""
        if drift is None and target_drift is None:
            return cls()
        if drift is None or target_drift is None:
            problem = "A drift needs its layers at the readings and at the targets, and one of them is missing."
            raise OutOfRangeError(problem, "Give both drift and target_drift.")
        here, there = np.asarray(drift, dtype=float), np.asarray(target_drift, dtype=float)
        here, there = here.reshape(len(here), -1), there.reshape(len(there), -1)
        if len(here) != len(points) or len(there) != len(targets) or here.shape[1] != there.shape[1]:
            problem = f"The drift is {here.shape} and {there.shape} for {len(points)} readings, {len(targets)} targets."
            raise OutOfRangeError(problem, "Give one row for each reading and target, and the same layers to both.")
        here = here[known]
        varied = (
            np.isfinite(here).all(axis=0) & (np.ptp(here, axis=0) > 0) if len(here) else np.zeros(here.shape[1], bool)
        )
        if not varied.all():
            out = int((~varied).sum())
            findings.append(note("surface.layers-not-followed", "surface", out=out, layers=len(varied)))
        here, there = here[:, varied], there[:, varied]
        center, spread = here.mean(axis=0), here.std(axis=0)
        there = np.clip(there, here.min(axis=0), here.max(axis=0))
        here, there = (here - center) / spread, (there - center) / spread
        if not here.shape[1] or np.linalg.matrix_rank(here, tol=1e-6 * len(here) ** 0.5) < here.shape[1]:
            return cls()
        return cls(at_readings=here, at_targets=np.nan_to_num(there))


def _range_m(estimator: Estimator) -> float | None:
    """Median range of the variograms that an estimator's error rests on; None for the mean. [m]"""
    if isinstance(estimator, LocalKriged):
        return estimator.variogram.reach_m
    if isinstance(estimator, Kriged | InverseDistance):
        return float(np.median([one.reach_m for one in estimator.plausible or (estimator.variogram,)]))
    return None


@one_blas_thread
def interpolate(
    coordinates_m: ArrayLike, values: ArrayLike, targets_m: ArrayLike, *, error_variance: ArrayLike | None = None,
    drift: ArrayLike | None = None, target_drift: ArrayLike | None = None, use_mean_only: bool = False,
) -> Interpolation:  # fmt: skip
    """
    Surface of samples by whichever of mean, inverse distance and kriging the samples themselves support.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing of the readings. [m]
    values : array_like, shape (n,)
        NaN readings are left out, with a finding.
    targets_m : array_like, shape (m, 2)
        [m]
    error_variance : array_like, shape (n,) or (), optional
        Known variance of each reading's error.
    drift, target_drift : array_like, shape (n, q) and (m, q), optional
        Layers known everywhere that the values may follow, at the readings and at the targets. Values beyond those at
        the readings are held at the nearest of them; where a target has none, the readings' mean stands in.
    use_mean_only : bool, default False
        Take the mean whatever the candidates say: no layer of the field shows a pattern (`pattern_evidence`).

    Raises
    ------
    OutOfRangeError
        If no reading is known, or shapes do not fit.

    Notes
    -----
    Each candidate estimates every place from the others. The simplest is taken whose mean squared error is within one
    standard error (of the difference, place by place) of the best. Where no range raises twice the restricted
    log-likelihood by 2 (up to 300 places), only the mean and a drift are up for it: with some tens of readings scatter
    alone often looks like a pattern. Kriging takes the model (exponential, spherical, Matérn with ν 1.5), the scale
    (plain, square roots, logarithms) and, from 50 places, the direction of largest restricted likelihood. The nugget
    is taken for error of instrument and composite and filtered: the surface is the field under the readings and does
    not run through them.

    References
    ----------
    Hastie, Tibshirani & Friedman (2009), The Elements of Statistical Learning, 2nd ed., § 7.10 (one-standard-error
    rule).

    Examples
    --------
    >>> interpolate([(0, 0), (50, 0)], [8.0, 12.0], [(25, 0)]).estimate.tolist()
    [10.0]
    """
    points, numbers, targets = points_of(coordinates_m), np.asarray(values, dtype=float), points_of(targets_m)
    findings: list[Finding] = []
    known = np.isfinite(numbers) if numbers.shape == (len(points),) else np.ones(len(points), dtype=bool)
    if error_variance is not None:
        errors = np.asarray(error_variance, dtype=float)
        if errors.shape not in ((), known.shape):
            problem = f"There are {len(known)} readings and error variances of shape {errors.shape}."
            raise OutOfRangeError(problem, "Give one variance for each reading, or one for all.")
        error_variance = np.broadcast_to(errors, known.shape)[known]
    layers = Drift.of(points, drift, targets, target_drift, known, findings)
    if not known.all() and known.any():
        unknown = int((~known).sum())
        findings.append(note("surface.readings-unknown", _ABOUT, unknown=unknown, readings=len(numbers)))
        points, numbers = points[known], numbers[known]
    if len(points) > MOST_AT_ONCE and drift is None and error_variance is None:
        return _of_many(points, numbers, targets, findings, use_mean_only=use_mean_only)
    places = places_of(points, numbers, error_variance)
    if len(places) < len(numbers):
        findings.append(note("surface.places-shared", _ABOUT, readings=len(numbers), places=len(places)))
    trials = _trials(places, layers, findings)
    chosen = _simplest(trials[:1] if use_mean_only else _supported(trials, findings), numbers, places.place)
    if use_mean_only:
        findings.append(note("surface.no-pattern", _ABOUT))
    elif chosen.name == MEAN and len(places) >= _FEWEST_FOR_DISTANCE and places.varied:
        findings.append(note("surface.no-better", _ABOUT))
    if isinstance(chosen, Kriged):
        findings.append(note("surface.scatter-smoothed", _ABOUT))
    judged = tuple(_judge(trial, numbers, trials[0], places.place) for trial in trials)
    there = layers.at_targets if chosen.name.startswith(DRIFT) else None
    estimate, se, predictive_se = chosen.at(targets, there)
    kriged = next((trial for trial in reversed(trials) if isinstance(trial, Kriged)), None)
    kriged = chosen if isinstance(chosen, Kriged) else kriged
    if kriged is not None and kriged.variogram.fit is not None:
        findings += kriged.variogram.fit.findings
    return Interpolation(
        estimate=estimate, se=se, predictive_se=predictive_se, chosen=chosen.name,
        candidates=judged if len(places) > 1 else (), variogram=kriged.variogram if kriged else None,
        findings=tuple(findings), readings=len(numbers), places=len(places), estimator=chosen, target_drift=there,
    )  # fmt: skip


def _of_many(
    points: NDArray[np.float64], values: NDArray[np.float64], targets: NDArray[np.float64],
    findings: list[Finding], *, use_mean_only: bool,
) -> Interpolation:  # fmt: skip
    """Mean or local kriging of thousands of points, judged on one in twenty."""
    readings_of(points, values)
    local = LocalKriged.of(points, values)
    mean = Held.mean(values, local.held)
    candidates = tuple(_judge(trial, values[local.held], mean) for trial in (mean, local))
    chosen: Estimator = local if not use_mean_only and candidates[1].skill > 0 else Mean.of(places_of(points, values))
    estimate, se, predictive_se = chosen.at(targets, None)
    findings.append(note("surface.judged-on-some", _ABOUT, held=len(local.held), points=len(values)))
    if chosen is not local:
        findings.append(note("surface.no-pattern" if use_mean_only else "surface.no-better", _ABOUT))
    return Interpolation(
        estimate=estimate, se=se, predictive_se=predictive_se, chosen=chosen.name, candidates=candidates,
        variogram=local.variogram, findings=tuple(findings), readings=len(values), places=len(values), estimator=chosen,
    )  # fmt: skip


def _trials(places: Places, layers: Drift, findings: list[Finding]) -> list[Estimator]:
    """The ways worth trying, simpler first."""
    trials: list[Estimator] = [Mean.of(places)]
    if len(places) < _FEWEST_FOR_DISTANCE:
        one = len(places) == 1
        findings.append(note("surface.one-place" if one else "surface.few-places", _ABOUT, places=len(places)))
        return trials
    if not places.varied or not np.ptp(places.merged(1.0)[0]):
        return trials
    direction = len(places) >= _FEWEST_FOR_DIRECTION
    kriged: list[Kriged] = []
    transform, scaled = _scale(places)
    variogram, plausible = _variograms(places, anisotropy=direction and transform.scale == "plain")
    if len(places) >= _FEWEST_FOR_KRIGING:
        if variogram.model != "nugget":
            kriged.append(Kriged.of(places, variogram, plausible, transform=Transform()))
        if transform.scale != "plain":
            of_scaled, as_likely = _variograms(scaled, anisotropy=direction)
            if of_scaled.model != "nugget":
                kriged.append(Kriged.of(scaled, of_scaled, as_likely, transform=transform))
        drift = layers.at_readings
        if drift is not None and len(places) >= _FEWEST_FOR_KRIGING + 4 * drift.shape[1]:
            along = likeliest(*_some(scaled, drift))
            kriged.append(Kriged.of(scaled, *along, transform=transform, drift=drift))
    error = places.error_variance
    if error is None or error.max() <= _ALIKE * error.min():
        trials.append(InverseDistance.of(places, variogram, plausible))
    else:
        findings.append(note("surface.errors-differ", _ABOUT))
    return [*trials, *kriged]


def _supported(trials: Sequence[Estimator], findings: list[Finding]) -> list[Estimator]:
    """All where the readings support a range, on one scale or another; else the mean, and what a drift tells."""
    by_distance = [
        trial for trial in trials if isinstance(trial, InverseDistance | Kriged) and not trial.name.startswith(DRIFT)
    ]
    if not by_distance or any(believed(trial.variogram) for trial in by_distance):
        return list(trials)
    findings.append(note("surface.by-chance", _ABOUT))
    return [trial for trial in trials if trial not in by_distance]


def _scale(places: Places) -> tuple[Transform, Places]:
    """Scale of largest likelihood, plain unless another explains the readings clearly better."""
    best, highest, scaled = Transform(), -math.inf, places
    if len(places) > MOST_BY_LIKELIHOOD:
        return best, scaled
    for scale in _SCALES:
        transform = Transform(scale=scale)
        if not transform.applies(places.values):
            continue
        moved = replace(
            places,
            values=transform.forward(places.values),
            error_variance=transform.error_variance(places.values, places.error_variance),
        )
        log_likelihood = transform.log_slope(places.values) + highest_on_grid(moved)
        if log_likelihood > highest + (_SCALE_GAIN if best.scale == "plain" and highest > -math.inf else 0.0):
            best, highest, scaled = transform, log_likelihood, moved
    return best, scaled


def _variograms(places: Places, *, anisotropy: bool) -> tuple[Variogram, tuple[Variogram, ...]]:
    """Likeliest variogram with those about as likely; alone where there are many places, from bins or some of them."""
    if len(places) > MOST_BY_LIKELIHOOD:
        return fit_places(_some(places)[0] if places.error_variance is not None else places, model="exponential"), ()
    return likeliest(places, anisotropy=anisotropy)


def _some(places: Places, drift: NDArray[np.float64] | None = None) -> tuple[Places, NDArray[np.float64] | None]:
    """As many places as a likelihood is worked out for, picked at random and always the same, with their drift."""
    if len(places) <= MOST_BY_LIKELIHOOD:
        return places, drift
    picked = np.random.default_rng(0).permutation(len(places))[:MOST_BY_LIKELIHOOD]
    rows = np.flatnonzero(np.isin(places.place, picked))
    error = None if places.error_variance is None else places.error_variance[rows]
    points = places.coordinates_m[places.place[rows]] + places.origin_m
    return places_of(points, places.values[rows], error), None if drift is None else drift[rows]


def _judge(
    trial: Estimator | Held, values: NDArray[np.float64], mean: Estimator | Held, place: NDArray[np.intp] | None = None
) -> Candidate:
    error = trial.estimate - values
    squared, of_mean = (float(np.mean(by_place((one.estimate - values) ** 2, place))) for one in (trial, mean))
    msdr = None
    if trial.variance is not None and (trial.variance > 0).all():
        msdr = float(np.mean(by_place(error**2 / trial.variance, place)))
    return Candidate(
        name=trial.name, rmse=math.sqrt(squared), mean_error=float(np.mean(by_place(error, place))), msdr=msdr,
        skill=1.0 - squared / of_mean if of_mean > 0 else 0.0,
    )  # fmt: skip


def _simplest(
    trials: Sequence[Estimator], values: NDArray[np.float64], place: NDArray[np.intp] | None = None
) -> Estimator:
    """First trial whose squared errors are within one standard error of the best one's, place by place."""
    if len(trials) == 1:
        return trials[0]
    squared = [by_place((trial.estimate - values) ** 2, place) for trial in trials]
    best = min(squared, key=lambda errors: float(errors.mean()))
    for trial, errors in zip(trials, squared, strict=True):
        worse = errors - best
        if worse.mean() <= worse.std(ddof=1) / math.sqrt(len(worse)):
            return trial
    return trials[-1]
