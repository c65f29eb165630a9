"""Every file held against the statement that was signed: ground, rates, tables, names, and the words of approval."""

import csv
import hashlib
import json
import re
import sqlite3
import unicodedata
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from html import unescape
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.audit.model import Check, failed, passed
from vrn.audit.opened import METRIC, Opened
from vrn.audit.rate_checks import places_near
from vrn.model.grid import transformer
from vrn.units import BU_AC_T_HA, FT_M, GAL_AC_L_HA, LB_AC_KG_HA, LB_KG, US_GAL_L

SHORT: Final = 10
_HA_AC: Final = 2.4710538146716532  # 1 ha in ac: 10,000 / 4046.8564224
_DRAFT: Final = "DRAFT"
_DESIGNATOR: Final = 32  # longest name on a terminal
_NEAR_DEG: Final = 3e-7  # outlines are rounded to 1e-7
_NOT_ON_A_STICK: Final = ("field.gpx", "map.html", "rasters/rate.tif")
_SAME_NAMES: Final = ("acres", "parts", "rate_n_lb_ac", "rate_product", "need_lb_ac", "need_se_lb_ac", "nitrate_ppm",
                      "organic_matter_pct", "yield_goal_bu_ac", "label")  # fmt: skip
_METRIC: Final = {
    "acres": ("area_ha", 1 / _HA_AC), "rate_n_lb_ac": ("rate_n_kg_ha", LB_AC_KG_HA), "n_lb": ("n_kg", LB_KG),
    "need_lb_ac": ("need_kg_ha", LB_AC_KG_HA), "need_se_lb_ac": ("need_se_kg_ha", LB_AC_KG_HA),
    "prices_lb_ac": ("prices_kg_ha", LB_AC_KG_HA),
    "yield_goal_bu_ac": ("yield_goal_t_ha", BU_AC_T_HA), "lb_ac": ("kg_ha", LB_AC_KG_HA),
    "product_gal_ac": ("product_l_ha", GAL_AC_L_HA), "product_gal": ("product_l", US_GAL_L),
    "product_lb_ac": ("product_kg_ha", LB_AC_KG_HA), "product_lb": ("product_kg", LB_KG),
}  # fmt: skip
Statement = dict[str, Any]
Faults = Iterator[tuple[str, str]]  # file, what differs in it
# what a damaged or forged file may make of the reading of it
_DAMAGES: Final = (OSError, ValueError, KeyError, TypeError, LookupError, ArithmeticError, AttributeError, csv.Error,
                   sqlite3.Error, ET.ParseError, shapely.errors.GEOSException)  # fmt: skip


def statement_checks(opened: Opened) -> Iterator[Check]:
    """Whether the statement is the one that the id stands for, and every file says what it says."""
    path = opened.folder / "statement.json"
    if path.name not in opened.summary["files"] and not opened.summary.get("approved"):
        yield passed("audit.no-statement", "all files")  # a draft of before there were statements
        return
    try:
        content = path.read_bytes()
        statement: Statement = json.loads(content)
        known = hashlib.sha256(content).hexdigest() == opened.summary.get("id")
    except _DAMAGES as error:
        yield failed("audit.unreadable", "statement.json", why=type(error).__name__)
        return
    if not known:
        yield failed("audit.statement-other", "statement.json", id=str(opened.summary.get("id"))[:SHORT])
        return
    found = 0
    for name, check in _CHECKS.items():
        if name in _NOT_ON_A_STICK and name not in opened.summary["files"]:
            continue
        try:
            faults = list(check(opened, statement))
        except _DAMAGES as error:
            faults = [(name, f"{type(error).__name__}")]
        for about, what in faults[:5]:
            found += 1
            yield failed("audit.not-the-statement", about, what=what)
    if not found:
        yield passed("audit.statement", "all files", id=opened.summary["id"][:SHORT])


def _approval(opened: Opened) -> dict[str, Any] | None:
    """Who has approved it and when, as ``signature.json`` says; None for a draft."""
    if not opened.summary.get("approved"):
        return None
    try:
        entry = json.loads((opened.folder / "signature.json").read_text(encoding="utf-8"))
        return {"by": str(entry["name"]), "on": str(entry["date"])}
    except _DAMAGES:
        return {"by": "", "on": ""}


