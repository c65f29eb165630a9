"""ISO 11783-10 task read with the standard library's XML reader and struct, GeoTIFF tag by tag: no map library."""

import re
import struct
import xml.etree.ElementTree as ET
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.audit.model import Check, Reading, UnreadableError, failed
from vrn.units import AC_M2, LB_KG, US_GAL_L

# data dictionary entity → product unit, and how many of its units are one of product per acre
ENTITIES: Final = {
    "0001": ("gal", US_GAL_L * 1e6 / AC_M2 / 0.01),  # 0.01 mm³/m²
    "0006": ("lb", LB_KG * 1e6 / AC_M2),  # 1 mg/m²
}
_MOST_CELLS: Final = 350


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IsoTask:
    """A task's setpoints as integers of the data dictionary ``entity``, four hexadecimal digits.

    ``values`` are the grid's, row 0 in the south, from ``corner``: south, west, step north, step east [°]; a task
    without a grid has polygons. ``fixed`` is the setpoint at start (H), with the position lost (I), out of the field
    (J); names are those of grower, farm, task, field, product, unit shown, version, kind.
    """

    entity: str
    values: NDArray[np.int64] | None
    corner: tuple[float, float, float, float]
    polygons: list[tuple[shapely.Polygon, int]]
    fixed: dict[str, int]
    area_m2: int
    names: dict[str, str]
    faults: tuple[Check, ...]

    @property
    def per_product(self) -> float:
        """Integer units of one gal/ac or lb/ac."""
        return ENTITIES[self.entity][1]

    def centers(self) -> list[NDArray[np.float64]]:
        """Longitude and latitude of the grid's cell centres, shape (rows, cols)."""
        assert self.values is not None  # callers looked
        south, west, north_step, east_step = self.corner
        rows, cols = self.values.shape
        lon, lat = west + (np.arange(cols) + 0.5) * east_step, south + (np.arange(rows) + 0.5) * north_step
        return list(np.meshgrid(lon, lat))

    def at(self, longitude: NDArray[np.float64], latitude: NDArray[np.float64]) -> NDArray[np.float64]:
        """Product rate at places; 0 off the grid or the polygons. [gal/ac or lb/ac]"""
        if self.values is None:
            found = np.zeros(len(longitude))
            for polygon, value in self.polygons:
                shapely.prepare(polygon)
                found[shapely.contains_xy(polygon, longitude, latitude)] = value
            return found / self.per_product
        south, west, north_step, east_step = self.corner
        row = np.floor((latitude - south) / north_step).astype(int)
        col = np.floor((longitude - west) / east_step).astype(int)
        rows, cols = self.values.shape
        inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        value = self.values[np.clip(row, 0, rows - 1), np.clip(col, 0, cols - 1)]
        return np.where(inside, value, 0) / self.per_product


def read_iso(folder: Path, name: str | None = None) -> IsoTask:
    """Read the one task of a ``TASKDATA`` folder, or the one of a name.

    UnreadableError if a file is missing, no XML, cut short, or incomplete.

    ISO 11783-10, schemas ISO11783_TaskFile V3-3 and V4-3; ISO 11783-11 entities 1 and 6.
    """
    path = folder / "TASKDATA.XML"
    with Reading(path, ET.ParseError, KeyError, ValueError, AttributeError, StopIteration, struct.error):
        root = ET.fromstring(path.read_text(encoding="utf-8"))  # a file of ours, without entities
        (task,) = [task for task in root.findall("TSK") if name is None or task.attrib["B"] == name]
        return _task(root, task, folder)


