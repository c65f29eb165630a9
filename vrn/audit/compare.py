"""``vrn compare``: what was really applied against the prescription, by ground and by zone."""

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.audit.applied import RATE_UNITS, AppliedRecords, Footprints, footprints_of, read_applied, twice_and_never
from vrn.audit.machine_log import read_machine_log
from vrn.audit.model import Ground
from vrn.audit.opened import Opened, open_folder
from vrn.audit.paper_checks import mix_up, rate_unit
from vrn.audit.time_log import is_task_data
from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity, note, warning
from vrn.model.applied import Comparison, ZoneApplied
from vrn.model.grid import geodesic_acres, transformer
from vrn.units import AC_M2, FT_M, GAL_AC_L_HA, LB_AC_KG_HA

Array = NDArray[np.float64]
WITHIN: Final = 0.10  # of the target: common practice, no source
# what a person is asked to look at: choices of this project, no source
_TOTAL_OFF, _LEAST_WITHIN, _MOST_SKIPPED, _MOST_OVERLAPPED = 0.05, 0.80, 0.01, 0.02


def compare(
    folder: str | Path,
    as_applied: str | Path,
    *,
    rate_column: str | None = None,
    unit: str | None = None,
    width_ft: float | None = None,
) -> Comparison:
    """
    Hold an as-applied file against a written prescription.

    Parameters
    ----------
    folder : path
        As ``vrn build`` wrote it.
    as_applied : path
        CSV, shapefile, GeoPackage or GeoJSON of points, in the order they were driven, or of polygons; or a TASKDATA
        folder or its zip with ISO 11783-10 time logs.
    rate_column : str, optional
        Column of the rate, when its name is not one that is known; of a time log the device element.
    unit : {"gal/ac", "lb/ac", "lb N/ac", "L/ha", "kg/ha", "kg N/ha"}, optional
        Of that rate; from the file when not given, else the prescription's.
    width_ft : float, optional
        Width of the machine, when the file does not say. [ft]

    Raises
    ------
    InputFileError
        If a file cannot be read, the unit does not go with the product, or no record lies on the field.
    """
    opened = open_folder(Path(folder))
    ground = opened.ground
    if ground is None:
        problem = f"{folder}: the boundary cannot be read from layers.gpkg."
        raise InputFileError(problem, "Build the prescription again, and run vrn verify on it.")
    records = _records(Path(as_applied), opened, ground, rate_column=rate_column, unit=unit, width_ft=width_ft)
    findings: list[Finding] = list(records.findings)
    rate_n = _nitrogen(records, opened, unit, findings)
    change = transformer(records.crs, ground.crs)
    shapes = shapely.transform(records.shapes, change.transform, interleaved=False)
    width_m = records.width_m if width_ft is None else np.full(len(shapes), width_ft * FT_M)
    kept, dropped = _kept(records, shapes, rate_n, width_m, ground)
    if not kept.any():
        problem = f"{records.source}: none of its {len(kept)} records lies on the field with a rate and a width."
        raise InputFileError(problem, "Check that it is this field's file, and which column holds the rate.")
    prints = footprints_of(records, shapes, width_m, kept)
    if prints.areas_known:
        treated = shapely.union_all(ground.zones.polygons[ground.zones.rate > 0])
        skips, overlaps = twice_and_never(prints, rate_n[kept], treated)
    else:
        skips = overlaps = shapely.MultiPolygon()
        findings.append(warning("audit.no-width", records.source))
    return _compared(opened, ground, records, rate_n[kept], prints, dropped, (skips, overlaps), findings)


def _records(
    path: Path, opened: Opened, ground: Ground, *, rate_column: str | None, unit: str | None, width_ft: float | None
) -> AppliedRecords:
    if not is_task_data(path):
        return read_applied(path, rate_column=rate_column)
    if unit is not None:
        problem = f"{path.name} is a machine's own log, which says its unit itself."
        raise InputFileError(problem, "Leave --unit out.")
    return read_machine_log(
        path, boundary=ground.boundary, crs=ground.crs, unit=opened.summary["product"]["unit"], element=rate_column,
        width_m=None if width_ft is None else width_ft * FT_M,
    )  # fmt: skip


