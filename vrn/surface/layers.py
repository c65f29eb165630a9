"""Layers of every kind onto the field's grid: constants, points, polygons and rasters, by area."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import CrsMismatchError, InputFileError
from vrn.findings import note
from vrn.model.grid import Grid
from vrn.model.layers import ConstantLayer, Layer, PointLayer, PolygonLayer, RasterLayer, YieldLogLayer
from vrn.model.surface import Surface
from vrn.model.surface_choice import SurfaceChoice
from vrn.surface.points import points_on_grid


def layer_on_grid(layer: Layer, grid: Grid, *, name: str | None = None, use_mean_only: bool = False) -> Surface:
    """
    Bring a layer onto the grid.

    Parameters
    ----------
    layer : ConstantLayer, PointLayer, PolygonLayer, RasterLayer or YieldLogLayer
        In the grid's system.
    grid : Grid
    name : str, optional
        Name of the surface; the layer's when not given.
    use_mean_only : bool, default False
        As in `interpolate`, for points.

    Returns
    -------
    surface : Surface
        Points are interpolated as the samples are; polygons and rasters are averaged over each cell by area; harvest
        logs become relative yield, 1 on average. Cells at the edge of polygons or of a raster take the nearest value up
        to one cell away; others stay unknown.

    Raises
    ------
    CrsMismatchError
        If the layer is in another system.
    InputFileError
        If the layer holds no value on the grid.

    Examples
    --------
    A raster of 20 m onto cells of 10 m:

    >>> grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=10.0, cell_m=10.0, rows=1, cols=4)
    >>> coarse = Grid(crs="EPSG:32615", west_m=5.0, north_m=20.0, cell_m=20.0, rows=1, cols=2)
    >>> layer = RasterLayer(name="om_pct", grid=coarse, values=np.array([[2.0, 4.0]]), source="om.tif")
    >>> layer_on_grid(layer, grid).values.tolist()
    [[2.0, 2.0, 3.0, 4.0]]
    """
    name = name or layer.name
    if isinstance(layer, ConstantLayer):
        return Surface(name=name, grid=grid, values=np.full(grid.shape, layer.value), chosen="constant")
    if isinstance(layer, YieldLogLayer):
        from vrn.surface.yield_potential import yield_potential

        return yield_potential(layer, grid, name=name).surface
    crs = layer.grid.crs if isinstance(layer, RasterLayer) else layer.crs
    if crs != grid.crs:
        problem = f"{layer.source}: layer {layer.name} is in {crs}, the grid in {grid.crs}."
        raise CrsMismatchError(problem, "Read it with vrn.read_field, which reprojects it.")
    if isinstance(layer, PointLayer):
        if not np.isfinite(layer.values).any():
            problem = f"{layer.source}: no point of {layer.name} has a value."
            raise InputFileError(problem, "Check the column, or leave the layer out.")
        surface = points_on_grid(layer.coordinates_m, layer.values, grid, name=name, use_mean_only=use_mean_only)
        return replace(surface, choice=replace(surface.choice or SurfaceChoice(), source=layer.source))
    if isinstance(layer, PolygonLayer):
        values, covered = _polygons_on(layer.polygons, layer.values, grid)
        chosen, reach_m = "polygons by area", grid.cell_m
    else:
        values, covered = _raster_on(layer, grid)
        chosen, reach_m = "raster by area", max(layer.grid.cell_m, grid.cell_m)
    if not np.isfinite(values).any():
        problem = f"{layer.source}: layer {layer.name} has no value on the field."
        raise InputFileError(problem, "Check that it is of this field, its coordinate system and its column.")
    values, near = _filled(values, reach_m / grid.cell_m)
    return Surface(
        name=name, grid=grid, values=values, chosen=chosen,
        choice=SurfaceChoice(source=layer.source, covered_share=float(covered.mean()), cells_from_nearest=near),
    )  # fmt: skip


def area_means(
    areas: Mapping[str, shapely.Geometry],
    values: Mapping[str, float],
    grid: Grid,
    *,
    name: str = "nitrate_ppm",
    se: Mapping[str, float] | None = None,
) -> Surface:
    """
    Surface of composites that each stand for an area: the area's value in every cell, and no more detail than that.

    Parameters
    ----------
    areas : mapping of str to shapely polygon
        Outlines in the grid's system.
    values : mapping of str to float
        Value of each area, in the unit of ``name``; an area without one, or with NaN, stays unknown.
    grid : Grid
    name : str
    se : mapping of str to float, optional
        Standard error of each value.

    Returns
    -------
    surface : Surface
        A cell on the line between areas takes their mean by area. ``se`` and ``draws`` are None unless ``se`` is given;
        an area is drawn as off by its own error in all of its cells alike.

    Raises
    ------
    InputFileError
        If a value names an area that is not there, or no area lies on the grid.

    Examples
    --------
    >>> grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=10.0, cell_m=10.0, rows=1, cols=3)
    >>> halves = {"A": shapely.box(0, 0, 15, 10), "B": shapely.box(15, 0, 30, 10)}
    >>> area_means(halves, {"A": 8.0, "B": 14.0}, grid).values.tolist()
    [[8.0, 11.0, 14.0]]
    """
    strangers = sorted(set(values) - set(areas))
    if strangers:
        problem = f"Readings name areas that are not in the areas' file: {', '.join(strangers[:5])}."
        raise InputFileError(problem, f"Correct area_id; the file has {', '.join(sorted(areas)[:8])}.")
    names = [key for key in areas if np.isfinite(values.get(key, np.nan))]
    polygons = np.array([areas[key] for key in names], dtype=object)
    cells, covered = _polygons_on(polygons, np.array([values[key] for key in names], dtype=float), grid)
    if not np.isfinite(cells).any():
        problem = "No area with a reading lies on the field."
        raise InputFileError(problem, "Check the areas' file and its coordinate system.")
    errors = None
    if se is not None:
        of_area = np.array([se.get(key, np.nan) for key in names], dtype=float)
        errors = _filled(_polygons_on(polygons, of_area, grid)[0], 1.0)[0]
    filled, near = _filled(cells, 1.0)
    silent = sorted(set(areas) - set(names))
    findings = [note("surface.area-means", name)]
    if silent:
        findings.append(note("surface.areas-silent", name, areas=", ".join(silent[:8])))
    draws = None
    if se is not None:
        findings.append(note("surface.area-error", name))
        area = shapely.STRtree(polygons).nearest(shapely.points(grid.centers_m())).reshape(grid.shape)
        draws = AreaDraws(grid=grid, values=filled, area=area, se=np.nan_to_num(of_area))
    choice = SurfaceChoice(
        areas=len(names), areas_without_reading=tuple(silent), covered_share=float(covered.mean()),
        cells_from_nearest=near,
    )  # fmt: skip
    return Surface(
        name=name, grid=grid, values=filled, se=errors, chosen="area means", choice=choice, findings=tuple(findings),
        draws=draws,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AreaDraws:
    """Draws of areas that each have one value: ``area`` numbers the area of every cell, ``se`` is each area's error."""

    grid: Grid
    values: NDArray[np.float64]
    area: NDArray[np.intp]
    se: NDArray[np.float64]

    def __call__(self, count: int, *, seed: int, step: int = 1) -> NDArray[np.float32]:
        """Shape (count, rows, cols) of the grid's blocks of ``step`` × ``step`` cells, at their middles."""
        blocks = self.grid.blocks(step)
        row, col, _ = self.grid.cells_of(blocks.centers_m())
        off = np.random.default_rng(seed).standard_normal((count, len(self.se))) * self.se
        drawn = self.values[row, col] + off[:, self.area[row, col]]
        return drawn.astype(np.float32).reshape(count, *blocks.shape)


