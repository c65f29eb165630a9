"""Checks that need no map: hashes, sums, tables, the load sheet, and the zones' rates in each file."""

import csv
import hashlib
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely

from vrn.audit.model import Check, FileZones, checked, failed, passed
from vrn.audit.opened import METRIC, Opened, n_lb_per, nitrogen_rates
from vrn.findings import Kind, Quantity
from vrn.units import GAL_AC_L_HA, LB_AC_KG_HA, LB_KG, US_GAL_L

_LITTER: Final = (".DS_Store", "Thumbs.db", "desktop.ini", ".built_from.json", ".aux.xml", ".gpkg-wal", ".gpkg-shm")
_PLOTS: Final = "trial_plots.geojson"
_OFF_SHARE: Final = 1e-3  # of a plot beside its zone: rounding to 1 cm
_SHAPEFILE_STEP: Final = 0.005  # half of the last digit of N(10,2)


def hash_checks(opened: Opened) -> Iterator[Check]:
    """Whether every file is the one that was written, none is missing and none was added."""
    listed: dict[str, str] = opened.summary["files"]
    found = {path.relative_to(opened.folder).as_posix(): path for path in opened.folder.rglob("*") if path.is_file()}
    missing = sorted(set(listed) - set(found))
    added = sorted(n for n in set(found) - set(listed) - {"summary.json"} if not n.endswith(_LITTER))
    changed = sorted(name for name in set(listed) & set(found) if _sha256(found[name]) != listed[name])
    written = json.dumps(opened.summary, indent=2, ensure_ascii=False) + "\n"
    if (opened.folder / "summary.json").read_text(encoding="utf-8") != written:
        yield failed("audit.summary-spelled", "summary.json")
    if missing:
        yield failed("audit.files-missing", "all files", names=", ".join(missing))
    if added:
        yield failed("audit.files-added", "all files", names=", ".join(added))
    if len(changed) > max(2, len(listed) // 2):
        yield failed("audit.summary-old", "summary.json", changed=len(changed), files=len(listed))
    elif changed:
        yield failed("audit.files-changed", "all files", names=", ".join(changed))
    if not (missing or added or changed):
        yield passed("audit.files-as-written", "all files", files=len(listed))


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def sum_checks(opened: Opened) -> Iterator[Check]:
    """Whether the summary's zones add up to its totals, and the load sheet says the same."""
    summary = opened.summary
    zones, unit = summary["zones"], summary["product"]["unit"]
    n_lb = sum(zone["rate_n_lb_ac"] * zone["acres"] for zone in zones)
    acres = sum(zone["acres"] for zone in zones)
    by_product = summary["product"]["rate_basis"] == "product"
    product = sum(z["rate_product"] * z["acres"] for z in zones) if by_product else n_lb / opened.n_lb_per_unit
    sums: tuple[tuple[Kind, float, float], ...] = (
        ("mass", n_lb, summary["total_n_lb"]), ("area", acres, summary["acres"]),
        (unit, product, summary["total_product"]),
    )  # fmt: skip
    faults = [
        failed("audit.summary-sum-off", "summary.json", found=Quantity(kind, found), stated=Quantity(kind, stated))
        for kind, found, stated in sums
        if summary["total_product"] > 0 and not np.isclose(found, stated, rtol=1e-6)
    ]
    added = {"area": Quantity("area", acres), "mass": Quantity("mass", n_lb)}
    total = Quantity(unit, summary["total_product"])
    yield from faults or [passed("audit.summary-adds-up", "summary.json", product=total, **added)]
    if opened.sheet is not None:
        yield from _sheet_checks(opened, opened.sheet.text)


def _sheet_checks(opened: Opened, sheet: str) -> Iterator[Check]:
    """Whether the sheet names the shapefile's columns, the unit that they are in, and the total."""
    unit, file = rate_unit(opened.summary), opened.vectors.get("shapefile")
    lost = [name for name in (file.columns if file else ()) if not re.search(rf"\b{re.escape(name)}\b", sheet)]
    faults = [failed("audit.sheet-column", "load_sheet.txt", column=name) for name in lost]
    if not any(unit in line for line in sheet.splitlines() if "terminal" in line.lower()):
        faults.append(failed("audit.sheet-unit", "load_sheet.txt", unit=unit))
    sold, total = opened.summary["product"]["unit"], opened.summary["total_product"]
    shown = f"{total:,.0f} {sold}"
    if opened.summary["units"] == "metric":
        shown = f"{total * US_GAL_L:,.0f} L" if sold == "gal" else f"{total * LB_KG:,.0f} kg"
    if not re.search(rf"(?<![\d,.]){re.escape(shown)}\b", sheet):
        faults.append(failed("audit.sheet-total", "load_sheet.txt", total=Quantity(sold, total)))
    yield from faults or [passed("audit.sheet", "load_sheet.txt", unit=unit)]


def rate_unit(summary: dict[str, Any]) -> str:
    """Unit of the rates that go to a terminal."""
    product = summary["product"]
    unit = "lb N/ac" if product["rate_basis"] == "n" else f"{product['unit']}/ac"
    return METRIC[unit][0] if summary["units"] == "metric" else unit


def table_checks(opened: Opened) -> Iterator[Check]:
    """Whether ``ledger.csv`` adds up to the needs and ``zones.csv`` says what the summary says."""
    zones = {zone["zone"]: zone for zone in opened.summary["zones"]}
    try:
        lines, rate = ("kg_ha", "rate_n_kg_ha") if opened.summary["units"] == "metric" else ("lb_ac", "rate_n_lb_ac")
        factor = LB_AC_KG_HA if opened.summary["units"] == "metric" else 1.0
        sums = _sums(_rows(opened.folder / "ledger.csv"), lines, factor)
        rates = {int(row["zone"]): float(row[rate]) / factor for row in _rows(opened.folder / "zones.csv")}
    except (OSError, ValueError, TypeError, KeyError) as error:
        yield failed("audit.unreadable", "ledger.csv, zones.csv", why=f"{type(error).__name__}: {error}")
        return
    off = [
        failed("audit.ledger-off", "ledger.csv", zone=number, found=Quantity("amount", max(0.0, sums.get(number, 0.0))),
               stated=Quantity("amount", zone["need_lb_ac"]))
        for number, zone in zones.items()
        if zone["need_lb_ac"] is not None and abs(max(0.0, sums.get(number, 0.0)) - zone["need_lb_ac"]) > 1e-6
    ]  # fmt: skip
    yield from off or [passed("audit.ledger-adds-up", "ledger.csv", zones=len(zones))]
    same = set(rates) == set(zones) and all(abs(rates[number] - zone["rate_n_lb_ac"]) < 1e-9 * (1 + rates[number])
                                            for number, zone in zones.items())  # fmt: skip
    yield checked(same, "audit.table-rates", "audit.table-rates-off", "zones.csv")


def _sums(ledger: list[dict[str, str]], column: str, factor: float) -> dict[int, float]:
    """Zone → sum of its lines, NaN with an unknown line; ``factor`` is what a line's unit is of 1 lb/ac. [lb/ac]"""
    sums: dict[int, float] = {}
    for row in ledger:
        line = float(row[column]) / factor if row[column] != "" else np.nan
        if row["key"] == "prices":  # comes after the need
            continue
        sums[int(row["zone"])] = sums.get(int(row["zone"]), 0.0) + line
    return sums


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def zone_checks(opened: Opened) -> Iterator[Check]:
    """Whether each file has every zone of the summary at its rate, in the right unit."""
    zones = {zone["zone"]: zone for zone in opened.summary["zones"]}
    wanted = {number: zone["rate_n_lb_ac"] for number, zone in zones.items()}
    off: dict[str, dict[int, float]] = {}
    for name, file in opened.vectors.items():
        yield from _unit_check(name, file, opened.summary)
        found = dict(zip(file.zone.tolist(), nitrogen_rates(file, opened.n_lb_per_unit).tolist(), strict=True))
        lost, odd = sorted(set(wanted) - set(found)), sorted(set(found) - set(wanted))
        if lost:
            yield failed("audit.zones-missing", name, zones=", ".join(map(str, lost)))
        if odd:
            yield failed("audit.zones-unknown", name, zones=", ".join(map(str, odd)))
        step = _SHAPEFILE_STEP * n_lb_per(file.unit[0] if file.unit else "", opened.n_lb_per_unit)
        yield from _nitrogen_checks(name, file, wanted)
        off[name] = {number: rate for number, rate in found.items()
                     if number in wanted and abs(rate - wanted[number]) > step * 1.001 + 1e-6}  # fmt: skip
    agreed = _agree_against(off)
    for name, rates in off.items():
        if rates and name not in agreed:
            yield from explained(name, rates, wanted, opened)
        elif not rates:
            yield passed("audit.zones", name, zones=len(wanted))
    if agreed:
        number, rate = next(iter(off[agreed[0]].items()))
        yield failed("audit.summary-rates-old", "summary.json", files=", ".join(agreed), zone=number,
                     found=Quantity("rate", rate), stated=Quantity("rate", wanted[number]))  # fmt: skip


def trial_checks(opened: Opened) -> Iterator[Check]:
    """Whether each plot of a trial lies in its zone, at its zone's rate, on ground of no other plot."""
    told = opened.summary.get("trial") or {"plots": 0}
    path = opened.folder / _PLOTS
    if not told["plots"]:
        if path.is_file():
            yield failed("audit.trial-plots-added", _PLOTS)
        return
    try:
        plots = [(one["properties"], shapely.Polygon(*one["geometry"]["coordinates"]))
                 for one in json.loads(path.read_text(encoding="utf-8"))["features"]]  # fmt: skip
        faults = list(_plot_faults(plots, opened))
    except (OSError, ValueError, TypeError, KeyError, IndexError, shapely.errors.GEOSException) as error:
        yield failed("audit.unreadable", _PLOTS, why=type(error).__name__)
        return
    if len(plots) != told["plots"] or len({plot["block"] for plot, _ in plots}) > told["blocks"]:
        faults.append(failed("audit.trial-plots-count", _PLOTS, found=len(plots), stated=told["plots"]))
    yield from faults or [passed("audit.trial-plots", _PLOTS, plots=len(plots))]


def _plot_faults(plots: list[tuple[dict[str, Any], shapely.Geometry]], opened: Opened) -> Iterator[Check]:
    zones, file = {zone["zone"]: zone for zone in opened.summary["zones"]}, opened.vectors.get("prescription.geojson")
    for plot, ground in plots:
        name = {"block": plot["block"], "plot": plot["plot"]}
        zone = zones.get(plot["zone"])
        if zone is None or plot["label"] != zone.get("label", ""):
            yield failed("audit.trial-plot-zone", _PLOTS, zone=str(plot["zone"]), **name)
            continue
        if abs(plot["rate_n_lb_ac"] - zone["rate_n_lb_ac"]) > 1e-4:
            yield failed("audit.trial-plot-rate", _PLOTS, found=Quantity("rate", plot["rate_n_lb_ac"]),
                         wanted=Quantity("rate", zone["rate_n_lb_ac"]), **name)  # fmt: skip
        beside = [other for _, other in plots if other is not ground]
        within = shapely.union_all(file.polygons[file.zone == plot["zone"]]) if file is not None else ground
        share = (shapely.area(shapely.difference(ground, within)) + shapely.area(
            shapely.intersection(ground, shapely.union_all(beside)))) / shapely.area(ground)  # fmt: skip
        if not (ground.is_valid and share < _OFF_SHARE):
            yield failed("audit.trial-plot-ground", _PLOTS, share=Quantity("share", share), **name)


def _nitrogen_checks(name: str, file: FileZones, wanted: dict[int, float]) -> Iterator[Check]:
    """Whether a file that states nitrogen beside product states the summary's."""
    for number, stated in zip(file.zone.tolist(), file.stated_n_lb_ac.tolist(), strict=False):
        if number in wanted and abs(stated - wanted[number]) > 1e-4:
            yield failed("audit.zone-nitrogen-off", name, zone=number, found=Quantity("rate", stated),
                         wanted=Quantity("rate", wanted[number]))  # fmt: skip


def _unit_check(name: str, file: FileZones, summary: dict[str, Any]) -> Iterator[Check]:
    unit = "lb N/ac" if name == "layers.gpkg" else rate_unit(summary)
    wrong = sorted(set(file.unit) - {unit})
    if wrong:
        yield failed("audit.unit-off", name, found=", ".join(wrong), wanted=unit)


def _agree_against(off: dict[str, dict[int, float]]) -> list[str]:
    """Files that differ from the summary all in the same way: then the summary is what is wrong."""
    differing = [name for name, rates in off.items() if rates]
    if len(differing) < 2 or len(differing) < len(off):
        return []
    first = off[differing[0]]
    same = all(set(off[name]) == set(first) and all(abs(off[name][z] - r) < 0.1 for z, r in first.items())
               for name in differing)  # fmt: skip
    return differing if same else []


def explained(name: str, rates: dict[int, float], wanted: dict[int, float], opened: Opened) -> Iterator[Check]:
    """What rates that differ look like: a factor with the mix-up of units it is the mark of, or a zone's. [lb N/ac]"""
    ratios = {number: rate / wanted[number] for number, rate in rates.items() if wanted[number] > 0}
    positive = [number for number, rate in wanted.items() if rate > 0]
    if ratios and len(ratios) == len(positive) and np.ptp(list(ratios.values())) < 0.01 * max(ratios.values()):
        ratio = float(np.median(list(ratios.values())))
        times, units = Quantity("number", float(f"{ratio:.4g}")), mix_up(ratio, opened)
        if units is None:
            yield failed("audit.times", name, ratio=times)
        else:
            yield failed("audit.units-mixed", name, ratio=times, written=units[0], meant=units[1])
        return
    number, rate = min(rates.items())
    yield failed("audit.zone-rates-off", name, zone=number, found=Quantity("rate", rate),
                 wanted=Quantity("rate", wanted[number]), zones=len(rates))  # fmt: skip


def mix_up(ratio: float, opened: Opened) -> tuple[str, str] | None:
    """What was written and what was meant, where a ratio of rates is the mark of a mix-up of units."""
    known = {
        ("kg/ha", "lb/ac"): LB_AC_KG_HA,
        ("L/ha", "gal/ac"): GAL_AC_L_HA,
        ("nitrogen", "product"): opened.n_lb_per_unit,
    }
    for (one, other), factor in known.items():
        if abs(ratio / factor - 1) < 0.004:
            return one, other
        if abs(ratio * factor - 1) < 0.004:
            return other, one
    if 8 <= ratio <= 14.5:  # the weight of a gallon of fertilizer solution
        return "pounds of product", "gallons"
    return ("gallons", "pounds of product") if 1 / 14.5 <= ratio <= 1 / 8 else None
