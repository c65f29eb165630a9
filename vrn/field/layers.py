"""What is known of the field besides the nitrate samples: constants, points, polygons, rasters."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vrn.field.grid import Grid


@dataclass(frozen=True, slots=True, kw_only=True)
class ConstantLayer:
    """One value for the whole field, in the unit that ends ``name``."""

    name: str
    value: float
    source: str = "field file"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointLayer:
    """Values at points, ``coordinates_m`` shape (n, 2) in ``crs``, ``values`` shape (n,)."""

    name: str
    crs: str
    coordinates_m: NDArray[np.float64]
    values: NDArray[np.float64]
    source: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PolygonLayer:
    """Values of areas, ``polygons`` an object array of shapely polygons in ``crs``, ``values`` shape (n,)."""

    name: str
    crs: str
    polygons: NDArray[np.object_]
    values: NDArray[np.float64]
    source: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RasterLayer:
    """Values on a raster of its own, already warped north-up into the field's system (``grid.crs``)."""

    name: str
    grid: Grid
    values: NDArray[np.float64]
    source: str


Layer = ConstantLayer | PointLayer | PolygonLayer | RasterLayer
