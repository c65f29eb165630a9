"""``vrn verify``: every written file read again by other readers, and held against the boundary and the summary."""

import io
import re
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.audit.model import Check, FileZones, checked, failed, passed
from vrn.audit.opened import METRIC, Opened, n_lb_per, nitrogen_rates, open_folder
from vrn.audit.paper_checks import hash_checks, sum_checks, table_checks, trial_checks, zone_checks
from vrn.audit.rate_checks import places_near, rate_checks
from vrn.audit.read_grids import ENTITIES
from vrn.audit.read_layers import shapefile_stem
from vrn.audit.signature_checks import read_public_key, signature_checks
from vrn.audit.statement_checks import statement_checks
from vrn.findings import Kind, Quantity
from vrn.model.grid import geodesic_acres, reproject, transformer
from vrn.units import AC_M2, FT_M

Array = NDArray[np.float64]
_AXIS_M: Final = 6378137.0  # WGS 84
_E2: Final = 0.00669437999014
_AREA_SHARE: Final = 5e-5  # rounding to 1 cm, and a straight line drawn in another system


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """All checks of one folder in the order they were made; its files speak ``units``, ``us`` or ``metric``."""

    folder: Path
    units: str
    approved: bool
    checks: tuple[Check, ...]

    @property
    def ok(self) -> bool:
        """Whether nobody needs to look."""
        return not self.failed

    @property
    def failed(self) -> tuple[Check, ...]:
        """Checks that a person must look at."""
        return tuple(check for check in self.checks if not check.ok)


def verify(
    folder: str | Path, *, public_key: str | Path | None = None, keys: Mapping[str, date | None] | None = None
) -> Verification:
    """Read a written prescription again and check it; InputFileError if the folder has no readable ``summary.json``.

    With a ``public_key`` file, or fingerprints of ``keys`` that may sign (each with the day it was revoked, if it was),
    what those have not signed is named file by file.

    The checks carry what was compared, with the numbers; a failed one names what is wrong. The readers share no code
    with the writers: struct, ``xml.etree``, sqlite3 and the json module.
    """
    pinned = None if public_key is None else read_public_key(Path(public_key))
    opened = open_folder(Path(folder))
    checks = [*hash_checks(opened), *opened.checks, *statement_checks(opened), *signature_checks(opened, pinned, keys)]
    for checks_of in (sum_checks, table_checks, zone_checks, area_checks, trial_checks, _task_checks, _raster_checks,
                    total_checks, rate_checks):  # fmt: skip
        checks += checks_of(opened)
    return Verification(
        folder=Path(folder), units=opened.summary["units"], approved=bool(opened.summary["approved"]),
        checks=tuple(checks),
    )  # fmt: skip


def _task_checks(opened: Opened) -> Iterator[Check]:
    """Whether the task is in the product's unit, on this field, and stands on the load sheet as it is."""
    task, ground, unit = opened.task, opened.ground, opened.summary["product"]["unit"]
    if task is None:
        return
    entity_unit = ENTITIES[task.entity][0]
    if entity_unit != unit:
        yield failed("audit.task-entity", "TASKDATA", entity=task.entity, per_area=f"{entity_unit}/ac", unit=unit)
    else:
        names = {name: task.names[name] for name in ("unit", "kind", "version")}
        yield passed("audit.task-unit", "TASKDATA", entity=task.entity, **names)
    if ground is not None:
        acres = geodesic_acres(ground.boundary, ground.crs)
        good = abs(task.area_m2 - acres * AC_M2) <= 1 + 1e-4 * acres * AC_M2
        areas = {"stated": Quantity("area", task.area_m2 / AC_M2), "found": Quantity("area", acres)}
        yield checked(good, "audit.task-area", "audit.task-area-off", "TASKDATA", **areas)
    if opened.sheet is not None:
        for name in ("task", "field", "product"):
            if task.names[name] not in opened.sheet.text:
                yield failed(f"audit.sheet-{name}", "load_sheet.txt", name=task.names[name])
                break
    yield from _fixed_checks(opened)


def _fixed_checks(opened: Opened) -> Iterator[Check]:
    """Whether the rates without position are those of the load sheet, or nothing."""
    task, sheet = opened.task, opened.sheet
    if task is None or sheet is None:
        return
    scale = {"gal/ac": 1.0, "lb/ac": 1.0, **dict(METRIC.values())}[task.names["unit"]]
    shown = [f"{value / task.per_product * scale:.1f} {task.names['unit']}" for value in task.fixed.values()]
    lost = [rate for rate in shown
            if len(re.findall(rf"(?<![\d.,]){re.escape(rate)}", sheet.text)) < shown.count(rate)]  # fmt: skip
    if lost:
        yield failed("audit.task-fixed-off", "TASKDATA", rate=lost[0])
    else:
        yield passed("audit.task-fixed" if any(task.fixed.values()) else "audit.task-fixed-nothing", "TASKDATA")


