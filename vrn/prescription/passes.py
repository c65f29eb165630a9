"""Where the machine drives: rounds along the edge, then straight passes side by side, or lines that a person gives."""

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final, Self

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from vrn.model.grid import transformer
from vrn.model.settings import MachineSection
from vrn.units import FT_M

_GEOD = pyproj.Geod(ellps="WGS84")
_OVERHANG = 0.05  # of a swath, that passes may leave at the edges together before one more is driven


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Passes:
    """Parallel passes over a field."""

    heading_deg: float  # from true north, clockwise
    grid_heading_deg: float  # the same from the projected system's north
    # point about which the field is turned so that passes run along the first axis: easting, northing
    origin_m: tuple[float, float]
    across_m: NDArray[np.float64]  # middle of each pass across the heading, in the turned system, shape (passes,)
    along_m: tuple[float, float]  # from, to along the heading, in the turned system

    def to_field(self, along_m: NDArray[np.float64], across_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Easting, northing of points of the turned system, shape (…, 2). [m]"""
        turn = math.radians(self.grid_heading_deg)
        east = along_m * math.sin(turn) + across_m * math.cos(turn)
        north = along_m * math.cos(turn) - across_m * math.sin(turn)
        return np.stack([east + self.origin_m[0], north + self.origin_m[1]], axis=-1)


def _convergence_deg(point: shapely.Geometry, crs: str) -> float:
    """Angle from true north to the projected system's north, clockwise positive.

    East of the zone's middle meridian the grid's north leans east of true north:

    >>> _convergence_deg(shapely.Point(600000.0, 4650000.0), "EPSG:32615") > 0
    True
    """
    x, y = shapely.get_x(point), shapely.get_y(point)
    to_lonlat = transformer(crs, "EPSG:4326")
    longitude, latitude = to_lonlat.transform(np.array([x, x]), np.array([y, y + 10.0]))
    azimuth, _, _ = _GEOD.inv(longitude[0], latitude[0], longitude[1], latitude[1])
    return float(azimuth)


def passes_over(treated: shapely.Geometry, *, crs: str, swath_m: float, heading_deg: float | None = None) -> Passes:
    """Passes that cover a field side by side.

    `treated`: in ``crs``. `heading_deg`: from true north; the one with fewest turns when not given.

    Fewest turns: the number of passes each part of the field takes, added up, over the directions of the parts' own
    sides and every five degrees; the smaller heading of equals.

    A field longer from north to south is driven north:

    >>> passes = passes_over(shapely.box(500000, 4650000, 500180, 4650800), crs="EPSG:32615", swath_m=18.0)
    >>> round(passes.heading_deg) % 180, len(passes.across_m)
    (0, 10)
    """
    origin = shapely.centroid(treated)
    lean = _convergence_deg(origin, crs)
    grid_heading = _fewest_turns_deg(treated, swath_m=swath_m) if heading_deg is None else (heading_deg - lean) % 360.0
    true_heading = (grid_heading + lean) % 360.0 if heading_deg is None else heading_deg
    centre = (float(shapely.get_x(origin)), float(shapely.get_y(origin)))
    along, across = _turned(shapely.get_coordinates(treated), centre, grid_heading)
    width_m = float(across.max() - across.min())
    count = max(1, math.ceil(width_m / swath_m - _OVERHANG))
    first = float(across.min()) + max(0.0, width_m - count * swath_m) / 2.0
    return Passes(
        heading_deg=true_heading, grid_heading_deg=grid_heading, origin_m=centre,
        across_m=np.asarray(first + (np.arange(count) + 0.5) * swath_m, dtype=float),
        along_m=(float(along.min()), float(along.max())),
    )  # fmt: skip


def _fewest_turns_deg(treated: shapely.Geometry, *, swath_m: float) -> float:
    """Heading, from the projected system's north, that covers a field with fewest passes."""
    parts = [shapely.convex_hull(part) for part in shapely.get_parts(treated)]
    candidates = {float(angle) for angle in range(0, 180, 5)}
    for part in parts:
        corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(part))
        for step in np.diff(corners[:3], axis=0):
            candidates.add(round(math.degrees(math.atan2(step[0], step[1])) % 180.0, 3))

    def turns(heading: float) -> tuple[int, float, float]:
        widths = [np.ptp(_turned(shapely.get_coordinates(part), (0.0, 0.0), heading)[1]) for part in parts]
        return sum(math.ceil(width / swath_m - _OVERHANG) for width in widths), round(float(sum(widths)), 3), heading

    return min(candidates, key=turns)


