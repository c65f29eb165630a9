"""The plan of a sampling day: how many samples, where, which depths, and the order in which to walk them."""

import dataclasses
from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from vrn import door
from vrn.findings import Finding
from vrn.model.field import Field
from vrn.model.settings import Settings
from vrn.sampling.error import SampleSize, SizeStep
from vrn.sampling.next_reading import NextReading, NextReadings

GATHER_FT = 10.0  # cores of a sample are pulled within it of their place: a choice of this project
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
    cores: int | None = None  # cores in each sample; by where nitrogen was placed when not given
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
class CorePattern:
    """How many cores make a sample, and how they stand to the rows."""

    cores: int  # in each sample: whole sets of three beside bands
    sets_of: Literal[3, 8]  # from one row to the next; or each an eighth of a row farther on
    banded_lb_ac: float = 0.0  # nitrogen that lies, or may lie, in bands
    last: date | None = None  # when the last of that went on; None without any
    error_pct: float  # standard error of one sample from its cores, % of its reading
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """A sampling day."""

    field: Field
    design: str  # `balanced`, `grid`, `strata`, `composites` or `next`
    ground: shapely.Geometry  # where cores may be pulled, in the field's system
    places: tuple[Place, ...]  # in walking order; none where there are enough readings
    # areas of composites, in walking order; empty for points
    areas: dict[str, shapely.Geometry] = dataclasses.field(default_factory=dict)
    walk_m: float  # length of the walk [m]
    size: SampleSize  # how the number was found
    curve: tuple[SizeStep, ...]  # what other numbers would buy
    second_foot: SecondFoot  # why the second foot is pulled where it is
    pattern: CorePattern  # cores of a sample
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
    def cores(self) -> int:
        """Cores in each sample."""
        return self.pattern.cores

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


_MOST_ROUNDS = 200


def walking_order(
    coordinates_m: ArrayLike, *, start_m: ArrayLike | None = None, ground: shapely.Geometry | None = None
) -> NDArray[np.intp]:
    """A short way past every place: nearest neighbour first, then mended by reversing stretches and moving places.

    From `start_m` when given, else from any end; the walk need not come back. Metres outside `ground` (over the fence,
    through a pond) count three times. Sources: Croes (1958), A method for solving traveling-salesman problems, Oper.
    Res. 6:791-812 (2-opt); Or (1976, thesis, Northwestern University) for moving short stretches.

    >>> walking_order([(0, 0), (30, 0), (10, 0), (20, 0)], start_m=(-5, 0)).tolist()
    [0, 2, 3, 1]
    """
    places = np.asarray(coordinates_m, dtype=float).reshape(-1, 2)
    count = len(places)
    if count < 2:
        return np.arange(count)
    away = walking_distances_m(places, ground)
    entry = None if start_m is None else np.hypot(*(places - np.asarray(start_m, dtype=float)).T)
    starts = _first_places(places) if entry is None else [int(np.argmin(entry))]
    entry = np.zeros(count) if entry is None else entry
    walks = [_mended(_nearest_first(away, first), away, entry) for first in starts]
    return np.array(min(walks, key=lambda walk: _length(walk, away, entry)), dtype=np.intp)


def walking_distances_m(places: NDArray[np.float64], ground: shapely.Geometry | None) -> NDArray[np.float64]:
    """Length of every leg, shape (n, n); metres outside the ground count three times. [m]"""
    away: NDArray[np.float64] = np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    if ground is None or len(places) < 2:
        return away
    one, other = np.triu_indices(len(places), 1)
    legs = np.asarray(shapely.linestrings(np.stack([places[one], places[other]], axis=1)))
    shapely.prepare(ground)
    leaves = ~shapely.covers(ground, legs)
    outside = np.zeros(len(legs))
    outside[leaves] = shapely.length(shapely.difference(legs[leaves], ground))
    away[one, other] += 2 * outside
    away[other, one] = away[one, other]
    return away


def _first_places(places: NDArray[np.float64]) -> list[int]:
    """Places at the corners: the ends of a short walk usually lie there."""
    east, north = places.T
    corners = {int(np.argmin(a * east + b * north)) for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1))}
    return sorted(corners)


def _nearest_first(away: NDArray[np.float64], first: int) -> list[int]:
    walk, left = [first], set(range(len(away))) - {first}
    while left:
        here = walk[-1]
        walk.append(min(left, key=lambda place: (away[here, place], place)))
        left.remove(walk[-1])
    return walk


def _length(walk: list[int], away: NDArray[np.float64], entry: NDArray[np.float64]) -> float:
    return float(entry[walk[0]] + away[walk[:-1], walk[1:]].sum())


def _mended(walk: list[int], away: NDArray[np.float64], entry: NDArray[np.float64]) -> list[int]:
    """Reverse stretches and move up to three places until neither shortens the walk."""
    # a closed walk through a gate that costs the entry on one side and nothing on the other
    count = len(walk)
    padded = np.zeros((count + 2, count + 2))
    padded[:count, :count] = away
    padded[count, :count] = padded[:count, count] = entry
    padded[count, count + 1] = padded[count + 1, count] = 0.0
    tour = [count, *walk, count + 1]
    for _ in range(_MOST_ROUNDS):
        if not (_reverse_best(tour, padded) or _move_best(tour, padded)):
            break
    return tour[1:-1]


def _reverse_best(tour: list[int], away: NDArray[np.float64]) -> bool:
    """Reverse the stretch that saves most; False when none saves anything."""
    at = np.array(tour)
    step = away[at[:-1], at[1:]]
    # stretch i … j (1 ≤ i ≤ j ≤ n): before it at[i-1], after it at[j+1]
    n = len(at) - 2
    i, j = np.triu_indices(n, 1)
    i, j = i + 1, j + 1
    saved = step[i - 1] + step[j] - away[at[i - 1], at[j]] - away[at[i], at[j + 1]]
    if not len(saved) or saved.max() <= 1e-9:
        return False
    best = int(np.argmax(saved))
    tour[i[best] : j[best] + 1] = tour[i[best] : j[best] + 1][::-1]
    return True


def _move_best(tour: list[int], away: NDArray[np.float64]) -> bool:
    """Move a stretch of one to three places to where it saves most, either way round."""
    best, change = 1e-9, None
    for size in (1, 2, 3):
        for i in range(1, len(tour) - size):
            piece = tour[i : i + size]
            before, after = tour[i - 1], tour[i + size]
            freed = away[before, piece[0]] + away[piece[-1], after] - away[before, after]
            if freed <= best:
                continue
            rest = np.array(tour[:i] + tour[i + size :])
            base = away[rest[:-1], rest[1:]]
            for turned in (piece, piece[::-1]):
                cost = away[rest[:-1], turned[0]] + away[turned[-1], rest[1:]] - base
                k = int(np.argmin(cost))
                if freed - cost[k] > best:
                    best, change = freed - cost[k], (i, size, k, turned)
    if change is None:
        return False
    i, size, k, turned = change
    kept = tour[:i] + tour[i + size :]
    tour[:] = [*kept[: k + 1], *turned, *kept[k + 1 :]]
    return True
