"""Passes over a field: the heading with fewest turns, and where each pass runs."""

import math
from dataclasses import dataclass

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from vrn.model.area import transformer

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


def convergence_deg(point: shapely.Geometry, crs: str) -> float:
    """Angle from true north to the projected system's north, clockwise positive.

    `point`: in ``crs``.

    East of the zone's middle meridian the grid's north leans east of true north:

    >>> convergence_deg(shapely.Point(600000.0, 4650000.0), "EPSG:32615") > 0
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
    lean = convergence_deg(origin, crs)
    grid_heading = fewest_turns_deg(treated, swath_m=swath_m) if heading_deg is None else (heading_deg - lean) % 360.0
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


def fewest_turns_deg(treated: shapely.Geometry, *, swath_m: float) -> float:
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