def _turned(
    points: NDArray[np.float64], origin: tuple[float, float], heading_deg: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distance along and across (to the right of) a heading. [m]"""
    turn = math.radians(heading_deg)
    east, north = points[:, 0] - origin[0], points[:, 1] - origin[1]
    return east * math.sin(turn) + north * math.cos(turn), east * math.cos(turn) - north * math.sin(turn)


HEADLAND_ROUNDS: Final = 2  # where the field file does not say: common practice, no source
_BEND_DEG: Final = 30.0  # a sharper turn parts a line into two that are driven on their own
_MOST_BEYOND: Final = 1.5  # swaths that a line may run on beyond a corner to cover it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stations:
    """Places a step apart on lines, in the middle of each step; every array has shape (steps, lines, …)."""

    there: NDArray[np.bool_]  # False behind the end of a line that is shorter than the longest
    place_m: NDArray[np.float64]  # easting, northing
    ahead_m: NDArray[np.float64]  # the same so much farther along the line
    along: NDArray[np.float64]  # direction, of length 1

    @property
    def right(self) -> NDArray[np.float64]:
        """Direction to the right of the way, of length 1."""
        return np.stack([self.along[..., 1], -self.along[..., 0]], axis=-1)

    def beside(self, right_m: NDArray[np.floating[Any]], *, ahead: bool = False) -> NDArray[np.float64]:
        """Places so far to the right, shape (steps, lines, *shape of* ``right_m``, 2)."""
        more = (..., *(None,) * right_m.ndim, slice(None))
        return (self.ahead_m if ahead else self.place_m)[more] + self.right[more] * right_m[..., None]

    @classmethod
    def on(cls, lines: tuple[shapely.LineString, ...], step_m: float, ahead_m: float = 0.0) -> Self:
        """Stations on lines; behind its end a line runs straight on."""
        found = [_along(shapely.get_coordinates(line), step_m, ahead_m) for line in lines]
        most = max(len(place) for place, _, _ in found)
        there = np.arange(most)[:, None] < np.array([len(place) for place, _, _ in found])

        place, ahead, along = (
            np.stack([np.pad(one, ((0, most - len(one)), (0, 0)), mode="edge") for one in each], axis=1)
            for each in zip(*found, strict=True)
        )
        return cls(there=there, place_m=place, ahead_m=ahead, along=along)


def _along(corners: NDArray[np.float64], step_m: float, ahead_m: float) -> tuple[NDArray[np.float64], ...]:
    """Places in the middle of each step along a line, places ahead of them, directions; each of shape (steps, 2)."""
    step = np.diff(corners, axis=0)
    long = np.hypot(step[:, 0], step[:, 1])
    way = step / long[:, None]
    ends = np.concatenate([[0.0], np.cumsum(long)])
    chain = np.arange(step_m / 2, max(ends[-1], step_m), step_m)

    def at(distance: NDArray[np.float64]) -> NDArray[np.float64]:
        leg = np.clip(np.searchsorted(ends, distance, side="right") - 1, 0, len(long) - 1)
        place: NDArray[np.float64] = corners[leg] + (distance - ends[leg])[:, None] * way[leg]
        return place

    middles = (ends[:-1] + ends[1:]) / 2  # the boom turns evenly from the middle of a leg to that of the next
    turning = np.column_stack([np.interp(chain, middles, way[:, axis]) for axis in (0, 1)])
    return at(chain), at(chain + ahead_m), turning / np.hypot(turning[:, 0], turning[:, 1])[:, None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """Lines that are driven one after another, the number of the pass each belongs to, and the ground left to others.

    Where lines run ``crooked``, ground is served by the line that is nearest; straight passes lie side by side.
    """

    lines: tuple[shapely.LineString, ...]
    of_pass: tuple[int, ...]
    elsewhere: shapely.Geometry
    crooked: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Way:
    """The whole way over a field, part by part; ``rounds`` along the edge are driven first, each a pass."""

    parts: tuple[Part, ...]
    rounds: int
    given: bool  # whether a person gave the lines
    passes: Passes  # the straight ones; where lines are given, those that would be driven without
    count: int  # of passes, rounds and all


def way_over(
    treated: shapely.Geometry, *, crs: str, machine: MachineSection, lines: shapely.Geometry | None = None
) -> Way:
    """
    The way over a field: the lines given, else rounds along its edge and straight passes over what is left.

    Parameters
    ----------
    treated : shapely.Geometry
        In ``crs``.
    lines : shapely.Geometry, optional
        Middle lines of the passes, in ``crs``.

    Examples
    --------
    A square of 200 m and a swath of 20 m: two rounds, then eight passes of the 120 m between them:

    >>> machine = MachineSection(swath_ft=65.6168, heading_deg=0.0)
    >>> way = way_over(shapely.box(500000, 4650000, 500200, 4650200), crs="EPSG:32615", machine=machine)
    >>> way.rounds, way.count
    (2, 8)
    """
    swath_m = machine.swath_ft * FT_M
    straight = passes_over(treated, crs=crs, swath_m=swath_m, heading_deg=machine.heading_deg)
    if lines is not None and not lines.is_empty:
        legs = [(leg, number) for number, line in enumerate(shapely.get_parts(lines), 1) for leg in _legs(line, 0.0)]
        given = Part(lines=tuple(leg for leg, _ in legs), of_pass=tuple(number for _, number in legs),
                     elsewhere=shapely.Polygon(), crooked=True)  # fmt: skip
        return Way(parts=(given,), rounds=0, given=True, passes=straight, count=max(given.of_pass))
    count = HEADLAND_ROUNDS if machine.headland_rounds is None else machine.headland_rounds
    rings = _rings(treated, swath_m, count)
    inner = _left_over(treated, rings, swath_m)
    parts = []
    if rings:
        legs = [(leg, number) for number, ring in enumerate(rings, 1) for leg in _legs(ring, swath_m)]
        parts.append(Part(lines=tuple(leg for leg, _ in legs), of_pass=tuple(number for _, number in legs),
                          elsewhere=inner, crooked=True))  # fmt: skip
    if not inner.is_empty:
        straight = passes_over(inner, crs=crs, swath_m=swath_m, heading_deg=straight.heading_deg)
        ends = straight.to_field(np.array(straight.along_m)[None, :], straight.across_m[:, None])
        parts.append(Part(
            lines=tuple(shapely.linestrings(ends)), of_pass=tuple(range(len(rings) + 1, len(rings) + len(ends) + 1)),
            elsewhere=shapely.difference(treated, inner) if rings else shapely.Polygon(), crooked=False,
        ))  # fmt: skip
    return Way(parts=tuple(parts), rounds=len(rings), given=False, passes=straight, count=parts[-1].of_pass[-1])


def _rings(treated: shapely.Geometry, swath_m: float, count: int) -> list[shapely.LineString]:
    """Middle lines of the rounds along the outer edge of each part of a field, the outermost first."""
    shells = [shapely.Polygon(shapely.get_exterior_ring(part)) for part in shapely.get_parts(treated)]
    rings = []
    for shell in shells:
        for number in range(count):
            within = shapely.buffer(shell, -(number + 0.5) * swath_m, join_style="mitre")
            outer = [shapely.get_exterior_ring(part) for part in shapely.get_parts(within) if not part.is_empty]
            rings += [shapely.LineString(shapely.simplify(ring, 0.02 * swath_m)) for ring in outer]
    return rings


def _left_over(treated: shapely.Geometry, rings: list[shapely.LineString], swath_m: float) -> shapely.Geometry:
    """What rounds leave of the treated ground, without slivers."""
    if not rings:
        return treated
    driven = shapely.buffer(shapely.union_all(rings), swath_m / 2, join_style="mitre")
    left = shapely.difference(treated, driven)
    wide = shapely.buffer(shapely.buffer(left, -swath_m / 8, join_style="mitre"), swath_m / 8, join_style="mitre")
    kept = [part for part in shapely.get_parts(shapely.intersection(wide, treated)) if part.geom_type == "Polygon"]
    return shapely.MultiPolygon([part for part in kept if part.area > swath_m**2 / 16])


def _legs(line: shapely.LineString, swath_m: float) -> list[shapely.LineString]:
    """A line parted at its corners; with a swath each leg runs on as far as it takes to cover a corner's outside."""
    corners = shapely.get_coordinates(line)
    corners = corners[np.concatenate([[True], np.any(np.diff(corners, axis=0) != 0, axis=1)])]
    way = np.arctan2(*np.diff(corners, axis=0).T)
    closed = len(corners) > 3 and bool(np.allclose(corners[0], corners[-1]))
    turn = np.degrees(np.abs((np.diff(way, append=way[:1]) + np.pi) % (2 * np.pi) - np.pi))  # at the end of each leg
    if not closed:
        turn[-1] = 0.0
    cuts = np.flatnonzero(turn > _BEND_DEG) + 1
    if closed and len(cuts):  # begin at a corner
        first = int(cuts[0])
        corners = np.concatenate([corners[first:-1], corners[: first + 1]])
        turn = np.roll(turn, -first)
        cuts = np.flatnonzero(turn > _BEND_DEG) + 1
    bounds = [0, *(int(cut) for cut in cuts if cut < len(corners) - 1), len(corners) - 1]
    found = []
    for start, stop in pairwise(bounds):
        leg = corners[start : stop + 1].copy()
        for end, inner, at in ((0, 1, start - 1), (-1, -2, stop - 1)):
            if swath_m and turn[at] > _BEND_DEG:
                beyond = min(swath_m / 2 * math.tan(math.radians(turn[at]) / 2), _MOST_BEYOND * swath_m)
                out = leg[end] - leg[inner]
                leg[end] = leg[end] + out / np.hypot(*out) * beyond
        found.append(shapely.LineString(leg))
    return found
