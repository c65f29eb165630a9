"""Parts of the report that other rooms report in plain values: the machine, its drive, the loads."""

import math
from typing import Any

from vrn.pages.report_parts import Part, Table, Text
from vrn.prescription.drive import DriveReport
from vrn.prescription.machine import MachineReport, ZoneFlow
from vrn.prescription.model import Prescription
from vrn.prescription.products import LoadsReport
from vrn.prescription.remaining import RemainingReport
from vrn.prescription.strips import StripReport
from vrn.words import UnitFormat


def machine_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """
    What the machine can make, how the drive went in the simulation, how many loads.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat

    Returns
    -------
    part : Part or None
        None when none of it was looked at.
    """
    pieces: list[Any] = []
    if prescription.machine is not None:
        pieces += _machine(prescription.machine, shown)
    if prescription.drive is not None:
        pieces += _drive(prescription.drive, shown)
    if prescription.loads is not None:
        pieces.append(_loads(prescription.loads, shown))
    if prescription.check_strips is not None:
        pieces += _strips(prescription, prescription.check_strips, shown)
    if prescription.remaining is not None:
        pieces.append(_remaining(prescription.remaining, shown))
    if prescription.loads is not None:
        pieces.append(Text(text=_product(prescription, shown), small=True))
    return Part(title="The machine", pieces=tuple(pieces)) if pieces else None


def _product(prescription: Prescription, shown: UnitFormat) -> str:
    """Analysis and density of the product, and who says so."""
    product = prescription.product
    density = "" if product.density_lb_gal is None else f", {shown.text('density', product.density_lb_gal)}"
    return f"{product.name}: {product.n_pct:.2f}% N by weight{density}. Source: {product.source}."


_ASSUMED = {
    "highest-rate": "Orifices or metering are set so that the highest rate is the most flow at the working speed.",
    "unlimited": "No flow limit is stated in [machine].",
}


def _machine(report: MachineReport, shown: UnitFormat) -> list[Any]:
    pieces: list[Any] = []
    if report.flows.assumed:
        pieces.append(Text(text=_ASSUMED[report.flows.assumed]))
    rows = tuple(
        (
            str(zone.zone), shown.number("rate", zone.rate_n_lb_ac), shown.number(report.flow_unit, zone.flow),
            _speeds(zone, shown), "no" if zone.advice else "yes", _advice(zone, shown),
        )
        for zone in report.zones
    )  # fmt: skip
    if rows:
        pieces.append(
            Table(
                caption=f"What each rate asks of the machine at {shown.text('speed', report.speed_mph)}", rows=rows,
                header=("Zone", f"Rate, {shown.unit('rate')}", f"Flow, {shown.unit(report.flow_unit)}",
                        f"Speeds that make it, {shown.unit('speed')}", "Made", "Advice"),
                numbers=(0, 1, 2), widths=(8, 15, 15, 20, 10, 32),
            )
        )  # fmt: skip
    return pieces


def _advice(zone: ZoneFlow, shown: UnitFormat) -> str:
    if zone.advice == "impossible":
        return "fit other orifices or metering, or set another rate"
    return f"drive at {shown.text('speed', zone.advised_speed_mph)} or {zone.advice}" if zone.advice else ""


def _speeds(zone: ZoneFlow, shown: UnitFormat) -> str:
    if math.isinf(zone.most_speed_mph):
        return f"{shown.number('speed', zone.least_speed_mph)} and more" if zone.least_speed_mph else "any"
    return f"{shown.number('speed', zone.least_speed_mph)} to {shown.number('speed', zone.most_speed_mph)}"


def _drive(report: DriveReport, shown: UnitFormat) -> list[Any]:
    words = (
        f"Driven in the simulation along {report.heading_deg:.0f}° from north in {report.passes} passes at "
        f"{shown.text('speed', report.speed_mph)}: {shown.text('share', report.within_share)} of the ground gets its "
        f"rate within ± 10 %; {shown.text('mass', report.applied_n_lb)} go out where "
        f"{shown.text('mass', report.prescribed_n_lb)} are prescribed."
    )
    if report.outside_n_lb >= 0.5:
        words += (
            f" Another {shown.text('mass', report.outside_n_lb)} land beyond the treated ground, where sections "
            "overhang its edge: the more sections, the less."
        )
    pieces: list[Any] = [Text(text=words)]
    area, rate = shown.unit("area"), shown.unit("rate")
    rows = tuple(
        (
            str(zone.zone), shown.text("share", zone.within_share), shown.number("rate", zone.mean_applied_n_lb_ac),
            shown.number("area", zone.under_ac), shown.number("area", zone.over_ac),
        )
        for zone in report.zones
    )  # fmt: skip
    if rows:
        pieces.append(
            Table(
                caption="The drive zone by zone", rows=rows, numbers=(0, 1, 2, 3, 4),
                header=("Zone", "Within ± 10 %", f"Mean, {rate}", f"Too little, {area}", f"Too much, {area}"),
            )
        )  # fmt: skip
    return pieces


def _loads(report: LoadsReport, shown: UnitFormat) -> Text:
    unit = report.unit
    words = f"To order: {shown.text(unit, report.total)}"
    if unit == "gal":
        words += f", which weighs {shown.text('lb', report.weight_lb)}"
    if report.loads:
        words += (
            f"; {report.loads} loads of {shown.text(unit, report.tank)}, the last of "
            f"{shown.text(unit, report.last_load)}; a load covers {shown.text('area', report.acres_per_load)}"
        )
    return Text(text=f"{words}.")


def _strips(prescription: Prescription, report: StripReport, shown: UnitFormat) -> list[Any]:
    rows = tuple(
        (
            str(rate.zone), "–" if rate.strip.in_zone is None else str(rate.strip.in_zone), str(rate.strip.pair),
            shown.number("rate", rate.strip.difference_n_lb_ac), shown.number("area", rate.acres),
        )
        for rate in prescription.rates if rate.strip
    )  # fmt: skip
    if not rows:
        return []
    change = (
        f"{shown.text('mass', report.total_change_n_lb)} ({shown.text('mass', report.tolerance_n_lb)} would be allowed)"
    )
    return [
        Table(
            caption=f"Check strips; they change the field's total by {change}", rows=rows, numbers=(0, 1, 2, 3, 4),
            header=("Zone", "Lies in zone", "Pair", f"More or less, {shown.unit('rate')}", shown.unit("area")),
        )
    ]  # fmt: skip


def _remaining(report: RemainingReport, shown: UnitFormat) -> Text:
    return Text(
        text=f"This is for the {shown.number('area', report.left_ac)} of "
        f"{shown.text('area', report.covered_ac + report.left_ac)} that are left; strips narrower than half "
        f"a swath count as covered. The whole field was to get {shown.text('mass', report.whole_total_n_lb)}."
    )