def _polygons_on(
    polygons: NDArray[np.object_], values: NDArray[np.float64], grid: Grid
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean of the polygons' values over each cell by area, and the share of the cell that they cover."""
    keep = np.isfinite(values)
    polygons, values = shapely.make_valid(np.asarray(polygons, dtype=object)[keep]), values[keep]
    east, north = np.meshgrid(grid.eastings_m(), grid.northings_m())
    half = grid.cell_m / 2
    cells = shapely.box(east - half, north - half, east + half, north + half).ravel()
    tree = shapely.STRtree(cells)
    of_touched, touched = tree.query(polygons, predicate="intersects")
    of_within, within = tree.query(polygons, predicate="contains_properly")
    count = len(cells)
    edge = np.setdiff1d(of_touched * count + touched, of_within * count + within, assume_unique=True)
    of_edge, edge = edge // count, edge % count
    shared = shapely.area(shapely.intersection(cells[edge], polygons[of_edge]))
    index = np.concatenate([within, edge])
    area = np.concatenate([np.full(len(within), grid.cell_m2), shared])
    value = np.concatenate([values[of_within], values[of_edge]])
    covered = np.bincount(index, area, count)
    total = np.bincount(index, area * value, count)
    mean = np.divide(total, covered, out=np.full(count, np.nan), where=covered > 1e-9 * grid.cell_m2)
    return mean.reshape(grid.shape), (covered / grid.cell_m2).reshape(grid.shape)


def _raster_on(layer: RasterLayer, grid: Grid) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean of the raster over each cell by area, and the share of the cell that it covers."""
    known = np.isfinite(layer.values)
    numbers = np.where(known, layer.values, 0.0)
    source = layer.grid
    south = -np.linspace(grid.north_m, grid.north_m - grid.rows * grid.cell_m, grid.rows + 1)
    east = np.linspace(grid.west_m, grid.west_m + grid.cols * grid.cell_m, grid.cols + 1)
    rows = (south + source.north_m) / source.cell_m
    cols = (east - source.west_m) / source.cell_m

    def gathered(array: NDArray[np.float64]) -> NDArray[np.float64]:
        return _integral(_integral(array, rows).T, cols).T

    total, covered = gathered(numbers), gathered(known.astype(float))
    least = 1e-9 * grid.cell_m2 / source.cell_m2
    mean = np.divide(total, covered, out=np.full(grid.shape, np.nan), where=covered > least)
    return mean, covered * source.cell_m2 / grid.cell_m2


def _integral(array: NDArray[np.float64], edges: NDArray[np.float64]) -> NDArray[np.float64]:
    """Integral down the first axis between edges, given in rows of the array; nothing lies outside it."""
    sums = np.vstack([np.zeros((1, array.shape[1])), np.cumsum(array, axis=0)])
    at = np.clip(edges, 0.0, len(array))
    below = np.minimum(at.astype(np.intp), len(array) - 1)
    part = (at - below)[:, None]
    return np.diff(sums[below] * (1.0 - part) + sums[below + 1] * part, axis=0)


def _filled(values: NDArray[np.float64], reach_cells: float) -> tuple[NDArray[np.float64], int]:
    """Unknown cells within reach of a known one take the nearest one's value; and how many did."""
    unknown = ~np.isfinite(values)
    if not unknown.any():
        return values, 0
    from scipy.ndimage import distance_transform_edt

    distance, nearest = distance_transform_edt(unknown, return_indices=True)
    near = unknown & (distance <= reach_cells + 1e-9)
    filled = np.where(near, values[tuple(nearest)], values)
    return filled, int(near.sum())
