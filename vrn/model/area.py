"""Acres on the ellipsoid, and the choice of a field's projected system."""

import functools

import pyproj
import shapely

from vrn.units import AC_M2

_GEOD = pyproj.Geod(ellps="WGS84")


def projected_crs(longitude: float, latitude: float) -> str:
    """Projected system in metres for a place: its UTM zone on WGS 84.

    `longitude`, `latitude`: of the field. [°]

    >>> projected_crs(-95.2, 42.4), projected_crs(-58.5, -33.9)
    ('EPSG:32615', 'EPSG:32721')
    """
    zone = min(max(int((longitude + 180.0) // 6.0) + 1, 1), 60)
    return f"EPSG:{(32600 if latitude >= 0 else 32700) + zone}"


@functools.lru_cache(maxsize=32)
def transformer(source: str, target: str) -> pyproj.Transformer:
    """Transformer between two systems, easting or longitude first."""
    return pyproj.Transformer.from_crs(source, target, always_xy=True)


def reproject(geometry: shapely.Geometry, source: str, target: str) -> shapely.Geometry:
    """A geometry in another system, vertex by vertex.

    `source`, `target`: coordinate reference systems as pyproj takes them.
    """
    if source == target:
        return geometry
    change = transformer(source, target)
    return shapely.transform(geometry, lambda x, y: change.transform(x, y), interleaved=False)


def geodesic_acres(geometry: shapely.Geometry, crs: str) -> float:
    """Area on the WGS 84 ellipsoid.

    `crs`: system of its coordinates.

    >>> quarter = shapely.box(-95.0, 42.0, -94.99, 42.01)
    >>> round(geodesic_acres(quarter, "EPSG:4326"), 1)
    227.4
    """
    lonlat = reproject(geometry, crs, "EPSG:4326")
    area_m2 = 0.0
    for polygon in shapely.get_parts(lonlat):
        if polygon.geom_type == "Polygon":
            area_m2 += _ring_m2(polygon.exterior) - sum(_ring_m2(hole) for hole in polygon.interiors)
    return area_m2 / AC_M2


def _ring_m2(ring: shapely.LinearRing) -> float:
    """Area inside a ring whichever way it turns: a near touch can mislead a test of its turn. [m²]"""
    longitude, latitude = shapely.get_coordinates(ring).T
    return abs(float(_GEOD.polygon_area_perimeter(longitude, latitude)[0]))