def _status(opened: Opened) -> str:
    """The words of a draft or of an approval."""
    approval = _approval(opened)
    if approval is None:
        return "DRAFT: not approved"
    name = " ".join(approval["by"].split())
    return f"Approved by {name if len(name) <= 80 else name[:79] + '…'} on {approval['on']}"


def _close(one: object, other: object) -> bool:
    """Whether two values are the same: numbers to six decimals, an unknown one only beside an unknown one."""
    if isinstance(one, (int, float)) and isinstance(other, (int, float)):
        return abs(one - other) <= 2e-6 + 1e-9 * abs(other)
    return (one or None) == (other or None)


def _summary(opened: Opened, statement: Statement) -> Faults:
    summary, totals, product = opened.summary, statement["totals"], statement["product"]
    stated = {
        "field": statement["field"], "season": statement["season"], "acres": totals["acres"],
        "total_n_lb": totals["n_lb"], "total_product": totals["product"],
        "mean_rate_n_lb_ac": summary["total_n_lb"] / summary["acres"],
    }  # fmt: skip
    off = [key for key, value in stated.items() if not _near(summary[key], value)]
    off += [key for key in ("name", "unit", "rate_basis") if summary["product"][key] != product[key]]
    off += [key for key in ("key", "source") if summary["method"][key] != statement["method"][key]]
    unit = "lb N/ac" if product["rate_basis"] == "n" else f"{product['unit']}/ac"
    for zone, wanted in zip(summary["zones"], statement["zones"], strict=True):
        off += [
            f"zone {wanted['zone']} {key}"
            for key in zone
            if key in wanted and key not in ("ledger", "rate_product") and not _close(zone[key], wanted[key])
        ]
        stated = zone["rate_product"] * (METRIC[unit][1] if summary["units"] == "metric" else 1.0)
        off += [] if _close(stated, wanted["rate_product"]) else [f"zone {wanted['zone']} rate_product"]
        off += [f"zone {wanted['zone']} {twin}" for name, (twin, factor) in _METRIC.items()
                if twin in zone and not _close(zone[twin], wanted[name] and wanted[name] * factor)]  # fmt: skip
        sums: dict[str, float] = {}
        for key, value in wanted["ledger"]:
            sums[key] = sums.get(key, 0.0) + (np.nan if value is None else value)
        off += [f"zone {wanted['zone']} {key}" for key, value in sums.items()
                if not _close(zone["ledger"][key], None if np.isnan(value) else value)]  # fmt: skip
    hashes = sorted(digest for _, digest in statement["inputs"])
    lost = [digest for digest in hashes if digest not in summary["inputs"].values()]
    for key in [*off, *(f"inputs {digest[:SHORT]}" for digest in lost)]:
        yield "summary.json", key


def _near(one: object, other: object) -> bool:
    """The same, or numbers within what rounding six decimals over all zones can do."""
    if isinstance(one, (int, float)) and isinstance(other, (int, float)):
        return abs(one - other) <= 1e-5 + 1e-8 * abs(other)
    return one == other


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def _cell(text: str) -> float | str | None:
    if text == "":
        return None
    try:
        return float(text)
    except ValueError:
        return text


def _zones_table(opened: Opened, statement: Statement) -> Faults:
    unit, status, per = statement["product"]["unit"], _status(opened), _n_lb_per_unit(statement)
    rows, twins = _rows(opened.folder / "zones.csv"), _twins(opened)
    for row, zone in zip(rows, statement["zones"], strict=True):
        product = zone["rate_n_lb_ac"] / per
        wanted = {
            "zone": zone["zone"], **{name: zone[name] for name in _SAME_NAMES}, "rate_unit": statement["rate_unit"],
            f"product_{unit}_ac": product,
        }  # fmt: skip
        told = {name: _cell(row[twins.get(name, (name, 1.0))[0]].removeprefix("'")) for name in wanted}
        off = [name for name, value in wanted.items() if not _close(told[name], _times(value, twins, name))]
        sums = {f"product_{unit}": product * zone["acres"], "n_lb": zone["rate_n_lb_ac"] * zone["acres"]}
        for name, value in sums.items():
            column, factor = twins.get(name, (name, 1.0))
            off += [name] if abs(float(row[column]) - value * factor) > 1e-4 * factor + 1e-8 * value else []
        off += [] if row["status"] == status else ["status"]
        for name in off:
            yield "zones.csv", f"zone {zone['zone']} {name}"


