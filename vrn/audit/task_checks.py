"""Checks of the task and the rasters against the summary: unit, name, area, fixed rates, north up, system."""

import io
import zipfile
from collections.abc import Iterator

import numpy as np

from vrn.audit.model import Check, failed, passed
from vrn.audit.opened import Opened
from vrn.audit.read_iso import ENTITIES
from vrn.model.area import geodesic_acres
from vrn.units import AC_M2


def task_checks(opened: Opened) -> Iterator[Check]:
    """Whether the task is in the product's unit, on this field, and stands on the load sheet as it is."""
    task, ground, unit = opened.task, opened.ground, opened.summary["product"]["unit"]
    if task is None:
        return
    entity_unit = ENTITIES[task.entity][0]
    if entity_unit != unit:
        yield failed("TASKDATA unit", f"entity {task.entity} sets {entity_unit}/ac; the product is sold by the {unit}")
    else:
        yield passed("TASKDATA unit", f"entity {task.entity}, shown in {task.names['unit']}, {task.names['kind']}, "
                     f"version {task.names['version']}")  # fmt: skip
    if ground is not None:
        area_m2 = geodesic_acres(ground.boundary, ground.crs) * AC_M2
        if abs(task.area_m2 - area_m2) > 1 + 1e-4 * area_m2:
            yield failed("TASKDATA field", f"it says {task.area_m2:,} m²; the boundary is {area_m2:,.0f} m²")
        else:
            yield passed("TASKDATA field", f"{task.area_m2:,} m²")
    if opened.sheet is not None:
        lost = [name for name in ("task", "field", "product") if task.names[name] not in opened.sheet.text]
        if lost:
            yield failed("load sheet", f"it does not name the {lost[0]} as TASKDATA does: {task.names[lost[0]]}")
    yield from _fixed_checks(opened)


def _fixed_checks(opened: Opened) -> Iterator[Check]:
    """Whether the rates without position are those of the load sheet, or nothing."""
    task, sheet = opened.task, opened.sheet
    if task is None or sheet is None:
        return
    words = {"H": "before the first position", "I": "with the position lost", "J": "outside the field"}
    scale = {"gal/ac": 1.0, "lb/ac": 1.0, "L/ha": 9.3539556, "kg/ha": 1.1208512}[task.names["unit"]]
    off = []
    for letter, when in words.items():
        shown = f"{when}: {task.fixed[letter] / task.per_product * scale:.1f} {task.names['unit']}"
        if shown not in sheet.text:
            off.append(shown)
    if off:
        yield failed("TASKDATA fixed rates", f"the load sheet does not say “{off[0]}”")
    else:
        values = sorted(set(task.fixed.values()))
        yield passed("TASKDATA fixed rates", "0 at start, out of the field and with the position lost"
                     if values == [0] else "as the load sheet says")  # fmt: skip


def raster_checks(opened: Opened) -> Iterator[Check]:
    """Whether the rasters lie on one grid in the field's system, north up, with unit and nodata; and the zip's copy."""
    grids = {(r.crs, r.west_m, r.north_m, r.cell_m, r.values.shape) for r in opened.rasters.values()}
    if len(grids) > 1:
        yield failed("rasters", f"they lie on {len(grids)} different grids")
    for name, raster in opened.rasters.items():
        faults = []
        if opened.ground is not None and raster.crs != opened.ground.crs:
            faults.append(f"it is in {raster.crs}, the field in {opened.ground.crs}")
        if raster.cell_m <= 0 or raster.north_step_m != raster.cell_m:
            faults.append("it is not north up with square cells")
        if raster.nodata.lower() != "nan":
            faults.append(f"nodata is {raster.nodata or 'not stated'}")
        if not raster.unit:
            faults.append("it states no unit")
        if not raster.tiled:
            faults.append("it is not tiled")
        if np.isinf(raster.values).any():
            faults.append("it holds infinity")
        yield (
            failed(name, "; ".join(faults))
            if faults
            else passed(
                name, f"{raster.values.shape[0]} x {raster.values.shape[1]} cells of {raster.cell_m:g} m, {raster.unit}"
            )
        )
    yield from _zip_check(opened)


def _zip_check(opened: Opened) -> Iterator[Check]:
    path = opened.folder / "shapefile.zip"
    try:
        with zipfile.ZipFile(io.BytesIO(path.read_bytes())) as archive:
            same = all(
                archive.read(f"RX.{end}") == (opened.folder / "shapefile" / f"RX.{end}").read_bytes()
                for end in ("SHP", "SHX", "DBF", "PRJ")
            )
    except (OSError, KeyError, zipfile.BadZipFile) as error:
        yield failed("shapefile.zip", f"it cannot be read ({type(error).__name__})")
        return
    yield passed("shapefile.zip", "the same shapefile") if same else failed("shapefile.zip", "not the same shapefile")
