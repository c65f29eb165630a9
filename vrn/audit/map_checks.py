"""Checks on the ground: whether each file's outlines are whole, cover what they should, and come to the total."""

from collections.abc import Iterator
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.audit.model import Check, FileZones, failed, passed
from vrn.audit.opened import Opened, nitrogen_rates
from vrn.audit.rate_checks import places_near
from vrn.findings import Kind, Quantity
from vrn.model.area import geodesic_acres, reproject, transformer
from vrn.units import AC_M2, FT_M

Array = NDArray[np.float64]
_AXIS_M: Final = 6378137.0  # WGS 84
_E2: Final = 0.00669437999014
_AREA_SHARE: Final = 5e-5  # rounding to 1 cm, and a straight line drawn in another system


def area_checks(opened: Opened) -> Iterator[Check]:
    """Whether each file's outlines are whole, and cover the treated ground and no other."""
    ground = opened.ground
    if ground is None:
        yield failed("audit.boundary-unreadable", "layers.gpkg")
        return
    treated = ground.boundary.difference(ground.no_apply)
    acres = geodesic_acres(treated, ground.crs)
    stated = opened.summary["acres"]
    if abs(stated / acres - 1) > _AREA_SHARE:
        areas = {"stated": Quantity("area", stated), "found": Quantity("area", acres)}
        yield failed("audit.summary-area-off", "summary.json", **areas)
    for name, file in (opened.vectors | {"layers.gpkg": ground.zones}).items():  # each in the system it was written in
        yield from _outline_checks(name, file, treated, ground.crs, acres)


def _outline_checks(name: str, file: FileZones, treated: shapely.Geometry, crs: str, acres: float) -> Iterator[Check]:
    """Validity, overlaps, gaps, area and place of one file's polygons."""
    invalid = [int(zone) for zone, polygon in zip(file.zone, file.polygons, strict=True) if not polygon.is_valid]
    if invalid:
        yield failed("audit.outline-invalid", name, zone=invalid[0])
        return
    bounds = shapely.total_bounds(file.polygons)
    degrees = file.crs == "EPSG:4326"
    if degrees and not (
        abs(bounds[0]) <= 180 and abs(bounds[2]) <= 180 and abs(bounds[1]) <= 90 and abs(bounds[3]) <= 90
    ):
        yield failed("audit.longitude-for-latitude" if _swapped(bounds, treated, crs) else "audit.no-degrees", name)
        return
    change = transformer(file.crs, crs)
    moved = [shapely.transform(p, change.transform, interleaved=False) if degrees else p for p in file.polygons]
    if not np.all(np.isfinite(shapely.total_bounds(moved))):
        yield failed("audit.longitude-for-latitude" if _swapped(bounds, treated, crs) else "audit.elsewhere", name)
        return
    moved = shapely.set_precision(shapely.make_valid(moved), 1e-4)  # a near touch may cross once it is moved
    union = shapely.union_all(moved)
    overlap_m2 = sum(p.area for p in moved) - union.area
    slack_m2 = max(_AREA_SHARE * treated.area, 0.1 * treated.length)
    if overlap_m2 > slack_m2:
        yield failed("audit.zones-overlap", name, area=Quantity("area", overlap_m2 / AC_M2))
    outside_m2, gap_m2 = union.difference(treated).area, treated.difference(union).area
    if outside_m2 + gap_m2 > slack_m2:
        yield from _misplaced(name, union, treated, bounds, crs, outside_m2, gap_m2)
        return
    found = sum(geodesic_acres(p, file.crs) for p in file.polygons)
    good = abs(found / acres - 1) <= max(_AREA_SHARE, slack_m2 / treated.area)
    areas = {"found": Quantity("area", found), "treated": Quantity("area", acres)}
    yield (passed if good else failed)("audit.area-covered" if good else "audit.area-off", name, **areas)


def _misplaced(
    name: str, union: shapely.Geometry, treated: shapely.Geometry, bounds: Array, crs: str, outside_m2: float,
    gap_m2: float,
) -> Iterator[Check]:  # fmt: skip
    """How outlines that do not cover the ground lie: elsewhere, moved, or with a hole."""
    if union.distance(treated) > 1000:
        if _swapped(bounds, treated, crs):
            yield failed("audit.longitude-for-latitude", name)
        else:
            yield failed("audit.far-away", name, distance=Quantity("distance", union.distance(treated) / FT_M))
        return
    east, north = (float(a - b) for a, b in zip(union.centroid.coords[0], treated.centroid.coords[0], strict=True))
    moved = shapely.transform(union, lambda xy: xy - np.array([east, north]))
    if moved.symmetric_difference(treated).area < 0.2 * (outside_m2 + gap_m2) and np.hypot(east, north) > 0.2:
        east_ft, north_ft = Quantity("length", east / FT_M), Quantity("length", north / FT_M)
        yield failed("audit.shifted", name, east=east_ft, north=north_ft)
        return
    if gap_m2 > outside_m2 * 0.05:
        yield failed("audit.ground-without-zone", name, area=Quantity("area", gap_m2 / AC_M2))
    if outside_m2 > gap_m2 * 0.05:
        yield failed("audit.zones-off-ground", name, area=Quantity("area", outside_m2 / AC_M2))