def _twins(opened: Opened) -> dict[str, tuple[str, float]]:
    """Column in trade units → its name in a metric field's files, and what a number is times there."""
    return _METRIC if opened.summary["units"] == "metric" else {}


def _times(value: object, twins: dict[str, tuple[str, float]], name: str) -> object:
    return value * twins[name][1] if name in twins and isinstance(value, (int, float)) else value


def _ledger(opened: Opened, statement: Statement) -> Faults:
    twins = _twins(opened)
    (line, by), (area, per) = twins.get("lb_ac", ("lb_ac", 1.0)), twins.get("acres", ("acres", 1.0))
    priced = {zone["zone"]: [("prices", zone["prices_lb_ac"])] for zone in statement["zones"] if "prices_lb_ac" in zone}
    wanted = [(zone, key, value) for zone in statement["zones"]
              for key, value in (*zone["ledger"], *priced.get(zone["zone"], []))]  # fmt: skip
    for row, (zone, key, value) in zip(_rows(opened.folder / "ledger.csv"), wanted, strict=True):
        good = (
            int(row["zone"]) == zone["zone"]
            and row["key"] == key
            and _close(_cell(row[line]), value if value is None else value * by)
            and _close(_cell(row[area]), zone["acres"] * per)
        )
        if not good:
            yield "ledger.csv", f"zone {zone['zone']} {key}"


def _geojson(opened: Opened, statement: Statement) -> Faults:
    file = json.loads((opened.folder / "prescription.geojson").read_text(encoding="utf-8"))
    top = {"field": statement["field"], "season": statement["season"], "status": _status(opened),
           "product": statement["product"]["name"], "rate_basis": statement["product"]["rate_basis"]}  # fmt: skip
    twins = _twins(opened)
    for key, value in top.items():
        if file[key] != value:
            yield "prescription.geojson", key
    for feature, zone in zip(file["features"], statement["zones"], strict=True):
        told, shape = feature["properties"], feature["geometry"]
        names = ("zone", "acres", "rate_product", "rate_n_lb_ac")
        off = [name for name in names
               if not _close(told[twins.get(name, (name, 1.0))[0]], _times(zone[name], twins, name))]  # fmt: skip
        off += [] if told["rate_unit"] == statement["rate_unit"] else ["rate_unit"]
        off += [] if told.get("label", "") == zone["label"] else ["label"]
        polygons = shape["coordinates"] if shape["type"] == "MultiPolygon" else [shape["coordinates"]]
        off += [] if polygons == zone["outline"] else ["outline"]
        for name in off:
            yield "prescription.geojson", f"zone {zone['zone']} {name}"


def _gpx(opened: Opened, statement: Statement) -> Faults:
    root = ET.fromstring((opened.folder / "field.gpx").read_text(encoding="utf-8"))
    space = {"g": "http://www.topografix.com/GPX/1/1"}
    tracks = [
        [[float(point.attrib["lon"]), float(point.attrib["lat"])] for point in track.iterfind(".//g:trkpt", space)]
        for track in root.iterfind("g:trk", space)
    ]
    if tracks != [ring for polygon in statement["boundary"] for ring in polygon]:
        yield "field.gpx", "boundary"
    for point, (name, longitude, latitude, ppm) in zip(
        root.iterfind("g:wpt", space), statement["readings"], strict=True
    ):
        far = max(abs(float(point.attrib["lon"]) - longitude), abs(float(point.attrib["lat"]) - latitude))
        told = re.search(r": ([\d.e+-]+) ppm", point.findtext("g:desc", "", space))
        same = ppm is None if told is None else ppm is not None and abs(float(told[1]) - ppm) <= 1e-5 * abs(ppm) + 1e-6
        if far > 1.1e-7 or not same:
            yield "field.gpx", str(name)


def _n_lb_per_unit(statement: Statement) -> float:
    product = statement["product"]
    return float(product["n_pct"] / 100.0 * (product["density_lb_gal"] or 1.0))


