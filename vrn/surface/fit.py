"""The empirical variogram, and fitting one: by likelihood for field-sized sets, by bins for larger ones."""

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.findings import Finding, Quantity, note
from vrn.model.variogram import Fit, Model, Variogram
from vrn.surface.likelihood import METHOD, Likelihood
from vrn.surface.places import one_blas_thread, places_of

_MOST_IN_TILES = 4_000  # readings; above it pairs are counted by a compiled kernel (extra ``dense``)
_TILE_ROWS = 64
MOST_BY_LIKELIHOOD = 300  # places; above it bins hold enough pairs
Method = Literal["restricted maximum likelihood", "weighted least squares"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EmpiricalVariogram:
    """Pairs of readings in bins of distance, empty bins left out."""

    distance_m: NDArray[np.float64]  # mean distance of the pairs of a bin, shape (k,)
    semivariance: NDArray[np.float64]  # shape (k,)
    pairs: NDArray[np.intp]  # shape (k,)
    # a bin holds the distances above its lower edge, up to and with its upper one, shape (bins + 1,)
    edges_m: NDArray[np.float64]


def empirical_variogram(
    coordinates_m: ArrayLike, values: ArrayLike, *, cutoff_m: float | None = None, bins: int = 15
) -> EmpiricalVariogram:
    """
    Empirical variogram of any number of readings.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing. [m]
    values : array_like, shape (n,)
    cutoff_m : float, optional
        Pairs farther apart are not counted; a third of the bounding box's diagonal when not given. [m]
    bins : int
        Bins of equal width from 0 to the cutoff.

    Returns
    -------
    empirical : EmpiricalVariogram
        Pairs at one place are not counted.

    Raises
    ------
    OutOfRangeError
        If a reading is unknown, or bins or cutoff cannot be used.
    MissingExtraError
        If there are more than 4 000 readings and the extra ``dense`` is not installed.

    References
    ----------
    Matheron (1963), Principles of geostatistics, Economic Geology 58, 1246–1266.

    Examples
    --------
    Four readings in a row, 10 m apart: at 10 m the differences are 1, 2, 1, so half the mean square is 1.

    >>> empirical = empirical_variogram([(0, 0), (10, 0), (20, 0), (30, 0)], [5, 6, 8, 7], cutoff_m=20, bins=2)
    >>> empirical.distance_m.tolist(), empirical.semivariance.tolist(), empirical.pairs.tolist()
    ([10.0, 20.0], [1.0, 2.5], [3, 2])
    """
    places = places_of(coordinates_m, values)
    points = places.coordinates_m[places.place]
    if cutoff_m is None:
        cutoff_m = float(np.hypot(*np.ptp(points, axis=0))) / 3 or 1.0
    if not (cutoff_m > 0 and np.isfinite(cutoff_m) and bins >= 1):
        problem = f"A variogram of {bins} bins up to {cutoff_m} m cannot be counted."
        raise OutOfRangeError(problem, "Give a cutoff above 0 m and at least one bin.")
    edges = np.linspace(0.0, cutoff_m, bins + 1)
    if len(points) > _MOST_IN_TILES:
        from vrn.surface.nearby import count_pairs

        pairs, distance, squared = count_pairs(points, places.values, edges)
    else:
        pairs, distance, squared = _count_in_tiles(points, places.values, edges)
    some = pairs > 0
    return EmpiricalVariogram(
        distance_m=distance[some] / pairs[some], semivariance=squared[some] / pairs[some] / 2, pairs=pairs[some],
        edges_m=edges,
    )  # fmt: skip


def _count_in_tiles(
    points: NDArray[np.float64], values: NDArray[np.float64], edges: NDArray[np.float64]
) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
    """Pairs, sum of distances and sum of squared differences of each bin, some rows at a time."""
    bins = len(edges) - 1
    pairs = np.zeros(bins, dtype=np.intp)
    distances, squares = np.zeros(bins), np.zeros(bins)
    for start in range(0, len(points), _TILE_ROWS):
        rows = slice(start, start + _TILE_ROWS)
        i, j = np.triu_indices(len(points[rows]), k=1, m=len(points) - start)
        east = points[start + i, 0] - points[start + j, 0]
        north = points[start + i, 1] - points[start + j, 1]
        distance = np.sqrt(east * east + north * north)
        near = (distance > 0) & (distance <= edges[-1])
        distance = distance[near]
        difference = values[start + i[near]] - values[start + j[near]]
        bin_of = np.searchsorted(edges, distance, side="left") - 1
        pairs += np.bincount(bin_of, minlength=bins)
        distances += np.bincount(bin_of, distance, bins)
        squares += np.bincount(bin_of, difference * difference, bins)
    return pairs, distances, squares


@one_blas_thread
def fit_variogram(
    coordinates_m: ArrayLike, values: ArrayLike, *, model: Model = "spherical", nu: float | None = None,
    method: Method | None = None, error_variance: ArrayLike | None = None, anisotropy: bool = False,
    cutoff_m: float | None = None, bins: int = 15,
) -> Variogram:  # fmt: skip
    """
    Fit a variogram model to readings.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing. [m]
    values : array_like, shape (n,)
    model : {"spherical", "exponential", "gaussian", "matern", "nugget"}
    nu : float, optional
        Smoothness of the Matérn model, kept as it is; 1.5 when not given.
    method : {"restricted maximum likelihood", "weighted least squares"}, optional
        Likelihood up to 300 places when not given, least squares above.
    error_variance : array_like, shape (n,) or (), optional
        Known variance of each reading's error, which the nugget then does not hold. Likelihood only.
    anisotropy : bool, default False
        Whether a direction of longest continuity is looked for, and kept when a likelihood-ratio test at 0.1 %
        supports it. Likelihood only.
    cutoff_m, bins
        Of the empirical variogram; least squares only.

    Returns
    -------
    variogram : Variogram
        With ``fit``: method, standard errors, findings. Where the values hold no structure at all its model is
        ``"nugget"``; constant values give a sill of 0.

    Raises
    ------
    OutOfRangeError
        If there are fewer than three places, or a reading is unknown.

    References
    ----------
    Patterson & Thompson (1971), Biometrika 58, 545–554; Webster & Oliver (2007), Geostatistics for Environmental
    Scientists, 2nd ed., ch. 5 (at least 100 readings for a variogram by bins); Pebesma (2004), Multivariable
    geostatistics in S: the gstat package, Computers & Geosciences 30, 683–691 (weights N/h²).

    Examples
    --------
    >>> fit_variogram([(0, 0), (10, 0), (20, 0), (30, 0)], [5.0, 5.0, 5.0, 5.0]).sill
    0.0
    """
    places = places_of(coordinates_m, values, error_variance)
    if len(places) < 3:
        problem = f"{len(places)} places are too few to fit a variogram."
        raise OutOfRangeError(problem, "Take the mean of the readings, or give a variogram of your own.")
    if method is None:
        small = len(places) <= MOST_BY_LIKELIHOOD or places.error_variance is not None
        method = METHOD if small else "weighted least squares"
    if not places.varied:
        value = Quantity("number", float(places.values[0]))
        same = note("surface.all-same", "surface", readings=len(places.values), value=value)
        return Variogram(model="nugget", fit=Fit(method=method, findings=(same,)))
    if model == "matern" and nu is None:
        nu = 1.5
    shape = Variogram(model=model, nu=nu if model == "matern" else None, range_m=1.0)
    if method == "weighted least squares":
        if places.error_variance is not None or anisotropy:
            problem = "Least squares on bins cannot take account of known errors or of direction."
            raise OutOfRangeError(problem, 'Fit with method="restricted maximum likelihood".')
        points = places.coordinates_m[places.place]
        return least_squares(empirical_variogram(points, places.values, cutoff_m=cutoff_m, bins=bins), shape)
    return Likelihood(places, shape).best(anisotropy=anisotropy)


def least_squares(empirical: EmpiricalVariogram, shape: Variogram) -> Variogram:
    """Nugget, partial sill and range that come nearest to the bins, weighted by pairs over distance squared."""
    from scipy.optimize import minimize_scalar

    method = "weighted least squares"
    distance, semivariance = empirical.distance_m, empirical.semivariance
    if not len(distance):
        problem = "No two readings lie within the cutoff of the variogram."
        raise OutOfRangeError(problem, "Give a larger cutoff_m.")
    weight = empirical.pairs / distance**2

    def linear(log_range: float) -> tuple[float, float, float]:
        rise = 1.0 - shape.correlation(distance / math.exp(log_range))
        return _nugget_and_sill(rise, semivariance, weight)

    level = float(np.average(semivariance, weights=weight))
    flat = float(weight @ (semivariance - level) ** 2)
    if shape.model == "nugget" or len(distance) < 3:
        return Variogram(model="nugget", nugget=level, fit=Fit(method=method))
    least, most = math.log(float(distance[0]) / 3), math.log(float(empirical.edges_m[-1]) * 4)
    steps = np.linspace(least, most, 40)
    k = int(np.argmin([linear(x)[0] for x in steps]))
    found = minimize_scalar(
        lambda x: linear(x)[0], bounds=(steps[max(k - 1, 0)], steps[min(k + 1, 39)]), method="bounded",
        options={"xatol": 1e-9},
    )  # fmt: skip
    misfit, nugget, partial_sill = linear(float(found.x))
    if partial_sill <= 1e-4 * (nugget + partial_sill) or misfit >= flat * (1 - 1e-9):
        flat_bins = note("surface.no-structure", "surface")
        return Variogram(model="nugget", nugget=level, fit=Fit(method=method, findings=(flat_bins,)))
    findings: tuple[Finding, ...] = ()
    if k == len(steps) - 1:
        findings = (note("surface.range-longer", "surface"),)
    return replace(
        shape, nugget=nugget, partial_sill=partial_sill, range_m=math.exp(found.x),
        fit=Fit(method=method, findings=findings),
    )  # fmt: skip


def _nugget_and_sill(
    rise: NDArray[np.float64], wanted: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[float, float, float]:
    """Weighted squared misfit, nugget and partial sill of ``nugget + partial sill · rise``, neither below 0."""
    design = np.column_stack([np.ones_like(rise), rise])
    root = np.sqrt(weight)[:, None]
    nugget, sill = np.linalg.lstsq(design * root, wanted * root[:, 0], rcond=None)[0]
    if nugget < 0:
        nugget, sill = 0.0, float((weight * rise) @ wanted / ((weight * rise) @ rise))
    if sill < 0:
        nugget, sill = float(weight @ wanted / weight.sum()), 0.0
    return float(weight @ (nugget + sill * rise - wanted) ** 2), float(nugget), float(sill)
