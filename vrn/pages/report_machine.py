"""Parts of the report that other rooms report in plain values: the machine, its drive, the loads, what the rain did."""

import math
from collections.abc import Sequence
from typing import Any

from vrn.pages.report_parts import Part, Table, Text
from vrn.prescription.model import Prescription
from vrn.words import UNKNOWN, UnitFormat


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
    details = prescription.details
    pieces: list[Any] = []
    for key, words in (
        ("machine", _machine),
        ("drive", _drive),
        ("loads", _loads),
        ("check_strips", _strips),
        ("remaining", _remaining),
    ):
        if isinstance(details.get(key), dict) and details[key]:
            pieces += words(details[key], shown)
    if isinstance(details.get("loads"), dict):
        pieces.append(Text(text=_product(prescription, shown), small=True))
    return Part(title="The machine", pieces=tuple(pieces)) if pieces else None


def _product(prescription: Prescription, shown: UnitFormat) -> str:
    """Analysis and density of the product, and who says so."""
    product = prescription.product
    density = "" if product.density_lb_gal is None else f", {shown.text('density', product.density_lb_gal)}"
    return f"{product.name}: {_figure(product.n_pct, 2)} % N by weight{density}. Source: {product.source}."


def _machine(report: dict[str, Any], shown: UnitFormat) -> list[Any]:
    zones = [zone for zone in report.get("zones", ()) if isinstance(zone, dict)]
    said = str(report.get("assumed") or "")
    pieces: list[Any] = [Text(text=shown.words(f"{said[:1].upper()}{said[1:]}."))] if said else []
    if zones:
        flow, speed = str(report.get("flow_unit")), shown.text("speed", report.get("speed_mph"))
        rows = tuple(
            (
                str(zone.get("zone")), shown.number("rate", zone.get("rate_n_lb_ac")),
                shown.number(flow, zone.get("flow")), _speeds(zone, shown), "yes" if zone.get("makes") else "no",
                shown.words(str(zone.get("advice") or "")),
            )
            for zone in zones
        )  # fmt: skip
        pieces.append(
            Table(
                caption=f"What each rate asks of the machine at {speed}", rows=rows,
                header=("Zone", f"Rate, {shown.unit('rate')}", f"Flow, {shown.unit(flow)}",
                        f"Speeds that make it, {shown.unit('speed')}", "Made", "Advice"),
                numbers=(0, 1, 2), widths=(8, 15, 15, 20, 10, 32),
            )
        )  # fmt: skip
    return pieces


def _speeds(zone: dict[str, Any], shown: UnitFormat) -> str:
    least, most = zone.get("least_speed_mph"), zone.get("most_speed_mph")
    if not _known(most):
        return "any" if not _known(least) or not least else f"{shown.number('speed', least)} and more"
    return f"{shown.number('speed', least)} to {shown.number('speed', most)}"


def _drive(report: dict[str, Any], shown: UnitFormat) -> list[Any]:
    share = report.get("within_share")
    words = (
        f"Driven in the simulation along {_figure(report.get('heading_deg'), 0)}° from north in {report.get('passes')} "
        f"passes at {shown.text('speed', report.get('speed_mph'))}: {_percent(share)} of the ground gets its rate "
        f"within ± 10 %; {shown.text('mass', report.get('applied_n_lb'))} go out where "
        f"{shown.text('mass', report.get('prescribed_n_lb'))} are prescribed."
    )
    outside = report.get("outside_n_lb")
    if outside is not None and outside >= 0.5:
        words += (
            f" Another {shown.text('mass', outside)} land beyond the treated ground, where sections overhang its "
            "edge: the more sections, the less."
        )
    zones = [zone for zone in report.get("zones", ()) if isinstance(zone, dict)]
    pieces: list[Any] = [Text(text=words)]
    if zones:
        area, rate = shown.unit("area"), shown.unit("rate")
        rows = tuple(
            (
                str(zone.get("zone")), _percent(zone.get("within_share")),
                shown.number("rate", zone.get("mean_applied_n_lb_ac")), shown.number("area", zone.get("under_ac")),
                shown.number("area", zone.get("over_ac")),
            )
            for zone in zones
        )  # fmt: skip
        pieces.append(
            Table(
                caption="The drive zone by zone", rows=rows, numbers=(0, 1, 2, 3, 4),
                header=("Zone", "Within ± 10 %", f"Mean, {rate}", f"Too little, {area}", f"Too much, {area}"),
            )
        )  # fmt: skip
    return pieces


