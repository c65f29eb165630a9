"""Readings and layers of every kind onto the field's grid, with layers that readings may follow and with draws."""

import hashlib
import math
import pickle
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, TypeVar

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from vrn.errors import CrsMismatchError, InputFileError, OutOfRangeError
from vrn.findings import Quantity, note
from vrn.model.grid import Grid
from vrn.model.layers import ConstantLayer, Layer, PointLayer, PolygonLayer, RasterLayer, YieldLogLayer
from vrn.model.surface import Surface, SurfaceChoice, SurfaceSlice
from vrn.model.variogram import Variogram
from vrn.surface.choose import interpolate
from vrn.surface.estimators import Estimator
from vrn.surface.nearby import Nearby
from vrn.surface.places import one_blas_thread, places_of, points_of

_APART: Final = 1_000_003  # between the seeds of surfaces that err independently


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GridDraws:
    """Draws of a surface of readings: fields that the readings allow, the same for the same seed."""

    estimator: Estimator
    grid: Grid
    drift: NDArray[np.float64] | None

    def __call__(self, count: int, *, seed: int, step: int = 1) -> NDArray[np.float32]:
        """Shape (count, rows, cols) of the grid's blocks of ``step`` × ``step`` cells, at their middles."""
        blocks, drift = self.grid.blocks(step), self.drift
        if drift is not None and step > 1:
            row, col, _ = self.grid.cells_of(blocks.centers_m())
            drift = drift[row * self.grid.cols + col]
        draw = one_blas_thread(self.estimator.draws)
        return draw(blocks, drift, count, np.random.default_rng(seed)).reshape(count, *blocks.shape)


def points_on_grid(
    coordinates_m: ArrayLike, values: ArrayLike, grid: Grid, *, name: str, error_variance: ArrayLike | None = None,
    drift: Sequence[Surface] = (), use_mean_only: bool = False, by_distance: bool = False,
) -> Surface:  # fmt: skip
    """
    Surface of readings on the grid, as `interpolate` makes it.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing of the readings. [m]
    values : array_like, shape (n,)
        In the unit that ends ``name``; NaN readings are left out, with a finding.
    error_variance : array_like, shape (n,) or (), optional
        Known variance of each reading's error.
    drift : sequence of Surface
        Surfaces on the same grid that the values may follow, as far as the readings support it.
    use_mean_only : bool, default False
        As in `interpolate`.
    by_distance : bool, default False
        As in `interpolate`.

    Returns
    -------
    surface : Surface
        With ``draws`` unless there is only one reading. Where no reading is below 0, neither is the surface: kriging's
        weights can be negative, and a drift can lead below what was read.

    Examples
    --------
    >>> grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=10.0, cell_m=10.0, rows=1, cols=2)
    >>> surface = points_on_grid([(5, 5), (15, 5)], [8.0, 12.0], grid, name="nitrate_ppm")
    >>> surface.chosen, surface.values.tolist(), surface.draws(100, seed=1).shape
    ('mean', [[10.0, 10.0]], (100, 1, 2))
    """
    points = points_of(coordinates_m)
    here = there = None
    if drift:
        layers = np.column_stack([surface.values.ravel() for surface in drift])
        row, col, _ = grid.cells_of(points)
        here, there = layers[row * grid.cols + col], layers
    made = interpolate(
        points, values, grid.centers_m(), error_variance=error_variance, drift=here, target_drift=there,
        use_mean_only=use_mean_only, by_distance=by_distance,
    )  # fmt: skip
    shape, cells = grid.shape, made.estimate
    findings = [replace(one, about=name) for one in made.findings]
    below = cells < 0
    if below.any() and np.nanmin(np.asarray(values, dtype=float)) >= 0:
        cells = np.where(below, 0.0, cells)
        findings.append(note("surface.held-at-zero", name, cells=int(below.sum())))
    return Surface(
        name=name, grid=grid, values=cells.reshape(shape), se=None if made.se is None else made.se.reshape(shape),
        predictive_se=None if made.predictive_se is None else made.predictive_se.reshape(shape), chosen=made.chosen,
        choice=made.choice, findings=tuple(findings),
        draws=None if made.se is None else GridDraws(estimator=made.estimator, grid=grid, drift=made.target_drift),
    )  # fmt: skip


