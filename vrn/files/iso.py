"""The prescription as an ISO 11783-10 task: product rate on a grid (type 2 or 1) or as polygons, version 3.3 or 4.3."""

import math
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

import vrn
from vrn.errors import OutputError
from vrn.files.iso_set import XML, xml_bytes
from vrn.files.lonlat import WGS84, DrawnZone, drawn_zones, lonlat_parts, rings
from vrn.files.names import DESIGNATOR, plain_name, terminal_name
from vrn.findings import Finding, Quantity, note
from vrn.model.grid import geodesic_acres, transformer
from vrn.model.season import SHORT
from vrn.prescription.limits import fixed_rates
from vrn.prescription.model import Prescription, ZoneRate
from vrn.units import AC_M2, FT_M, GAL_AC_L_HA, GAL_AC_MM3_M2, LB_AC_KG_HA, LB_AC_MG_M2

MOST_CELLS: Final = 350  # rows or columns every task controller with position control takes
_GEOD: Final = pyproj.Geod(ellps="WGS84")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IsoGrid:
    """Zone numbers, shape (rows, cols), from the south-west corner [°]: row 0 in the south; 0 where nothing goes."""

    south_deg: float
    west_deg: float
    north_step_deg: float
    east_step_deg: float
    zone: NDArray[np.int32]
    cell_m: float


def iso_grid(prescription: Prescription) -> IsoGrid:
    """Zone that holds each cell's centre; none where a cell touches no-apply ground or a hole."""
    zones = drawn_zones(prescription)
    west, south, east, north, east_step, north_step, cell_m = _frame(prescription, zones)
    cols, rows = max(1, math.ceil((east - west) / east_step)), max(1, math.ceil((north - south) / north_step))
    zone = _zone_of_centers(zones, west, south, east_step, north_step, (rows, cols))
    lon = np.asarray(west + (np.arange(cols) + 0.5) * east_step, dtype=np.float64)
    lat = np.asarray(south + (np.arange(rows) + 0.5) * north_step, dtype=np.float64)
    if prescription.field.settings.header.edge_buffer_ft > 0:
        zone = _widened(zone, prescription, lon, lat)
    zone = _kept_off(zone, prescription, lon, lat, (east_step, north_step))
    return IsoGrid(
        south_deg=south, west_deg=west, north_step_deg=north_step, east_step_deg=east_step, zone=zone, cell_m=cell_m
    )


def coarser_cells(prescription: Prescription) -> tuple[Finding, ...]:
    """What had to be made coarser for the grid to fit a task controller."""
    if prescription.field.settings.export.iso_grid == "polygons":
        return ()
    *_, cell_m = _frame(prescription, drawn_zones(prescription))
    if cell_m <= prescription.grid.cell_m:
        return ()
    return (
        note(
            "files.cells-coarser", "TASKDATA", most=MOST_CELLS, written=Quantity("length", cell_m / FT_M),
            wanted=Quantity("length", prescription.grid.cell_m / FT_M),
        ),
    )  # fmt: skip


def _degrees_per_m(longitude: float, latitude: float) -> tuple[float, float]:
    """Degrees of longitude and of latitude to a metre on the ground."""
    east_lon, _, _ = _GEOD.fwd(longitude, latitude, 90.0, 100.0)
    _, north_lat, _ = _GEOD.fwd(longitude, latitude, 0.0, 100.0)
    return ((float(east_lon) - longitude + 180.0) % 360.0 - 180.0) / 100.0, (float(north_lat) - latitude) / 100.0


def _frame(
    prescription: Prescription, zones: tuple[DrawnZone, ...]
) -> tuple[float, float, float, float, float, float, float]:
    """West, south, east, north, step east and north of the grid [°], and its cell: the field's own, if it fits. [m]"""
    west, south, east, north = (float(v) for v in shapely.total_bounds([p for zone in zones for p in zone.parts]))
    east_m_deg, north_m_deg = _degrees_per_m((west + east) / 2, (south + north) / 2)
    buffer_m = prescription.field.settings.header.edge_buffer_ft * FT_M
    west, east = math.floor((west - buffer_m * east_m_deg) * 1e9) / 1e9, east + buffer_m * east_m_deg
    south, north = math.floor((south - buffer_m * north_m_deg) * 1e9) / 1e9, north + buffer_m * north_m_deg
    least_m = max((east - west) / east_m_deg, (north - south) / north_m_deg) / (MOST_CELLS - 1)
    cell_m = max(prescription.grid.cell_m, math.ceil(least_m * 10) / 10)
    return west, south, east, north, round(cell_m * east_m_deg, 12), round(cell_m * north_m_deg, 12), cell_m


