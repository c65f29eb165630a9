"""How a grid covers ground: its extent, and the share of each cell that lies inside an outline."""

import math

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError
from vrn.model.grid import Grid

_LARGEST_GRID = 4_000_000
_USUAL_GRID = 400_000


def cell_size_m(outline: shapely.Geometry, *, swath_m: float, spacing_m: float | None = None) -> float:
    """
    Side of a cell that resolves both the machine and the samples.

    Parameters
    ----------
    outline : shapely.Geometry
        In a projected system. [m]
    swath_m : float
        Width the machine covers in a pass. [m]
    spacing_m : float, optional
        Usual distance between samples. [m]

    Returns
    -------
    cell_m : float
        A third of a swath, at most a quarter of the spacing, between 3 and 10 m, in half metres; larger where a
        field would need more than 400 000 cells. [m]

    Examples
    --------
    A 60-ft swath is 18.29 m, a third of it 6.1 m:

    >>> cell_size_m(shapely.box(0, 0, 800, 800), swath_m=18.288, spacing_m=100.0)
    6.0
    """
    wanted_m = swath_m / 3 if spacing_m is None else min(swath_m / 3, spacing_m / 4)
    cell_m = min(max(round(wanted_m * 2) / 2, 3.0), 10.0)
    west, south, east, north = outline.bounds
    least_m = math.sqrt((east - west) * (north - south) / _USUAL_GRID)
    return max(cell_m, math.ceil(least_m * 2) / 2)


def grid_over(outline: shapely.Geometry, *, crs: str, cell_m: float) -> Grid:
    """
    Smallest grid that covers an outline, its corners on multiples of the cell.

    Parameters
    ----------
    outline : shapely.Geometry
        In the projected system ``crs``. [m]
    crs : str
        Projected system in metres.
    cell_m : float
        Side of a cell. [m]

    Returns
    -------
    grid : Grid

    Raises
    ------
    OutOfRangeError
        If the outline is empty, or would need more than four million cells.

    Examples
    --------
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
    """
    Share of each cell's area that lies inside an outline.

    Parameters
    ----------
    grid : Grid
    outline : shapely.Geometry
        In the grid's system.

    Returns
    -------
    share : ndarray, shape (rows, cols)
        From 0 (outside) to 1 (wholly inside); the sum times the cell's area is the outline's area.

    Examples
    --------
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