def _task(root: ET.Element, task: ET.Element, folder: Path) -> IsoTask:
    setpoint = next(task.iter("PDV")).attrib
    field, product, shown = (
        next(
            (element.attrib for element in root.iter(tag) if element.attrib["A"] == wanted), next(root.iter(tag)).attrib
        )
        for tag, wanted in (("PFD", task.attrib["E"]), ("PDT", setpoint["C"]), ("VPN", setpoint["E"]))
    )  # a reference that leads nowhere is a fault of its own
    zones = {zone.attrib["A"]: zone for zone in task.findall("TZN")}
    owner = {tag: "".join(element.attrib["B"] for element in root.iter(tag) if element.attrib["A"] == task.get(letter))
             for letter, tag in (("C", "CTR"), ("D", "FRM"))}  # fmt: skip
    faults = [*_structure_faults(root, task, zones), *_presentation_faults(setpoint["A"], shown)]
    setpoints = {code: [(pdv.attrib["A"], int(pdv.attrib["B"])) for pdv in zone.findall("PDV")]
                 for code, zone in zones.items()}  # fmt: skip
    entities = {entity for values in setpoints.values() for entity, _ in values}
    if len(entities) != 1 or not entities <= set(ENTITIES):
        problem = f"its setpoints are of entity {', '.join(sorted(entities))}; 0001 or 0006 is wanted"
        raise UnreadableError(problem)
    single = {code: values[0][1] for code, values in setpoints.items() if len(values) == 1}
    fixed = {letter: single[task.attrib[letter]] for letter in "HIJ"}
    grids = task.findall("GRD")
    values, corner = None, (0.0, 0.0, 1.0, 1.0)
    if grids:
        grid = grids[0].attrib
        values = _grid(grid, folder, single, faults)
        corner = (float(grid["A"]), float(grid["B"]), float(grid["C"]), float(grid["D"]))
    polygons = [(_polygon(line), single[code]) for code, zone in zones.items() for line in zone.findall("PLN")]
    kind = "polygons" if not grids else f"grid type {grids[0].attrib['I']}"
    return IsoTask(
        entity=entities.pop(), values=values, corner=corner, polygons=polygons, fixed=fixed,
        area_m2=int(field["D"]), faults=tuple(faults),
        names={"grower": owner["CTR"], "farm": owner["FRM"], "task": task.attrib["B"],
               "field": field["C"], "product": product["B"], "unit": shown["E"],
               "version": f"{root.attrib['VersionMajor']}.{root.attrib['VersionMinor']}", "kind": kind},
    )  # fmt: skip


def _structure_faults(root: ET.Element, task: ET.Element, zones: dict[str, ET.Element]) -> list[Check]:
    """Codes, references and texts that the schema cannot check, or a terminal would stumble over."""
    faults = []
    if root.attrib.get("DataTransferOrigin") != "1":
        faults.append(failed("audit.task-origin", "TASKDATA"))
    codes = [zone.attrib["A"] for zone in task.findall("TZN")]
    if len(set(codes)) != len(codes):
        faults.append(failed("audit.task-code-twice", "TASKDATA"))
    wanted = [task.attrib[letter] for letter in "HIJ"] + [
        grid.attrib["J"] for grid in task.findall("GRD") if "J" in grid.attrib
    ]
    lost = sorted({code for code in wanted if code not in zones})
    if lost:
        faults.append(failed("audit.task-zone-missing", "TASKDATA", codes=", ".join(lost)))
    ids = [element.attrib["A"] for tag in ("CTR", "FRM", "PFD", "PDT", "TSK", "VPN") for element in root.iter(tag)]
    refs = [element.attrib[key] for element in root.iter() for key in ("C", "D", "E", "F", "I")
            if element.tag in ("TSK", "PFD", "FRM", "PDV") and element.attrib.get(key, "")[:3] in
            ("CTR", "FRM", "PFD", "PDT", "VPN")]  # fmt: skip
    dangling = sorted(set(refs) - set(ids))
    if dangling:
        faults.append(failed("audit.task-reference", "TASKDATA", names=", ".join(dangling)))
    if len(set(ids)) != len(ids):
        faults.append(failed("audit.task-id-twice", "TASKDATA"))
    names = [e.attrib["B"] for e in root.iter() if e.tag in ("CTR", "FRM", "PDT", "TSK") and len(e.attrib["B"]) > 32]
    if names:
        faults.append(failed("audit.task-name-long", "TASKDATA", name=names[0]))
    if len(task.findall("GRD")) > 1:
        faults.append(failed("audit.task-grids", "TASKDATA", grids=len(task.findall("GRD"))))
    return faults


