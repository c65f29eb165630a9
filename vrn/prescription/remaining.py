"""After a rain-out: the prescription for the ground that has not been covered yet."""

import dataclasses
from collections.abc import Sequence

import numpy as np
import shapely

from vrn.errors import InputFileError
from vrn.field.area import geodesic_acres
from vrn.field.cover import share_inside
from vrn.prescription.model import Prescription
from vrn.prescription.reports import with_reports
from vrn.units import FT_M
from vrn.zones.finish import labels_of
from vrn.zones.outline import as_multi, dissolved, faces_of


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
        ``details["remaining"]`` says what was covered and what is still to order.

    Raises
    ------
    InputFileError
        If the covered ground does not touch the field, or covers all of it.

    Notes
    -----
    Rates are not struck again: what the first part was short of or had too much of does not go on the rest. What
    is left narrower than half a swath, between passes or along the edge, counts as covered.
    """
    treated = prescription.outline()
    driven = shapely.union_all(shapely.make_valid(np.array(covered, dtype=object)))
    half_gap_m = prescription.field.settings.machine.swath_ft * FT_M / 4.0
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
    found = dissolved(faces, owner, np.arange(owner.max() + 1, dtype=float), 0.0)
    crs = prescription.grid.crs
    kept = [rate for rate in prescription.rates if rate.zone in found]
    rates = tuple(
        dataclasses.replace(
            rate, zone=number, outline=found[rate.zone], acres=geodesic_acres(found[rate.zone], crs),
            parts=len(shapely.get_parts(found[rate.zone])),
            label=rate.label or (f"zone {rate.zone} of the whole field" if number != rate.zone else ""),
            changes=tuple(dataclasses.replace(change, zone=number) for change in rate.changes),
        )
        for number, rate in enumerate(kept, start=1)
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
        details={
            **prescription.details,
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
