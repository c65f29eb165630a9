"""The variogram: how unlike two places are, by the distance between them; and how a way to a surface did."""

import math
from dataclasses import dataclass, field, replace
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.findings import Finding

Model = Literal["nugget", "spherical", "exponential", "gaussian", "matern"]
MODELS: tuple[str, ...] = get_args(Model)
_PRACTICAL = 0.05  # correlation left at the practical range


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One way to make the surface, judged on readings left out one place at a time; a place counts once."""

    name: str
    rmse: float  # root mean squared error, in the unit of the values
    mean_error: float  # mean of estimate less reading
    # mean of squared error over stated variance: 1 where the stated error is right; None where none is stated
    msdr: float | None
    skill: float  # 1 − mean squared error ÷ that of the plain mean; 0 or less: no better than the mean


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How a variogram was fitted."""

    method: str  # ``"restricted maximum likelihood"`` or ``"weighted least squares"``
    log_likelihood: float | None = None  # restricted log-likelihood at the optimum; None for least squares
    gain: float | None = None  # twice what a range adds to the log-likelihood of a pure nugget; None for least squares
    # of ``nugget``, ``partial_sill``, ``range_m``; None where the values do not hold it
    standard_errors: dict[str, float | None] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()  # what a reader should know of it


@dataclass(frozen=True, slots=True, kw_only=True)
class Variogram:
    """
    A variogram model with its parameters.

    Parameters
    ----------
    model : {"spherical", "exponential", "gaussian", "matern", "nugget"}
    nugget : float
        Semivariance just off zero distance: error of the readings, and variation closer than the samples.
    partial_sill : float
        What is added to the nugget far away.
    range_m : float, optional
        The model's own range parameter r, with h the distance: spherical ``1.5 h/r − 0.5 (h/r)³`` up to r;
        exponential ``1 − exp(−h/r)``; gaussian ``1 − exp(−(h/r)²)``; Matérn ``1 − 2^(1−ν)/Γ(ν) (h/r)^ν K_ν(h/r)``.
        Not used by ``"nugget"``. [m]
    nu : float, optional
        Smoothness ν of the Matérn model; 0.5 is the exponential model.
    anisotropy_ratio : float
        Range across the direction of longest continuity over the range along it, 0 < ratio ≤ 1; ``range_m`` is the
        long one.
    azimuth_deg : float
        Direction of longest continuity, clockwise from north. [°]
    fit : Fit, optional
        How the parameters were found.

    Raises
    ------
    OutOfRangeError
        If the model is unknown, or a parameter is negative, missing or not finite.

    References
    ----------
    Chilès & Delfiner (2012), Geostatistics, 2nd ed., § 2.5.

    Examples
    --------
    Halfway to the range a spherical variogram has reached 0.75 − 0.0625 = 0.6875 of its partial sill:

    >>> variogram = Variogram(model="spherical", nugget=2.0, partial_sill=16.0, range_m=100.0)
    >>> variogram.semivariance([0, 50, 100, 300]).tolist()
    [0.0, 13.0, 18.0, 18.0]
    """

    model: Model
    nugget: float = 0.0
    partial_sill: float = 0.0
    range_m: float | None = None
    nu: float | None = None
    anisotropy_ratio: float = 1.0
    azimuth_deg: float = 0.0
    fit: Fit | None = field(default=None, compare=False)

    def __post_init__(self) -> None:
        if self.model not in MODELS:
            problem = f"There is no variogram model {self.model!r}."
            raise OutOfRangeError(problem, f"Use one of {', '.join(MODELS)}.")
        for name, value in (("nugget", self.nugget), ("partial_sill", self.partial_sill)):
            if not (math.isfinite(value) and value >= 0):
                problem = f"The variogram's {name} is {value}."
                raise OutOfRangeError(problem, "Give a finite number, 0 or more.")
        if self.model == "nugget":
            if self.partial_sill:
                problem = f"A pure nugget variogram has no partial sill, and {self.partial_sill} was given."
                raise OutOfRangeError(problem, "Add it to the nugget, or choose a model with a range.")
            return
        if self.range_m is None or not (math.isfinite(self.range_m) and self.range_m > 0):
            problem = f"The variogram's range_m is {self.range_m}."
            raise OutOfRangeError(problem, "Give the range in metres, above 0.")
        if self.model == "matern" and not (self.nu is not None and 0.05 <= self.nu <= 20):
            problem = f"A Matérn variogram needs its smoothness, and nu is {self.nu}."
            raise OutOfRangeError(problem, "Give nu between 0.05 and 20, as 1.5.")
        if not 0 < self.anisotropy_ratio <= 1 or not math.isfinite(self.azimuth_deg):
            problem = f"The anisotropy is {self.anisotropy_ratio} at {self.azimuth_deg}°."
            raise OutOfRangeError(
                problem, "Give the short range over the long one (0 to 1) and a direction in degrees."
            )

    @property
    def sill(self) -> float:
        """Nugget and partial sill together."""
        return self.nugget + self.partial_sill

    @property
    def reach_m(self) -> float:
        """Distance beyond which places tell next to nothing of each other; 0 for a pure nugget. [m]

        Where the correlation falls to 0.05 (Chilès & Delfiner 2012, § 2.5: the practical range); a spherical model's
        own range; with anisotropy the geometric mean of the long one and the short one.

        >>> round(Variogram(model="exponential", partial_sill=1.0, range_m=100.0).reach_m, 1)
        299.6
        """
        if self.range_m is None:
            return 0.0
        times = {"spherical": 1.0, "exponential": -math.log(_PRACTICAL)}.get(self.model)
        if times is None:
            from scipy.optimize import brentq

            times = brentq(lambda ratio: float(self.correlation(np.array([ratio]))[0]) - _PRACTICAL, 0.01, 50.0)
        return float(self.range_m * times * math.sqrt(self.anisotropy_ratio))

    def without_nugget(self) -> "Variogram":
        """The same variogram with its nugget taken out: that of the smooth field under the readings."""
        return replace(self, nugget=0.0)

    def semivariance(self, distance_m: ArrayLike) -> NDArray[np.float64]:
        """Half the mean squared difference between values a distance apart.

        `distance_m`: along the direction of longest continuity when there is one.
        """
        distance = np.atleast_1d(np.array(distance_m, dtype=float))
        apart = self.nugget + self.partial_sill * (1.0 - self.correlation(distance / (self.range_m or 1.0)))
        return np.where(distance == 0, 0.0, apart)

    def correlation(self, ratio: NDArray[np.float64]) -> NDArray[np.float64]:
        """Correlation of the part that has a range, by distance over range; written into the array it is given.

        `ratio`: distance ÷ range; overwritten.
        """
        if self.model == "exponential" or (self.model == "matern" and self.nu == 0.5):
            np.negative(ratio, out=ratio)
            return np.exp(ratio, out=ratio)
        if self.model == "spherical":
            np.minimum(ratio, 1.0, out=ratio)
            cubic = ratio * ratio
            cubic *= 0.5
            cubic -= 1.5
            ratio *= cubic
            ratio += 1.0
            return ratio
        if self.model == "gaussian":
            ratio *= ratio
            np.negative(ratio, out=ratio)
            return np.exp(ratio, out=ratio)
        if self.model == "matern":
            return _matern(ratio, float(self.nu or 0.5))
        ratio[...] = 0.0
        return ratio

    def scaled(self, coordinates_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Coordinates in which the distance between two points is their distance over the range.

        Returns (n, 2): turned so that the first axis lies along the longest continuity.
        """
        range_m = self.range_m or 1.0
        if self.anisotropy_ratio == 1.0:
            return coordinates_m / range_m
        angle = math.radians(self.azimuth_deg)
        east, north = coordinates_m[:, 0], coordinates_m[:, 1]
        along = (east * math.sin(angle) + north * math.cos(angle)) / range_m
        across = (east * math.cos(angle) - north * math.sin(angle)) / (range_m * self.anisotropy_ratio)
        return np.column_stack([along, across])

    def to_plain(self) -> dict[str, object]:
        """The variogram as str, numbers, lists and dicts."""
        plain: dict[str, object] = {"model": self.model, "nugget": self.nugget, "partial_sill": self.partial_sill}
        if self.model != "nugget":
            plain["range_m"] = self.range_m
        if self.model == "matern":
            plain["nu"] = self.nu
        if self.anisotropy_ratio != 1.0:
            plain |= {"anisotropy_ratio": self.anisotropy_ratio, "azimuth_deg": self.azimuth_deg}
        if self.fit is not None:
            plain["method"] = self.fit.method
            plain["standard_errors"] = dict(self.fit.standard_errors)
        return plain


def _matern(ratio: NDArray[np.float64], nu: float) -> NDArray[np.float64]:
    """Matérn correlation, written into ``ratio``; polynomials times exp where ν is 1.5 or 2.5."""
    if nu in (1.5, 2.5):
        shape = 1.0 + ratio if nu == 1.5 else 1.0 + ratio + ratio * ratio / 3.0
        np.negative(ratio, out=ratio)
        np.exp(ratio, out=ratio)
        ratio *= shape
        return ratio
    from scipy.special import kv

    far = ratio > 600.0
    near = ratio < 1e-8
    safe = np.where(far | near, 1.0, ratio)
    value = 2.0 ** (1.0 - nu) / math.gamma(nu) * safe**nu * kv(nu, safe)
    ratio[...] = np.where(far, 0.0, np.where(near, 1.0, value))
    return ratio