def _presentation_faults(entity: str, shown: Mapping[str, str]) -> list[Check]:
    """A unit on the screen whose scale is not that of the setpoints."""
    to_area = {"/ac": 1.0, "/ha": 10_000.0 / AC_M2}
    to_unit = {"gal": 1.0, "lb": 1.0, "L": US_GAL_L, "kg": LB_KG}
    unit, area = shown["E"][:-3], shown["E"][-3:]
    if entity not in ENTITIES or unit not in to_unit or area not in to_area:
        return [failed("audit.task-unit-unknown", "TASKDATA", unit=shown["E"])]
    scale = to_unit[unit] * to_area[area] / ENTITIES[entity][1]
    if abs(float(shown["C"]) / scale - 1) > 1e-4 or float(shown["B"]) != 0:
        return [failed("audit.task-scale", "TASKDATA", scale=shown["C"], unit=shown["E"], right=f"{scale:.10f}")]
    return []


def _grid(grid: dict[str, str], folder: Path, single: dict[str, int], faults: list[Check]) -> NDArray[np.int64]:
    """Setpoints of the grid's cells, row 0 in the south."""
    rows, cols, size = int(grid["F"]), int(grid["E"]), int(grid["H"])
    path = folder / f"{grid['G']}.BIN"
    with Reading(path):
        data = path.read_bytes()
    per_cell = 1 if grid["I"] == "1" else 4
    if not size == len(data) == rows * cols * per_cell:
        problem = f"{path.name} has {len(data)} bytes, not the {rows * cols * per_cell} of {rows} x {cols} cells"
        raise UnreadableError(problem)
    if max(rows, cols) > _MOST_CELLS:
        faults.append(failed("audit.task-cells", "TASKDATA", cells=max(rows, cols), most=_MOST_CELLS))
    if grid["I"] == "1":
        codes = np.frombuffer(data, dtype=np.uint8).reshape(rows, cols)
        unknown = sorted(set(np.unique(codes).tolist()) - {int(code) for code in single})
        if unknown:
            problem = f"its cells use treatment zone {unknown[0]}, which is not there"
            raise UnreadableError(problem)
        table = np.zeros(256, dtype=np.int64)
        for code, value in single.items():
            table[int(code)] = value
        return np.asarray(table[codes])
    cells = np.array(struct.unpack(f"<{rows * cols}i", data), dtype=np.int64).reshape(rows, cols)
    if cells.min() < 0:
        faults.append(failed("audit.task-negative", "TASKDATA", value=str(cells.min())))
    return cells


def _polygon(line: ET.Element) -> shapely.Polygon:
    """Polygon of a PLN element: LSG A="1" is the exterior, A="2" a hole."""
    rings: dict[str, list[list[tuple[float, float]]]] = {"1": [], "2": []}
    for ring in line.findall("LSG"):
        rings[ring.attrib["A"]].append([(float(p.attrib["D"]), float(p.attrib["C"])) for p in ring.findall("PNT")])
    return shapely.Polygon(rings["1"][0], rings["2"])


