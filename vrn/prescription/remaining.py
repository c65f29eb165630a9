"""After a rain-out: the prescription for the ground that has not been covered yet."""

import dataclasses
import re
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import shapely

from vrn.errors import InputFileError
from vrn.findings import Finding
from vrn.model.area import geodesic_acres
from vrn.model.cover import share_inside
from vrn.prescription.model import Prescription, ZoneRate
from vrn.prescription.reports import with_reports
from vrn.units import FT_M
from vrn.zones.finish import labels_of
from vrn.zones.outline import as_multi, dissolved, faces_of, gaps_filled


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
        Zones that are wholly covered are gone and the others renumbered 1 … k; ``label`` keeps a number that changed.
        ``details["remaining"]`` says what was covered and what is still to order. Covered ground is no-apply ground
        of its field: 0 in every file, and no zone.

    Raises
    ------
    InputFileError
        If the covered ground does not touch the field, or covers all of it.

    Notes
    -----
    Rates are not struck again: what the first part was short of or had too much of does not go on the rest. What
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
    parents = {piece["zone"]: piece["in_zone"] for piece in _strips(prescription)}
    rates = tuple(
        dataclasses.replace(
            rate, zone=now[rate.zone], outline=found[rate.zone], acres=geodesic_acres(found[rate.zone], crs),
            parts=len(shapely.get_parts(found[rate.zone])),
            label=_label(rate, now, parents.get(rate.zone)),
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
        details={
            **prescription.details,
            **_strips_left(prescription, rates, now),
            "remaining": {
                "covered_ac": prescription.acres - acres,
                "left_ac": acres,
                "whole_total_n_lb": prescription.total_n_lb,
                "whole_total_product": prescription.total_product,
                "was_zone": [rate.zone for rate in kept],
            },
        },
    )  # fmt: skip
    return with_reports(planned)


def _label(rate: ZoneRate, now: dict[int, int], parent: int | None) -> str:
    """What a zone is called now: a strip after the zone it lies in, an ordinary one after its number before."""
    if parent is not None:
        before = f" in zone {parent}"
        return rate.label.replace(before, f" in zone {now[parent]}" if parent in now else "")
    return f"zone {rate.zone} of the whole field" if now[rate.zone] != rate.zone else ""


def _renumbered(findings: tuple[Finding, ...], now: dict[int, int]) -> Iterator[Finding]:
    """Findings about zones under the numbers they have now; those about zones that are gone are left out."""
    for finding in findings:
        zone = re.fullmatch(r"zone (\d+)", finding.about)
        if zone is None:
            yield finding
        elif int(zone[1]) in now:
            yield dataclasses.replace(finding, about=f"zone {now[int(zone[1])]}")


def _strips(prescription: Prescription) -> list[dict[str, Any]]:
    return list((prescription.details.get("check_strips") or {}).get("pieces", ()))


def _strips_left(prescription: Prescription, rates: tuple[ZoneRate, ...], now: dict[int, int]) -> dict[str, Any]:
    """The report of the check strips for what is left of them; empty when none were asked for."""
    report = prescription.details.get("check_strips")
    if report is None:
        return {}
    pieces = [
        {
            **piece, "zone": now[piece["zone"]], "in_zone": now.get(piece["in_zone"]),
            "acres": rates[now[piece["zone"]] - 1].acres,
        }
        for piece in _strips(prescription) if piece["zone"] in now
    ]  # fmt: skip
    change = sum(piece["acres"] * piece["difference_n_lb_ac"] for piece in pieces)
    return {"check_strips": {**report, "pieces": pieces, "total_change_n_lb": change}}