def _zone_of_centers(
    zones: tuple[DrawnZone, ...], west: float, south: float, east_step: float, north_step: float, shape: tuple[int, int]
) -> NDArray[np.int32]:
    """Zone that holds each cell's centre, row 0 in the south."""
    from rasterio.features import rasterize
    from rasterio.transform import Affine

    south_up = Affine(east_step, 0.0, west, 0.0, north_step, south)
    shapes = [(part, zone.rate.zone) for zone in zones for part in zone.parts]
    return np.asarray(rasterize(shapes, out_shape=shape, transform=south_up, fill=0, dtype="int32"))


def _widened(
    zone: NDArray[np.int32], prescription: Prescription, lon: NDArray[np.float64], lat: NDArray[np.float64]
) -> NDArray[np.int32]:
    """Cells outside the boundary but near it take the nearest zone, so that a drifting boom does not drop out."""
    crs, far_m = prescription.grid.crs, prescription.field.settings.header.edge_buffer_ft * FT_M
    empty = np.argwhere(zone == 0)
    places = shapely.points(*transformer(WGS84, crs).transform(lon[empty[:, 1]], lat[empty[:, 0]]))
    outside = ~shapely.intersects(places, prescription.field.boundary)
    tree = shapely.STRtree([rate.outline for rate in prescription.rates])
    near, which = tree.query_nearest(places[outside], max_distance=far_m, all_matches=False)
    wide = zone.copy()
    cells = empty[outside][near]
    wide[cells[:, 0], cells[:, 1]] = np.array([rate.zone for rate in prescription.rates])[which]
    return wide


def _kept_off(
    zone: NDArray[np.int32],
    prescription: Prescription,
    lon: NDArray[np.float64],
    lat: NDArray[np.float64],
    steps: tuple[float, float],
) -> NDArray[np.int32]:
    """Cells that touch no-apply ground or a hole of the boundary take nothing: when in doubt, less."""
    field = prescription.field
    holes = [shapely.Polygon(ring) for part in shapely.get_parts(field.boundary) for ring in part.interiors]
    forbidden = [part for area in (field.no_apply, *holes) for part in lonlat_parts(area, prescription.grid.crs)]
    clear = zone.copy()
    half_east, half_north = steps[0] / 2, steps[1] / 2
    for part in forbidden:
        west, south, east, north = part.bounds
        cols = np.flatnonzero((lon > west - half_east) & (lon < east + half_east))
        rows = np.flatnonzero((lat > south - half_north) & (lat < north + half_north))
        col, row = (index.ravel() for index in np.meshgrid(cols, rows))
        cells = shapely.box(lon[col] - half_east, lat[row] - half_north, lon[col] + half_east, lat[row] + half_north)
        shapely.prepare(part)
        touched = shapely.intersects(part, cells)
        clear[row[touched], col[touched]] = 0
    return clear


MOST_CODES: Final = 254
_GRID_NAME: Final = "GRD00001"

# product unit → data dictionary entity, its units per trade unit and area, unit shown, decimals
_ENTITIES: Final = {
    "gal": ("0001", GAL_AC_MM3_M2 * 100.0, ("gal/ac", 2), ("L/ha", GAL_AC_L_HA, 1)),  # 0.01 mm³/m²
    "lb": ("0006", LB_AC_MG_M2, ("lb/ac", 1), ("kg/ha", LB_AC_KG_HA, 1)),  # 1 mg/m²
}


def setpoint(product_per_ac: float, unit: str) -> int:
    """Product rate as the integer of an ISO 11783-11 setpoint, rounded once; ``unit`` is ``gal`` or ``lb``.

    1 US gal = 3.785411784 L, 1 lb = 0.45359237 kg, 1 ac = 4046.8564224 m², all exact.

    >>> setpoint(10.0, "gal"), setpoint(100.0, "lb")
    (935396, 11209)
    """
    return round(product_per_ac * _ENTITIES[unit][1])


def task_name(prescription: Prescription) -> str:
    """Name of the task on the terminal; a draft and the rest of a field say so, and the id stands at its end."""
    draft = "" if prescription.approved else "DRAFT "
    rest = "" if prescription.remaining is None else "REST "
    name = f"{draft}{rest}N {prescription.field.settings.header.season} {prescription.field.name}"
    short = prescription.id[:SHORT]
    room = DESIGNATOR - SHORT - 1 if short else DESIGNATOR
    return f"{terminal_name(name, plain=prescription.field.settings.export.plain_names, most=room)} {short}".rstrip()


