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
from vrn.sampling.next_reading import NextReading, NextReadings
from vrn.sampling.second_foot import SecondFoot
from vrn.sampling.size import SampleSize, SizeStep

Design = Literal["balanced", "grid", "strata", "composites"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOptions:
    """
    What the user may choose; None leaves the choice to the plan.

    Parameters
    ----------
    samples : int, optional
        Samples, or composites at most; from the variation and the wanted error when not given.
    design : {"balanced", "grid", "strata", "composites"}
    cv_pct, error_pct, confidence : float
        Variation within the field (from the readings in hand, else 45 %), wanted error of the mean, confidence.
    cores : int, optional
        Cores in each sample: 8, or 20 for the composite of an area.
    edge_ft : float, optional
        Distance kept from the boundary: a swath, at least 60 ft. [ft]
    keep_off_ft : float
        Distance kept from no-apply ground. [ft]
    pairs : int, optional
        Partners close to other samples: five where there are 15 samples or more.
    second_foot : {"auto", "all", "none"}
    strata : int
        Strata by layers, most.
    most_ac : float
        Largest area of one composite. [ac]
    start_lonlat : (float, float), optional
        Where one comes in. [°]
    seed : int, optional
        Draws another plan; from the field's name when not given.
    """

    samples: int | None = None
    design: Design = "balanced"
    cv_pct: float | None = None
    error_pct: float = 20.0
    confidence: float = 0.95
    cores: int | None = None
    edge_ft: float | None = None
    keep_off_ft: float = 30.0
    pairs: int | None = None
    second_foot: Literal["auto", "all", "none"] = "auto"
    strata: int = 4
    most_ac: float = 20.0
    start_lonlat: tuple[float, float] | None = None
    seed: int | None = None

    __repr__ = door.brief


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """
    One place to walk to.

    Parameters
    ----------
    name : str
        As it stands on the map, in the files and on the bag.
    second_foot : bool
        Whether the second foot is pulled too.
    area_id : str
        Composite that a core goes into; empty for a sample of its own.
    pair_of : str
        Name of the sample it stands close to on purpose; empty for an ordinary one.
    reading : NextReading or None
        What a further reading is expected to bring.
    """

    name: str
    easting_m: float
    northing_m: float
    second_foot: bool = False
    area_id: str = ""
    pair_of: str = ""
    reading: NextReading | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BandedNitrogen:
    """
    Nitrogen that lies in bands, which cores must straddle.

    Parameters
    ----------
    last : date
        When the last of it went on.
    least_cores : int or None
        Cores that a sample needs for it, where fewer are planned.
    """

    n_lb_ac: float
    last: date
    least_cores: int | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """
    A sampling day.

    Parameters
    ----------
    design : str
        ``balanced``, ``grid``, ``strata``, ``composites`` or ``next``.
    ground : shapely Polygon or MultiPolygon
        Where cores may be pulled, in the field's system.
    places : tuple of Place
        In walking order; none where there are enough readings.
    areas : dict of str to shapely.Geometry
        Areas of composites, in walking order; empty for points.
    cores : int
        In each sample.
    walk_m : float
        Length of the walk. [m]
    size : SampleSize
        How the number was found.
    curve : tuple of SizeStep
        What other numbers would buy.
    second_foot : SecondFoot
        Why the second foot is pulled where it is.
    balance : float or None
        Spatial balance of the design (0 is perfect, simple random samples have about 0.3); None for composites.
    layers : tuple of str
        Layers that steered the design.
    most_ac : float or None
        Largest area of a composite, as asked. [ac]
    next : NextReadings or None
        Why these readings, or why enough.
    """

    field: Field
    design: str
    ground: shapely.Geometry
    places: tuple[Place, ...]
    areas: dict[str, shapely.Geometry] = dataclasses.field(default_factory=dict)
    cores: int
    walk_m: float
    size: SampleSize
    curve: tuple[SizeStep, ...]
    second_foot: SecondFoot
    bands: BandedNitrogen | None
    balance: float | None = None
    layers: tuple[str, ...] = ()
    most_ac: float | None = None
    next: NextReadings | None = None
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
