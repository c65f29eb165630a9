"""How sure the need is, and why not surer: instrument, cores, the ground between samples, everything else."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.model.reading_error import ErrorCauses, ErrorParts, ReadingError
from vrn.model.samples import SoilSamples, profile_of
from vrn.model.variogram import Variogram
from vrn.prescription.model import Prescription
from vrn.sampling.error import error_of_readings
from vrn.surface.fit import fit_variogram
from vrn.surface.kriging import Kriging, covariance_between
from vrn.surface.places import places_of

_LEAST_TO_FIT = 8
_MOST_TARGETS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """Standard error of a mean, and of a single spot, by cause: the squares add up."""

    # standard errors of the area's mean, in the unit of the readings
    instrument: float
    composite: float
    space: float
    # the same for one spot of the area, root mean square over its spots
    spot_instrument: float
    spot_composite: float
    spot_space: float

    @property
    def total(self) -> float:
        """Standard error of the mean."""
        return float(np.sqrt(self.instrument**2 + self.composite**2 + self.space**2))

    @property
    def spot_total(self) -> float:
        """Standard error of one spot."""
        return float(np.sqrt(self.spot_instrument**2 + self.spot_composite**2 + self.spot_space**2))


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
        whole = max(split.spot_total**2, 1e-12)
        return ErrorParts(
            instrument_lb_ac=None
            if error.instrument_sd_ppm is None
            else _root(of_nitrate * split.spot_instrument**2 / whole),
            cores_lb_ac=None if error.core_cv_pct is None else _root(of_nitrate * split.spot_composite**2 / whole),
            ground_lb_ac=_root(of_nitrate * split.spot_space**2 / whole),
            other_lb_ac=_root(total - of_nitrate),
            total_lb_ac=_root(total),
        )

    if not usable.any():
        return None
    zones = {rate.zone: np.flatnonzero(usable & (labels == rate.zone)) for rate in prescription.rates}
    return ErrorCauses(
        field=part(np.flatnonzero(usable)),
        zones={zone: part(rows) for zone, rows in zones.items() if len(rows)},
        error=error,
    )


def _slope(prescription: Prescription) -> NDArray[np.float64]:
    """Pounds of need for each ppm in the top foot, by cell; 0 where it is unknown. [lb/ac per ppm]"""
    ppm = prescription.surfaces["nitrate_ppm"].values.ravel()
    pounds = sum(
        (np.asarray(one.lb_ac, float) for one in prescription.ledger.lines if one.key == "soil_nitrate"), np.zeros(())
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.broadcast_to(pounds, ppm.shape) / ppm
    return np.nan_to_num(slope, posinf=0.0, neginf=0.0)


def _splitter(layer: SoilSamples, error: ReadingError) -> Callable[[NDArray[np.float64]], Split]:
    """Function of spots that splits nitrate's error there."""
    ppm, places = layer.nitrate_ppm, layer.coordinates_m
    variogram = None
    if len(np.unique(places, axis=0)) >= _LEAST_TO_FIT and np.ptp(ppm) > 0:
        variogram = fit_variogram(places, ppm, model="exponential", error_variance=error.variance_ppm2)
    supplied = error.variance_ppm2
    seen = np.zeros(len(ppm)) if supplied is None else supplied - error.instrument_ppm2
    hidden = error.composite_ppm2 - seen  # the part all composites share, which the nugget holds
    if variogram is None or variogram.model == "nugget" or variogram.partial_sill <= 0:
        return lambda _spots: (
            split_of_mean(ppm, instrument_variance=error.instrument_ppm2, composite_variance=error.composite_ppm2)
            if len(ppm) > 1
            else _all_ground()
        )
    room = min(float(hidden.mean()) if len(hidden) else 0.0, variogram.nugget)
    rest = Variogram(
        model="exponential", nugget=variogram.nugget - room, partial_sill=variogram.partial_sill,
        range_m=variogram.range_m,
    )  # fmt: skip
    return lambda spots: split_of_kriging(
        places, spots, variogram=rest, instrument_variance=error.instrument_ppm2, composite_variance=seen + room
    )


def _all_ground() -> Split:
    return Split(instrument=0.0, composite=0.0, space=1.0, spot_instrument=0.0, spot_composite=0.0, spot_space=1.0)


