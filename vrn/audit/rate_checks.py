"""One rate at one place: the same from every file, north up, none on no-apply ground and none outside."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.audit.model import Check, checked, failed, passed
from vrn.audit.opened import Opened
from vrn.audit.paper_checks import explained
from vrn.findings import Quantity
from vrn.model.grid import reproject, transformer
from vrn.units import FT_M

Array = NDArray[np.float64]
Reader = Callable[[Array, Array], Array]
POINTS: Final = 10_000
_TRIED_ON_A_PART = 2_000
_OUTLINE_M = 0.05  # to which outlines of two files agree


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Places:
    """Points at least ``clearance_m``, a cell's diagonal, from every edge."""

    easting_m: Array
    northing_m: Array
    longitude: Array
    latitude: Array
    treated: NDArray[np.bool_]
    no_apply: NDArray[np.bool_]
    crs: str
    clearance_m: float


def rate_checks(opened: Opened) -> Iterator[Check]:
    """Compare the files place by place."""
    readers = opened.rate_readers()
    if opened.ground is None or len(readers) < 2:
        yield failed("audit.rates-too-few", "all files")
        return
    places = places_of(opened)
    if len(places.longitude) == 0:
        yield passed("audit.rates-all-edge", "all files")
        return
    found = {name: read(places.longitude, places.latitude) for name, read in readers.items()}
    stack = np.stack(list(found.values()))
    usual = np.median(stack, axis=0)
    wanted = {zone["zone"]: zone["rate_n_lb_ac"] for zone in opened.summary["zones"]}
    step = _step(opened)
    differs = False
    for name, rate in found.items():
        if np.mean(np.abs(rate - usual) > step) > 0.0005:
            differs = True
            yield from _explain(name, rate, usual, readers[name], places, wanted, opened)
    spread = float(np.max(stack.max(axis=0) - stack.min(axis=0)))
    if spread <= 2 * step or not differs:
        good = spread <= 2 * step
        yield checked(
            good, "audit.rates-alike", "audit.rates-apart", "all files", files=len(found), points=len(usual),
            distance=Quantity("length", places.clearance_m / FT_M), spread=Quantity("rate", spread),
        )  # fmt: skip
    yield from _off_ground(found, places, readers, opened)
    yield from _registration(opened, readers, step)


def places_of(opened: Opened) -> Places:
    """At most 10 000 points spread evenly over and around the field, the same each time; none where it is all edge."""
    ground = opened.ground
    assert ground is not None  # callers looked
    clearance = _clearance_m(opened)
    west, south, east, north = ground.boundary.bounds
    rng = np.random.default_rng(11783)
    margin = 3 * clearance + (opened.sheet.edge_m if opened.sheet else 0.0)
    count = int(POINTS * 1.8)
    easting = rng.uniform(west - margin, east + margin, count)
    northing = rng.uniform(south - margin, north + margin, count)
    edges = _edges(opened)
    points = shapely.points(easting, northing)
    near = np.unique(edges.query(points, predicate="dwithin", distance=clearance)[0])
    edge_m = opened.sheet.edge_m if opened.sheet else 0.0
    if edge_m > 0:  # the grid is meant to reach so far past the boundary
        shapely.prepare(ground.boundary)
        reached = shapely.dwithin(ground.boundary, points, edge_m + clearance) & ~shapely.intersects(
            ground.boundary, points
        )
        near = np.union1d(near, np.flatnonzero(reached))
    kept = np.setdiff1d(np.arange(count), near)[:POINTS]
    easting, northing, points = easting[kept], northing[kept], points[kept]
    for area in (ground.boundary, ground.no_apply):
        shapely.prepare(area)
    no_apply = shapely.intersects(ground.no_apply, points)
    inside = shapely.intersects(ground.boundary, points)
    longitude, latitude = transformer(ground.crs, "EPSG:4326").transform(easting, northing)
    return Places(
        easting_m=easting, northing_m=northing, longitude=longitude, latitude=latitude, treated=inside & ~no_apply,
        no_apply=no_apply, crs=ground.crs, clearance_m=clearance,
    )  # fmt: skip


def _clearance_m(opened: Opened) -> float:
    """Diagonal of the largest cell of any grid. [m]"""
    cells = [raster.cell_m for name, raster in opened.rasters.items() if name.endswith("rate.tif")]
    if opened.task is not None and opened.task.values is not None:
        cells.append(np.radians(opened.task.corner[2]) * 6_371_000.0)
    return float(max(cells, default=5.0)) * math.sqrt(2) * 1.01