def _loads(report: dict[str, Any], shown: UnitFormat) -> list[Any]:
    unit = str(report.get("unit") or "")
    if unit not in ("gal", "lb"):
        return []
    words = f"To order: {shown.text(unit, report.get('total'))}"
    if unit == "gal" and _known(report.get("weight_lb")):
        words += f", which weighs {shown.text('lb', report['weight_lb'])}"
    if _known(report.get("loads")):
        words += (
            f"; {_figure(report['loads'], 0)} loads of {shown.text(unit, report.get('tank'))}, the last of "
            f"{shown.text(unit, report.get('last_load'))}"
        )
        if _known(report.get("acres_per_load")):
            words += f"; a load covers {shown.text('area', report['acres_per_load'])}"
    return [Text(text=f"{words}.")]


def _strips(report: dict[str, Any], shown: UnitFormat) -> list[Any]:
    pieces = [piece for piece in report.get("pieces", ()) if isinstance(piece, dict)]
    if not pieces:
        return []
    rows = tuple(
        (
            str(piece.get("zone")), str(piece.get("in_zone")), str(piece.get("pair")),
            shown.number("rate", piece.get("difference_n_lb_ac")), shown.number("area", piece.get("acres")),
        )
        for piece in pieces
    )  # fmt: skip
    change = shown.text("mass", report.get("total_change_n_lb"))
    if report.get("tolerance_n_lb") is not None:
        change += f" ({shown.text('mass', report['tolerance_n_lb'])} would be allowed)"
    return [
        Table(
            caption=f"Check strips; they change the field's total by {change}", rows=rows, numbers=(0, 1, 2, 3, 4),
            header=("Zone", "Lies in zone", "Pair", f"More or less, {shown.unit('rate')}", shown.unit("area")),
        )
    ]  # fmt: skip


def _remaining(report: dict[str, Any], shown: UnitFormat) -> list[Any]:
    return [
        Text(
            text=f"This is for the {shown.number('area', report['left_ac'])} of "
            f"{shown.text('area', report['covered_ac'] + report['left_ac'])} that are left; strips narrower than half "
            f"a swath count as covered. The whole field was to get {shown.text('mass', report['whole_total_n_lb'])}."
        )
    ]


_FATES = {
    "top_foot_lb_ac": "nitrate in the top foot",
    "second_foot_lb_ac": "nitrate in the second foot",
    "below_lb_ac": "nitrate below the second foot",
    "denitrified_lb_ac": "lost to the air as gas, in wet soil",
    "volatilized_lb_ac": "lost to the air as ammonia",
    "not_nitrate_lb_ac": "not nitrate yet",
}


def rain_pieces(report: dict[str, Any], shown: UnitFormat) -> list[Any]:
    """
    What rain and warmth did to the nitrogen already applied, as bands.

    Parameters
    ----------
    report : dict
        As the rain model reports itself, in plain values.
    shown : UnitFormat

    Returns
    -------
    pieces : list of Text and Table
    """
    words = (
        f"Since the last application {shown.text('rain', report.get('rain_since_in'))} of rain fell and "
        f"{shown.text('rain', report.get('drained_since_in'))} drained."
    )
    expected, measured = report.get("expected_top_foot_ppm"), report.get("measured_top_foot_ppm")
    if expected and _known(measured):
        low, high = shown.number("concentration", expected[0]), shown.text("concentration", expected[1])
        words += (
            f" In the top foot {low} to {high} could be expected, without what last year left; "
            f"{shown.text('concentration', measured)} were measured."
        )
    if report.get("note"):
        words += f" {report['note']}"
    pieces: list[Any] = [Text(text=words)]
    totals = report.get("totals") or {}
    rows = tuple((name, _band(totals[key], shown)) for key, name in _FATES.items() if key in totals)
    if rows and report.get("applications"):
        unit = shown.unit("whole_amount")
        pieces.append(
            Table(
                caption="Where the nitrogen applied may be, from the mildest rule to the harshest",
                header=("Where", unit), rows=rows, numbers=(1,), widths=(70, 30),
            )
        )  # fmt: skip
    return pieces


def _band(band: Sequence[float], shown: UnitFormat) -> str:
    low, high = (shown.number("whole_amount", value) for value in band)
    return low if low == high else f"{low} to {high}"


def _percent(share: Any) -> str:
    return f"{100 * share:.0f} %" if _known(share) else UNKNOWN


def _figure(value: Any, decimals: int) -> str:
    return f"{value:,.{decimals}f}" if _known(value) else UNKNOWN


def _known(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
