"""After a rain-out: the prescription for the ground that has not been covered yet."""

import dataclasses
import re
from collections.abc import Iterator, Sequence

import numpy as np
import shapely

from vrn.errors import InputFileError
from vrn.findings import Finding
from vrn.model.area import geodesic_acres
from vrn.model.grid import share_inside
from vrn.prescription.machine import with_machine_check
from vrn.prescription.model import CheckStrip, Prescription, ZoneRate
from vrn.prescription.strips import StripReport
from vrn.units import FT_M
from vrn.zones.finish import labels_of
from vrn.zones.outline import as_multi, dissolved, faces_of, gaps_filled


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class RemainingReport:
    """What was covered before a rain-out, and what the whole field was to get."""

    covered_ac: float
    left_ac: float
    whole_total_n_lb: float
    whole_total_product: float
    was_zone: tuple[int, ...]  # number of each zone in the whole field


def remaining(prescription: Prescription, covered: Sequence[shapely.Geometry]) -> Prescription:
    """
    The same rates on what is left of the field.

    Parameters
    ----------
    prescription : Prescription
        Of the whole field.
    covered : sequence of shapely Polygon or MultiPolygon
        Ground that has been driven, in the field's system.

    Returns
    -------
    prescription : Prescription
        Zones that are wholly covered are gone and the others renumbered 1 … k; ``zone_before`` keeps a number that
        changed. ``remaining`` says what was covered and what is still to order. Covered ground is no-apply ground
        of its field: 0 in every file, and no zone.

    Raises
    ------
    InputFileError
        If the covered ground does not touch the field, or covers all of it.

    Notes
    -----
    Rates are not worked out again: what the first part was short of or had too much of does not go on the rest. What
    is left narrower than half a swath, between passes or along the edge, counts as covered.
    """
    field, treated = prescription.field, prescription.outline()
    driven = shapely.union_all(shapely.make_valid(np.array(covered, dtype=object)))
    half_gap_m = field.settings.machine.swath_ft * FT_M / 4.0
    rest = shapely.difference(treated, driven)
    wide = shapely.buffer(shapely.buffer(rest, -half_gap_m, join_style="mitre"), half_gap_m, join_style="mitre")
    left = as_multi(shapely.intersection(rest, wide))
    whole_m2, left_m2 = float(shapely.area(treated)), float(shapely.area(left))
    if left_m2 >= whole_m2 * (1 - 1e-9):
        problem = "The covered ground does not touch the field."
        raise InputFileError(problem, "Check that the as-applied file belongs to this field.")
    if left_m2 <= whole_m2 * 1e-6:
        problem = "The whole field is covered: nothing is left to apply."
        raise InputFileError(problem, "Check the as-applied file; there is no prescription to write.")
    lines = [shapely.boundary(rate.outline) for rate in prescription.rates] + [shapely.boundary(left)]
    faces = faces_of(lines, left)
    inside = shapely.point_on_surface(faces)
    owner = np.zeros(len(faces), dtype=np.int32)
    for rate in prescription.rates:
        owner[shapely.intersects(rate.outline, inside)] = rate.zone
    by_zone = np.array([np.nan, *(rate.rate_n_lb_ac for rate in prescription.rates)])
    # along a border that was driven, the covered ground ends a hair short: such a sliver goes with the rest beside it
    found = dissolved(faces, gaps_filled(faces, owner), by_zone, (2.0 * half_gap_m) ** 2)
    crs = prescription.grid.crs
    kept = [rate for rate in prescription.rates if rate.zone in found]
    now = {rate.zone: number for number, rate in enumerate(kept, start=1)}
    rates = tuple(
        dataclasses.replace(
            rate, zone=now[rate.zone], outline=found[rate.zone], acres=geodesic_acres(found[rate.zone], crs),
            parts=len(shapely.get_parts(found[rate.zone])),
            strip=None if rate.strip is None else _strip(rate.strip, now),
            zone_before=rate.zone if now[rate.zone] != rate.zone and rate.strip is None else None,
            changes=tuple(dataclasses.replace(change, zone=now[rate.zone]) for change in rate.changes),
        )
        for rate in kept
    )  # fmt: skip
    share = share_inside(prescription.grid, left)
    outlines = tuple(rate.outline for rate in rates)
    zones = dataclasses.replace(
        prescription.zones, outlines=outlines, labels=labels_of(outlines, grid=prescription.grid, share=share)
    )
    total_n_lb = sum(rate.acres * rate.rate_n_lb_ac for rate in rates)
    acres = sum(rate.acres for rate in rates)
    planned = dataclasses.replace(
        prescription, share=share, zones=zones, rates=rates, acres=acres, total_n_lb=total_n_lb,
        total_product=total_n_lb / prescription.product.n_lb_per_unit,
        field=dataclasses.replace(field, no_apply=shapely.union(field.no_apply, field.boundary.difference(left))),
        findings=tuple(_renumbered(prescription.findings, now)),
        check_strips=_strips_left(prescription.check_strips, rates),
        remaining=RemainingReport(
            covered_ac=prescription.acres - acres, left_ac=acres, whole_total_n_lb=prescription.total_n_lb,
            whole_total_product=prescription.total_product, was_zone=tuple(rate.zone for rate in kept),
        ),
        methods=tuple(
            dataclasses.replace(one, by_zone={now[zone]: lb_ac for zone, lb_ac in one.by_zone.items() if zone in now})
            for one in prescription.methods
        ),
    )  # fmt: skip
    return with_machine_check(planned)


def _strip(strip: CheckStrip, now: dict[int, int]) -> CheckStrip:
    """A strip in its zone's number of now."""
    return dataclasses.replace(strip, in_zone=now.get(strip.in_zone or 0))


def _renumbered(findings: tuple[Finding, ...], now: dict[int, int]) -> Iterator[Finding]:
    """Findings about zones under the numbers they have now; those about zones that are gone are left out."""
    for finding in findings:
        zone = re.fullmatch(r"zone (\d+)", finding.about)
        if zone is None:
            yield finding
        elif int(zone[1]) in now:
            yield dataclasses.replace(finding, about=f"zone {now[int(zone[1])]}")


def _strips_left(report: StripReport | None, rates: tuple[ZoneRate, ...]) -> StripReport | None:
    """What the strips that are left change the total by; None when none were asked for."""
    if report is None:
        return None
    change = sum(rate.acres * rate.strip.difference_n_lb_ac for rate in rates if rate.strip is not None)
    return dataclasses.replace(report, total_change_n_lb=change)
