"""``vrn compare``: what was really applied against the prescription, by ground and by zone."""

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.audit.coverage import WITHIN, AppliedMap, Laid, Sold, read_laid
from vrn.audit.model import Ground
from vrn.audit.opened import Opened, open_folder
from vrn.audit.paper_checks import mix_up, rate_unit
from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity, note, warning
from vrn.model.applied import Comparison, Difference, ZoneApplied
from vrn.model.grid import geodesic_acres
from vrn.units import AC_M2, FT_M, LB_KG, US_GAL_L

Array = NDArray[np.float64]
# what a person is asked to look at: choices of this project, no source
_TOTAL_OFF, _LEAST_WITHIN, _MOST_SKIPPED, _MOST_OVERLAPPED = 0.05, 0.80, 0.01, 0.02
_METER_OFF = 0.02  # as for the machine's own counter
_FARTHEST = 2.0  # times what the file adds up to; a delivery beyond it is of something else


def compare(
    folder: str | Path,
    as_applied: str | Path,
    *,
    rate_column: str | None = None,
    unit: str | None = None,
    width_ft: float | None = None,
    delivered: float | None = None,
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
    delivered : float, optional
        Product that really went onto this field, by tank or ticket: every rate is multiplied by what it is over what
        the file adds up to. [gal or lb of product; L or kg in a metric field]

    Raises
    ------
    InputFileError
        If a file cannot be read, the unit does not go with the product, no record lies on the field, or the delivery is
        more than twice or less than half of what the file adds up to.
    """
    opened = open_folder(Path(folder))
    ground = opened.ground
    if ground is None:
        problem = f"{folder}: the boundary cannot be read from layers.gpkg."
        raise InputFileError(problem, "Build the prescription again, and run vrn verify on it.")
    if math.isnan(opened.n_lb_per_unit):
        problem = "The prescription applies nothing: there is no product to compare with."
        raise InputFileError(problem, "Give the folder of the prescription that was driven.")
    product = opened.summary["product"]
    sold = Sold(name=product["name"], unit=product["unit"], n_lb_per_unit=opened.n_lb_per_unit,
                rate_unit=rate_unit(opened.summary))  # fmt: skip
    laid = read_laid(
        Path(as_applied), sold, boundary=ground.boundary, never=ground.never, crs=ground.crs, rate_column=rate_column,
        unit=unit, width_m=None if width_ft is None else width_ft * FT_M,
    )  # fmt: skip
    return _compared(opened, ground, laid, delivered)


def _compared(opened: Opened, ground: Ground, laid: Laid, delivered: float | None) -> Comparison:
    """The numbers, zone by zone and in all."""
    summary, per_unit, prints, zones = opened.summary, opened.n_lb_per_unit, laid.prints, ground.zones
    known = prints.areas_known
    acres = prints.area_m2 / AC_M2 if known else np.full(len(prints.record), summary["acres"] / len(prints.record))
    logged = float(np.sum(laid.rate_n_lb_ac * acres)) / per_unit
    if delivered is not None and summary["units"] == "metric":
        delivered /= US_GAL_L if summary["product"]["unit"] == "gal" else LB_KG
    factor = _delivery_factor(delivered, logged, summary["product"]["unit"], laid.source)
    rate_n = laid.rate_n_lb_ac * factor
    outlines = {int(z): shapely.union_all(zones.polygons[zones.zone == z]) for z in np.unique(zones.zone)}
    targets = {int(zone): float(rate) for zone, rate in zip(zones.zone, zones.rate, strict=True)}
    number = np.zeros(len(rate_n), dtype=int)
    for zone, outline in outlines.items():
        shapely.prepare(outline)
        number[shapely.intersects(outline, prints.middles)] = zone
    target = np.array([targets.get(int(zone), 0.0) for zone in number])
    skips = overlaps = shapely.MultiPolygon()
    difference = None
    if known:
        spots = AppliedMap.of(prints.polygons, rate_n, {z: (outlines[z], targets[z]) for z in outlines})
        skips, overlaps = spots.patches(spots.missed), spots.patches((spots.zone > 0) & (spots.times > 1))
        rows = [_zone(zone, spots) for zone in summary["zones"]]
        off_n_lb, off_ac = _on_no_apply(prints.polygons, rate_n, ground)
        within = sum(row.right_acres for row in rows if row.target_n_lb_ac > 0) / max(
            sum(row.acres - row.missed_acres for row in rows if row.target_n_lb_ac > 0), 1e-9
        )
        difference = _difference(spots, summary, float(np.sum(rate_n * acres)), off_n_lb)
    else:
        near = np.abs(rate_n - target) <= WITHIN * target + 1e-9
        rows = [_by_records(zone, number == zone["zone"], rate_n, acres, near) for zone in summary["zones"]]
        off_n_lb, off_ac = float(np.sum(rate_n[number == 0] * acres[number == 0])), float(acres[number == 0].sum())
        within = float(np.sum(acres[near]) / np.sum(acres))
    if off_ac > 0:
        off = shapely.intersection(ground.never, ground.boundary)
        rows.append(ZoneApplied(
            zone=0, acres=0.0 if off.is_empty else geodesic_acres(off, ground.crs), driven_acres=off_ac,
            target_n_lb_ac=0.0, mean_n_lb_ac=off_n_lb / off_ac, total_n_lb=off_n_lb, within_share=0.0,
        ))  # fmt: skip
    comparison = Comparison(
        field=summary["field"], season=summary["season"], units=summary["units"],
        approved=bool(summary["approved"]), source=laid.source,
        crs=ground.crs, product=summary["product"]["name"], unit=summary["product"]["unit"], n_lb_per_unit=per_unit,
        prescribed_product=summary["total_product"], applied_product=logged * factor, within_share=within,
        skipped_acres=sum(row.missed_acres for row in rows if row.zone) if known else math.nan,
        overlapped_acres=sum(row.twice_acres for row in rows if row.zone) if known else math.nan,
        zones=tuple(rows), dropped=laid.dropped, meter_factor=laid.meter_factor if delivered is None else factor,
        logged_product=logged, delivered_product=delivered, difference=difference,
        footprints=prints.polygons, applied_n_lb_ac=rate_n, target_n_lb_ac=target, outlines=outlines,
        skips=skips, overlaps=overlaps, findings=(),
    )  # fmt: skip
    return replace(comparison, findings=(*laid.findings, *_findings(comparison, opened, known=known)))


def _delivery_factor(delivered: float | None, logged: float, unit: str, source: str) -> float:
    """What was delivered over what the file adds up to; 1 where nothing is said of it."""
    if delivered is None:
        return 1.0
    if not 0 < delivered < math.inf or logged <= 0 or not 1 / _FARTHEST <= delivered / logged <= _FARTHEST:
        problem = f"{source} adds up to {logged:,.0f} {unit} on this field, and {delivered:,.0f} {unit} were delivered."
        raise InputFileError(problem, "Give what went onto this field alone, less what came back, in that unit.")
    return delivered / logged


def _zone(zone: dict[str, object], spots: AppliedMap) -> ZoneApplied:
    """One zone by its spots, its acres those of the prescription."""
    mine = spots.zone == zone["zone"]
    cell_ac = float(zone["acres"]) / max(int(mine.sum()), 1)  # type: ignore[arg-type]

    def acres(mask: NDArray[np.bool_]) -> float:
        return float(np.sum(mask & mine)) * cell_ac

    missed, short, over = acres(spots.missed), acres(spots.short), acres(spots.over)
    driven, total = acres(spots.times > 0), float(spots.applied[mine].sum()) * cell_ac
    whole, target = float(zone["acres"]), float(zone["rate_n_lb_ac"])  # type: ignore[arg-type]
    right = whole - missed - short - over
    return ZoneApplied(
        zone=int(zone["zone"]), acres=whole, driven_acres=driven, target_n_lb_ac=target, total_n_lb=total,  # type: ignore[call-overload]
        mean_n_lb_ac=total / driven if driven else math.nan,
        within_share=(right if target > 0 else 0.0) / driven if driven else math.nan,
        missed_acres=missed, short_acres=short, right_acres=right, over_acres=over, twice_acres=acres(spots.times > 1),
    )  # fmt: skip


def _on_no_apply(polygons: NDArray[np.object_], rate_n: Array, ground: Ground) -> tuple[float, float]:
    """Nitrogen on no-apply ground, wherever it is, and the acres that got it. [lb N], [ac]"""
    never = ground.never
    shapely.prepare(never)
    there = np.flatnonzero((rate_n > 0) & shapely.intersects(never, polygons))
    acres = shapely.area(shapely.intersection(polygons[there], never)) / AC_M2
    return float(np.sum(rate_n[there] * acres)), float(np.sum(acres))


def _difference(spots: AppliedMap, summary: dict[str, object], applied_n_lb: float, off_n_lb: float) -> Difference:
    """Planned against applied, by what made it."""
    in_zone, driven = spots.zone > 0, spots.times > 0
    once = spots.applied / np.maximum(spots.times, 1)
    aimed = in_zone & driven & (spots.target > 0)
    missed = -float(spots.target[spots.missed].sum()) * spots.cell_ac
    twice = float((spots.applied - once)[in_zone].sum()) * spots.cell_ac
    rate = float((once - spots.target)[in_zone & driven].sum()) * spots.cell_ac
    planned = float(summary["total_n_lb"])  # type: ignore[arg-type]
    rest = applied_n_lb - planned - missed - twice - rate - off_n_lb
    return Difference(
        missed_n_lb=missed, twice_n_lb=twice, rate_n_lb=rate, no_apply_n_lb=off_n_lb, outside_n_lb=rest,
        rate_factor=float(once[aimed].sum() / spots.target[aimed].sum()) if aimed.any() else math.nan,
    )  # fmt: skip


def _by_records(
    zone: dict[str, object], mine: NDArray[np.bool_], rate_n: Array, acres: Array, near: NDArray[np.bool_]
) -> ZoneApplied:
    """One zone by the records in it, where no width says what ground they cover."""
    driven, total = float(np.sum(acres[mine])), float(np.sum(rate_n[mine] * acres[mine]))
    return ZoneApplied(
        zone=int(zone["zone"]), acres=float(zone["acres"]), driven_acres=driven,  # type: ignore[arg-type, call-overload]
        target_n_lb_ac=float(zone["rate_n_lb_ac"]), total_n_lb=total,  # type: ignore[arg-type]
        mean_n_lb_ac=total / driven if driven else math.nan,
        within_share=float(np.sum(acres[mine & near])) / driven if driven else math.nan,
    )  # fmt: skip


def _findings(found: Comparison, opened: Opened, *, known: bool) -> Iterator[Finding]:
    """What a person should look at."""
    if not known:
        yield warning("audit.no-width", found.source)
    unit, acres = opened.summary["product"]["unit"], opened.summary["acres"]
    if not found.approved:
        yield warning("audit.draft-applied", "review")
    if found.delivered_product is not None and abs(found.meter_factor - 1) > _METER_OFF:
        yield warning(
            "audit.meter-off", found.source, delivered=Quantity(unit, found.delivered_product),
            logged=Quantity(unit, found.logged_product), share=Quantity("share", found.meter_factor),
        )  # fmt: skip
    ratio = found.applied_product / found.prescribed_product
    if abs(ratio - 1) > _TOTAL_OFF:
        totals = {"applied": Quantity(unit, found.applied_product), "planned": Quantity(unit, found.prescribed_product)}
        yield warning("audit.applied-total-off", "total", share=Quantity("share", ratio), **totals)
        yield from _mixed_units(found, opened)
    difference = found.difference
    if difference is not None and abs(difference.rate_factor - 1) > _TOTAL_OFF:
        yield warning("audit.rate-off", "rates", share=Quantity("share", difference.rate_factor),
                      change=Quantity("mass", difference.rate_n_lb))  # fmt: skip
    if found.within_share < _LEAST_WITHIN:
        yield warning("audit.few-within", "rates", share=Quantity("share", found.within_share),
                      within=Quantity("share", WITHIN))  # fmt: skip
    off_ground = sum(zone.total_n_lb for zone in found.zones if zone.zone == 0)
    if off_ground > 0:
        yield warning("audit.applied-off-ground", "no-apply ground", nitrogen=Quantity("mass", off_ground))
    if found.skipped_acres > _MOST_SKIPPED * acres:
        skipped = Quantity("area", found.skipped_acres)
        missed = Quantity("mass", -difference.missed_n_lb if difference else math.nan)
        yield warning("audit.skips", "skips", skipped=skipped, area=Quantity("area", acres), missed=missed)
    short = sum(zone.short_acres for zone in found.zones if zone.zone)
    if short > _MOST_SKIPPED * acres:
        yield warning("audit.short", "rates", area=Quantity("area", short), share=Quantity("share", 1 - WITHIN))
    if found.overlapped_acres > _MOST_OVERLAPPED * acres:
        twice = Quantity("mass", difference.twice_n_lb if difference else math.nan)
        yield warning("audit.overlaps", "overlaps", area=Quantity("area", found.overlapped_acres), twice=twice)
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