def write_iso(prescription: Prescription, folder: Path) -> None:
    """Write ``TASKDATA/TASKDATA.XML`` and, for a grid, ``TASKDATA/GRD00001.BIN``.

    OutputError if there are more polygons than treatment zone codes. After ISO 11783-10 (task controller file set),
    schemas ISO11783_TaskFile V3-3 and V4-3.
    """
    inside = folder / "TASKDATA"
    inside.mkdir()
    export = prescription.field.settings.export
    major, minor = export.iso_version.split(".")
    root = ET.Element("ISO11783_TaskData", VersionMajor=major, VersionMinor=minor,
                      ManagementSoftwareManufacturer="vrn", ManagementSoftwareVersion=vrn.__version__,
                      DataTransferOrigin="1")  # fmt: skip
    owner = _add_field(root, prescription)
    task = ET.SubElement(root, "TSK", A="TSK1", B=task_name(prescription))
    for letter, tag in (("C", "CTR"), ("D", "FRM")):
        if tag in owner:
            task.set(letter, owner[tag])
    task.set("E", "PFD1")
    task.set("G", "1")
    first_code = _add_fixed_zones(task, prescription)
    grid = None
    if export.iso_grid == "polygons":
        _add_polygons(task, prescription, first_code)
    else:
        grid = _add_grid(task, prescription, first_code, per_zone=export.iso_grid == "type-1")
    (inside / XML).write_bytes(xml_bytes(root))
    if grid is not None:
        (inside / f"{_GRID_NAME}.BIN").write_bytes(grid)


def rate_unit_shown(prescription: Prescription) -> str:
    """Unit a terminal shows the task's rate in."""
    _, _, trade, metric = _ENTITIES[prescription.product.unit]
    return metric[0] if prescription.field.settings.units == "metric" else trade[0]


def place_names(prescription: Prescription) -> dict[str, str]:
    """Customer and farm, where they are named, field and product as the terminal lists them, by element."""
    settings = prescription.field.settings
    names = {"CTR": (settings.farm.grower, "Grower"), "FRM": (settings.farm.farm, "Farm"),
             "PFD": (prescription.field.name, "Field"), "PDT": (prescription.product.name, "Product")}  # fmt: skip
    return {tag: terminal_name(name, plain=settings.export.plain_names, instead=instead)
            for tag, (name, instead) in names.items() if name}  # fmt: skip


def _add_field(root: ET.Element, prescription: Prescription) -> dict[str, str]:
    """Customer, farm, field with its boundary, product, and the unit shown; returns the ids of customer and farm."""
    field, names = prescription.field, place_names(prescription)
    owner: dict[str, str] = {tag: f"{tag}1" for tag in ("CTR", "FRM") if tag in names}
    if "CTR" in owner:
        ET.SubElement(root, "CTR", A="CTR1", B=names["CTR"])
    if "FRM" in owner:
        farm = ET.SubElement(root, "FRM", A="FRM1", B=names["FRM"])
        if "CTR" in owner:
            farm.set("I", "CTR1")
    area_m2 = round(geodesic_acres(field.boundary, field.crs) * AC_M2)
    place = ET.SubElement(root, "PFD", A="PFD1", C=names["PFD"], D=str(area_m2))
    for letter, tag in (("E", "CTR"), ("F", "FRM")):
        if tag in owner:
            place.set(letter, owner[tag])
    for part in lonlat_parts(field.boundary, field.crs):  # one exterior to a polygon: readers take no more
        _add_rings(ET.SubElement(place, "PLN", A="1"), part)
    ET.SubElement(root, "VPN", {"A": "VPN1", **_presentation(prescription)})
    ET.SubElement(root, "PDT", A="PDT1", B=names["PDT"])
    return owner


def _presentation(prescription: Prescription) -> dict[str, str]:
    """Offset, scale, decimals and unit of what the terminal shows: (value + offset) × scale."""
    _, per_unit, (unit, decimals), (metric_unit, factor, metric_decimals) = _ENTITIES[prescription.product.unit]
    if prescription.field.settings.units == "metric":
        return {"B": "0", "C": f"{factor / per_unit:.10f}", "D": str(metric_decimals), "E": metric_unit}
    return {"B": "0", "C": f"{1.0 / per_unit:.10f}", "D": str(decimals), "E": unit}


def _add_rings(polygon: ET.Element, part: shapely.Polygon) -> None:
    """Exterior, then holes, closed."""
    for number, ring in enumerate(rings(part, clockwise_shell=False)):
        line = ET.SubElement(polygon, "LSG", A="1" if number == 0 else "2")
        for longitude, latitude in ring:
            ET.SubElement(line, "PNT", A="2", C=f"{latitude:.9f}", D=f"{longitude:.9f}")


