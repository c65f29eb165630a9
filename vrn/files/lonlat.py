"""Outlines as files want them: longitude and latitude, single polygons, seven decimals."""

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import shapely

from vrn.errors import OutputError
from vrn.model.grid import reproject
from vrn.prescription.model import Prescription, ZoneRate

WGS84: Final = "EPSG:4326"
DECIMALS: Final = 7  # 0.011 m or less (RFC 7946 § 11.2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnZone:
    """A zone's rate with its single polygons in longitude and latitude, largest first."""

    rate: ZoneRate
    parts: tuple[shapely.Polygon, ...]


def drawn_zones(prescription: Prescription) -> tuple[DrawnZone, ...]:
    """Zones in longitude and latitude in the order of the rates, every file's one source of outlines.

    OutputError if nothing is left of a zone once its vertices are rounded.
    """
    crs = prescription.grid.crs
    zones = tuple(DrawnZone(rate=rate, parts=lonlat_parts(rate.outline, crs)) for rate in prescription.rates)
    for zone in zones:
        if not zone.parts:
            problem = f"Zone {zone.rate.zone} is narrower than the centimetre that files carry."
            raise OutputError(problem, "Merge it with a neighbour, or raise zones.least_patch_ac.")
    return zones


def lonlat_parts(geometry: shapely.Geometry, crs: str) -> tuple[shapely.Polygon, ...]:
    """Single polygons of a geometry in longitude and latitude, rounded vertex by vertex; lines and points are left out.

    Neighbours that share a vertex still share it after rounding, so a coverage stays one.

    >>> part, = lonlat_parts(shapely.box(-95.00000001, 42.0, -94.99, 42.01), "EPSG:4326")
    >>> part.bounds
    (-95.0, 42.0, -94.99, 42.01)
    """
    flat = shapely.force_2d(reproject(geometry, crs, WGS84))
    rounded = shapely.transform(flat, lambda points: np.round(points, DECIMALS))
    if not shapely.is_valid(rounded):
        rounded = shapely.set_precision(shapely.make_valid(flat, method="structure"), 10.0**-DECIMALS)
        rounded = shapely.transform(rounded, lambda points: np.round(points, DECIMALS))
    polygons = [part for part in _polygons(rounded) if part.area > 0]
    return tuple(sorted(polygons, key=lambda part: (-part.area, part.bounds)))


def _polygons(geometry: shapely.Geometry) -> list[shapely.Polygon]:
    """Polygons of a geometry, collections opened."""
    if isinstance(geometry, shapely.Polygon):
        return [geometry]
    return [polygon for part in getattr(geometry, "geoms", ()) for polygon in _polygons(part)]


def rings(polygon: shapely.Polygon, *, clockwise_shell: bool) -> list[list[tuple[float, float]]]:
    """Closed rings of a polygon, the shell first (clockwise in shapefiles, not in RFC 7946), holes turning against it.

    >>> rings(shapely.box(0, 0, 1, 1), clockwise_shell=True)
    [[(1.0, 0.0), (0.0, 0.0), (0.0, 1.0), (1.0, 1.0), (1.0, 0.0)]]
    """
    turned = shapely.geometry.polygon.orient(polygon, sign=-1.0 if clockwise_shell else 1.0)
    return [[(float(x), float(y)) for x, y in ring.coords] for ring in (turned.exterior, *turned.interiors)]


def dated(prescription: Prescription) -> date:
    """Day that dates the files: of application, else of the last sample, else the season's first."""
    field = prescription.field
    if field.settings.crop.application_date is not None:
        return field.settings.crop.application_date
    sampled = [day for day in field.samples.sampled_on if day is not None]
    return max(sampled, default=date(field.settings.header.season, 1, 1))
