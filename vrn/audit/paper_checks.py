"""Checks that need no map: hashes, sums, tables, the load sheet, and the zones' rates in each file."""

import csv
import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np

from vrn.audit.model import Check, FileZones, failed, passed
from vrn.audit.opened import Opened, nitrogen_rates
from vrn.units import GAL_AC_L_HA, LB_AC_KG_HA, LB_KG, US_GAL_L

_LITTER: Final = (".DS_Store", "Thumbs.db", "desktop.ini", ".aux.xml", ".gpkg-wal", ".gpkg-shm")
_SHAPEFILE_STEP: Final = 0.005  # half of the last digit of N(10,2)


def hash_checks(opened: Opened) -> Iterator[Check]:
    """Whether every file is the one that was written, none is missing and none was added."""
    listed: dict[str, str] = opened.summary["files"]
    found = {path.relative_to(opened.folder).as_posix(): path for path in opened.folder.rglob("*") if path.is_file()}
    missing = sorted(set(listed) - set(found))
    added = sorted(n for n in set(found) - set(listed) - {"summary.json"} if not n.endswith(_LITTER))
    changed = sorted(name for name in set(listed) & set(found) if _sha256(found[name]) != listed[name])
    if missing:
        yield failed("files", f"missing: {', '.join(missing)}")
    if added:
        yield failed("files", f"not written by this run: {', '.join(added)}")
    if len(changed) > max(2, len(listed) // 2):
        yield failed("hashes", f"{len(changed)} of {len(listed)} files are not those of summary.json: an old summary")
    elif changed:
        yield failed("hashes", f"changed since they were written: {', '.join(changed)}")
    if not (missing or added or changed):
        yield passed("hashes", f"{len(listed)} files as they were written")


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def sum_checks(opened: Opened) -> Iterator[Check]:
    """Whether the summary's zones add up to its totals, and the load sheet says the same."""
    summary = opened.summary
    zones = summary["zones"]
    n_lb = sum(zone["rate_n_lb_ac"] * zone["acres"] for zone in zones)
    acres = sum(zone["acres"] for zone in zones)
    by_product = summary["product"]["rate_basis"] == "product"
    rate = [zone["rate_product"] for zone in zones]
    product = (
        sum(r * zone["acres"] for r, zone in zip(rate, zones, strict=True))
        if by_product
        else n_lb / opened.n_lb_per_unit
    )
    faults = [
        f"the zones add up to {found:,.2f} {unit}, the total says {stated:,.2f}"
        for unit, found, stated in (("lb N", n_lb, summary["total_n_lb"]), ("ac", acres, summary["acres"]),
                                    (summary["product"]["unit"], product, summary["total_product"]))
        if summary["total_product"] > 0 and not np.isclose(found, stated, rtol=1e-6)
    ]  # fmt: skip
    if faults:
        yield failed("summary adds up", "; ".join(faults))
    else:
        total = f"{summary['total_product']:,.1f} {summary['product']['unit']}"
        yield passed("summary adds up", f"{acres:.2f} ac, {n_lb:,.0f} lb N, {total}")
    if opened.sheet is not None:
        yield _sheet_check(opened)


def _sheet_check(opened: Opened) -> Check:
    """Whether the sheet names the unit that the shapefile is in."""
    unit = rate_unit(opened.summary)
    sheet = opened.sheet
    if sheet is not None and sheet.unit.strip() != unit:
        return failed("load sheet", f"it says to set the terminal to {sheet.unit.strip()}; the rates are in {unit}")
    sold, total = opened.summary["product"]["unit"], opened.summary["total_product"]
    if opened.summary["units"] == "metric":
        sold, total = ("L", total * US_GAL_L) if sold == "gal" else ("kg", total * LB_KG)
    if sheet is not None and f"{total:,.0f} {sold} in all" not in sheet.text:
        return failed("load sheet", f"it does not say the total of {total:,.0f} {sold}")
    return passed("load sheet", f"terminal to be set to {unit}")


def rate_unit(summary: dict[str, Any]) -> str:
    """Unit of the rates that go to a terminal."""
    product = summary["product"]
    return "lb N/ac" if product["rate_basis"] == "n" else f"{product['unit']}/ac"


def table_checks(opened: Opened) -> Iterator[Check]:
    """Whether ``ledger.csv`` adds up to the needs and ``zones.csv`` says what the summary says."""
    zones = {zone["zone"]: zone for zone in opened.summary["zones"]}
    try:
        sums = _sums(_rows(opened.folder / "ledger.csv"))
        rates = {int(row["zone"]): float(row["rate_n_lb_ac"]) for row in _rows(opened.folder / "zones.csv")}
    except (OSError, ValueError, TypeError, KeyError) as error:
        yield failed("tables", f"ledger.csv or zones.csv cannot be read ({type(error).__name__}: {error})")
        return
    off = [
        f"zone {number}: {max(0.0, sums.get(number, 0.0)):.2f} for {zone['need_lb_ac']:.2f} lb/ac"
        for number, zone in zones.items()
        if zone["need_lb_ac"] is not None and abs(max(0.0, sums.get(number, 0.0)) - zone["need_lb_ac"]) > 1e-6
    ]
    if off:
        yield failed("ledger.csv", "its lines do not add up to the need: " + "; ".join(off))
    else:
        yield passed("ledger.csv", f"its lines add up to the need of {len(zones)} zones")
    if rates == {number: zone["rate_n_lb_ac"] for number, zone in zones.items()}:
        yield passed("zones.csv", "the rates of the summary")
    else:
        yield failed("zones.csv", "not the rates of the summary")


def _sums(ledger: list[dict[str, str]]) -> dict[int, float]:
    """Zone → sum of its lines; NaN with an unknown line."""
    sums: dict[int, float] = {}
    for row in ledger:
        line = float(row["lb_ac"]) if row["lb_ac"] != "" else np.nan
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
            yield failed(f"zones: {name}", f"zone {', '.join(map(str, lost))} is missing")
        if odd:
            yield failed(f"zones: {name}", f"zone {', '.join(map(str, odd))} is not in the summary")
        step = _SHAPEFILE_STEP * (
            1.0 if file.unit[:1] == ("lb N/ac",) else np.nan_to_num(opened.n_lb_per_unit, nan=1.0)
        )
        yield from _said_in_nitrogen(name, file, wanted)
        off[name] = {number: rate for number, rate in found.items()
                     if number in wanted and abs(rate - wanted[number]) > step * 1.001 + 1e-6}  # fmt: skip
    liars = _agree_against(off)
    for name, rates in off.items():
        if rates and name not in liars:
            yield failed(f"zones: {name}", explain_rates(rates, wanted, opened))
        elif not rates:
            yield passed(f"zones: {name}", f"{len(wanted)} zones at their rates")
    if liars:
        number, rate = next(iter(off[liars[0]].items()))
        yield failed("summary rates", f"{', '.join(liars)} agree that zone {number} gets {rate:.1f} lb N/ac; "
                     f"summary.json says {wanted[number]:.1f}: an old summary")  # fmt: skip


def _said_in_nitrogen(name: str, file: FileZones, wanted: dict[int, float]) -> Iterator[Check]:
    """Whether a file that states nitrogen beside product states the summary's."""
    for number, said in zip(file.zone.tolist(), file.extra.get("rate_n_lb_ac", ()), strict=False):
        if number in wanted and abs(said - wanted[number]) > 1e-4:
            yield failed(f"zones: {name}", f"zone {number} is said to get {said:g} for {wanted[number]:g} lb N/ac")


def _unit_check(name: str, file: FileZones, summary: dict[str, Any]) -> Iterator[Check]:
    unit = "lb N/ac" if name == "layers.gpkg" else rate_unit(summary)
    wrong = sorted(set(file.unit) - {unit})
    if wrong:
        yield failed(f"unit: {name}", f"it says {', '.join(wrong)}; the summary says {unit}")


def _agree_against(off: dict[str, dict[int, float]]) -> list[str]:
    """Files that differ from the summary all in the same way: then the summary is what is wrong."""
    differing = [name for name, rates in off.items() if rates]
    if len(differing) < 2 or len(differing) < len(off):
        return []
    first = off[differing[0]]
    same = all(set(off[name]) == set(first) and all(abs(off[name][z] - r) < 0.1 for z, r in first.items())
               for name in differing)  # fmt: skip
    return differing if same else []


def explain_rates(rates: dict[int, float], wanted: dict[int, float], opened: Opened) -> str:
    """
    What a difference in rates looks like, in words.

    Parameters
    ----------
    rates, wanted : dict of int to float
        Zone → rate found (only those that differ) and rate that should be. [lb N/ac]
    opened : Opened

    Returns
    -------
    words : str
    """
    ratios = {number: rate / wanted[number] for number, rate in rates.items() if wanted[number] > 0}
    positive = [number for number, rate in wanted.items() if rate > 0]
    if (
        len(ratios) == len(positive)
        and len(positive) > 0
        and np.ptp(list(ratios.values())) < 0.01 * max(ratios.values())
    ):
        ratio = float(np.median(list(ratios.values())))
        return f"every rate is {ratio:.4g} times what it should be{known_ratio(ratio, opened)}"
    return "; ".join(f"zone {number} gets {rate:.1f} for {wanted[number]:.1f} lb N/ac"
                     + (f" ({ratios[number]:.3g} times)" if number in ratios else "")
                     for number, rate in sorted(rates.items()))  # fmt: skip


def known_ratio(ratio: float, opened: Opened) -> str:
    """Which mix-up of units a ratio is the mark of."""
    per_unit = opened.n_lb_per_unit
    known = [
        (LB_AC_KG_HA, "kg/ha written where lb/ac is meant"),
        (1 / LB_AC_KG_HA, "lb/ac written where kg/ha is meant"),
        (GAL_AC_L_HA, "L/ha written where gal/ac is meant"),
        (1 / GAL_AC_L_HA, "gal/ac written where L/ha is meant"),
        (per_unit, "nitrogen written where product is meant"),
        (1 / per_unit, "product written where nitrogen is meant"),
    ]
    for factor, words in known:
        if abs(ratio / factor - 1) < 0.004:
            return f": {words}"
    if 8 <= ratio <= 14.5:  # the weight of a gallon of fertilizer solution
        return ": pounds of product written where gallons are meant"
    if 1 / 14.5 <= ratio <= 1 / 8:
        return ": gallons written where pounds of product are meant"
    return ""
