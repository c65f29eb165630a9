"""A season as its rows: what is due, what to order, and the results of each field."""

from dataclasses import dataclass
from datetime import date
from typing import Final, Literal

import shapely

from vrn.findings import Finding
from vrn.model.trials import StripResponse

SHORT: Final = 10  # hex digits of a prescription's id that people read
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
    """A field's place in the season."""

    field: str  # name, what tells it from all others in the book, field file, and folder of the output
    key: str
    field_file: str
    folder: str
    season: int | None  # None after a failure
    state: State
    problem: str  # of a failure
    remedy: str
    growth_stage: str  # on ``sampled_on``; empty when it is not known
    sampled_on: date | None
    application_date: date | None
    stage_now: str  # about, from the stage at sampling; empty when it is not known
    last_day: date | None  # about when V12 is reached
    days_left: int | None  # to the application date, or to ``last_day`` where none was set; negative when it has passed
    units: str  # "us" or "metric", of the field file
    acres: float | None  # of the prescription; None after a failure. [ac]
    total_n_lb: float | None
    mean_rate_n_lb_ac: float | None
    total_product: float | None
    product: str
    product_unit: Literal["gal", "lb"]
    summary_sha256: str  # hash of ``summary.json``
    recorded_at: str  # when the book learned of it (UTC)
    zones: tuple[SeasonZone, ...]  # empty where no map was asked for
    bounds: tuple[float, ...] = ()  # of the ground, in degrees: west, south, east, north; empty after a failure
    grower: str = ""
    signed_by: str = ""
    loads: float | None = None  # of the tank or bin in the field file; None where it states none
    hours: float | None = None  # of driving at the speed and width entered, without turns and refills
    cost: float | None = None  # None without a price. [$]
    doubt_sd_lb_ac: float | None = None  # of the need's level, the same in all zones; None in an older book

    @property
    def late(self) -> bool:
        """Whether its day has passed and nothing says that it was applied."""
        return self.state not in ("applied", "failed") and self.days_left is not None and self.days_left < 0

    @property
    def outline(self) -> shapely.MultiPolygon:
        """Ground that the prescription covers, in longitude and latitude; empty after a failure."""
        parts = shapely.get_parts(shapely.union_all([zone.outline for zone in self.zones]))
        return shapely.MultiPolygon([part for part in parts if part.geom_type == "Polygon"])


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """One prescription in the chain of a field: its id, the id it took the place of, who signed it and when."""

    id: str
    replaces: str | None
    signed_by: str | None
    signed_on: str | None
    recorded_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """Product that prescriptions not yet applied will take, in its own unit: approved ones, and those still DRAFT."""

    product: str
    unit: Literal["gal", "lb"]
    approved: float
    draft: float
    fields: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Sum:
    """What the fields of one group come to, each product by itself; None where no field of it says.

    ``group`` is empty for fields without a day, a grower or a signer. Hours are driving at the speed and width entered,
    without turns and refills. ``late`` fields are past their day and not applied.
    """

    group: str
    product: str
    unit: Literal["gal", "lb"]
    fields: int
    acres: float
    total_product: float
    n_lb: float
    loads: float | None
    hours: float | None
    cost: float | None
    late: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneStalks:
    """Stalk nitrate of one zone."""

    zone: int | None  # None where the table does not say
    stalk_ppm: float  # mean of its tests
    stalk_class: str  # "low" or "marginal" or "optimal" or "excess"
    cut_share: float  # to take off next year's rate; 0 but in excess


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """Results of a field."""

    field: str
    season: int
    prescribed_n_lb: float | None
    applied_n_lb: float | None
    stalk_ppm: float | None  # mean of the stalk tests
    # of each zone's mean, each class once: a mean over zones would call a field of low and excess optimal. Empty
    # without a test
    stalk_class: str
    strips: tuple[tuple[float | None, float], ...]  # rate [lb N/ac] and yield [bu/ac] of each strip, by rate
    stalks: tuple[ZoneStalks, ...] = ()  # the same tests by zone
    responses: tuple[StripResponse, ...] = ()  # what strips say of the rate that would have paid best, by zone
    trials: tuple[Finding, ...] = ()  # what each trial says by itself, and the nitrogen left beside its grain


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One thing that came of a field, in the unit that ends ``what``, ``applied_product`` in the product's own.

    ``what`` is ``applied_n_lb``, ``applied_product``, ``strip_yield_bu_ac`` or ``stalk_nitrate_ppm``. Without a ``key``
    the field's name tells which field it is. ``on`` is the day it was; the day it is recorded when nobody says.
    """

    field: str
    season: int
    what: str
    value: float
    rate_n_lb_ac: float | None = None
    note: str = ""
    zone: int | None = None
    key: str = ""
    on: date | None = None
