"""A farm's own nitrogen trials: plots as they were harvested, and what trials say together."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError
from vrn.findings import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialPlot:
    """One plot of a trial; ``why`` is why it was left out, empty where it counts. NaN is unknown."""

    label: str
    planned_n_lb_ac: float
    n_lb_ac: float  # as applied
    sd_n_lb_ac: float  # inside the plot
    yield_bu_ac: float  # dry
    points: int  # harvest records that count
    x_ft: float | None = None  # of its middle, east and north of the field's corner
    y_ft: float | None = None
    why: str = ""
    outline: str = ""  # WKT of the ground that counts, longitude and latitude


@dataclass(frozen=True, slots=True, kw_only=True)
class PastTrial:
    """A harvested trial, one block or the check strips of one zone, as a season book keeps it."""

    field: str
    season: int
    block: str  # "block 2", or "strips in zone 3"
    rx: str  # id of the prescription that it was laid in
    method: str  # key of the method whose need it is
    approved: bool
    need_lb_ac: float  # mean over the plots, nothing learned in it [lb N/ac]
    supplies: dict[str, float]  # positive pounds that each source took off the need there [lb N/ac]
    typical: dict[str, float]  # the same, over the whole field
    acres: float  # of the field
    plots: tuple[TrialPlot, ...]  # those left out, too
    harvest_sha256: str
    applied_sha256: str = ""  # empty where the plan was taken for what was applied

    @property
    def name(self) -> str:
        """Field, season and block, as a person names the trial."""
        return f"{self.field} {self.season} {self.block}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Harvested:
    """What the harvest of a field says of its trials."""

    field: str
    season: int
    units: str
    crs: str
    boundary: shapely.Geometry  # in ``crs``
    folder: str  # of the prescription
    trials: tuple[PastTrial, ...]
    says: tuple[Finding, ...]  # for each trial, what its yields say by themselves
    # rate at which yield levels off in each, by the budget and by the trial alone with its 90 % ends [lb N/ac]
    tops: tuple[tuple[float, float, float, float], ...]
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialTop:
    """Rate at which yield levels off where a trial was: what was expected, and what the trial says. [lb N/ac]"""

    trial: str  # its name
    season: int
    budget_lb_ac: float
    expected_lb_ac: float  # by the trials of earlier seasons; as the budget where there are none
    said_lb_ac: float  # by the trial alone, with its 90 % ends
    low_lb_ac: float
    high_lb_ac: float
    first_season: bool  # nothing was known before it


@dataclass(frozen=True, slots=True, kw_only=True)
class LearnedReport:
    """What the farm's trials did to a need, a build or a book at a time; spans are mean and 90 % ends."""

    trials: tuple[str, ...]  # names of those that count
    seasons: int
    skipped: tuple[tuple[str, str], ...]  # name, and the code of why: left out by a person ("person: …"), draft, …
    level: tuple[float, float, float]  # [lb N/ac]
    worth: dict[str, tuple[float, float, float]]  # of a pound of each supply that tells itself
    silent: tuple[str, ...]  # supplies of which the trials say too little
    shape_lb_ac: float  # what steepness and spread do to the best rate
    kink_weight: float
    together: tuple[float, float, float]  # level and supplies on this field's mean ground [lb N/ac]
    total_lb_ac: float  # mean of all learned lines there
    top: tuple[float, float, float]  # rate at which yield levels off there in one season [lb N/ac]
    more: int  # trials that said more than the ledger, and less
    less: int
    one_season_share: float  # how much of what a lone season says counts as level
    held_share: float  # of the ground, held at the most that a rate may move
    doubt_share: float  # what the trials leave of the level's doubt, as a share of its standard deviation
    without_n_lb_ac: tuple[float, ...] = ()  # rate of each zone had nothing been learned


@dataclass(frozen=True, slots=True, kw_only=True)
class StripResponse:
    """Response of yield to this pass on one zone, or in one pair, from strips read back after harvest."""

    findings: tuple[Finding, ...]  # the fit and what paid best, or why there is none
    where: str = ""  # zone or pair that the strips lie in
    form: str = ""  # ``quadratic`` or ``quadratic-plateau``; empty where there is none
    observations: int = 0
    # slope and bend of yield = a + bN + cN² (lb/ac, bu/ac), each with its standard error where there is one
    b: float | None = None
    b_se: float | None = None
    c: float | None = None
    c_se: float | None = None
    # best-paying rate of the pass, the ends of its 90 % interval that the strips show, and what lies within $1/ac of
    # it; None without prices
    optimum_n_lb_ac: float | None = None
    least_n_lb_ac: float | None = None
    most_n_lb_ac: float | None = None
    low_n_lb_ac: float | None = None
    high_n_lb_ac: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NitrogenTrial:
    """What was applied in all, and what was harvested, plot by plot.

    Raises OutOfRangeError if the columns differ in length.
    """

    n_lb_ac: NDArray[np.float64]  # total nitrogen of the season, shape (n,)
    yield_bu_ac: NDArray[np.float64]  # shape (n,)
    block: tuple[str, ...]  # replicate, zone or strip pair; empty texts when the file names none
    source: str  # file, for messages

    def __post_init__(self) -> None:
        if not len(self.n_lb_ac) == len(self.yield_bu_ac) == len(self.block):
            problem = f"The columns of {self.source} differ in length."
            raise OutOfRangeError(problem, "Give every column one value for each plot.")
