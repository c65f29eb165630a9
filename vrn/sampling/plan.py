"""The plan of a sampling day: how many samples, where, which depths, in which order."""

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn import door
from vrn.findings import Finding
from vrn.model.field import Field
from vrn.model.settings import Settings
from vrn.sampling.size import SizeStep

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
    easting_m, northing_m : float
        [m]
    second_foot : bool
        Whether the second foot is pulled too.
    area_id : str
        Composite that a core goes into; empty for a sample of its own.
    note : str
        What it is there for, when it is not an ordinary sample.
    """

    name: str
    easting_m: float
    northing_m: float
    second_foot: bool = False
    area_id: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """
    A sampling day.

    Parameters
    ----------
    field : Field
    design : str
        ``balanced``, ``grid``, ``strata``, ``composites`` or ``next``.
    ground : shapely Polygon or MultiPolygon
        Where cores may be pulled, in the field's system.
    places : tuple of Place
        In walking order.
    areas : dict of str to shapely.Geometry
        Areas of composites, in walking order; empty for points.
    cores : int
        In each sample.
    walk_m : float
        Length of the walk. [m]
    size : dict
        ``cv_pct``, ``cv_from``, ``error_pct``, ``confidence``, ``needed`` and ``for_map``: how the number was found.
    curve : tuple of SizeStep
        What other numbers would buy.
    second_foot : str
        In words: why the second foot is pulled where it is.
    balance : float or None
        Spatial balance of the design (0 is perfect, simple random samples have about 0.3); None for composites.
    cautions : tuple of str
    findings : tuple of Finding
    details : dict
        ``next``: why these readings, or why enough. Plain values.
    """

    field: Field
    design: str
    ground: shapely.Geometry
    places: tuple[Place, ...]
    areas: dict[str, shapely.Geometry]
    cores: int
    walk_m: float
    size: dict[str, Any]
    curve: tuple[SizeStep, ...]
    second_foot: str
    balance: float | None
    cautions: tuple[str, ...]
    findings: tuple[Finding, ...]
    details: dict[str, Any]

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

    def coordinates_m(self) -> NDArray[np.float64]:
        """Places in walking order, shape (n, 2). [m]"""
        return np.array([(place.easting_m, place.northing_m) for place in self.places]).reshape(-1, 2)


def in_walking_order(
    places_m: NDArray[np.float64],
    drafts: list[Place],
    *,
    boundary: shapely.Geometry,
    start_m: NDArray[np.float64] | None,
    prefix: str = "",
) -> tuple[tuple[Place, ...], float]:
    """
    Places put in walking order and numbered by it.

    Parameters
    ----------
    places_m : ndarray, shape (n, 2)
        [m]
    drafts : list of Place
        One for each, its name to be replaced; ``{0}`` … in a note stand for the names of other drafts.
    boundary : shapely.Geometry
    start_m : ndarray, shape (2,), or None
        [m]
    prefix : str
        Before each number.

    Returns
    -------
    places : tuple of Place
    walk_m : float
        [m]
    """
    from vrn.sampling.route import walking_order

    order = walking_order(places_m, start_m=start_m, ground=boundary)
    digits = max(2, math.ceil(math.log10(len(drafts) + 1)))
    names = {int(row): f"{prefix}{number:0{digits}d}" for number, row in enumerate(order, start=1)}
    by_row = [names[i] for i in range(len(drafts))]
    places = tuple(replace(drafts[row], name=names[int(row)], note=drafts[row].note.format(*by_row)) for row in order)
    return places, _walked_m(places_m[order])


def _walked_m(walk: NDArray[np.float64]) -> float:
    return float(np.hypot(*np.diff(walk, axis=0).T).sum()) if len(walk) > 1 else 0.0
