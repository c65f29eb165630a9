"""Fitting a variogram: restricted maximum likelihood for field-sized sets, least squares on bins for larger ones."""

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.surface.empirical import EmpiricalVariogram, empirical_variogram
from vrn.surface.likelihood import correlation_matrix, gaussian_fit
from vrn.surface.places import Places, places_of
from vrn.surface.variogram import Fit, Model, Variogram

_MOST_BY_LIKELIHOOD = 300  # places; above it bins hold enough pairs
_NO_STRUCTURE = 2.0  # twice the gain in log-likelihood below which a range is not believed (two parameters, AIC: 4)
Method = Literal["restricted maximum likelihood", "weighted least squares"]


def fit_variogram(
    coordinates_m: ArrayLike,
    values: ArrayLike,
    *,
    model: Model = "spherical",
    nu: float | None = None,
    method: Method | None = None,
    error_variance: ArrayLike | None = None,
    cutoff_m: float | None = None,
    bins: int = 15,
) -> Variogram:
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
    cutoff_m, bins
        Of the empirical variogram; least squares only.

    Returns
    -------
    variogram : Variogram
        With ``fit``: method, standard errors, notes. Where the values hold no structure at all its model is
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
    return fit_places(places, model=model, nu=nu, method=method, cutoff_m=cutoff_m, bins=bins)


def fit_places(
    places: Places,
    *,
    model: Model,
    nu: float | None = None,
    method: Method | None = None,
    drift: NDArray[np.float64] | None = None,
    cutoff_m: float | None = None,
    bins: int = 15,
) -> Variogram:
    """
    Fit a variogram to readings already sorted by place.

    Parameters
    ----------
    places : Places
    model, nu, method, cutoff_m, bins
        As in `fit_variogram`.
    drift : ndarray, shape (n, q), optional
        Layers the mean follows besides a constant, at the readings.

    Returns
    -------
    variogram : Variogram
    """
    columns = 1 if drift is None else 1 + drift.shape[1]
    if len(places) < columns + 2:
        problem = f"{len(places)} places are too few to fit a variogram."
        raise OutOfRangeError(problem, "Take the mean of the readings, or give a variogram of your own.")
    if method is None:
        small = len(places) <= _MOST_BY_LIKELIHOOD or drift is not None or places.error_variance is not None
        method = "restricted maximum likelihood" if small else "weighted least squares"
    if not np.ptp(places.values):
        note = f"All {len(places.values)} values are {places.values[0]:g}: there is no variation to fit."
        return Variogram(model="nugget", fit=Fit(method=method, notes=(note,)))
    if model == "matern" and nu is None:
        nu = 1.5
    shape = Variogram(model=model, nu=nu if model == "matern" else None, range_m=1.0)
    if method == "weighted least squares":
        if drift is not None or places.error_variance is not None:
            problem = "Least squares on bins cannot take account of a drift or of known errors."
            raise OutOfRangeError(problem, 'Fit with method="restricted maximum likelihood".')
        points = places.coordinates_m[places.place]
        return _least_squares(empirical_variogram(points, places.values, cutoff_m=cutoff_m, bins=bins), shape)
    return _Likelihood(places, drift, shape).best()


