"""The field file as nouns: every key a user may write, with its unit, its default and its allowed range."""

from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Annotated, Any, Literal

from annotated_types import Ge, Gt, Le, Lt, MaxLen, MinLen

from vrn.model.job import (
    CheckStripSection,
    IrrigationWater,
    JobSection,
    LearningSection,
    LeaveOut,
    ManureSpread,
    NotNegative,
    Positive,
    Rate,
    Share,
    Text,
    TrialSection,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class NoApply:
    """Ground that gets no nitrogen: ``file`` of polygons or lines, widened by the user's own ``setback_ft``."""

    file: Text
    setback_ft: Annotated[float, Ge(0), Lt(2000)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldSection:
    """``[field]``."""

    name: Text
    id: Annotated[str, MinLen(1), MaxLen(64)] | None = None  # the same every season, wherever the files are; no other's
    season: Annotated[int, Ge(1980), Le(2100)]
    boundary: Text  # "farm.geojson#Name" where the file holds several outlines
    boundary_where: dict[str, str] = field(default_factory=dict)  # or the column and value that the field's own have
    boundary_crs: str | None = None  # when the file does not say
    edge_buffer_ft: Annotated[float, Ge(0), Lt(500)] = 0.0
    no_apply: tuple[NoApply, ...] = ()
    cell_m: Annotated[float, Ge(1), Le(60)] | None = None  # side of a grid cell; from the swath when not given


@dataclass(frozen=True, slots=True, kw_only=True)
class Crop:
    """``[crop]``; ``growth_stage`` is by leaf collars on the day the cores were pulled."""

    yield_goal_bu_ac: Annotated[float, Ge(20), Le(450)]
    growth_stage: str | None = None
    planting_date: date | None = None
    application_date: date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AreaFile:
    """Polygons that composites are of, and the column that holds their ``area_id``."""

    file: Text
    column: Text = "area_id"


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSection:
    """``[samples]``."""

    file: Text
    crs: str | None = None  # of the coordinates when not longitude and latitude
    reported_as: Literal["NO3-N", "NO3"] | None = None
    moisture_basis: Literal["dry", "moist"] | None = None
    water_pct: Annotated[float, Gt(0), Lt(100)] | None = None  # of the dry soil's weight
    columns: dict[str, str] = field(default_factory=dict)
    depth: Text | None = None  # of every core, as "0-12 in", where the file has no depths
    areas: AreaFile | None = None
    instrument_sd_ppm: Annotated[float, Gt(0), Lt(1e3)] | None = None  # standard deviation of one reading
    correct_drift: bool = False  # correct readings by their check standards
    accept: Text | None = None  # why readings that look like another unit or substance are right as they stand
    weight: Share = 1.0  # how much of the pattern of nitrate counts
    surface: Literal["kriging", "distance"] | None = None  # how the map between samples is made; None: kriging
    leave_out: tuple[LeaveOut, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class OrganicMatterLayer:
    """``[layers.organic_matter]``: a file with its column, one with a table of map units beside it, or one value."""

    file: str | None = None
    column: str | None = None
    table: Text | None = None  # of map units, beside their polygons; then column is one of the table
    key: Text | None = None  # column that polygons and table both have
    share: Text | None = None  # column of the table: each row's percent of its map unit, where one has several rows
    value_pct: Annotated[float, Ge(0), Le(20)] | None = None
    assumed: bool | None = None  # whether value_pct is a guess that nobody has tested: it is asked about until it is
    crs: str | None = None
    accept: Text | None = None  # why values that look like another unit or quantity are right as they stand
    weight: Share = 1.0  # how much of the layer's pattern counts


@dataclass(frozen=True, slots=True, kw_only=True)
class YieldPotentialLayer:
    """``[layers.yield_potential]``: relative (scaled to the goal), bu/ac (or t/ha, read as such), or harvester logs."""

    file: str | None = None
    files: tuple[str, ...] = ()
    column: str | None = None
    table: Text | None = None  # of map units, beside their polygons; then column is one of the table
    key: Text | None = None  # column that polygons and table both have
    share: Text | None = None  # column of the table: each row's percent of its map unit, where one has several rows
    columns: dict[str, str] = field(default_factory=dict)  # of harvester logs: our name = "their name"
    kind: Literal["relative", "bu_ac", "t_ha", "yield_log"] = "relative"
    value: Annotated[float, Gt(0), Le(450)] | None = None
    crs: str | None = None
    accept: Text | None = None  # why values that look like another unit or quantity are right as they stand
    year_columns: tuple[str, ...] = ()  # of one file, a year's harvest each, in place of column
    years: Annotated[int, Ge(1), Le(30)] | None = None  # of harvest that it rests on; logs say it themselves
    weight: Share | None = None  # how much of its pattern counts; None: a half, one year a quarter, or as years agree


@dataclass(frozen=True, slots=True, kw_only=True)
class AppliedLayer:
    """``[layers.applied_n]``: map of what is already down, lb N/ac."""

    file: Text
    column: str | None = None
    crs: str | None = None
    accept: Text | None = None  # why values that look like another unit or quantity are right as they stand


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtraLayer:
    """``[[layers.extra]]``: a layer of the user's own with its weight in zones drawn ``by = "layers"``."""

    name: Text
    file: Text
    column: str | None = None
    weight: Positive = 1.0
    crs: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerSection:
    """``[layers]``."""

    organic_matter: OrganicMatterLayer | None = None
    yield_potential: YieldPotentialLayer | None = None
    applied_n: AppliedLayer | None = None
    extra: tuple[ExtraLayer, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class WeatherSection:
    """``[weather]``: a file with date, tmin_f, tmax_f, rain_in (or tmin_c, tmax_c, rain_mm)."""

    file: Text
    normals: str | None = None  # long-term daily means of any year: temperatures where the file has none


@dataclass(frozen=True, slots=True, kw_only=True)
class Application:
    """``[[applications]]``: nitrogen already put on."""

    date: date
    product: Text
    n_lb_ac: Annotated[float, Ge(0), Le(1000)]
    placement: Literal["broadcast", "incorporated", "banded", "injected", "unknown"] = "unknown"
    inhibitor: Literal["none", "nitrification", "urease", "both"] = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class NitrogenSection:
    """``[nitrogen]``; a value left out takes the method's own default."""

    method: str = "remaining-need"
    method_reason: Text | None = None  # why this method is followed where a calibrated test says otherwise
    n_per_bushel_lb: Annotated[float, Gt(0), Le(2)] | None = None
    recovery_share: Annotated[float, Gt(0), Le(1)] | None = None
    mineralization_lb_per_om_pct: Annotated[float, Ge(0), Le(60)] | None = None
    mineralization_share_left: Share | None = None
    uptake_share: Share | None = None
    spring_nitrate_lb_ac: Annotated[float, Ge(0), Le(200)] | None = None  # there in spring, at least: limits uptake
    bulk_density_g_cm3: Annotated[float, Ge(0.4), Le(2.0)] | None = None
    deep_bulk_density_g_cm3: Annotated[float, Ge(0.4), Le(2.0)] | None = None
    texture: str | None = None  # texture class, for a bulk density
    drainage: Literal["poor", "somewhat poor", "moderate", "well", "excessive"] | None = None  # natural drainage class
    tile: bool | None = None  # whether the field is tiled
    second_foot_share: Share | None = None
    organic_matter_cap_pct: Annotated[float, Gt(0), Le(20)] | None = None
    critical_ppm: Annotated[float, Gt(0), Le(60)] | None = None
    base_rate_lb_ac: NotNegative | None = None
    history_factor: Annotated[float, Ge(0), Le(10)] | None = None
    profile_nitrate_ppm: NotNegative | None = None
    price_factor: Annotated[float, Gt(0), Le(2)] | None = None
    timing_factor: Annotated[float, Gt(0), Le(2)] | None = None
    rate_factor_lb_bu: Annotated[float, Gt(0), Le(2.5)] | None = None
    organic_matter_lb_per_om_pct: Annotated[float, Ge(0), Le(60)] | None = None
    profile_lb_ac_per_ppm_in: Annotated[float, Gt(0), Le(0.5)] | None = None
    cap_lb_ac: Annotated[float, Gt(0), Le(500)] | None = None
    tillage_lb_ac: Annotated[float, Ge(0), Le(60)] | None = None
    method_sd_lb_ac: Annotated[float, Ge(5), Le(100)] | None = None  # error of the method's level, all zones alike
    response_b: float | None = None
    response_c: float | None = None
    response_trial: str | None = None  # file of the user's own nitrogen trial
    response_columns: dict[str, str] = field(default_factory=dict)  # of that file: our name = "their name"


@dataclass(frozen=True, slots=True, kw_only=True)
class CreditSection:
    """``[credits]``: nitrogen that appears after sampling. [lb/ac]"""

    previous_crop: NotNegative = 0.0
    manure: NotNegative = 0.0
    irrigation_water: NotNegative = 0.0
    other: NotNegative = 0.0
    manure_spread: ManureSpread | None = None
    water: IrrigationWater | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneSection:
    """``[zones]``."""

    by: Literal["need", "layers", "cells"] = "need"
    count: Annotated[int, Ge(1), Le(12)] | None = None
    file: str | None = None
    column: str | None = None
    least_patch_ac: Annotated[float, Gt(0), Le(100)] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BlendPart:
    """``[[product.blend]]``: a product and its share of the blend by volume (liquids) or weight (dry)."""

    name: Text
    n_pct: Annotated[float, Gt(0), Le(100)] | None = None  # with a density or dry: a product that is not known by name
    density_lb_gal: Annotated[float, Gt(0), Le(20)] | None = None
    dry: bool = False
    share: Annotated[float, Gt(0), Le(1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductSection:
    """``[product]``: a known name, or an analysis with a density (liquid) or ``dry``. None is ever assumed."""

    name: Text | None = None
    n_pct: Annotated[float, Gt(0), Le(100)] | None = None
    density_lb_gal: Annotated[float, Gt(0), Le(20)] | None = None
    n_lb_per_1000_gal: Annotated[float, Gt(0), Le(200)] | None = None  # of liquid manure, by its analysis
    dry: bool = False
    blend: tuple[BlendPart, ...] = ()
    rate_basis: Literal["product", "n"] | None = None  # of the product where there is one, else of nitrogen


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineSection:
    """``[machine]``."""

    swath_ft: Annotated[float, Gt(0), Le(200)] = 60.0
    sections: Annotated[int, Ge(1), Le(64)] = 1
    min_rate_n_lb_ac: Annotated[float, Ge(0), Le(400)] = 0.0
    max_rate_n_lb_ac: Annotated[float, Gt(0), Le(400)] = 250.0
    rate_step_n_lb_ac: Annotated[float, Gt(0), Le(50)] = 5.0
    below_minimum: Literal["nearest", "zero", "minimum"] = "nearest"
    speed_mph: Annotated[float, Gt(0), Le(25)] = 8.0
    min_speed_mph: Annotated[float, Gt(0), Le(25)] | None = None
    max_speed_mph: Annotated[float, Gt(0), Le(25)] | None = None
    turn_down: Annotated[float, Ge(1), Le(20)] | None = None  # greatest flow over least flow
    max_flow_gal_min: Positive | None = None
    rate_change_s: Annotated[float, Ge(0), Le(30)] = 2.0
    look_ahead_s: Annotated[float, Ge(0), Le(30)] | None = None  # equal to rate_change_s when not given
    heading_deg: Annotated[float, Ge(0), Lt(360)] | None = None
    headland_rounds: Annotated[int, Ge(0), Le(6)] | None = None  # along the edge, before the straight passes; two
    lines: Text | None = None  # file of the passes' middle lines, where they are not straight
    edge_overlap_pct: Annotated[float, Ge(0), Le(100)] = 50.0  # of a section off the treated ground when it shuts off
    tank_gal: Positive | None = None
    tank_lb: Positive | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitSection:
    """``[limits]``: agronomic or legal caps. [lb N/ac]"""

    max_n_lb_ac: Annotated[float, Gt(0), Le(400)] = 200.0
    max_season_n_lb_ac: Annotated[float, Gt(0), Le(500)] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceSection:
    """``[prices]``; with both prices, rates are those expected to return most, unless ``rate_by`` says otherwise."""

    corn_per_bu: Positive | None = None
    n_per_lb: Positive | None = None
    per_reading: NotNegative | None = None  # what one more reading costs: cores, walk and test, $
    rate_by: Literal["need", "return", "kinked response"] | None = None
    curvature: Annotated[float, Ge(0.0005), Le(0.01)] = 0.0024  # yield lost below the plateau, bu/ac per (lb/ac)²
    kink_weight: Share = 0.15  # share of a response that rises straight to its plateau
    kink_slope: Annotated[float, Ge(0.2), Le(2)] = 0.75  # slope of such a response, bu/lb


@dataclass(frozen=True, slots=True, kw_only=True)
class FarmSection:
    """``[farm]``: names on the terminal, pages and sheets."""

    grower: Text | None = None
    farm: Text | None = None
    prepared_by: Text | None = None  # name and address of who made the prescription, on map and report
    logo: Text | None = None  # a PNG or JPEG shown beside it


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportSection:
    """``[export]``."""

    iso_version: Literal["3.3", "4.3"] = "3.3"
    iso_grid: Literal["type-2", "type-1", "polygons"] = "type-2"
    default_rate_n_lb_ac: Rate = 0.0
    out_of_field_rate_n_lb_ac: Rate = 0.0
    position_lost_rate_n_lb_ac: Rate = 0.0
    fixed_rate_reason: str = ""  # why one of these three is not 0
    plain_names: bool = False  # names in plain ASCII letters, for terminals that show no others
    shapefile_columns: dict[str, str] = field(default_factory=dict)
    photo: Text | None = None  # GeoTIFF of the ground in color, put behind the map
    tiles: str | None = None  # address of an aerial background; the map asks the network only when this is given


@dataclass(frozen=True, slots=True, kw_only=True)
class Override:
    """``[[review.override]]``: a zone's rate set by a person, with the reason."""

    zone: Annotated[int, Ge(1), Le(254)]
    rate_n_lb_ac: Rate
    reason: Text
    by: str | None = None
    outline: tuple[tuple[tuple[tuple[float, float], ...], ...], ...] = ()  # longitude, latitude of rings of polygons


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewSection:
    """``[review]``."""

    approved_by: str | None = None
    approved_on: date | None = None
    approved_id: Annotated[str, MinLen(64), MaxLen(64)] | None = None  # of the prescription that was approved
    note: str = ""
    override: tuple[Override, ...] = ()
    made_from: Text | None = None  # what the map that it was saved from showed, as the map writes it


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The whole field file."""

    units: Literal["us", "metric"] = "us"
    header: FieldSection  # the table [field] of the file
    crop: Crop
    samples: SampleSection
    layers: LayerSection = LayerSection()
    weather: WeatherSection | None = None
    applications: tuple[Application, ...] | None = None  # None when nothing is said of it; empty for "none"
    nitrogen: NitrogenSection = NitrogenSection()
    credits: CreditSection = CreditSection()
    zones: ZoneSection = ZoneSection()
    product: ProductSection = ProductSection()
    machine: MachineSection = MachineSection()
    limits: LimitSection = LimitSection()
    prices: PriceSection = PriceSection()
    check_strips: CheckStripSection | None = None
    trial: TrialSection | None = None
    learning: LearningSection | None = None
    farm: FarmSection = FarmSection()
    job: JobSection | None = None
    export: ExportSection = ExportSection()
    review: ReviewSection = ReviewSection()

    @property
    def this_pass(self) -> JobSection:
        """``[job]``, or what holds without it."""
        return self.job or JobSection()

    @property
    def approved(self) -> bool:
        """Whether a person has put name and date; only `Prescription.approved` knows whether to what was built."""
        return bool(self.review.approved_by) and self.review.approved_on is not None


def as_plain(settings: Settings) -> Any:
    """Settings as str, numbers, lists and dicts by the keys of the file, for a report or a hash."""

    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: plain(item) for key, item in value.items()}
        value = value.isoformat() if isinstance(value, date) else value
        return [plain(item) for item in value] if isinstance(value, (list, tuple)) else value

    return plain({"field" if key == "header" else key: value for key, value in asdict(settings).items()})