def weighted_mean(surfaces: Sequence[Surface], weights: Sequence[float], *, name: str) -> Surface:
    """Mean of surfaces of one quantity, as of the layers of a profile by their thickness.

    `surfaces`: on one grid; their errors are taken as independent. `weights`: scaled to add up to 1. The mean has an
    error and draws only where every part has them. Raises OutOfRangeError if there is no surface, lengths differ, or
    the weights do not add up to more than 0.
    """
    share = np.asarray(weights, dtype=float)
    if not len(surfaces) or len(share) != len(surfaces) or not share.sum() > 0:
        problem = f"{len(surfaces)} surfaces cannot be averaged with weights {list(weights)}."
        raise OutOfRangeError(problem, "Give one weight of 0 or more for each surface.")
    share = share / share.sum()
    parts = tuple(surfaces)
    findings = [one for part in parts for one in part.findings]
    return Surface(
        name=name, grid=parts[0].grid,
        values=np.asarray(sum(w * part.values for w, part in zip(share, parts, strict=True))),
        se=_mean_error([part.se for part in parts], share),
        predictive_se=_mean_error([part.predictive_se for part in parts], share), chosen=parts[0].chosen,
        choice=SurfaceChoice(
            slices=tuple(
                SurfaceSlice(weight=float(w), chosen=part.chosen, choice=part.choice or SurfaceChoice())
                for w, part in zip(share, parts, strict=True)
            )
        ),
        findings=tuple(one for k, one in enumerate(findings) if one not in findings[:k]),
        draws=_MeanDraws(parts=parts, share=tuple(share.tolist())) if all(part.draws for part in parts) else None,
    )  # fmt: skip


