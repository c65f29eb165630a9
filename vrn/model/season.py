"""A season as its rows: what is due, what to order, and the results of each field."""

from dataclasses import dataclass
from datetime import date
from typing import Literal

import shapely

from vrn.findings import Finding

State = Literal["failed", "DRAFT", "approved", "applied"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeasonZone:
    """A zone as its prescription gives it; ``outline`` in longitude and latitude, ``rate_product`` in ``rate_unit``."""

    zone: int
    rate_n_lb_ac: float
    rate_product: float
    rate_unit: str
    acres: float
    outline: shapely.Geometry


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Due:
    """
    A field's place in the season.

    Parameters
    ----------
    field, field_file, folder : str
        Name, field file, and folder of the output.
    season : int or None
        None after a failure.
    state : {"failed", "DRAFT", "approved", "applied"}
    problem, remedy : str
        Of a failure.
    growth_stage : str
        On ``sampled_on``; empty when it is not known.
    stage_now : str
        About, from the stage at sampling; empty when it is not known.
    last_day : date or None
        About when V12 is reached.
    days_left : int or None
        To the application date, or to ``last_day`` where none was set; negative when it has passed.
    units : {"us", "metric"}
        Of the field file.
    acres, total_n_lb, mean_rate_n_lb_ac, total_product : float or None
        Of the prescription; None after a failure. [ac], [lb N], [lb N/ac], [gal or lb]
    summary_sha256, recorded_at : str
        Hash of ``summary.json``, and when the book learned of it (UTC).
    """

    field: str
    field_file: str
    folder: str
    season: int | None
    state: State
    problem: str
    remedy: str
    growth_stage: str
    sampled_on: date | None
    application_date: date | None
    stage_now: str
    last_day: date | None
    days_left: int | None
    units: str
    acres: float | None
    total_n_lb: float | None
    mean_rate_n_lb_ac: float | None
    total_product: float | None
    product: str
    product_unit: Literal["gal", "lb"]
    summary_sha256: str
    recorded_at: str
    zones: tuple[SeasonZone, ...]

    @property
    def outline(self) -> shapely.MultiPolygon:
        """Ground that the prescription covers, in longitude and latitude; empty after a failure."""
        parts = shapely.get_parts(shapely.union_all([zone.outline for zone in self.zones]))
        return shapely.MultiPolygon([part for part in parts if part.geom_type == "Polygon"])


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """Product that prescriptions not yet applied will take, in its own unit: approved ones, and those still DRAFT."""

    product: str
    unit: Literal["gal", "lb"]
    approved: float
    draft: float
    fields: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StripResponse:
    """
    Response of yield to this pass, from strips read back after harvest.

    Parameters
    ----------
    findings : tuple of Finding
        The fit and what paid best, or why there is none.
    form : str
        ``quadratic`` or ``quadratic-plateau``; empty where there is none.
    b, b_se, c, c_se : float or None
        Slope and bend of yield = a + bN + cN² (lb/ac, bu/ac), each with its standard error where there is one.
    optimum_n_lb_ac, optimum_se_lb_ac, low_n_lb_ac, high_n_lb_ac : float or None
        Best-paying rate of the pass, its standard error, and what lies within $1/ac of it; None without prices.
        [lb N/ac]
    """

    findings: tuple[Finding, ...]
    form: str = ""
    observations: int = 0
    b: float | None = None
    b_se: float | None = None
    c: float | None = None
    c_se: float | None = None
    optimum_n_lb_ac: float | None = None
    optimum_se_lb_ac: float | None = None
    low_n_lb_ac: float | None = None
    high_n_lb_ac: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneStalks:
    """
    Stalk nitrate of one zone.

    Parameters
    ----------
    zone : int or None
        None where the table does not say.
    stalk_ppm : float
        Mean of its tests. [ppm]
    stalk_class : {"low", "marginal", "optimal", "excess"}
    cut_share : float
        To take off next year's rate; 0 but in excess.
    """

    zone: int | None
    stalk_ppm: float
    stalk_class: str
    cut_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """
    Results of a field.

    Parameters
    ----------
    stalk_ppm : float or None
        Mean of the stalk tests. [ppm]
    stalk_class : str
        Of each zone's mean, each class once: a mean over zones would call a field of low and excess optimal. Empty
        without a test.
    strips : tuple of (float or None, float)
        Rate [lb N/ac] and yield [bu/ac] of each strip, by rate.
    stalks : tuple of ZoneStalks
        The same tests by zone.
    response : StripResponse or None
        What the strips say of the rate that would have paid best.
    """

    field: str
    season: int
    prescribed_n_lb: float | None
    applied_n_lb: float | None
    stalk_ppm: float | None
    stalk_class: str
    strips: tuple[tuple[float | None, float], ...]
    stalks: tuple[ZoneStalks, ...] = ()
    response: StripResponse | None = None