def _add_zone(task: ET.Element, prescription: Prescription, code: int, name: str, value: int) -> ET.Element:
    """A treatment zone with one setpoint of the product."""
    zone = ET.SubElement(task, "TZN", A=str(code), B=name)
    entity = _ENTITIES[prescription.product.unit][0]
    ET.SubElement(zone, "PDV", A=entity, B=str(value), C="PDT1", E="VPN1")
    return zone


def _add_fixed_zones(task: ET.Element, prescription: Prescription) -> int:
    """Rates at start, with position lost, and out of the field; zones of one rate share a code. Returns the next."""
    product, fixed = prescription.product, fixed_rates(prescription)
    wanted = {"H": fixed.default_n_lb_ac, "I": fixed.position_lost_n_lb_ac, "J": fixed.out_of_field_n_lb_ac}
    values = {letter: setpoint(n_lb_ac / product.n_lb_per_unit, product.unit) for letter, n_lb_ac in wanted.items()}
    codes = {value: code for code, value in enumerate(dict.fromkeys((0, *values.values())))}  # code 0 applies nothing
    for letter, value in values.items():
        task.set(letter, str(codes[value]))
    for value, code in codes.items():
        _add_zone(task, prescription, code, "No rate" if value == 0 else f"Fixed {code}", value)
    return len(codes)


def _zone_name(rate: ZoneRate) -> str:
    """``Zone 3``, or the number with what sets the zone apart."""
    return plain_name(f"{rate.zone} {rate.label}") if rate.label else f"Zone {rate.zone}"


def _values(prescription: Prescription) -> list[int]:
    """Setpoint of each zone, in the order of the rates."""
    return [setpoint(rate.product_per_ac, prescription.product.unit) for rate in prescription.rates]


def _add_grid(task: ET.Element, prescription: Prescription, first_code: int, *, per_zone: bool) -> bytes:
    """The grid's element and, with one byte to a cell, its zones; returns the binary."""
    grid = iso_grid(prescription)
    values = _values(prescription)
    numbers = [rate.zone for rate in prescription.rates]
    rows, cols = grid.zone.shape
    place = {"A": f"{grid.south_deg:.9f}", "B": f"{grid.west_deg:.9f}", "C": f"{grid.north_step_deg:.12f}",
             "D": f"{grid.east_step_deg:.12f}", "E": str(cols), "F": str(rows), "G": _GRID_NAME}  # fmt: skip
    by_zone = np.zeros(max(numbers) + 1, dtype=np.int64)  # off the treated ground: code 0, or a rate of 0
    if per_zone:
        names = {rate.zone: _zone_name(rate) for rate in prescription.rates}
        for code, (number, value) in enumerate(zip(numbers, values, strict=True), start=first_code):
            by_zone[number] = code
            _add_zone(task, prescription, code, names[number], value)
        _enough_codes(first_code + len(numbers) - 1, "zones")
        cells: NDArray[np.generic] = by_zone[grid.zone].astype(np.uint8)
        extra = {"I": "1"}
    else:
        by_zone[numbers] = values
        _add_zone(task, prescription, first_code, "Grid", 0)
        cells = by_zone[grid.zone].astype("<i4")
        extra = {"I": "2", "J": str(first_code)}
    binary = cells.tobytes()
    ET.SubElement(task, "GRD", {**place, "H": str(len(binary)), **extra})
    return binary


def _add_polygons(task: ET.Element, prescription: Prescription, first_code: int) -> None:
    """A treatment zone for each single polygon, with one setpoint, as both versions take it."""
    zones: tuple[DrawnZone, ...] = drawn_zones(prescription)
    parts = [(zone, part) for zone in zones for part in zone.parts]
    _enough_codes(first_code + len(parts) - 1, "polygons")
    for code, (zone, part) in enumerate(parts, start=first_code):
        value = setpoint(zone.rate.product_per_ac, prescription.product.unit)
        element = _add_zone(task, prescription, code, _zone_name(zone.rate), value)
        polygon = ET.Element("PLN", A="2")
        _add_rings(polygon, part)
        element.insert(0, polygon)


def _enough_codes(last_code: int, what: str) -> None:
    if last_code > MOST_CODES:
        problem = f"TASKDATA: {last_code} treatment zone codes are needed for the {what}; there are {MOST_CODES}."
        raise OutputError(problem, "Set export.iso_grid to “type-2”, or raise zones.least_patch_ac.")
