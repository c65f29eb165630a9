"""What one nitrogen trial says of the rate at which yield levels off: a likelihood on a grid, nothing optimised."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from vrn.errors import OutOfRangeError

Array = NDArray[np.float64]

TOPS_LB_AC: Final = np.arange(-80.0, 401.0, 8.0)
"""Rates T at which yield could level off. A grid that ended at the highest rate tried would forbid "more"."""
STEPS: Final = np.linspace(-3.0, 3.0, 13)
SMOOTH: Final = (float(np.log(0.0018)), 0.6)
"""Middle and spread of the log of c in a − c (T − N)² [bu/ac per (lb/ac)²]: Engelstad and Parks (1971)."""
KINKED: Final = (float(np.log(0.8)), 0.4)
"""Middle and spread of the log of b in a − b (T − N), bu/lb: an assumption of this project."""
_RANGES_FT: Final = (60.0, 150.0, 300.0, 600.0, 1200.0)
_NUGGETS: Final = (0.2, 0.5, 0.8, 0.999)
_NOISE_PLOTS: Final = 4
"""How many plots the usual noise is worth: an assumption of this project."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plot:
    """
    One harvested plot: what it got in this pass, what it yielded, and where its middle lies.

    Parameters
    ----------
    n_lb_ac : float
        As applied. [lb N/ac]
    yield_bu_ac : float
        Dry. [bu/ac]
    block : str or int
        Plots of a block share a level of yield.
    x_ft, y_ft : float, optional
        Plots of a trial without places count as independent.
    """

    n_lb_ac: float
    yield_bu_ac: float
    block: str | int = 1
    x_ft: float | None = None
    y_ft: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """
    Plots of one zone in one season, and what the nitrogen budget said there before.

    Parameters
    ----------
    field, zone : str
    season : int
    need_lb_ac : float
        Need by the budget, nothing learned in it. [lb N/ac]
    plots : tuple of Plot
    supplies, typical : mapping
        What each source took off the need here, and in the usual zone of the farm, as positive pounds: keys
        ``soil_nitrate`` (all depths), ``mineralization``, ``credit_…``. [lb N/ac]

    Raises
    ------
    OutOfRangeError
        If a number is not finite, or plots are too few or too alike to say anything.
    """

    field: str
    zone: str
    season: int
    need_lb_ac: float
    plots: tuple[Plot, ...]
    supplies: Mapping[str, float] = dataclasses.field(default_factory=dict)
    typical: Mapping[str, float] = dataclasses.field(default_factory=dict)

    def __post_init__(self) -> None:
        numbers = [self.need_lb_ac, *self.supplies.values(), *self.typical.values()]
        for plot in self.plots:
            numbers += [plot.n_lb_ac, plot.yield_bu_ac, plot.x_ft or 0.0, plot.y_ft or 0.0]
        if not np.isfinite(numbers).all():
            problem = f"The trial in {self.field}, zone {self.zone}, {self.season} holds a number that is not finite."
            raise OutOfRangeError(
                problem, "Leave out plots without a rate or a yield, and supplies that are not known."
            )
        blocks = {plot.block for plot in self.plots}
        if len(self.plots) < len(blocks) + 2 or len({plot.n_lb_ac for plot in self.plots}) < 2:
            problem = f"The trial in {self.field}, zone {self.zone}, {self.season} has too few plots or a single rate."
            raise OutOfRangeError(problem, "Give at least two more plots than blocks, and two rates.")


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneNeed:
    """
    Ground of a coming season: what the budget says there, nothing learned in it.

    Parameters
    ----------
    field, zone : str
    season : int
    need_lb_ac : float
        [lb N/ac]
    supplies, typical : mapping
        As for `Trial`. [lb N/ac]
    """

    field: str
    zone: str
    season: int
    need_lb_ac: float
    supplies: Mapping[str, float] = dataclasses.field(default_factory=dict)
    typical: Mapping[str, float] = dataclasses.field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Likelihood:
    """
    Log likelihood of a trial where yield levels off at T, for a smooth and a kinked response.

    Parameters
    ----------
    smooth, kinked : ndarray, shape (61, 13)
        By `TOPS_LB_AC` and by the middle of `SMOOTH` or `KINKED` plus its spread times `STEPS`.
    """

    smooth: Array
    kinked: Array

    def top(
        self, *, mean_lb_ac: float, sd_lb_ac: float, kink_weight: float = 0.25
    ) -> tuple[float, float]:  # fmt: skip
        """Mean and standard deviation of T where it was thought to be about a mean before the trial. [lb/ac]"""
        prior = -0.5 * ((TOPS_LB_AC - mean_lb_ac) / sd_lb_ac) ** 2
        steps = -0.5 * STEPS**2
        whole = np.zeros(len(TOPS_LB_AC))
        highest = max(float(self.smooth.max()), float(self.kinked.max()))
        for values, share in ((self.smooth, 1 - kink_weight), (self.kinked, kink_weight)):
            whole += share * np.exp(values - highest + prior[:, None] + steps).sum(axis=1)
        whole /= whole.sum()
        mean = float(whole @ TOPS_LB_AC)
        return mean, float(np.sqrt(whole @ (TOPS_LB_AC - mean) ** 2))


