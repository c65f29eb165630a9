"""Every written file opened with the audit's own readers, and the rate of nitrogen that each gives at a place."""

import json
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.audit.model import Check, FileZones, Ground, Reading, UnreadableError, failed
from vrn.audit.read_grids import IsoTask, Raster, read_iso, read_tiff
from vrn.audit.read_layers import read_geojson, read_geopackage, read_shapefile
from vrn.errors import InputFileError
from vrn.model.grid import reproject, transformer
from vrn.units import FT_M, GAL_AC_L_HA, LB_AC_KG_HA

Array = NDArray[np.float64]
# unit of a rate → what stands for it in a metric field's files, and how many of that are one
METRIC: Final = {"gal/ac": ("L/ha", GAL_AC_L_HA), "lb/ac": ("kg/ha", LB_AC_KG_HA), "lb N/ac": ("kg N/ha", LB_AC_KG_HA)}


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadSheet:
    """What the operator is given to read, and how far past the boundary it says that the grid reaches. [m]"""

    text: str
    edge_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Opened:
    """A written folder, read; vectors are in longitude and latitude, the GeoPackage's own moved there.

    ``n_lb_per_unit`` is the nitrogen in a unit of product by the summary's totals, NaN when nothing is applied; checks
    tell of files that could not be read, and what was found of those that could.
    """

    folder: Path
    summary: dict[str, Any]
    n_lb_per_unit: float
    sheet: LoadSheet | None
    ground: Ground | None
    vectors: dict[str, FileZones]
    task: IsoTask | None
    rasters: dict[str, Raster]
    checks: tuple[Check, ...]

    def rate_readers(self) -> dict[str, Callable[[Array, Array], Array]]:
        """File → function of longitude and latitude that gives its nitrogen rate, 0 where it has none. [lb N/ac]"""
        readers: dict[str, Callable[[Array, Array], Array]] = {
            name: _zones_reader(zones, nitrogen_rates(zones, self.n_lb_per_unit))
            for name, zones in self.vectors.items()
        }
        task, factor = self.task, self.n_lb_per_unit
        if task is not None and not np.isnan(factor):
            readers["TASKDATA"] = lambda lon, lat: task.at(lon, lat) * factor
        if "rasters/rate.tif" in self.rasters:
            readers["rasters/rate.tif"] = _raster_reader(self.rasters["rasters/rate.tif"])
        return readers


def open_folder(folder: Path) -> Opened:
    """Read what ``vrn build`` wrote; InputFileError if the folder has no readable ``summary.json``."""
    summary = _summary(folder)
    checks: list[Check] = []

    def attempt(name: str, read: Callable[[], Any]) -> Any:
        try:
            return read()
        except UnreadableError as error:
            checks.append(failed("audit.unreadable", name, why=f"{error}"))
        except (UnicodeDecodeError, OSError) as error:
            checks.append(failed("audit.unreadable", name, why=type(error).__name__))
        return None

    sheet = attempt("load_sheet.txt", lambda: _sheet(folder / "load_sheet.txt"))
    ground = attempt("layers.gpkg", lambda: read_geopackage(folder / "layers.gpkg"))
    vectors = {
        "prescription.geojson": attempt("prescription.geojson", lambda: read_geojson(folder / "prescription.geojson")),
        "shapefile": attempt("shapefile", lambda: read_shapefile(folder / "shapefile")),
        "layers.gpkg": None if ground is None else _in_lonlat(ground.zones),
    }
    task = attempt("TASKDATA", lambda: read_iso(folder / "TASKDATA"))
    paths = [name for name in summary["files"] if name.startswith("rasters/") and name.endswith(".tif")]
    rasters = {name: attempt(name, partial(read_tiff, folder / name)) for name in paths}
    read = {name: zones for name, zones in vectors.items() if zones is not None}
    checks += [check for zones in read.values() for check in zones.checks] + list(task.faults if task else ())
    return Opened(
        folder=folder, summary=summary, sheet=sheet, ground=ground, vectors=read, task=task,
        n_lb_per_unit=summary["total_n_lb"] / summary["total_product"] if summary["total_product"] > 0 else np.nan,
        rasters={name: _in_trade(raster) for name, raster in rasters.items() if raster is not None},
        checks=tuple(checks),
    )  # fmt: skip


def nitrogen_rates(zones: FileZones, n_lb_per_unit: float) -> Array:
    """Rates of a file as nitrogen. [lb N/ac]"""
    factor = np.array([n_lb_per(unit, n_lb_per_unit, unknown=np.nan) for unit in zones.unit])
    return np.where(zones.rate == 0, 0.0, zones.rate * factor)


def n_lb_per(unit: str, n_lb_per_unit: float, *, unknown: float = 1.0) -> float:
    """Nitrogen in one of a rate's unit; ``unknown`` where the product's is not known. [lb N/ac]"""
    trade, factor = next(((trade, factor) for trade, (name, factor) in METRIC.items() if name == unit), (unit, 1.0))
    per_unit = 1.0 if trade == "lb N/ac" else unknown if np.isnan(n_lb_per_unit) else n_lb_per_unit
    return per_unit / factor


def _summary(folder: Path) -> dict[str, Any]:
    path = folder / "summary.json"
    if not path.is_file():
        problem = f"{folder} has no summary.json."
        raise InputFileError(problem, "Give the folder that vrn build wrote (its --out).")
    try:
        summary: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        for key in ("zones", "files", "total_n_lb", "total_product", "product", "acres", "units"):
            summary[key]
    except (ValueError, KeyError, TypeError) as error:
        problem = f"{path} cannot be read ({type(error).__name__}: {error})."
        raise InputFileError(problem, "Build the prescription again.") from error
    return summary


def _sheet(path: Path) -> LoadSheet:
    with Reading(path):
        text = path.read_text(encoding="utf-8")
    edge = re.search(r"([\d.]+) (ft|m) past the boundary", text)
    edge_m = 0.0 if edge is None else float(edge[1]) * (FT_M if edge[2] == "ft" else 1.0)
    return LoadSheet(text=text, edge_m=edge_m)


def _in_trade(raster: Raster) -> Raster:
    """A raster of rates in lb N/ac, whatever unit it is written in."""
    metric, factor = METRIC["lb N/ac"]
    return replace(raster, values=raster.values / factor, unit="lb N/ac") if raster.unit == metric else raster


def _in_lonlat(zones: FileZones) -> FileZones:
    moved = np.array([reproject(polygon, zones.crs, "EPSG:4326") for polygon in zones.polygons], dtype=object)
    return replace(zones, polygons=moved, crs="EPSG:4326")


def _zones_reader(zones: FileZones, rate_n: Array) -> Callable[[Array, Array], Array]:
    def read(longitude: Array, latitude: Array) -> Array:
        found = np.zeros(len(longitude))
        for polygon, rate in zip(zones.polygons, rate_n, strict=True):
            shapely.prepare(polygon)
            west, south, east, north = polygon.bounds
            near = (longitude >= west) & (longitude <= east) & (latitude >= south) & (latitude <= north)
            near[near] = shapely.contains_xy(polygon, longitude[near], latitude[near])
            found[near] = rate
        return found

    return read


def _raster_reader(raster: Raster) -> Callable[[Array, Array], Array]:
    change = transformer("EPSG:4326", raster.crs)

    def read(longitude: Array, latitude: Array) -> Array:
        return np.nan_to_num(raster.at(*change.transform(longitude, latitude)), nan=0.0)

    return read