def _edges(opened: Opened) -> shapely.STRtree:
    """Every edge of the boundary, the no-apply ground and the zones of each file that lies on the field."""
    ground = opened.ground
    assert ground is not None  # callers looked
    areas = [ground.boundary, ground.no_apply]
    west, south, east, north = ground.boundary.bounds
    near = shapely.box(west - 200.0, south - 200.0, east + 200.0, north + 200.0)
    for file in opened.vectors.values():
        moved = [reproject(polygon, "EPSG:4326", ground.crs) for polygon in file.polygons]
        areas += [polygon for polygon in moved if near.covers(shapely.box(*polygon.bounds))]
    segments = []
    for ring in shapely.get_rings(shapely.get_parts(areas)):
        corners = shapely.get_coordinates(ring)
        segments.append(np.stack([corners[:-1], corners[1:]], axis=1))
    return shapely.STRtree(shapely.linestrings(np.concatenate(segments)))


def _step(opened: Opened) -> float:
    """Largest rounding of any file. [lb N/ac]"""
    per_unit = np.nan_to_num(opened.n_lb_per_unit, nan=1.0)
    by_shapefile = 0.00501 * (1.0 if opened.summary["product"]["rate_basis"] == "n" else per_unit)  # in L/ha finer
    by_task = 0.5 * per_unit / opened.task.per_product if opened.task is not None else 0.0
    return float(max(by_shapefile, by_task) + 2e-5 * max(z["rate_n_lb_ac"] for z in opened.summary["zones"]) + 1e-6)


def _explain(
    name: str, rate: Array, usual: Array, read: Reader, places: Places, wanted: dict[int, float], opened: Opened
) -> Iterator[Check]:
    """How much a file differs from the others, and what that looks like."""
    off = np.abs(rate - usual) > _step(opened)
    share = float(np.mean(off))
    yield failed("audit.rates-differ", name, share=Quantity("share", share))
    if not rate.any():
        yield failed("audit.rates-none", name)
        return
    turned = _turned(usual, read, places, share)
    if turned:
        yield failed(turned, name)
        return
    by_rate: dict[int, float] = {}
    for zone, should in wanted.items():
        at = np.abs(usual - should) < 0.05
        if should > 0 and at.any():
            got = float(np.median(rate[at]))
            if abs(got - should) > _step(opened):
                by_rate[zone] = got
    stray = (rate > 0) & (usual == 0)
    if stray.any() and stray.sum() > 0.5 * off.sum():
        inside = (stray & places.no_apply).sum() > stray.sum() / 2
        yield failed("audit.rates-on-no-apply" if inside else "audit.rates-outside", name)
    elif by_rate:
        yield from explained(name, by_rate, wanted, opened)


def _turned(usual: Array, read: Reader, places: Places, share: float) -> str:
    """Code of how a file lies that matches the others once it is mirrored or its axes are swapped; empty if none."""
    lon, lat = places.longitude, places.latitude
    treated = places.treated
    west, east = lon[treated].min(), lon[treated].max()
    south, north = lat[treated].min(), lat[treated].max()
    tried = {
        "audit.mirrored-north-south": (lon, south + north - lat),
        "audit.mirrored-east-west": (west + east - lon, lat),
        "audit.turned-half": (west + east - lon, south + north - lat),
        "audit.rows-for-columns": (
            west + (lat - south) / (north - south) * (east - west),
            south + (lon - west) / (east - west) * (north - south),
        ),
        "audit.longitude-for-latitude": (lat, lon),
    }
    best, code = share, ""
    for name, (x, y) in tried.items():
        off = float(np.mean(np.abs(read(x, y) - usual)[treated] > 0.5))
        if off < min(best / 2, 0.5):
            best, code = off, name
    return code


def _off_ground(found: dict[str, Array], places: Places, readers: dict[str, Reader], opened: Opened) -> Iterator[Check]:
    """Whether any file has a rate outside the boundary, or on no-apply ground up to its edge (rasters: clear of it)."""
    outside = ~places.treated & ~places.no_apply
    lon, lat = _on_no_apply(opened)
    kept_off = {name: rate[places.no_apply] if name.endswith(".tif") else readers[name](lon, lat)
                for name, rate in found.items() if len(lon)}  # fmt: skip
    beyond = {name: rate[outside] for name, rate in found.items()}
    for where, points, rates in (("no-apply", len(lon), kept_off), ("outside", int(outside.sum()), beyond)):
        strays = [
            failed(f"audit.stray-{where}", name, points=int(np.sum(rate > 0)), most=Quantity("rate", float(rate.max())))
            for name, rate in rates.items()
            if np.any(rate > 0)
        ]
        yield from strays or [passed(f"audit.none-{where}", "all files", points=points)]