def _swapped(bounds: Array, treated: shapely.Geometry, crs: str) -> bool:
    """Whether longitude and latitude have changed places."""
    west, south, east, north = shapely.transform(
        treated, transformer(crs, "EPSG:4326").transform, interleaved=False
    ).bounds
    return bool(np.allclose(bounds, [south, west, north, east], atol=0.01))


def total_checks(opened: Opened) -> Iterator[Check]:
    """Whether each file's rates, times its own areas, come to the product of the summary."""
    wanted, unit = opened.summary["total_n_lb"], opened.summary["product"]["unit"]
    if wanted <= 0:
        return
    per_unit = opened.n_lb_per_unit
    share = 2e-4  # outlines are rounded to a centimetre
    if opened.ground is not None:
        share = max(share, 0.02 * opened.ground.boundary.length / opened.ground.boundary.area)
    for name, file in opened.vectors.items():
        acres = np.array([geodesic_acres(polygon, "EPSG:4326") for polygon in file.polygons])
        if not np.all(np.isfinite(acres)):
            continue
        rates = nitrogen_rates(file, per_unit)
        found = float(np.sum(rates * acres))
        step = 0.005 * acres.sum() * (1.0 if file.unit[:1] == ("lb N/ac",) else per_unit)
        # a border between two zones moves by half a centimetre too, and ground with it from one rate to the other
        moved = float(np.sum(rates * _perimeters_m(file.polygons, opened))) * 0.006 / AC_M2
        yield _total(name, found / per_unit, wanted / per_unit, unit, (step + max(share * wanted, moved)) / per_unit)
    task, ground = opened.task, opened.ground
    if task is None or ground is None:
        return
    if task.values is None:
        found = sum(geodesic_acres(polygon, "EPSG:4326") * value for polygon, value in task.polygons) / task.per_product
        rounding = 0.5 / task.per_product * opened.summary["acres"]
        yield _total("TASKDATA", found, wanted / per_unit, unit, share * wanted / per_unit + rounding)
        return
    yield _grid_total(opened, wanted / per_unit)


def _perimeters_m(polygons: NDArray[np.object_], opened: Opened) -> NDArray[np.float64]:
    """Length of the outlines, holes included; 0 where the field's system is not known. [m]"""
    if opened.ground is None:
        return np.zeros(len(polygons))
    return np.asarray(shapely.length([reproject(polygon, "EPSG:4326", opened.ground.crs) for polygon in polygons]))


def _grid_total(opened: Opened, wanted: float) -> Check:
    """Product of the grid's cells in the boundary, with what cells that touch no-apply ground keep back."""
    task, ground = opened.task, opened.ground
    assert task is not None
    assert task.values is not None
    assert ground is not None
    south, west, north_step, east_step = task.corner
    rows, cols = task.values.shape
    lat = south + (np.arange(rows) + 0.5) * north_step
    squeeze = 1 - _E2 * np.sin(np.radians(lat)) ** 2
    tall_m = np.radians(north_step) * _AXIS_M * (1 - _E2) / squeeze**1.5
    wide_m = np.radians(east_step) * _AXIS_M * np.cos(np.radians(lat)) / np.sqrt(squeeze)
    longitude, latitude = np.meshgrid(west + (np.arange(cols) + 0.5) * east_step, lat)
    easting, northing = transformer("EPSG:4326", ground.crs).transform(longitude, latitude)
    shapely.prepare(ground.boundary)
    cell_ac = shapely.contains_xy(ground.boundary, easting, northing) * (tall_m * wide_m / AC_M2)[:, None]
    rate = task.values / task.per_product
    found = float(np.sum(rate * cell_ac))
    holes = [shapely.Polygon(ring) for part in shapely.get_parts(ground.boundary) for ring in part.interiors]
    forbidden = shapely.union_all([ground.no_apply, *holes])
    silent = (rate == 0) & (cell_ac > 0) & places_near(forbidden, easting, northing, 0.75 * float(tall_m.max()))
    kept_back = 0.0
    for name, read in opened.rate_readers().items():
        if name in opened.vectors:
            should = read(longitude[silent], latitude[silent]) / opened.n_lb_per_unit
            kept_back = float(np.sum(should * cell_ac[silent]))
            break
    unit = opened.summary["product"]["unit"]
    rounding = 0.5 / task.per_product * float(cell_ac.sum())
    tolerance = (
        0.002 * wanted + rounding + 0.25 * float(tall_m.max()) * ground.boundary.length * float(rate.max()) / AC_M2
    )
    good = abs(found + kept_back - wanted) <= tolerance
    more = {"tolerance": Quantity(unit, tolerance), "kept_back": Quantity(unit, kept_back)}
    code = "audit.total-off" if not good else "audit.total-with-gaps" if kept_back else "audit.total"
    made = passed if good else failed
    return made(code, "TASKDATA", found=Quantity(unit, found), stated=Quantity(unit, wanted), **more)


def _total(name: str, found: float, wanted: float, unit: Kind, tolerance: float) -> Check:
    good = abs(found - wanted) <= tolerance
    totals = {"found": Quantity(unit, found), "stated": Quantity(unit, wanted), "tolerance": Quantity(unit, tolerance)}
    return (passed if good else failed)("audit.total" if good else "audit.total-off", name, **totals)