_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 12: 8}
_CODES = {1: "B", 3: "H", 4: "I", 12: "d"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Raster:
    """Values (north up, row 0 in the north), outer corner, cell, system, unit and nodata of a raster."""

    values: NDArray[np.float64]
    west_m: float
    north_m: float
    cell_m: float
    north_step_m: float
    crs: str
    unit: str
    nodata: str
    tiled: bool

    def at(self, easting_m: NDArray[np.float64], northing_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Values of the cells that hold points; NaN off the raster."""
        placed = np.isfinite(easting_m) & np.isfinite(northing_m)
        easting_m, northing_m = np.where(placed, easting_m, -1e9), np.where(placed, northing_m, -1e9)
        col = np.floor((easting_m - self.west_m) / self.cell_m).astype(int)
        row = np.floor((self.north_m - northing_m) / self.north_step_m).astype(int)
        rows, cols = self.values.shape
        inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        found = self.values[np.clip(row, 0, rows - 1), np.clip(col, 0, cols - 1)]
        return np.where(inside, found, np.nan)


def read_tiff(path: Path) -> Raster:
    """Read one raster; UnreadableError if it is missing, cut short, or of a kind this small reader does not know.

    TIFF 6.0 (1992), §§ 2, 8, 15; OGC 19-008r4, GeoTIFF 1.1 (tags 33550, 33922, 34735); tags 42112 and 42113 hold
    unit and nodata by the convention of GDAL.
    """
    with Reading(path, struct.error, IndexError, KeyError, ValueError, zlib.error):
        data = path.read_bytes()
        return _raster(data, _tags(data))


def _tags(data: bytes) -> dict[int, Any]:
    """Tags of the first directory by number."""
    if data[:4] != b"II*\0":
        problem = "no little-endian TIFF"
        raise ValueError(problem)
    (at,) = struct.unpack("<I", data[4:8])
    (count,) = struct.unpack("<H", data[at : at + 2])
    tags: dict[int, Any] = {}
    for number in range(count):
        entry = data[at + 2 + 12 * number : at + 14 + 12 * number]
        tag, kind, length = struct.unpack("<HHI", entry[:8])
        size = _SIZES[kind] * length
        raw = entry[8 : 8 + size] if size <= 4 else data[(p := struct.unpack("<I", entry[8:])[0]) : p + size]
        tags[tag] = raw.rstrip(b"\0").decode("utf-8") if kind == 2 else struct.unpack(f"<{length}{_CODES[kind]}", raw)
    return tags


def _raster(data: bytes, tags: dict[int, Any]) -> Raster:
    width, height = tags[256][0], tags[257][0]
    if (tags[258], tags.get(339, (1,)), tags.get(277, (1,)), tags.get(317, (1,))) != ((32,), (3,), (1,), (1,)):
        problem = "not one band of float32 without predictor"
        raise ValueError(problem)
    tiled = 322 in tags
    wide, tall = (tags[322][0], tags[323][0]) if tiled else (width, tags[278][0])
    offsets, lengths = (tags[324], tags[325]) if tiled else (tags[273], tags[279])
    across = -(-width // wide)
    values = np.full((-(-height // tall) * tall, across * wide), np.nan)
    for number, (offset, length) in enumerate(zip(offsets, lengths, strict=True)):
        if length == 0:
            continue  # an empty block is nodata
        block = data[offset : offset + length]
        if len(block) < length:
            problem = "it is cut short"
            raise ValueError(problem)
        pixels = np.frombuffer(zlib.decompress(block) if tags[259][0] in (8, 32946) else block, dtype="<f4")
        row, col = divmod(number, across)
        rows = len(pixels) // wide
        values[row * tall : row * tall + rows, col * wide : (col + 1) * wide] = pixels.reshape(rows, wide)
    scale, tie = tags[33550], tags[33922]
    if tie[:2] != (0.0, 0.0):
        problem = "its tie point is not the first cell's corner"
        raise ValueError(problem)
    metadata = str(tags.get(42112, ""))
    unit = re.search(r'name="UNITTYPE"[^>]*>([^<]*)<', metadata)
    return Raster(
        values=values[:height, :width], west_m=tie[3], north_m=tie[4], cell_m=scale[0], north_step_m=scale[1],
        crs=f"EPSG:{_projected_code(tags[34735])}", unit=unit.group(1) if unit else "",
        nodata=str(tags.get(42113, "")).strip(), tiled=tiled,
    )  # fmt: skip


def _projected_code(keys: tuple[int, ...]) -> int:
    """ProjectedCSTypeGeoKey of a key directory."""
    for place in range(4, len(keys), 4):
        if keys[place] == 3072:
            return keys[place + 3]
    problem = "it names no projected system"
    raise ValueError(problem)
