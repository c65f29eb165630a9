"""The finished prescription: zones with rates, products and reasons, ready to be written."""

import dataclasses
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn import door
from vrn.findings import Finding, Quantity, note
from vrn.model.field import Field
from vrn.model.grid import Grid, reproject
from vrn.model.readings import ReadingQuality
from vrn.model.samples import ErrorCauses
from vrn.model.settings import Override
from vrn.model.surface import Surface
from vrn.model.trials import LearnedReport
from vrn.nitrogen.doubt import LevelDoubt
from vrn.nitrogen.field_need import MethodResult
from vrn.nitrogen.ledger import Ledger, Line
from vrn.nitrogen.rain import RainEffect
from vrn.nitrogen.season import Season
from vrn.prescription.wanted import doubt_of
from vrn.response import TrialFit
from vrn.zones.model import Zones

if TYPE_CHECKING:
    from folium import Map
    from geopandas import GeoDataFrame

    from vrn.prescription.drive import DriveReport
    from vrn.prescription.machine import MachineReport
    from vrn.prescription.prescribe import RoundingReport
    from vrn.prescription.products import LoadsReport
    from vrn.prescription.strips import RemainingReport, StripReport
    from vrn.prescription.trial import TrialReport
    from vrn.prescription.uncertainty import Uncertainty
    from vrn.response.payoff import AfterHarvest, PriceReport


@dataclass(frozen=True, slots=True, kw_only=True)
class Product:
    """A nitrogen product."""

    name: str
    n_pct: float  # nitrogen by weight
    density_lb_gal: float | None  # None for a dry product
    unit: Literal["gal", "lb"]  # what the tank or the bin is measured in
    source: str  # of the analysis and the density
    cautions: tuple[str, ...] = ()  # what the handler must know, as codes of findings

    @property
    def named(self) -> bool:
        """Whether the field file names a product; without one, this is nitrogen itself, by the pound."""
        return self.n_pct < 100.0

    @property
    def n_pct_shown(self) -> float:
        """Analysis as the trade prints it, to three digits: a blend of 29.9935 % is 30."""
        return float(f"{self.n_pct:.3g}")

    @property
    def n_lb_per_unit(self) -> float:
        """Nitrogen in a gallon or a pound of product. [lb N/gal or lb N/lb]"""
        return self.n_pct / 100.0 * (self.density_lb_gal if self.density_lb_gal is not None else 1.0)


Cause = Literal[
    "unknown-need", "person", "return", "return-held", "kinked", "pass-cap", "season-cap",
    "season-cap-credited", "season-cap-unknown",
    "machine-most", "no-step", "below-least-off", "below-least-raised", "step", "step-for-total",
    "strip-more", "strip-less", "trial", "trial-called-for", "top-up",
]  # fmt: skip


PRICED: Final = ("return", "return-held", "kinked")
"""Causes that stand in the ledger's line of prices."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One thing a limit, the machine, the rounding or a person did to a zone's rate."""

    zone: int
    cause: Cause  # what kind of thing, one of `Cause`; it names the sentence
    from_n_lb_ac: float  # before
    to_n_lb_ac: float
    # what the sentence is filled with: the cap, the step, a person's reason
    quantities: dict[str, Quantity] = dataclasses.field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckStrip:
    """What a piece of a check strip is: its pair, what it gets more or less, the zone it lies in.

    >>> str(CheckStrip(pair=1, difference_n_lb_ac=-30.0, in_zone=2))
    'check strip 1, -30 lb N/ac in zone 2'
    """

    pair: int  # 1, 2, …
    difference_n_lb_ac: float  # from its zone's rate
    in_zone: int | None  # None where that zone has been covered whole

    def __str__(self) -> str:
        where = "" if self.in_zone is None else f" in zone {self.in_zone}"
        return f"check strip {self.pair}, {self.difference_n_lb_ac:+g} lb N/ac{where}"


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockRate:
    """What the plots of one rate in a block of a nitrogen trial are.

    >>> str(BlockRate(block=1, rate_n_lb_ac=150.0))
    'trial block 1, 150 lb N/ac'
    """

    block: int  # 1, 2, …
    rate_n_lb_ac: float

    def __str__(self) -> str:
        return f"trial block {self.block}, {self.rate_n_lb_ac:g} lb N/ac"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ZoneRate:
    """One zone with its rate and the reasons for it."""

    zone: int  # number, 1 … k
    outline: shapely.Geometry  # in the field's system
    acres: float  # geodesic
    parts: int  # number of separate polygons
    rate_n_lb_ac: float  # what is to be applied
    # the same in ``Prescription.rate_unit``: product per acre, or lb N/ac when that is the rate basis
    rate_product: float
    product_per_ac: float  # product, in its own unit per acre whatever the rate basis
    need_lb_ac: float  # zone's need before limits: max(0, sum of the ledger)
    need_se_lb_ac: float | None  # standard error of that mean
    nitrate_ppm: float  # area-weighted means; NaN where unknown
    organic_matter_pct: float
    yield_goal_bu_ac: float
    ledger: Ledger  # area-weighted means of the cells' lines
    changes: tuple[Change, ...] = ()  # from need to rate, in order; empty when the rate is the need
    trial: CheckStrip | BlockRate | None = None  # what is learned from it at harvest; None for an ordinary zone
    whole: shapely.Geometry | None = None  # its ground before strips or plots were cut out of it, where they were
    zone_before: int | None = None  # its number in the whole field, where a rain-out has changed it
    topped_up: bool = False  # gets what a first pass was short of
    # least and most rate above 0 that limits and machine allow, (0, 0) where they allow none
    allowed_n_lb_ac: tuple[float, float] = (0.0, 0.0)
    prices: Line | None = None  # what they add to the ledger's sum; None where the rate does not follow them

    @property
    def lines(self) -> tuple[Line, ...]:
        """The ledger's lines and that of prices: max(0, their sum) is the rate wanted before limits."""
        return self.ledger.lines if self.prices is None else (*self.ledger.lines, self.prices)

    @property
    def label(self) -> str:
        """What sets the zone apart in every file that a machine reads; empty for an ordinary zone."""
        if self.trial is not None:
            return str(self.trial)
        more = "more on " if self.topped_up else ""
        return "" if self.zone_before is None else f"{more}zone {self.zone_before} of the whole field"

    __repr__ = door.brief


