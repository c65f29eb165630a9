"""``vrn verify``: every written file read again by other readers, and held against the boundary and the summary."""

import io
import re
import zipfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from vrn.audit.map_checks import area_checks, total_checks
from vrn.audit.model import Check, Verification, failed, passed
from vrn.audit.opened import Opened, open_folder
from vrn.audit.paper_checks import hash_checks, sum_checks, table_checks, zone_checks
from vrn.audit.rate_checks import rate_checks
from vrn.audit.read_grids import ENTITIES
from vrn.findings import Quantity
from vrn.model.area import geodesic_acres
from vrn.units import AC_M2


def verify(folder: str | Path) -> Verification:
    """
    Read a written prescription again and check it.

    Parameters
    ----------
    folder : path
        As ``vrn build`` wrote it.

    Returns
    -------
    verification : Verification
        Its checks carry what was compared, with the numbers; a failed one names what is wrong.

    Raises
    ------
    InputFileError
        If the folder has no readable ``summary.json``.

    Notes
    -----
    The readers share no code with the writers: struct, ``xml.etree``, sqlite3 and the json module.
    """
    opened = open_folder(Path(folder))
    checks = [*hash_checks(opened), *opened.checks]
    for checked in (sum_checks, table_checks, zone_checks, area_checks, _task_checks, _raster_checks, total_checks,
                    rate_checks):  # fmt: skip
        checks += checked(opened)
    return Verification(folder=Path(folder), units=opened.summary["units"], checks=tuple(checks))


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
        yield (passed if good else failed)("audit.task-area" if good else "audit.task-area-off", "TASKDATA", **areas)
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
    scale = {"gal/ac": 1.0, "lb/ac": 1.0, "L/ha": 9.3539556, "kg/ha": 1.1208512}[task.names["unit"]]
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
            same = all(
                archive.read(f"RX.{end}") == (opened.folder / "shapefile" / f"RX.{end}").read_bytes()
                for end in ("SHP", "SHX", "DBF", "PRJ")
            )
    except (OSError, KeyError, zipfile.BadZipFile) as error:
        yield failed("audit.unreadable", "shapefile.zip", why=type(error).__name__)
        return
    yield (passed if same else failed)("audit.zip" if same else "audit.zip-differs", "shapefile.zip")