def likelihood_of(trial: Trial, *, noise_bu_ac: float = 8.0) -> Likelihood:
    """
    Likelihood of the rate at which yield levels off, with ground that is alike where it is near.

    Yields are a level for each block, a response below T, and an error that is correlated over the ground. The level is
    integrated out, the size of the error too; over ranges and shares of the correlation the likelihood is averaged.

    Parameters
    ----------
    trial : Trial
    noise_bu_ac : float
        Usual noise of a plot, worth four plots. [bu/ac]

    References
    ----------
    Restricted likelihood: Harville (1974), Biometrika 61:383.

    Examples
    --------
    Yields level off at 120 lb/ac; before the trial anything about 150 ± 50 lb/ac was likely:

    >>> plots = [Plot(n_lb_ac=n, yield_bu_ac=200 - 0.002 * max(120.0 - n, 0) ** 2) for n in (0, 40, 80, 120, 160) * 4]
    >>> grid = likelihood_of(Trial(field="A", zone="1", season=2025, need_lb_ac=150.0, plots=tuple(plots)))
    >>> [round(value) for value in grid.top(mean_lb_ac=150.0, sd_lb_ac=50.0)]
    [126, 17]
    """
    rates = np.array([plot.n_lb_ac for plot in trial.plots], dtype=float)
    yields = np.array([plot.yield_bu_ac for plot in trial.plots], dtype=float)
    names = sorted({str(plot.block) for plot in trial.plots})
    levels = np.array([[str(plot.block) == name for name in names] for plot in trial.plots], dtype=float)
    short = np.maximum(TOPS_LB_AC[:, None] - rates, 0.0)
    slopes = [np.exp(middle + spread * STEPS) for middle, spread in (SMOOTH, KINKED)]
    found: list[list[Array]] = [[], []]
    for correlation in _correlations(trial.plots):
        inverse = np.linalg.inv(correlation)
        inner = levels.T @ inverse @ levels
        rest = inverse - inverse @ levels @ np.linalg.solve(inner, levels.T @ inverse)
        size = -0.5 * (np.linalg.slogdet(correlation)[1] + np.linalg.slogdet(inner)[1])
        power = 0.5 * (len(rates) - len(names) + _NOISE_PLOTS)
        for form, shape in enumerate((-(short**2), -short)):
            cross, square = shape @ (rest @ yields), ((shape @ rest) * shape).sum(axis=1)
            left = yields @ rest @ yields - 2 * np.outer(cross, slopes[form]) + np.outer(square, slopes[form] ** 2)
            found[form].append(size - power * np.log(np.maximum(left, 0.0) + _NOISE_PLOTS * noise_bu_ac**2))
    smooth, kinked = (logsumexp(np.array(each), axis=0) - np.log(len(each)) for each in found)
    return Likelihood(smooth=smooth, kinked=kinked)


def _correlations(plots: tuple[Plot, ...]) -> list[Array]:
    places = [(plot.x_ft, plot.y_ft) for plot in plots if plot.x_ft is not None and plot.y_ft is not None]
    if len(places) < len(plots):
        return [np.eye(len(plots))]
    where = np.array(places, dtype=float)
    apart = np.hypot(*(where[:, None] - where).transpose(2, 0, 1))
    own = np.eye(len(plots))
    return [(1 - share) * np.exp(-3 * apart / reach) + share * own for reach in _RANGES_FT for share in _NUGGETS]