def _nitrogen(records: AppliedRecords, opened: Opened, unit: str | None, findings: list[Finding]) -> Array:
    """Rates as nitrogen. [lb N/ac]"""
    product, per_unit = opened.summary["product"], opened.n_lb_per_unit
    if math.isnan(per_unit):
        problem = "The prescription applies nothing: there is no product to compare with."
        raise InputFileError(problem, "Give the folder of the prescription that was driven.")
    said = records.unit if unit is None else RATE_UNITS.get(" ".join(unit.lower().split()))
    if unit is not None and said is None:
        problem = f"“{unit}” is not a unit of a rate."
        raise InputFileError(problem, f"Give one of {', '.join(RATE_UNITS.values())}.")
    if said is None:
        said = rate_unit(opened.summary)
        findings.append(note("audit.unit-assumed", records.source, column=records.rate_column, unit=said))
    factors = {"gal/ac": per_unit, "L/ha": per_unit / GAL_AC_L_HA, "lb/ac": per_unit, "kg/ha": per_unit / LB_AC_KG_HA,
               "lb N/ac": 1.0, "kg N/ha": 1.0 / LB_AC_KG_HA}  # fmt: skip
    of_liquid = {"gal/ac": True, "L/ha": True, "lb/ac": False, "kg/ha": False}
    if said in of_liquid and of_liquid[said] != (product["unit"] == "gal"):
        problem = f"{records.source}: rates in {said} do not go with {product['name']}, sold by the {product['unit']}."
        raise InputFileError(problem, "Give the rate's unit with --unit, or the column of product with --rate-column.")
    return np.asarray(records.rate * factors[said])


def _kept(
    records: AppliedRecords, shapes: NDArray[np.object_], rate_n: Array, width_m: Array | None, ground: Ground
) -> tuple[NDArray[np.bool_], dict[str, int]]:
    """Records that count for ground of this field, and why the others do not."""
    shapely.prepare(ground.boundary)
    inside = shapely.intersects(ground.boundary, shapes if records.are_points else shapely.point_on_surface(shapes))
    reasons = [("no_rate", ~np.isfinite(rate_n)), ("negative_rate", rate_n < 0), ("outside", ~inside)]
    if records.are_points:
        if width_m is not None:
            reasons.append(("no_width", ~(width_m > 0)))
        stopped = np.zeros(len(shapes), dtype=bool)
        if records.speed_m_s is not None:
            stopped |= records.speed_m_s <= 0.05
        if records.distance_m is not None:
            stopped |= records.distance_m <= 0
        reasons.append(("stopped", stopped))
    kept = np.ones(len(shapes), dtype=bool)
    dropped: dict[str, int] = {}
    for why, mask in reasons:
        dropped[why] = int(np.sum(mask & kept))
        kept &= ~mask
    return kept, dropped


def _compared(
    opened: Opened,
    ground: Ground,
    records: AppliedRecords,
    rate_n: Array,
    prints: Footprints,
    dropped: dict[str, int],
    twice: tuple[shapely.Geometry, shapely.Geometry],
    findings: list[Finding],
) -> Comparison:
    """The numbers, zone by zone and in all."""
    summary, per_unit = opened.summary, opened.n_lb_per_unit
    zones = ground.zones
    number = np.zeros(len(rate_n), dtype=int)
    for zone, polygon in zip(zones.zone, zones.polygons, strict=True):
        shapely.prepare(polygon)
        number[shapely.intersects(polygon, prints.middles)] = int(zone)
    targets = {int(zone): float(rate) for zone, rate in zip(zones.zone, zones.rate, strict=True)}
    target = np.array([targets.get(int(zone), 0.0) for zone in number])
    acres = prints.area_m2 / AC_M2
    if not prints.areas_known:
        acres = np.full(len(rate_n), summary["acres"] / len(rate_n))
    near = np.abs(rate_n - target) <= WITHIN * target + 1e-9
    rows = [_zone(zone["zone"], zone["acres"], zone["rate_n_lb_ac"], number == zone["zone"], rate_n, acres, near)
            for zone in summary["zones"]]  # fmt: skip
    if np.any(number == 0):
        off = shapely.intersection(ground.no_apply, ground.boundary)
        off_ac = 0.0 if off.is_empty else geodesic_acres(off, ground.crs)
        rows.append(_zone(0, off_ac, 0.0, number == 0, rate_n, acres, near))
    known = prints.areas_known
    comparison = Comparison(
        field=summary["field"], season=summary["season"], units=summary["units"],
        approved=bool(summary["approved"]), source=records.source,
        crs=ground.crs, product=summary["product"]["name"], unit=summary["product"]["unit"], n_lb_per_unit=per_unit,
        prescribed_product=summary["total_product"], applied_product=float(np.sum(rate_n * acres)) / per_unit,
        within_share=float(np.sum(acres[near]) / np.sum(acres)),
        skipped_acres=twice[0].area / AC_M2 if known else math.nan,
        overlapped_acres=twice[1].area / AC_M2 if known else math.nan, zones=tuple(rows), dropped=dropped,
        meter_factor=records.meter_factor,
        footprints=prints.polygons, applied_n_lb_ac=rate_n, target_n_lb_ac=target,
        outlines={int(z): shapely.union_all(zones.polygons[zones.zone == z]) for z in np.unique(zones.zone)},
        skips=twice[0], overlaps=twice[1], findings=(),
    )  # fmt: skip
    return replace(comparison, findings=(*findings, *_findings(comparison, opened)))