def _on_no_apply(opened: Opened) -> tuple[Array, Array]:
    """Longitude and latitude of places all over the no-apply ground, the same each time."""
    assert opened.ground is not None  # callers looked
    rng = np.random.default_rng(11783)
    kept: list[Array] = [np.empty((0, 2))]
    parts = shapely.get_parts(shapely.buffer(opened.ground.no_apply, -_OUTLINE_M))
    for part in parts[~shapely.is_empty(parts)]:
        shapely.prepare(part)
        corners = np.array(part.bounds)
        tried = rng.uniform(corners[:2], corners[2:], (_TRIED_ON_A_PART, 2))
        kept.append(tried[shapely.contains_xy(part, tried)])
    return transformer(opened.ground.crs, "EPSG:4326").transform(*np.concatenate(kept).T)


def _registration(opened: Opened, readers: dict[str, Reader], step: float) -> Iterator[Check]:
    """Whether each grid's cells lie where the outlines say, north up, by trying them a cell further on every side."""
    name = next((name for name in ("prescription.geojson", "shapefile", "layers.gpkg") if name in readers), None)
    if name is None:
        return
    outlines = readers[name]
    for grid, (lon, lat) in _centers(opened).items():
        should = outlines(lon.ravel(), lat.ravel()).reshape(lon.shape)
        cells = readers[grid](lon.ravel(), lat.ravel()).reshape(lon.shape)
        core = _clear_of_no_apply(opened, lon, lat) & (should > 0)
        core[[0, -1], :] = core[:, [0, -1]] = False
        if not core.any():
            continue
        off = {(down, right): float(np.mean(np.abs(np.roll(cells, (-down, -right), (0, 1)) - should)[core] > 2 * step))
               for down in (-1, 0, 1) for right in (-1, 0, 1)}  # fmt: skip
        best = min(off, key=lambda move: (off[move], move != (0, 0)))
        if best != (0, 0) and off[best] < 0.5 * off[0, 0] and off[0, 0] > 0.002:
            ways = [w for w, there in (("north", best[0] > 0), ("south", best[0] < 0), ("east", best[1] > 0),
                                       ("west", best[1] < 0)) if there]  # fmt: skip
            yield failed(f"audit.cells-too-far-{'-'.join(ways)}", grid)
        else:
            yield passed("audit.cells-in-place", grid, share=Quantity("percent", 100 * off[0, 0]))


def _centers(opened: Opened) -> dict[str, list[Array]]:
    """Longitude and latitude of each grid's cell centres, row 0 in the south."""
    centers: dict[str, list[Array]] = {}
    task, raster = opened.task, opened.rasters.get("rasters/rate.tif")
    if task is not None and task.values is not None and not np.isnan(opened.n_lb_per_unit):
        centers["TASKDATA"] = task.centers()
    if raster is not None:
        rows, cols = raster.values.shape
        east = raster.west_m + (np.arange(cols) + 0.5) * raster.cell_m
        north = raster.north_m - (np.arange(rows)[::-1] + 0.5) * raster.north_step_m
        x, y = np.meshgrid(east, north)
        centers["rasters/rate.tif"] = list(transformer(raster.crs, "EPSG:4326").transform(x, y))
    return centers


def _clear_of_no_apply(opened: Opened, lon: Array, lat: Array) -> NDArray[np.bool_]:
    """Cells that do not touch no-apply ground or a hole, where a grid is allowed to fall silent."""
    ground = opened.ground
    assert ground is not None  # callers looked
    easting, northing = transformer("EPSG:4326", ground.crs).transform(lon, lat)
    return ~places_near(ground.never, easting, northing, _clearance_m(opened))


def places_near(area: shapely.Geometry, easting_m: Array, northing_m: Array, far_m: float) -> NDArray[np.bool_]:
    """Whether places lie in an area or within a distance of it (without a buffer, which near touches can spoil)."""
    near = np.zeros(easting_m.shape, dtype=bool)
    if area.is_empty:
        return near
    west, south, east, north = area.bounds
    maybe = (easting_m > west - far_m) & (easting_m < east + far_m)
    maybe &= (northing_m > south - far_m) & (northing_m < north + far_m)
    shapely.prepare(area)
    near[maybe] = shapely.dwithin(area, shapely.points(easting_m[maybe], northing_m[maybe]), far_m)
    return near