@dataclass(frozen=True, slots=True, kw_only=True)
class FlatComparison:
    """What one rate for the whole field would do."""

    total_n_lb: float
    total_product: float
    # area-weighted mean distance between need and rate, under one rate and under the zones' rates
    misallocated_lb_ac: float
    zones_misallocated_lb_ac: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Signed:
    """How a prescription was signed: the day the entry was made, and the public key in hex where there was a key."""

    entered_on: date
    public_key: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Prescription:
    """
    What ``vrn.build`` returns and ``vrn.write`` writes.

    Parameters
    ----------
    share : ndarray, shape (rows, cols)
        Share of each cell that is treated ground, 0 … 1.
    surfaces : dict of str to Surface
        By name with unit: ``nitrate_ppm``, ``deep_nitrate_ppm`` (when pulled), ``organic_matter_pct``,
        ``yield_goal_bu_ac``, ``need_lb_ac``.
    ledger : Ledger
        Of the cells: arrays of shape (rows × cols,), or scalars where a line is the same everywhere.
    rates : tuple of ZoneRate
        In the order of the zones, 1 … k.
    rate_basis : {"product", "n"}
    rate_unit : {"gal/ac", "lb/ac", "lb N/ac"}
        Unit of ``ZoneRate.rate_product`` and of every controller file.
    acres : float
        Treated ground, geodesic: the sum of the zones. [ac]
    flat_rate_n_lb_ac : float
        One rate for the whole field from the same samples. [lb N/ac]
    total_n_lb, total_product : float
        [lb N], [gal or lb]
    findings : tuple of Finding
        Of the whole way from reading to rates.
    readings : ReadingQuality or None
        What was found when the readings were checked.
    causes : ErrorCauses or None
        Where the error of the need comes from.
    machine, drive, loads, prices, after_harvest, check_strips, trial, remaining, uncertainty : optional
        Reports, each described where it is made; None where there was nothing to report.
    id : str
        SHA-256 of everything that a signature stands for; empty until ``vrn.build`` or ``vrn.write`` gives it.
    replaces : str, optional
        Id of the signed prescription of this field that this one is written over.
    signed : Signed, optional
        None for a draft, and for an approval that came with the field file or a review.
    overrides : tuple of Override
        Those in force, each by the zone that holds its ground now.
    dropped_overrides : tuple of Override
        Those whose ground is no longer one zone.
    methods : tuple of MethodResult
        What every published method says of each zone, the one that builds first.
    season : Season, optional
        Stage, applications and weather up to sampling; what rain did is in ``rain``.
    response : TrialFit, optional
        Fitted to the user's own trial.
    learned : LearnedReport, optional
        What trials of earlier seasons did to the need.
    """

    field: Field
    grid: Grid
    share: NDArray[np.float64]
    surfaces: dict[str, Surface]
    ledger: Ledger
    zones: Zones
    rates: tuple[ZoneRate, ...]
    product: Product
    rate_basis: str
    rate_unit: str  # in a metric field the files hold its metric twin
    acres: float
    flat_rate_n_lb_ac: float
    total_n_lb: float
    total_product: float
    findings: tuple[Finding, ...] = ()
    readings: ReadingQuality | None = None
    causes: ErrorCauses | None = None
    flat: FlatComparison | None = None
    rounding: "RoundingReport | None" = None
    machine: "MachineReport | None" = None
    drive: "DriveReport | None" = None
    loads: "LoadsReport | None" = None
    prices: "PriceReport | None" = None
    after_harvest: "AfterHarvest | None" = None
    check_strips: "StripReport | None" = None
    trial: "TrialReport | None" = None
    remaining: "RemainingReport | None" = None
    uncertainty: "Uncertainty | None" = None
    methods: tuple[MethodResult, ...] = ()
    id: str = ""
    replaces: str | None = None
    signed: Signed | None = None
    overrides: tuple[Override, ...] = ()
    dropped_overrides: tuple[Override, ...] = ()
    season: Season | None = None
    response: TrialFit | None = None
    learned: LearnedReport | None = None

    def __repr__(self) -> str:
        rates = door.span([rate.rate_n_lb_ac for rate in self.rates], unit="lb N/ac")
        return door.card(
            f"Prescription {self.field.name}, season {self.field.settings.header.season}"
            f" ({'signed' if self.approved else 'DRAFT'}): {len(self.rates)} zones, {rates}",
            f"{self.acres:.1f} ac, {self.total_n_lb:,.0f} lb N, {self.total_product:,.0f} {self.product.unit} of "
            f"{self.product.name}",
            f"by {self.ledger.key}; one flat rate would be {self.flat_rate_n_lb_ac:g} lb N/ac",
            f"surfaces: {', '.join(self.surfaces)}",
        )

    def _repr_html_(self) -> str:
        return str(door.call("Prescription.html", self))

    def to_geodataframe(self, *, crs: str = "EPSG:4326") -> "GeoDataFrame":
        """
        A row for each zone.

        Parameters
        ----------
        crs : str
            Of the geometry; longitude and latitude when not given.

        Returns
        -------
        zones : geopandas.GeoDataFrame, k rows
            ``zone, label, acres, parts, rate_n_lb_ac, rate_product, rate_unit, product, need_lb_ac, need_se_lb_ac,
            nitrate_ppm, organic_matter_pct, yield_goal_bu_ac, geometry``; NaN where unknown.
        """
        from geopandas import GeoDataFrame

        rows = [
            {
                "zone": rate.zone, "label": rate.label, "acres": rate.acres, "parts": rate.parts,
                "rate_n_lb_ac": rate.rate_n_lb_ac, "rate_product": rate.rate_product, "rate_unit": self.rate_unit,
                "product": self.product.name, "need_lb_ac": rate.need_lb_ac,
                "need_se_lb_ac": np.nan if rate.need_se_lb_ac is None else rate.need_se_lb_ac,
                "nitrate_ppm": rate.nitrate_ppm, "organic_matter_pct": rate.organic_matter_pct,
                "yield_goal_bu_ac": rate.yield_goal_bu_ac,
            }
            for rate in self.rates
        ]  # fmt: skip
        outlines = [reproject(rate.outline, self.field.crs, crs) for rate in self.rates]
        return GeoDataFrame(rows, geometry=outlines, crs=crs)

    def explore(self, **options: Any) -> "Map":
        """
        An interactive map of the zones for a notebook; its background comes from the network.

        Parameters
        ----------
        **options
            Passed on to ``folium.Map``, as ``tiles=None`` for no background.
        """
        return door.call("Prescription.explore", self, **options)

    @property
    def approved(self) -> bool:
        """Whether a person has approved exactly this: name, date and this id."""
        review = self.field.settings.review
        return self.field.settings.approved and review.approved_id == self.id

    @property
    def doubt(self) -> LevelDoubt:
        """What the level of all needs may be off by, the same for all zones: one standard deviation."""
        return doubt_of(self.field.settings, self.ledger, self.learned)

    @property
    def cautions(self) -> tuple[Finding, ...]:
        """What whoever handles the product and drives the pass must know."""
        said = tuple(finding for finding in self.findings if finding.code.startswith("rates.caution-"))
        return said if self.findings else tuple(note(code, "product") for code in self.product.cautions)

    @property
    def rain(self) -> RainEffect | None:
        """What rain and warmth did to the nitrogen already applied; None without a record."""
        return None if self.season is None else self.season.rain

    @property
    def mean_rate_n_lb_ac(self) -> float:
        """Total nitrogen over treated acres. [lb N/ac]"""
        return self.total_n_lb / self.acres if self.acres else 0.0

    @property
    def audit(self) -> tuple[Change, ...]:
        """Everything that was changed on the way from need to rate, zone by zone."""
        return tuple(change for rate in self.rates for change in rate.changes)

    def rate_grid(self) -> NDArray[np.float64]:
        """Rate of each cell by its zone; NaN off the treated ground. [lb N/ac]"""
        by_zone = np.array([np.nan, *(rate.rate_n_lb_ac for rate in self.rates)])
        return by_zone[self.zones.labels]

    def outline(self) -> shapely.Geometry:
        """Union of the zones, in the field's system."""
        return shapely.union_all([rate.outline for rate in self.rates])
