"""The surface of samples: averaged kriging, or their mean; and what each predicts of samples left out."""

import math
from collections import Counter
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.findings import Finding, Quantity, note
from vrn.model.surface import SurfaceChoice
from vrn.model.variogram import Candidate, Variogram
from vrn.surface.cross_validation import leave_one_out
from vrn.surface.estimators import MEAN, Averaged, Estimator, Mean, mixed
from vrn.surface.likelihood import Likely, posterior
from vrn.surface.nearby import SOME, some_of
from vrn.surface.places import Places, by_place, one_blas_thread, places_of, points_of
from vrn.surface.transform import Scale, Transform

_FEWEST = 5  # places; below it a leave-one-out error says next to nothing
_LARGE = 0.25  # share of the plain mean in the average from which a person hears of it
_SCALES: tuple[Scale, ...] = ("plain", "square root", "logarithm")
_ROUNDS = 2
_NEIGHBORS = 24
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
    variogram: Variogram | None  # the likeliest of the kriging that was tried, taken or not
    findings: tuple[Finding, ...]
    readings: int  # what the surface was made from
    places: int
    estimator: Estimator  # what was chosen, for other targets and for draws
    # the drift's layers at the targets, as the estimator takes them, shape (m, q)
    target_drift: NDArray[np.float64] | None = None

    @property
    def choice(self) -> SurfaceChoice:
        """What the choice rests on, each reading as the others predict it; the surface left out."""
        predicted = self.estimator.estimate if len(self.estimator.estimate) == self.readings else ()
        rmse = {one.name: one.rmse if math.isfinite(one.rmse) else None for one in self.candidates}
        return SurfaceChoice(
            candidates=self.candidates, loo_rmse=rmse.get(self.chosen), mean_rmse=rmse.get(MEAN),
            variogram=self.variogram,
            left_out=tuple(round(float(value), 4) for value in predicted) if self.candidates else (),
            readings=self.readings, places=self.places,
            range_m=self.estimator.range_m if isinstance(self.estimator, Averaged) else None,
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


@one_blas_thread
def interpolate(
    coordinates_m: ArrayLike, values: ArrayLike, targets_m: ArrayLike, *, error_variance: ArrayLike | None = None,
    drift: ArrayLike | None = None, target_drift: ArrayLike | None = None, use_mean_only: bool = False,
    by_distance: bool = False,
) -> Interpolation:  # fmt: skip
    """
    Surface of samples by kriging, averaged over the variograms that the samples allow, no pattern among them.

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
        Take the mean: no layer of the field shows a pattern (`pattern_evidence`).
    by_distance : bool, default False
        Weigh the 24 nearest places by one over the square of their distance (Shepard 1968) instead of kriging, whose
        variograms say its error. The surface runs through single samples, scatter and all.

    Raises
    ------
    OutOfRangeError
        If no reading is known, or shapes do not fit.

    Notes
    -----
    Twelve variograms count alike, picked in proportion to their restricted likelihood and to what is usual
    (`posterior`); with some tens of readings no single one is known. A pure nugget among them is the plain mean. A
    drift is followed in those whose slope is not 0. Scale (plain, square roots, logarithms): that of most evidence,
    plain unless another is clearly better. The nugget is taken for error of instrument and composite and filtered: the
    surface is the field under the readings and does not run through them. Above 300 places there is one variogram, the
    likeliest of 300 of them, and kriging from the nearest.

    References
    ----------
    Handcock & Stein (1993), A Bayesian analysis of kriging, Technometrics 35, 403–410.

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
    places = places_of(points, numbers, error_variance).binned()
    if len(places) < len(numbers):
        findings.append(note("surface.places-shared", _ABOUT, readings=len(numbers), places=len(places)))
    mean, kriged = Mean.of(places), _averaged(
        places, layers.at_readings, findings, by_distance=by_distance
    )  # fmt: skip
    chosen: Estimator = mean if use_mean_only or kriged is None or kriged.no_pattern_share == 1.0 else kriged
    if use_mean_only:
        findings.append(note("surface.no-pattern", _ABOUT))
    elif kriged is not None and kriged.no_pattern_share >= _LARGE:
        findings.append(note("surface.by-chance", _ABOUT, share=Quantity("share", kriged.no_pattern_share)))
    if chosen is kriged and by_distance:
        findings.append(note("surface.by-distance", _ABOUT))
    elif chosen is kriged:
        findings.append(note("surface.scatter-smoothed", _ABOUT))
        if kriged.range_m > float(np.hypot(*np.ptp(places.coordinates_m, axis=0))):
            findings.append(note("surface.range-longer", _ABOUT))
    held = np.arange(len(numbers)) if kriged is None else kriged.held
    tried: list[tuple[str, NDArray[np.float64], NDArray[np.float64] | None]] = [(MEAN, mean.estimate[held], None)]
    if kriged is not None:
        tried.append((kriged.name, kriged.estimate, kriged.variance))
    candidates = [judged(*one, places=places, mean=mean, held=held) for one in tried]
    if len(held) < len(numbers):
        findings.append(note("surface.judged-on-some", _ABOUT, held=len(held), points=len(numbers)))
    estimate, se, predictive_se = chosen.at(targets, layers.at_targets)
    return Interpolation(
        estimate=estimate, se=se, predictive_se=predictive_se, chosen=chosen.name,
        candidates=tuple(candidates) if len(places) > 1 else (), variogram=None if kriged is None else kriged.variogram,
        findings=tuple(findings), readings=len(numbers), places=len(places), estimator=chosen,
        target_drift=layers.at_targets,
    )  # fmt: skip


def _averaged(
    places: Places, drift: NDArray[np.float64] | None, findings: list[Finding], *, by_distance: bool
) -> Averaged | None:  # fmt: skip
    """Kriging averaged over the variograms that the places allow; None where there is nothing to krige."""
    if len(places) < _FEWEST:
        one = len(places) == 1
        findings.append(note("surface.one-place" if one else "surface.few-places", _ABOUT, places=len(places)))
        return None
    if not places.varied or not np.ptp(places.merged(1.0)[0]):
        return None
    if by_distance:
        drift = None
    few, along = places, drift
    if len(places) > SOME:
        rows = np.flatnonzero(np.isin(places.place, some_of(len(places))))
        error = None if places.error_variance is None else places.error_variance[rows]
        few = places_of(places.coordinates_m[places.place[rows]], places.values[rows], error)
        along = None if drift is None else drift[rows]
    best, scale, most = None, Transform(), -math.inf
    for transform in (Transform(scale=scale) for scale in (_SCALES[:1] if by_distance else _SCALES)):
        if not transform.applies(places.values):
            continue
        found = posterior(transform.places(few), along)
        evidence = found.log_evidence + transform.log_slope(few.values) + (_SCALE_GAIN if most == -math.inf else 0.0)
        if evidence > most:
            best, scale, most = found, transform, evidence
    if best is None:
        return None
    likely = best.likely
    if len(places) > SOME:  # 300 places know their variogram, or there is none
        likely = (next((one for one in likely if one.variogram.model == "nugget"), best.best),)
    return Averaged.of(
        scale.places(places), likely, best.best.variogram, transform=scale, drift=drift, by_distance=by_distance
    )  # fmt: skip


@one_blas_thread
def below_limits(
    coordinates_m: ArrayLike, values: ArrayLike, limits: ArrayLike, *, error_variance: ArrayLike | None = None,
    name: str = _ABOUT,
) -> tuple[NDArray[np.float64], NDArray[np.float64], tuple[Finding, ...]]:  # fmt: skip
    """
    Readings of which only a limit is known, as the mean of what they may be between 0 and it, by the others around.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing of the readings. [m]
    values : array_like, shape (n,)
        Not looked at where there is a limit.
    limits : array_like, shape (n,)
        Upper limit of a reading; NaN for one that is known.
    error_variance : array_like, shape (n,), optional
        Known variance of each reading's error.

    Returns
    -------
    values : ndarray, shape (n,)
        Mean of a normal distribution cut at 0 and at the limit, of the mean and variance that kriging from the other
        readings gives. With fewer than five known readings half the limit, the mean of anything between.
    variance : ndarray, shape (n,)
        Of what each may be; 0 for a known reading.
    findings : tuple of Finding
        What was filled in, of the surface ``name``; none where every reading is known.

    Notes
    -----
    Hidden readings beside each other rest on each other: two rounds, each with the variograms that the last one
    allows. They are fitted to draws, since means vary less than what they stand for.

    References
    ----------
    Helsel (2006), Fabricating data: how substituting values for nondetects can ruin results, Chemosphere 65,
    2434–2439, on half the limit. Johnson, Kotz & Balakrishnan (1994), Continuous Univariate Distributions 1, § 13.10.1
    (from memory).

    Examples
    --------
    >>> east = np.arange(8.0) * 50
    >>> line, ppm = np.column_stack([east, 0 * east]), np.array([0, 9, 8.5, 9.5, 8, 9, 8.5, 9])
    >>> value, _, _ = below_limits(line, ppm, [6.0, *[np.nan] * 7])
    >>> bool(3.0 < value[0] < 6.0)
    True
    """
    points, most = points_of(coordinates_m), np.asarray(limits, dtype=float)
    hidden = np.isfinite(most)
    known = np.zeros(len(most)) if error_variance is None else np.asarray(error_variance, dtype=float)
    numbers, spread2 = np.where(hidden, most / 2, np.asarray(values, dtype=float)), np.where(hidden, most**2 / 12, 0.0)
    if not hidden.any():
        return numbers, spread2, ()
    some, order = some_of(len(numbers)), np.lexsort(points.T)  # the same whatever the readings' order
    noise = np.empty(len(numbers))
    noise[order] = np.random.default_rng(0).standard_normal(len(numbers))
    for _ in range(_ROUNDS if (~hidden).sum() >= _FEWEST else 0):
        drawn = np.where(hidden, np.clip(numbers + np.sqrt(spread2) * noise, 0.0, most), numbers)
        few = places_of(points[some], drawn[some])
        likely: tuple[Likely, ...] = (Likely(Variogram(model="nugget", nugget=float(np.var(drawn))), 0.0),)
        if len(few) >= _FEWEST and few.varied and np.ptp(few.merged(1.0)[0]):
            found = posterior(few)
            likely = (found.best,) if len(numbers) > SOME else found.likely
        predicted = []
        for one, times in Counter(likely).items():
            middle, variance = leave_one_out(
                points, numbers, variogram=one.variogram, error_variance=known + spread2,
                neighbors=_NEIGHBORS if len(numbers) > SOME else None,
            )  # fmt: skip
            variance = np.maximum(variance - spread2, 1e-6 * np.nanmax(most) ** 2)
            predicted.append((times / len(likely), middle, np.sqrt(variance)))
        middle, variance = mixed(predicted)
        numbers[hidden], spread2[hidden] = _between(middle[hidden], np.sqrt(variance[hidden]), most[hidden])
    least, highest = (Quantity("concentration", float(end(numbers[hidden]))) for end in (np.min, np.max))
    told = note("surface.below-detection", name, readings=int(hidden.sum()), least=least, most=highest)
    return numbers, spread2, (told,)


def _between(
    middle: NDArray[np.float64], sd: NDArray[np.float64], most: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean and variance of a normal distribution cut at 0 and at a limit, precise far out in its tails too."""
    from scipy.special import log_ndtr

    low, high = -middle / sd, (most - middle) / sd
    turned = low + high > 0  # the same from the other end, so that the tail's logarithms keep their digits
    low, high = np.where(turned, -high, low), np.where(turned, -low, high)
    inside = log_ndtr(high) + np.log1p(-np.exp(log_ndtr(low) - log_ndtr(high)))
    at_low, at_high = (np.exp(-0.5 * (end**2 + math.log(2.0 * math.pi)) - inside) for end in (low, high))
    shift = at_low - at_high
    variance = 1.0 + low * at_low - high * at_high - shift**2
    mean = np.clip(middle + sd * np.where(turned, -shift, shift), 0.0, most)
    return mean, np.clip(variance * sd**2, 0.0, most**2 / 12)


def judged(
    name: str, estimate: NDArray[np.float64], variance: NDArray[np.float64] | None, *, places: Places, mean: Mean,
    held: NDArray[np.intp],
) -> Candidate:  # fmt: skip
    """A way to make the surface, judged place by place by what it gives for readings left out."""
    place = None if len(places) == len(places.values) else np.unique(places.place[held], return_inverse=True)[1]
    error, missed = (one - places.values[held] for one in (estimate, mean.estimate[held]))
    squared, of_mean = (float(np.mean(by_place(one**2, place))) for one in (error, missed))
    msdr = None
    if variance is not None and (variance > 0).all():
        msdr = float(np.mean(by_place(error**2 / variance, place)))
    return Candidate(
        name=name, rmse=math.sqrt(squared), mean_error=float(np.mean(by_place(error, place))), msdr=msdr,
        skill=1.0 - squared / of_mean if of_mean > 0 else 0.0,
    )  # fmt: skip
