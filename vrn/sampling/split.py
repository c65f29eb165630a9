"""The uncertainty of a map split into the instrument, the cores that were mixed, and the ground between samples."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.surface.kriging import Kriging, covariance_between
from vrn.surface.places import places_of
from vrn.surface.variogram import Variogram

_MOST_TARGETS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Split:
    """
    Standard error of a mean, and of a single spot, by cause: the squares add up.

    Parameters
    ----------
    instrument, composite, space : float
        Standard errors of the area's mean, in the unit of the readings (or of the need, after :meth:`times`).
    spot_instrument, spot_composite, spot_space : float
        The same for one spot of the area, root mean square over its spots.
    """

    instrument: float
    composite: float
    space: float
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

    def times(self, slope: float) -> "Split":
        """The same in another unit: pounds of need for each ppm, as 3.67 for a foot of soil at 1.35 g/cm³."""
        k = abs(slope)
        return Split(
            instrument=self.instrument * k, composite=self.composite * k, space=self.space * k,
            spot_instrument=self.spot_instrument * k, spot_composite=self.spot_composite * k,
            spot_space=self.spot_space * k,
        )  # fmt: skip

    def to_plain(self) -> dict[str, float]:
        """Every part and both totals by name."""
        return {
            "instrument": self.instrument, "composite": self.composite, "space": self.space, "total": self.total,
            "spot_instrument": self.spot_instrument, "spot_composite": self.spot_composite,
            "spot_space": self.spot_space, "spot_total": self.spot_total,
        }  # fmt: skip


def split_of_kriging(
    coordinates_m: ArrayLike,
    targets_m: ArrayLike,
    *,
    variogram: Variogram,
    instrument_variance: ArrayLike,
    composite_variance: ArrayLike,
) -> Split:
    """
    Error of kriging by cause: the weights carry each reading's error into the estimate, the rest is ground not seen.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        [m]
    targets_m : array_like, shape (m, 2)
        Spots of the area; of more than 400 an even part is taken. [m]
    variogram : Variogram
        Fitted beside these error variances; its nugget, what the samples cannot resolve, counts as space.
    instrument_variance, composite_variance : array_like, shape (n,) or ()
        Of each reading.

    Returns
    -------
    split : Split

    Notes
    -----
    With weights λ and the readings' error variances D the error of an ordinary-kriging estimate is
    λᵀDλ + E[(λᵀy − y₀)²]: the first term is split between instrument and composite, the second is space. For a mean
    over spots λ and y₀ are means over spots (block kriging; Isaaks & Srivastava 1989, ch. 13).

    Examples
    --------
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
    """
    Error of a plain mean of readings by cause: what varies beyond the readings' own error is space.

    Parameters
    ----------
    values : array_like, shape (n,)
        At least two.
    instrument_variance, composite_variance : array_like, shape (n,) or ()

    Returns
    -------
    split : Split
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
