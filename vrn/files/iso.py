"""The prescription as an ISO 11783-10 task: product rate on a grid (type 2 or 1) or as polygons, version 3.3 or 4.3."""

import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

import vrn
from vrn.errors import OutputError
from vrn.files.iso_grid import iso_grid
from vrn.files.iso_set import XML, xml_bytes
from vrn.files.lonlat import DrawnZone, drawn_zones, lonlat_parts, rings
from vrn.files.names import DESIGNATOR, plain_name, terminal_name
from vrn.files.statement import SHORT
from vrn.model.grid import geodesic_acres
from vrn.prescription.limits import fixed_rates
from vrn.prescription.model import Prescription, ZoneRate
from vrn.units import AC_M2, GAL_AC_L_HA, GAL_AC_MM3_M2, LB_AC_KG_HA, LB_AC_MG_M2

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
