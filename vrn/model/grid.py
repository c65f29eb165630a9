"""A field's projected system, acres on the ellipsoid, and its one grid: cells, north up, and how they cover ground."""

import functools
import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError
from vrn.units import AC_M2

_GEOD = pyproj.Geod(ellps="WGS84")


def projected_crs(longitude: float, latitude: float) -> str:
    """Projected system in metres for a place: its UTM zone on WGS 84.

    >>> projected_crs(-95.2, 42.4), projected_crs(-58.5, -33.9)
    ('EPSG:32615', 'EPSG:32721')
    """
    zone = min(max(int((longitude + 180.0) // 6.0) + 1, 1), 60)
    return f"EPSG:{(32600 if latitude >= 0 else 32700) + zone}"


@functools.lru_cache(maxsize=128)
def transformer(source: str, target: str) -> pyproj.Transformer:
    """Transformer between two systems, easting or longitude first."""
    return pyproj.Transformer.from_crs(source, target, always_xy=True)


def reproject(geometry: shapely.Geometry, source: str, target: str) -> shapely.Geometry:
    """A geometry in another system, vertex by vertex."""
    if source == target:
        return geometry
    change = transformer(source, target)
    return shapely.transform(geometry, lambda x, y: change.transform(x, y), interleaved=False)


def geodesic_acres(geometry: shapely.Geometry, crs: str) -> float:
    """Area on the WGS 84 ellipsoid.

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


_LARGEST_GRID = 4_000_000
_USUAL_GRID = 400_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """
    Square cells in a projected coordinate system, row 0 in the north.

    Parameters
    ----------
    crs : str
        Projected system in metres, as ``"EPSG:32615"``.
    west_m, north_m : float
        Outer corner of the first cell. [m]
    cell_m : float
        Side of a cell. [m]
    rows, cols : int
        Number of cells north–south and west–east.

    Raises
    ------
    OutOfRangeError
        If the cell or the counts are not positive.

    Examples
    --------
    >>> grid = Grid(crs="EPSG:32615", west_m=100.0, north_m=220.0, cell_m=10.0, rows=2, cols=3)
    >>> grid.centers_m()[0].tolist(), grid.centers_m()[-1].tolist()
    ([105.0, 215.0], [125.0, 205.0])
    """

    crs: str
    west_m: float
    north_m: float
    cell_m: float
    rows: int
    cols: int

    def __post_init__(self) -> None:
        if not (self.cell_m > 0 and self.rows > 0 and self.cols > 0):
            problem = f"A grid of {self.rows} × {self.cols} cells of {self.cell_m} m cannot be made."
            raise OutOfRangeError(problem, "Give a cell above 0 m and at least one row and column.")

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""
        return self.rows, self.cols

    @property
    def bounds_m(self) -> tuple[float, float, float, float]:
        """West, south, east, north. [m]"""
        return (
            self.west_m, self.north_m - self.rows * self.cell_m, self.west_m + self.cols * self.cell_m, self.north_m,
        )  # fmt: skip

    @property
    def cell_m2(self) -> float:
        """Area of a cell. [m²]"""
        return self.cell_m * self.cell_m

    @property
    def transform(self) -> tuple[float, float, float, float, float, float]:
        """Affine coefficients (a, b, c, d, e, f) as raster libraries take them."""
        return (self.cell_m, 0.0, self.west_m, 0.0, -self.cell_m, self.north_m)

    def blocks(self, step: int) -> "Grid":
        """The grid of blocks of ``step`` × ``step`` cells, from the same corner; the last may reach beyond this one.

        >>> grid = Grid(crs="EPSG:32615", west_m=100.0, north_m=220.0, cell_m=10.0, rows=2, cols=3)
        >>> grid.blocks(2).shape, grid.blocks(2).cell_m
        ((1, 2), 20.0)
        """
        return replace(self, cell_m=self.cell_m * step, rows=-(-self.rows // step), cols=-(-self.cols // step))

    def eastings_m(self) -> NDArray[np.float64]:
        """Cell centres along a row, shape (cols,). [m]"""
        return np.asarray(self.west_m + (np.arange(self.cols) + 0.5) * self.cell_m, dtype=np.float64)

    def northings_m(self) -> NDArray[np.float64]:
        """Cell centres down a column, north first, shape (rows,). [m]"""
        return np.asarray(self.north_m - (np.arange(self.rows) + 0.5) * self.cell_m, dtype=np.float64)

    def centers_m(self) -> NDArray[np.float64]:
        """Cell centres in row-major order, shape (rows × cols, 2), easting before northing. [m]"""
        easting, northing = np.meshgrid(self.eastings_m(), self.northings_m())
        return np.column_stack([easting.ravel(), northing.ravel()])

    def in_rows(self, values: Any) -> NDArray[np.float64]:
        """Cell values as rows and columns.

        `values` (rows × cols,): in row-major order; one number counts for every cell. Returns (rows, cols): not to be
        written to.

        >>> grid = Grid(crs="EPSG:32615", west_m=100.0, north_m=220.0, cell_m=10.0, rows=2, cols=3)
        >>> grid.in_rows([1, 2, 3, 4, 5, 6]).tolist(), grid.in_rows(7).tolist()
        ([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]], [[7.0, 7.0, 7.0], [7.0, 7.0, 7.0]])
        """
        flat = np.asarray(values, dtype=float).reshape(-1)
        return np.broadcast_to(flat, (self.rows * self.cols,)).reshape(self.shape)

    def cells_of(self, coordinates_m: Any) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.bool_]]:
        """Row and column of the cell that holds each point.

        Returns `row` (n,): clipped to the grid; `inside` (n,): whether the point lies on the grid.
        """
        points = np.asarray(coordinates_m, dtype=float).reshape(-1, 2)
        col = np.floor((points[:, 0] - self.west_m) / self.cell_m)
        row = np.floor((self.north_m - points[:, 1]) / self.cell_m)
        inside = (row >= 0) & (row < self.rows) & (col >= 0) & (col < self.cols)
        row = np.clip(np.nan_to_num(row), 0, self.rows - 1).astype(np.intp)
        col = np.clip(np.nan_to_num(col), 0, self.cols - 1).astype(np.intp)
        return row, col, inside


def cell_size_m(outline: shapely.Geometry, *, swath_m: float, spacing_m: float | None = None) -> float:
    """Side of a cell that resolves both the machine and the samples.

    `spacing_m`: usual distance between samples. A third of a swath, at most a quarter of the spacing, between 4.5 and
    10 m (no sample tells of finer ground), in half metres; larger where a field would need more than 400 000 cells.

    A 60-ft swath is 18.29 m, a third of it 6.1 m:

    >>> cell_size_m(shapely.box(0, 0, 800, 800), swath_m=18.288, spacing_m=100.0)
    6.0
    """
    wanted_m = swath_m / 3 if spacing_m is None else min(swath_m / 3, spacing_m / 4)
    cell_m = min(max(round(wanted_m * 2) / 2, 4.5), 10.0)
    west, south, east, north = outline.bounds
    least_m = math.sqrt((east - west) * (north - south) / _USUAL_GRID)
    return max(cell_m, math.ceil(least_m * 2) / 2)


def grid_over(outline: shapely.Geometry, *, crs: str, cell_m: float) -> Grid:
    """Smallest grid that covers an outline, its corners on multiples of the cell.

    Raises OutOfRangeError if the outline is empty, or would need more than four million cells.

    >>> grid_over(shapely.box(3, 4, 21, 19), crs="EPSG:32615", cell_m=10.0).shape
    (2, 3)
    """
    if outline.is_empty:
        problem = "The outline to be covered by a grid is empty."
        raise OutOfRangeError(problem, "Give a boundary with an area.")
    west, south, east, north = outline.bounds
    west_m = math.floor(west / cell_m) * cell_m
    north_m = math.ceil(north / cell_m) * cell_m
    cols = max(1, math.ceil((east - west_m) / cell_m - 1e-9))
    rows = max(1, math.ceil((north_m - south) / cell_m - 1e-9))
    if rows * cols > _LARGEST_GRID:
        problem = f"{rows} × {cols} cells of {cell_m:g} m are more than {_LARGEST_GRID:,}."
        raise OutOfRangeError(problem, "Check that the boundary is one field, or give a larger cell.")
    return Grid(crs=crs, west_m=west_m, north_m=north_m, cell_m=cell_m, rows=rows, cols=cols)


def share_inside(grid: Grid, outline: shapely.Geometry) -> NDArray[np.float64]:
    """Share of each cell's area that lies inside an outline.

    Shape (rows, cols), from 0 (outside) to 1 (wholly inside); the sum times the cell's area is the outline's area.

    >>> grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=20.0, cell_m=10.0, rows=2, cols=2)
    >>> share_inside(grid, shapely.box(0, 0, 15, 20)).tolist()
    [[1.0, 0.5], [1.0, 0.5]]
    """
    east, north = np.meshgrid(grid.eastings_m(), grid.northings_m())
    half = grid.cell_m / 2
    cells = shapely.box(east - half, north - half, east + half, north + half).ravel()
    tree = shapely.STRtree(cells)
    share = np.zeros(cells.size)
    touched = tree.query(outline, predicate="intersects")
    within = tree.query(outline, predicate="contains_properly")
    share[within] = 1.0
    edge = np.setdiff1d(touched, within, assume_unique=True)
    share[edge] = shapely.area(shapely.intersection(cells[edge], outline)) / grid.cell_m2
    return share.reshape(grid.shape)