def _sheet(opened: Opened, statement: Statement) -> Faults:
    lines = (opened.folder / "load_sheet.txt").read_text(encoding="utf-8").splitlines()
    approved, text = bool(opened.summary["approved"]), "\n".join(lines)
    if lines[1] != _status(opened) or (_DRAFT in text) == approved:
        yield "load_sheet.txt", "approval"
    if not any(line.endswith(opened.summary["id"][:SHORT]) for line in lines[:4]):
        yield "load_sheet.txt", "id"
    metric, gallons = opened.summary["units"] == "metric", statement["product"]["unit"] == "gal"
    area, rate = (1 / _HA_AC, LB_AC_KG_HA) if metric else (1.0, 1.0)
    per_area = (GAL_AC_L_HA if gallons else LB_AC_KG_HA) if metric else 1.0
    amount = (US_GAL_L if gallons else LB_KG) if metric else 1.0
    per = _n_lb_per_unit(statement)
    told = [re.findall(r"-?[\d,]+\.?\d*", line) for line in lines if re.match(r"\s+\S+(\s+[\d,]+\.\d+){4}$", line)]
    totals = statement["totals"]
    mean = totals["n_lb"] / totals["acres"]
    wanted = [
        (zone["acres"], zone["rate_n_lb_ac"] / per, zone["rate_n_lb_ac"], zone["rate_n_lb_ac"] / per * zone["acres"])
        for zone in statement["zones"]
    ] + [(totals["acres"], mean / per, mean, totals["product"])]
    if len(told) != len(wanted):
        yield "load_sheet.txt", "rates"
        return
    for number, (numbers, (acres, product_per_ac, n_lb_ac, product)) in enumerate(
        zip(told, wanted, strict=True), start=1
    ):
        should = (acres * area, product_per_ac * per_area, n_lb_ac * rate, product * amount)
        cells = [float(one.replace(",", "")) for one in numbers]
        cells = cells if number == len(wanted) else cells[1:]
        steps = (0.0051, 0.0051, 0.051, 0.051)
        good = all(abs(cell - value) <= step for cell, value, step in zip(cells, should, steps, strict=False))
        if not good or len(cells) != len(should):
            yield "load_sheet.txt", f"zone {number}"


def _task(opened: Opened, statement: Statement) -> Faults:
    task = opened.task
    if task is None:
        return
    name, approved = task.names["task"], bool(opened.summary["approved"])
    body = name.removesuffix(f" {opened.summary['id'][:SHORT]}")
    if body == name:
        yield "TASKDATA", "id"
    if body.startswith("DRAFT ") == approved:
        yield "TASKDATA", "approval"
    rest = "REST " if "covered_acres" in statement else ""
    if not f"{rest}N {statement['season']} {task.names['field']}".startswith(body.removeprefix("DRAFT ")):
        yield "TASKDATA", "task"
    settings = statement["settings"]
    named = {"field": statement["field"], **{key: settings["farm"].get(key, "") for key in ("grower", "farm")}}
    for key, name in named.items():
        whole = unicodedata.normalize("NFC", " ".join(name.split()))
        told = task.names[key]
        cut = len(whole) > _DESIGNATOR and told and whole.startswith(told)
        if whole.isprintable() and not settings["export"]["plain_names"] and told != whole and not cut:
            yield "TASKDATA", key
    if task.values is None:
        return
    longitude, latitude = task.centers()
    wanted = _wanted(statement, longitude, latitude)
    off = np.abs(task.values - wanted * task.per_product / _n_lb_per_unit(statement)) > 1.0
    for polygon in _outlines(statement):
        off[off] = ~places_near(polygon.boundary, longitude[off], latitude[off], _NEAR_DEG)
    ground = opened.ground
    if ground is not None and off.any():
        easting, northing = transformer("EPSG:4326", ground.crs).transform(longitude[off], latitude[off])
        half = 0.75 * np.radians(task.corner[2]) * 6_378_137.0  # cells that touch no-apply ground are off as a whole
        silent = (task.values[off] == 0) & places_near(ground.never, easting, northing, half)
        edge_m = float(statement["settings"]["field"].get("edge_buffer_ft", 0.0)) * FT_M
        silent |= (wanted[off] == 0) & (edge_m > 0) & places_near(ground.boundary, easting, northing, edge_m + half)
        off[off] = ~silent
    if off.any():
        yield "TASKDATA", f"{int(off.sum())} cells"