def _raster_checks(opened: Opened) -> Iterator[Check]:
    """Whether the rasters lie on one grid in the field's system, north up, with unit and nodata; and the zip's copy."""
    grids = {(r.crs, r.west_m, r.north_m, r.cell_m, r.values.shape) for r in opened.rasters.values()}
    if len(grids) > 1:
        yield failed("audit.raster-grids", "rasters", grids=len(grids))
    for name, raster in opened.rasters.items():
        faults = []
        if opened.ground is not None and raster.crs != opened.ground.crs:
            faults.append(failed("audit.raster-system", name, found=raster.crs, wanted=opened.ground.crs))
        wrong = {
            "audit.raster-cells": raster.cell_m <= 0 or raster.north_step_m != raster.cell_m,
            "audit.raster-nodata": raster.nodata.lower() != "nan",
            "audit.raster-no-unit": not raster.unit,
            "audit.raster-not-tiled": not raster.tiled,
            "audit.raster-infinity": bool(np.isinf(raster.values).any()),
        }
        faults += [failed(code, name) for code, there in wrong.items() if there]
        rows, cols = raster.values.shape
        yield from faults or [passed("audit.raster", name, rows=rows, cols=cols, cell=f"{raster.cell_m:g} m")]
    yield from _zip_check(opened)


def _zip_check(opened: Opened) -> Iterator[Check]:
    path = opened.folder / "shapefile.zip"
    try:
        with zipfile.ZipFile(io.BytesIO(path.read_bytes())) as archive:
            folder = opened.folder / "shapefile"
            names = [f"{shapefile_stem(folder)}.{ending}" for ending in ("SHP", "SHX", "DBF", "PRJ")]
            same = all(archive.read(name) == (folder / name).read_bytes() for name in names)
    except (OSError, KeyError, zipfile.BadZipFile) as error:
        yield failed("audit.unreadable", "shapefile.zip", why=type(error).__name__)
        return
    yield checked(same, "audit.zip", "audit.zip-differs", "shapefile.zip")


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
    moved = [reproject(polygon, file.crs, crs) for polygon in file.polygons]
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
    yield checked(good, "audit.area-covered", "audit.area-off", name, **areas)


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
    west, south, east, north = reproject(treated, crs, "EPSG:4326").bounds
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
        step = 0.005 * acres.sum() * n_lb_per(file.unit[0], per_unit)
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
    _, _, north_step, east_step = task.corner
    longitude, latitude = task.centers()
    squeeze = 1 - _E2 * np.sin(np.radians(latitude)) ** 2
    tall_m = np.radians(north_step) * _AXIS_M * (1 - _E2) / squeeze**1.5
    wide_m = np.radians(east_step) * _AXIS_M * np.cos(np.radians(latitude)) / np.sqrt(squeeze)
    easting, northing = transformer("EPSG:4326", ground.crs).transform(longitude, latitude)
    shapely.prepare(ground.boundary)
    cell_ac = shapely.contains_xy(ground.boundary, easting, northing) * (tall_m * wide_m / AC_M2)
    rate = task.values / task.per_product
    found = float(np.sum(rate * cell_ac))
    silent = (rate == 0) & (cell_ac > 0) & places_near(ground.never, easting, northing, 0.75 * float(tall_m.max()))
    kept_back = 0.0
    for name, read in opened.rate_readers().items():
        if name in opened.vectors:
            should = read(longitude[silent], latitude[silent]) / opened.n_lb_per_unit
            kept_back = float(np.sum(should * cell_ac[silent]))
            break
    unit = opened.summary["product"]["unit"]
    rounding = 0.5 / task.per_product * float(cell_ac.sum())
    edge = 0.25 * float(tall_m.max()) * ground.boundary.length * float(rate.max()) / AC_M2
    return _total("TASKDATA", found, wanted, unit, 0.002 * wanted + rounding + edge, kept_back)


def _total(name: str, found: float, wanted: float, unit: Kind, tolerance: float, kept_back: float = 0.0) -> Check:
    numbers = {"found": found, "stated": wanted, "tolerance": tolerance, "kept_back": kept_back}
    totals = {key: Quantity(unit, number) for key, number in numbers.items()}
    whole = "audit.total-with-gaps" if kept_back else "audit.total"
    return checked(abs(found + kept_back - wanted) <= tolerance, whole, "audit.total-off", name, **totals)