def _mean_error(errors: Sequence[NDArray[np.float64] | None], share: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Standard error of a weighted mean of independent parts; None where one is not known."""
    known = [error for error in errors if error is not None]
    if len(known) < len(errors):
        return None
    return np.asarray(np.sqrt(np.sum([(w * error) ** 2 for w, error in zip(share, known, strict=True)], axis=0)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _MeanDraws:
    parts: tuple[Surface, ...]
    share: tuple[float, ...]

    def __call__(self, count: int, *, seed: int, step: int = 1) -> NDArray[np.float32]:
        total = np.zeros((count, *self.parts[0].grid.blocks(step).shape), np.float32)
        for k, (part, weight) in enumerate(zip(self.parts, self.share, strict=True)):
            if part.draws is not None:
                total += np.float32(weight) * part.draws(count, seed=seed + _APART * k, step=step)
        return total


def layer_on_grid(
    layer: Layer, grid: Grid, *, name: str | None = None, drift: Sequence[Surface] = (), use_mean_only: bool = False,
    filter_noise: bool = False,
) -> Surface:  # fmt: skip
    """
    Bring a layer onto the grid.

    Parameters
    ----------
    layer : ConstantLayer, PointLayer, PolygonLayer, RasterLayer or YieldLogLayer
        In the grid's system.
    name : str, optional
        Name of the surface; the layer's when not given.
    drift : sequence of Surface
        As in `points_on_grid`, for points.
    use_mean_only : bool, default False
        As in `interpolate`, for points.
    filter_noise : bool, default False
        Whether a raster's noise from cell to cell is taken out, as for a quantity that changes smoothly.

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
        surface = points_on_grid(
            layer.coordinates_m, layer.values, grid, name=name, drift=drift, use_mean_only=use_mean_only
        )
        return replace(surface, choice=replace(surface.choice or SurfaceChoice(), source=layer.source))
    if isinstance(layer, PolygonLayer):
        values, covered = polygons_on(layer.polygons, layer.values, grid)
        chosen, reach_m = "polygons by area", grid.cell_m
    else:
        values, covered = _raster_on(layer, grid)
        chosen, reach_m = "raster by area", max(layer.grid.cell_m, grid.cell_m)
    if not np.isfinite(values).any():
        problem = f"{layer.source}: layer {layer.name} has no value on the field."
        raise InputFileError(problem, "Check that it is of this field, its coordinate system and its column.")
    share = 0.0
    if filter_noise and isinstance(layer, RasterLayer):
        values, share = _filtered(values, grid, layer)
    findings = (note("surface.raster-noise", name, share=Quantity("share", share)),) if share else ()
    values, near = filled(values, reach_m / grid.cell_m)
    return Surface(
        name=name, grid=grid, values=values, chosen=chosen, findings=findings,
        choice=SurfaceChoice(source=layer.source, covered_share=float(covered.mean()), cells_from_nearest=near),
    )  # fmt: skip


def polygons_on(
    polygons: NDArray[np.object_], values: NDArray[np.float64], grid: Grid
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Mean of the polygons' values over each cell by area, and the share of the cell that they cover."""
    keep = np.isfinite(values)
    which, index, area = overlaps(np.asarray(polygons, dtype=object)[keep], grid)
    count = grid.rows * grid.cols
    covered = np.bincount(index, area, count)
    total = np.bincount(index, area * values[keep][which], count)
    mean = np.divide(total, covered, out=np.full(count, np.nan), where=covered > 1e-9 * grid.cell_m2)
    return mean.reshape(grid.shape), (covered / grid.cell_m2).reshape(grid.shape)


def overlaps(
    polygons: NDArray[np.object_], grid: Grid
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """Ground that polygons share with cells: number of the polygon, of the cell, and the area. [m2]"""
    polygons = shapely.make_valid(polygons)
    east, north = np.meshgrid(grid.eastings_m(), grid.northings_m())
    half = grid.cell_m / 2
    cells = shapely.box(east - half, north - half, east + half, north + half).ravel()
    tree = shapely.STRtree(cells)
    of_touched, touched = tree.query(polygons, predicate="intersects")
    of_within, within = tree.query(polygons, predicate="contains_properly")
    edge = np.setdiff1d(of_touched * len(cells) + touched, of_within * len(cells) + within, assume_unique=True)
    of_edge, edge = np.divmod(edge, len(cells))
    shared = shapely.area(shapely.intersection(cells[edge], polygons[of_edge]))
    some = shared > 0
    which, index = np.concatenate([of_within, of_edge[some]]), np.concatenate([within, edge[some]])
    return which, index, np.concatenate([np.full(len(within), grid.cell_m2), shared[some]])


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
    mean = np.maximum(mean, np.nanmin(layer.values))  # sums of sums round below it
    return mean, covered * source.cell_m2 / grid.cell_m2


_LEAST_NOISE, _MOST_NOISE = 0.005, 0.5  # of the variance: worth filtering, and beyond which there is no pattern to keep
_MOST_FILTERED: Final = 40_000  # cells


@one_blas_thread
def _filtered(values: NDArray[np.float64], grid: Grid, layer: RasterLayer) -> tuple[NDArray[np.float64], float]:
    """Values on the grid without the raster's noise from cell to cell, and its share of the variance.

    Under an exponential covariance S·q^k of cells k apart S is C₁²/C₂, by the differences between cells; what they vary
    by beyond is noise, the error of each in kriging from the nearest. Unchanged, share 0, under 0.5 %, over half, and
    in rasters so fine that the mean over a cell takes it out.
    """
    centers_m = layer.grid.centers_m()
    known = np.isfinite(layer.values) & grid.cells_of(centers_m)[2].reshape(layer.grid.shape)
    if not 0 < known.sum() <= _MOST_FILTERED:
        return values, 0.0
    field = np.where(known, layer.values, np.nan)
    variance, covariance = float(np.nanvar(field)), []
    for k in (1, 2):
        apart = np.concatenate([(field[k:] - field[:-k]).ravel(), (field[:, k:] - field[:, :-k]).ravel()])
        apart = apart[np.isfinite(apart)]
        covariance.append(variance - 0.5 * float(np.mean(apart**2)) if len(apart) else 0.0)
    one, two = covariance
    share = 1.0 - one**2 / (two * variance) if 0 < two < one < variance else 0.0
    if not _LEAST_NOISE <= share <= _MOST_NOISE:
        return values, 0.0
    range_m = -layer.grid.cell_m / math.log(two / one)
    pattern = Variogram(model="exponential", partial_sill=one**2 / two, range_m=range_m)
    places = places_of(centers_m[known.ravel()], field[known], share * variance)
    filtered = Nearby.of(places, pattern).at(grid.centers_m()).estimate.reshape(grid.shape)
    return np.where(np.isfinite(values), filtered, values), share


def _integral(array: NDArray[np.float64], edges: NDArray[np.float64]) -> NDArray[np.float64]:
    """Integral down the first axis between edges, given in rows of the array; nothing lies outside it."""
    sums = np.vstack([np.zeros((1, array.shape[1])), np.cumsum(array, axis=0)])
    at = np.clip(edges, 0.0, len(array))
    below = np.minimum(at.astype(np.intp), len(array) - 1)
    part = (at - below)[:, None]
    return np.diff(sums[below] * (1.0 - part) + sums[below + 1] * part, axis=0)


def filled(values: NDArray[np.float64], reach_cells: float) -> tuple[NDArray[np.float64], int]:
    """Unknown cells within reach of a known one take the nearest one's value; and how many did."""
    unknown = ~np.isfinite(values)
    if not unknown.any():
        return values, 0
    from scipy.ndimage import distance_transform_edt

    distance, nearest = distance_transform_edt(unknown, return_indices=True)
    near = unknown & (distance <= reach_cells + 1e-9)
    filled = np.where(near, values[tuple(nearest)], values)
    return filled, int(near.sum())


_T = TypeVar("_T")
_MOST_REMEMBERED = 48  # answers: some states of one field


def remembered(memory: dict[bytes, Any] | None, content: object, make: Callable[[], _T]) -> _T:
    """What is made from a content, made once: the memory keeps the last answers by its hash; without one, made anew.

    >>> memory, made = {}, []
    >>> [remembered(memory, ("sand", depth), lambda: made.append(1) or len(made)) for depth in (12, 24, 12)]
    [1, 2, 1]
    """
    if memory is None:
        return make()
    key = hashlib.sha256(pickle.dumps(content)).digest()
    memory[key] = memory.pop(key) if key in memory else make()  # the last used is the last to go
    while len(memory) > _MOST_REMEMBERED:
        del memory[next(iter(memory))]
    found: _T = memory[key]
    return found