def _zone(
    number: int, zone_acres: float, target: float, mine: NDArray[np.bool_], rate_n: Array, acres: Array,
    near: NDArray[np.bool_],
) -> ZoneApplied:  # fmt: skip
    driven = float(np.sum(acres[mine]))
    total = float(np.sum(rate_n[mine] * acres[mine]))
    return ZoneApplied(
        zone=number, acres=zone_acres, driven_acres=driven, target_n_lb_ac=target, total_n_lb=total,
        mean_n_lb_ac=total / driven if driven else math.nan,
        within_share=float(np.sum(acres[mine & near])) / driven if driven else math.nan,
    )  # fmt: skip


def _findings(found: Comparison, opened: Opened) -> Iterator[Finding]:
    """What a person should look at."""
    unit, acres = opened.summary["product"]["unit"], opened.summary["acres"]
    if not found.approved:
        yield warning("audit.draft-applied", "review")
    ratio = found.applied_product / found.prescribed_product
    if abs(ratio - 1) > _TOTAL_OFF:
        totals = {"applied": Quantity(unit, found.applied_product), "planned": Quantity(unit, found.prescribed_product)}
        yield warning("audit.applied-total-off", "total", share=Quantity("share", ratio), **totals)
        yield from _mixed_units(found, opened)
    if found.within_share < _LEAST_WITHIN:
        yield warning("audit.few-within", "rates", share=Quantity("share", found.within_share),
                      within=Quantity("share", WITHIN))  # fmt: skip
    off_ground = sum(zone.total_n_lb for zone in found.zones if zone.zone == 0)
    if off_ground > 0:
        yield warning("audit.applied-off-ground", "no-apply ground", nitrogen=Quantity("mass", off_ground))
    if found.skipped_acres > _MOST_SKIPPED * acres:
        skipped = Quantity("area", found.skipped_acres)
        yield warning("audit.skips", "skips", skipped=skipped, area=Quantity("area", acres))
    if found.overlapped_acres > _MOST_OVERLAPPED * acres:
        yield warning("audit.overlaps", "overlaps", area=Quantity("area", found.overlapped_acres))
    if found.dropped["outside"]:
        yield note("audit.records-outside", found.source, records=found.dropped["outside"])


def _mixed_units(found: Comparison, opened: Opened) -> Iterator[Finding]:
    """The mix-up of units that the usual ratio of applied to target is the mark of."""
    driven = (found.applied_n_lb_ac > 0) & (found.target_n_lb_ac > 0)
    if driven.any():
        ratio = float(np.median(found.applied_n_lb_ac[driven] / found.target_n_lb_ac[driven]))
        units = mix_up(ratio, opened)
        if units is not None:
            times = Quantity("number", float(f"{ratio:.3g}"))
            yield warning("audit.applied-units-mixed", "rates", ratio=times, written=units[0], meant=units[1])