def split_of_kriging(
    coordinates_m: ArrayLike,
    targets_m: ArrayLike,
    *,
    variogram: Variogram,
    instrument_variance: ArrayLike,
    composite_variance: ArrayLike,
) -> Split:
    """Error of kriging by cause: the weights carry each reading's error into the estimate, the rest is ground not seen.

    Of more than 400 spots an even part is taken. The variogram was fitted beside these error variances; its nugget,
    what the samples cannot resolve, counts as space. With weights λ and the readings' error variances D the error of an
    ordinary-kriging estimate is λᵀDλ + E[(λᵀy − y₀)²]: the first term is split between instrument and composite, the
    second is space. For a mean over spots λ and y₀ are means over spots (block kriging; Isaaks & Srivastava 1989, ch.
    13).

    One pair of readings 100 m apart, the middle estimated from both with weight one half: an instrument variance of 2
    gives 2 × 0.25 × 2 = 1.

    >>> split = split_of_kriging([(0, 0), (100, 0)], [(50, 0)], instrument_variance=2.0, composite_variance=0.0,
    ...                          variogram=Variogram(model="exponential", partial_sill=4.0, range_m=30.0))
    >>> round(split.instrument**2, 9), split.composite
    (1.0, 0.0)
    """
    points = np.asarray(coordinates_m, dtype=float)
    instrument = np.broadcast_to(np.asarray(instrument_variance, dtype=float), len(points))
    composite = np.broadcast_to(np.asarray(composite_variance, dtype=float), len(points))
    places = places_of(points, np.zeros(len(points)), instrument + composite)
    kriging = Kriging.of(places, variogram)
    weight = 1.0 / np.maximum(variogram.nugget + instrument + composite, 1e-12)
    weight = weight / np.bincount(places.place, weight, len(places))[places.place]
    by_place = [np.bincount(places.place, weight**2 * part, len(places)) for part in (instrument, composite)]
    targets = _thinned(np.asarray(targets_m, dtype=float)) - places.origin_m
    near = covariance_between(places.coordinates_m, targets, variogram)
    weights = _weights(kriging, near)
    mean_weights = weights.mean(axis=1)
    own = covariance_between(places.coordinates_m, places.coordinates_m, variogram)
    own.flat[:: len(places) + 1] += kriging.noise - sum(by_place)
    among = covariance_between(targets, targets, variogram)
    space = _quadratic(own, mean_weights) - 2 * mean_weights @ near.mean(axis=1) + among.mean()
    spot_space = (weights * (own @ weights - 2 * near)).sum(axis=0) + variogram.partial_sill
    return Split(
        instrument=_root(mean_weights**2 @ by_place[0]), composite=_root(mean_weights**2 @ by_place[1]),
        space=_root(space), spot_instrument=_root((weights**2).mean(axis=1) @ by_place[0]),
        spot_composite=_root((weights**2).mean(axis=1) @ by_place[1]), spot_space=_root(spot_space.mean()),
    )  # fmt: skip


def split_of_mean(values: ArrayLike, *, instrument_variance: ArrayLike, composite_variance: ArrayLike) -> Split:
    """Error of a plain mean of two readings or more by cause: what varies beyond their own error is space.

    Variances of shape (n,) or ().
    """
    read = np.asarray(values, dtype=float)
    count = len(read)
    instrument = float(np.broadcast_to(np.asarray(instrument_variance, dtype=float), count).mean())
    composite = float(np.broadcast_to(np.asarray(composite_variance, dtype=float), count).mean())
    space = max(float(read.var(ddof=1)) - instrument - composite, 0.0)
    return Split(
        instrument=_root(instrument / count), composite=_root(composite / count), space=_root(space / count),
        spot_instrument=_root(instrument / count), spot_composite=_root(composite / count),
        spot_space=_root(space * (1 + 1 / count)),
    )  # fmt: skip


def _weights(kriging: Kriging, near: NDArray[np.float64]) -> NDArray[np.float64]:
    """Ordinary-kriging weights of the places for each target, shape (p, m)."""
    simple = kriging.root.T @ (kriging.root @ near)
    gap = kriging.mean_root.T @ (kriging.mean_root @ (1.0 - kriging.drift.T @ simple))
    return np.asarray(simple + kriging.solved_drift @ gap)


def _thinned(targets: NDArray[np.float64]) -> NDArray[np.float64]:
    if len(targets) <= _MOST_TARGETS:
        return targets
    return np.asarray(targets[np.linspace(0, len(targets) - 1, _MOST_TARGETS).astype(int)])


def _quadratic(matrix: NDArray[np.float64], vector: NDArray[np.float64]) -> float:
    return float(vector @ matrix @ vector)


def _root(variance: float) -> float:
    return float(np.sqrt(max(float(variance), 0.0)))
