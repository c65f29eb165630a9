"""The plan of a sampling day: how many samples, where, which depths, in which order."""

import dataclasses
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn import door
from vrn.findings import Finding
from vrn.model.field import Field
from vrn.model.settings import Settings
from vrn.sampling.error import SampleSize, SizeStep
from vrn.sampling.next_reading import NextReading, NextReadings

Design = Literal["balanced", "grid", "strata", "composites"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOptions:
    """What the user may choose; None leaves the choice to the plan."""

    samples: int | None = None  # samples, or composites at most; from the variation and the wanted error when not given
    design: Design = "balanced"
    # variation within the field (from the readings in hand, else 45 %), wanted error of the mean, confidence
    cv_pct: float | None = None
    error_pct: float = 20.0
    confidence: float = 0.95
    cores: int | None = None  # cores in each sample: 8, or 20 for the composite of an area
    edge_ft: float | None = None  # distance kept from the boundary: a swath, at least 60 ft [ft]
    keep_off_ft: float = 30.0  # distance kept from no-apply ground [ft]
    pairs: int | None = None  # partners close to other samples: five where there are 15 samples or more
    second_foot: Literal["auto", "all", "none"] = "auto"
    strata: int = 4  # strata by layers, most
    most_ac: float = 20.0  # largest area of one composite [ac]
    start_lonlat: tuple[float, float] | None = None  # where one comes in [°]
    seed: int | None = None  # draws another plan; from the field's name when not given

    __repr__ = door.brief


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """One place to walk to."""

    name: str  # as it stands on the map, in the files and on the bag
    easting_m: float
    northing_m: float
    second_foot: bool = False  # whether the second foot is pulled too
    area_id: str = ""  # composite that a core goes into; empty for a sample of its own
    pair_of: str = ""  # name of the sample it stands close to on purpose; empty for an ordinary one
    reading: NextReading | None = None  # what a further reading is expected to bring


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondFoot:
    """How much of the second foot to pull, and why."""

    share: float  # of the samples, 0 … 1
    # `all` or `none` as asked, `sand`, `rain`, `usual`, `no-weather`; of further readings `rain-all`, `gain` (their own
    # decides) and `unlikely`
    reason: Literal["all", "none", "sand", "rain", "usual", "no-weather", "rain-all", "gain", "unlikely"]
    pulled: bool  # whether readings in hand reach the second foot already
    texture: str = ""  # of the field file; empty when not given
    rain_in: float | None = None  # since the last nitrogen; None without weather [in]
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BandedNitrogen:
    """Nitrogen that lies in bands, which cores must straddle."""

    n_lb_ac: float
    last: date  # when the last of it went on
    least_cores: int | None  # cores that a sample needs for it, where fewer are planned


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """A sampling day."""

    field: Field
    design: str  # `balanced`, `grid`, `strata`, `composites` or `next`
    ground: shapely.Geometry  # where cores may be pulled, in the field's system
    places: tuple[Place, ...]  # in walking order; none where there are enough readings
    # areas of composites, in walking order; empty for points
    areas: dict[str, shapely.Geometry] = dataclasses.field(default_factory=dict)
    cores: int  # in each sample
    walk_m: float  # length of the walk [m]
    size: SampleSize  # how the number was found
    curve: tuple[SizeStep, ...]  # what other numbers would buy
    second_foot: SecondFoot  # why the second foot is pulled where it is
    bands: BandedNitrogen | None
    # spatial balance of the design (0 is perfect, simple random samples have about 0.3); None for composites
    balance: float | None = None
    layers: tuple[str, ...] = ()  # layers that steered the design
    most_ac: float | None = None  # largest area of a composite, as asked [ac]
    next: NextReadings | None = None  # why these readings, or why enough
    findings: tuple[Finding, ...]

    @property
    def settings(self) -> Settings:
        """The field file."""
        return self.field.settings

    @property
    def samples(self) -> int:
        """Samples to be bagged, the second foot not counted."""
        return len(self.areas) if self.areas else len(self.places)

    @property
    def deep_samples(self) -> int:
        """Samples of the second foot."""
        if self.areas:
            return len({place.area_id for place in self.places if place.second_foot})
        return sum(place.second_foot for place in self.places)

    @property
    def pairs(self) -> int:
        """Places that stand close to others on purpose."""
        return sum(bool(place.pair_of) for place in self.places)

    def coordinates_m(self) -> NDArray[np.float64]:
        """Places in walking order, shape (n, 2). [m]"""
        return np.array([(place.easting_m, place.northing_m) for place in self.places]).reshape(-1, 2)