def _outlines(statement: Statement) -> list[shapely.Polygon]:
    """Parts of all zones. [longitude, latitude]"""
    return [shapely.Polygon(shell, holes) for zone in statement["zones"] for shell, *holes in zone["outline"]]


def _wanted(statement: Statement, longitude: NDArray[np.float64], latitude: NDArray[np.float64]) -> NDArray[np.float64]:
    """Nitrogen rate of the zone that holds each place, 0 outside. [lb N/ac]"""
    wanted = np.zeros(longitude.shape)
    rates = [zone["rate_n_lb_ac"] for zone in statement["zones"] for _ in zone["outline"]]
    for polygon, rate_n_lb_ac in zip(_outlines(statement), rates, strict=True):
        shapely.prepare(polygon)
        wanted[shapely.contains_xy(polygon, longitude, latitude)] = rate_n_lb_ac
    return wanted


def _raster(opened: Opened, statement: Statement) -> Faults:
    raster = opened.rasters.get("rasters/rate.tif")
    if raster is None:
        return
    rows, cols = raster.values.shape
    east = raster.west_m + (np.arange(cols) + 0.5) * raster.cell_m
    north = raster.north_m - (np.arange(rows) + 0.5) * raster.north_step_m
    easting, northing = np.meshgrid(east, north)
    longitude, latitude = transformer(raster.crs, "EPSG:4326").transform(easting, northing)
    off = np.abs(np.nan_to_num(raster.values, nan=0.0) - _wanted(statement, longitude, latitude)) > 1e-3
    edges = shapely.union_all([polygon.boundary for polygon in _outlines(statement)])
    edges = shapely.transform(edges, transformer("EPSG:4326", raster.crs).transform, interleaved=False)
    off[off] = ~places_near(edges, easting[off], northing[off], 2.2 * raster.cell_m)
    if off.any():
        yield "rasters/rate.tif", f"{int(off.sum())} cells"


def _status_words(opened: Opened, _statement: Statement) -> Faults:
    """Approval words and the id where no table holds them: pages, rasters, GeoPackage."""
    status, short, approval = _status(opened), opened.summary["id"][:SHORT], _approval(opened)
    approved = bool(opened.summary["approved"])
    for name in sorted(opened.summary["files"]):
        path = opened.folder / name
        if name in ("map.html", "report.html"):
            text = unescape(path.read_text(encoding="utf-8"))
            if "<html" not in text:
                continue  # no page that anyone could be misled by; its bytes are held by their hash
            if not re.search(rf"\b{short}\b", text) or ('class="draft"' in text) == approved:
                yield name, "approval"
            if approval is not None and approval["by"] not in text:
                yield name, "approval"
        elif name.endswith(".tif") and status.encode() not in path.read_bytes():
            yield name, "approval"
        elif name == "layers.gpkg":
            with sqlite3.connect(f"file:{path}?mode=ro&immutable=1", uri=True) as base:
                told = {row[0] for row in base.execute("SELECT DISTINCT status FROM zones")}
            base.close()
            if told != {status}:
                yield name, "approval"


def _map(opened: Opened, statement: Statement) -> Faults:
    text = (opened.folder / "map.html").read_text(encoding="utf-8")
    data = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)
    if data is None:
        if "<html" in text:
            yield "map.html", "rates"
        return
    told = json.loads(data[1])
    if bool(told["approved"]) != bool(opened.summary["approved"]):
        yield "map.html", "approval"
    for row, zone in zip(told["rates"], statement["zones"], strict=True):
        if not (_close(row["rate"], zone["rate_n_lb_ac"]) and _close(row["acres"], zone["acres"])):
            yield "map.html", f"zone {zone['zone']}"


_CHECKS: Final[dict[str, Callable[[Opened, Statement], Faults]]] = {
    "summary.json": _summary, "zones.csv": _zones_table, "ledger.csv": _ledger, "prescription.geojson": _geojson,
    "field.gpx": _gpx, "load_sheet.txt": _sheet, "TASKDATA": _task, "rasters/rate.tif": _raster,
    "layers.gpkg": _status_words, "map.html": _map,
}  # fmt: skip