class _Likelihood:
    """Restricted likelihood of one set of places as a function of range, nugget share and, with known errors, sill."""

    def __init__(self, places: Places, drift: NDArray[np.float64] | None, shape: Variogram) -> None:
        self.shape = shape
        self.places = places
        self.spacing_m, self.extent_m = _spans(places)
        count = len(places)
        # Merged with equal weights when errors are not known: a place with two readings has half the nugget.
        value, _, share = places.merged(1.0)
        self.unit = float(np.std(value)) or float(np.std(places.values))
        self.value = value / self.unit
        self.nugget_share = share
        trend = [np.ones(count)]
        if drift is not None:
            merged = places.merged(1.0, drift)[0]
            spread = merged.std(axis=0)
            trend += list(((merged - merged.mean(axis=0)) / np.where(spread > 0, spread, 1.0)).T)
        self.trend = np.column_stack(trend)
        self.known = places.error_variance is not None
        if self.known:
            _, noise, _ = places.merged(0.0)
            self.error = noise / self.unit**2

    def __call__(self, range_m: float, nugget_share: float, sill: float | None) -> tuple[float, float]:
        """Log-likelihood in units of the values' spread, and the sill."""
        variogram = replace(self.shape, range_m=range_m) if self.shape.model != "nugget" else self.shape
        covariance = correlation_matrix(self.places, variogram)
        covariance *= 1.0 - nugget_share
        diagonal = covariance.reshape(-1)[:: len(covariance) + 1]
        diagonal += nugget_share * self.nugget_share
        if self.known:
            covariance *= sill or 0.0
            diagonal += self.error
            return gaussian_fit(covariance, self.value, self.trend, scale=1.0)[0], sill or 0.0
        return gaussian_fit(covariance, self.value, self.trend, scale=None)

    def best(self) -> Variogram:
        """Variogram of the largest likelihood, from several starts."""
        from scipy.optimize import minimize

        if self.shape.model == "nugget":
            return self._pure_nugget()
        least, most = math.log(self.spacing_m / 2), math.log(self.extent_m * 2)
        floor = 1e-6
        bounds = [(least, most), (floor, 1.0)] + ([(-12.0, 6.0)] if self.known else [])

        def cost(theta: NDArray[np.float64]) -> float:
            sill = math.exp(theta[2]) if self.known else None
            return -self(math.exp(theta[0]), theta[1], sill)[0]

        ranges = np.linspace(least + 0.5, most - 0.7, 6)
        sills = (-1.0, 0.0) if self.known else (None,)
        starts = [
            np.array([r, share] if sill is None else [r, share, sill])
            for r in ranges
            for share in (0.1, 0.4, 0.75)
            for sill in sills
        ]
        starts.sort(key=cost)
        found = [minimize(cost, start, method="L-BFGS-B", bounds=bounds) for start in _apart(starts, 2)]
        theta = min(found, key=lambda result: result.fun).x
        return self._told(theta)

    def _told(self, theta: NDArray[np.float64]) -> Variogram:
        range_m, share = math.exp(theta[0]), float(theta[1])
        log_likelihood, sill = self(range_m, share, math.exp(theta[2]) if self.known else None)
        plain = self._pure_nugget()
        none = plain.fit.log_likelihood if plain.fit and plain.fit.log_likelihood is not None else -math.inf
        log_likelihood -= (len(self.places) - self.trend.shape[1]) * math.log(self.unit)
        gain = 2.0 * (log_likelihood - none)
        sill *= self.unit**2
        nugget = 0.0 if share <= 2e-6 else sill * share
        partial = sill * (1.0 - share)
        if partial <= 1e-4 * sill or gain <= 1e-6:
            return plain
        notes = []
        if gain < _NO_STRUCTURE:
            notes.append(
                f"The readings hold little more structure than a pure nugget: a range raises twice the log-likelihood "
                f"by {gain:.1f}, and {_NO_STRUCTURE:g} is the least to believe it."
            )
        if range_m > self.extent_m:
            notes.append("The range is longer than the field: the variogram rises without levelling off.")
        variogram = replace(self.shape, range_m=range_m, nugget=nugget, partial_sill=partial)
        errors = self._standard_errors(variogram)
        return replace(
            variogram,
            fit=Fit(
                method="restricted maximum likelihood",
                log_likelihood=log_likelihood,
                standard_errors=errors,
                notes=tuple(notes),
            ),
        )

    def _pure_nugget(self) -> Variogram:
        from scipy.optimize import minimize_scalar

        freedom = len(self.places) - self.trend.shape[1]

        def fitted(sill: float | None) -> tuple[float, float]:
            diagonal = self.nugget_share.copy()
            if self.known:
                diagonal = diagonal * (sill or 0.0) + self.error
            return gaussian_fit(np.diag(diagonal), self.value, self.trend, scale=1.0 if self.known else None)

        if self.known:
            found = minimize_scalar(lambda x: -fitted(math.exp(x))[0], bounds=(-14.0, 6.0), method="bounded")
            log_likelihood, sill = -float(found.fun), math.exp(found.x)
            sill = 0.0 if found.x < -13.9 else sill
        else:
            log_likelihood, sill = fitted(None)
        note = "The readings hold no structure that distance explains: the variogram is a pure nugget."
        return Variogram(
            model="nugget",
            nugget=sill * self.unit**2,
            fit=Fit(
                method="restricted maximum likelihood",
                log_likelihood=log_likelihood - freedom * math.log(self.unit),
                notes=() if self.shape.model == "nugget" else (note,),
            ),
        )

    def _standard_errors(self, variogram: Variogram) -> dict[str, float | None]:
        """From the curvature of the likelihood at its top; None for a parameter that stands at a bound."""
        names = ["nugget", "partial_sill", "range_m"]
        point = np.array([variogram.nugget, variogram.partial_sill, variogram.range_m or 1.0])
        free = [i for i in range(3) if point[i] > 0]

        def height(at: NDArray[np.float64]) -> float:
            sill = (at[0] + at[1]) / self.unit**2
            covariance = correlation_matrix(self.places, replace(self.shape, range_m=at[2]))
            covariance *= at[1] / self.unit**2
            diagonal = covariance.reshape(-1)[:: len(covariance) + 1]
            diagonal += at[0] / self.unit**2 * self.nugget_share + (self.error if self.known else 0.0)
            return gaussian_fit(covariance, self.value, self.trend, scale=1.0)[0] if sill > 0 else -math.inf

        curvature = _curvature(height, point, free)
        errors: dict[str, float | None] = dict.fromkeys(names)
        try:
            spread = np.linalg.inv(-curvature).diagonal()
        except np.linalg.LinAlgError:
            return errors
        for position, i in enumerate(free):
            if np.isfinite(spread[position]) and spread[position] > 0:
                errors[names[i]] = float(math.sqrt(spread[position]))
        return errors


def _curvature(
    height: Callable[[NDArray[np.float64]], float], point: NDArray[np.float64], free: list[int]
) -> NDArray[np.float64]:
    """Second derivatives by central differences."""
    step = 1e-3 * point
    matrix = np.empty((len(free), len(free)))
    top = height(point)

    def moved(*signs: tuple[int, float]) -> float:
        at = point.copy()
        for i, sign in signs:
            at[i] += sign * step[i]
        return height(at)

    for a, i in enumerate(free):
        matrix[a, a] = (moved((i, 1)) - 2 * top + moved((i, -1))) / step[i] ** 2
        for b, j in enumerate(free[:a]):
            cross = moved((i, 1), (j, 1)) - moved((i, 1), (j, -1)) - moved((i, -1), (j, 1)) + moved((i, -1), (j, -1))
            matrix[a, b] = matrix[b, a] = cross / (4 * step[i] * step[j])
    return matrix


def _apart(starts: list[NDArray[np.float64]], count: int) -> Iterator[NDArray[np.float64]]:
    """Best starts that differ in range."""
    used: list[float] = []
    for start in starts:
        if len(used) < count and all(abs(start[0] - other) > 0.6 for other in used):
            used.append(float(start[0]))
            yield start


def _spans(places: Places) -> tuple[float, float]:
    """Usual distance to the nearest place, and the diagonal of the places' bounding box. [m]"""
    from scipy.spatial import cKDTree

    nearest = cKDTree(places.coordinates_m).query(places.coordinates_m, k=[2])[0]
    return float(np.median(nearest)), float(np.hypot(*np.ptp(places.coordinates_m, axis=0)))


def _least_squares(empirical: EmpiricalVariogram, shape: Variogram) -> Variogram:
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
        lambda x: linear(x)[0],
        bounds=(steps[max(k - 1, 0)], steps[min(k + 1, 39)]),
        method="bounded",
        options={"xatol": 1e-9},
    )
    misfit, nugget, partial_sill = linear(float(found.x))
    if partial_sill <= 1e-4 * (nugget + partial_sill) or misfit >= flat * (1 - 1e-9):
        note = "The bins do not rise with distance: the variogram is a pure nugget."
        return Variogram(model="nugget", nugget=level, fit=Fit(method=method, notes=(note,)))
    notes: tuple[str, ...] = ()
    if k == len(steps) - 1:
        notes = ("The range is at the end of the search: the variogram rises without levelling off.",)
    return replace(
        shape,
        nugget=nugget,
        partial_sill=partial_sill,
        range_m=math.exp(found.x),
        fit=Fit(method=method, notes=notes),
    )


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
