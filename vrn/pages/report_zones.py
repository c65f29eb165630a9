"""The report's part on zones: how they were drawn, and what each number of them would leave misplaced."""

from vrn.findings import Quantity
from vrn.pages.plots_reasons import zone_count_plot
from vrn.pages.report_parts import Part, Picture, Piece, Table, Text
from vrn.pages.report_phrases import why_one_zone, zone_count_reason
from vrn.prescription.model import Prescription
from vrn.units import AC_M2, FT_M
from vrn.words import UnitFormat, say
from vrn.zones.model import ZonesReport

_LEAST_SHOWN_LB_AC = 0.05  # below it every number of zones is 0 in the table, and the curve is noise of the arithmetic


def zones_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """Why this number of zones, the sizes they were held to, and the curve behind it; None where nothing is known."""
    zones, reason = prescription.zones, zone_count_reason(prescription.zones.report, shown)
    pieces: list[Piece] = [Text(text=reason)] if reason else []
    if zones.report is not None and zones.report.smooth_m is not None:
        pieces.append(Text(text=_how(zones.report, shown)))
    why = why_one_zone(prescription, shown)
    if why and (not reason or reason not in why):
        pieces.append(Text(text=why))
    if any(one.misallocated_lb_ac >= _LEAST_SHOWN_LB_AC for one in zones.choice):
        count = len(prescription.rates) if zones.report is None else zones.report.drawn
        pieces.append(
            Picture(
                caption=say(shown, "zones.curve"), alt=say(shown, "zones.curve-alt"), width=0.65,
                png=zone_count_plot(zones.choice, count, shown),
            )
        )  # fmt: skip
        pieces.append(_table(prescription, shown))
    return Part(title=say(shown, "zones.title"), pieces=tuple(pieces)) if pieces else None


def _how(report: ZonesReport, shown: UnitFormat) -> str:
    """Kernel and sizes in a sentence each."""
    meters = {"smooth": report.smooth_m, "width": report.least_width_m, "tolerance": report.tolerance_m}
    lengths = {name: Quantity("length", (value or 0.0) / FT_M) for name, value in meters.items()}
    patch = Quantity("area", (report.least_patch_m2 or 0.0) / AC_M2)
    return say(shown, f"zones.how-{report.by}", patch=patch, **lengths)


def _table(prescription: Prescription, shown: UnitFormat) -> Table:
    """A row for each number of zones."""
    choice, report = prescription.zones.choice, prescription.zones.report
    found = {} if report is None else {one.zones: one for one in report.indices}
    amount, cost = shown.unit("whole_amount"), shown.unit("money_area")
    header = [say(shown, "zones.head-zones"), say(shown, "zones.head-left", unit=amount),
              say(shown, "zones.head-survives", unit=amount), say(shown, "zones.head-cost", unit=cost)]  # fmt: skip
    if found:
        header += [say(shown, "zones.head-fuzziness"), say(shown, "zones.head-entropy")]
    rows = []
    for one in choice:
        row = [str(one.zones), shown.number("rate", one.misallocated_lb_ac), shown.number("rate", one.survives_lb_ac),
               shown.number("money_area", one.cost_per_ac)]  # fmt: skip
        if found:
            index = found.get(one.zones)  # one zone has none
            row += ["", ""] if index is None else [f"{index.fuzziness_index:.2f}", f"{index.normalised_entropy:.2f}"]
        rows.append(tuple(row))
    return Table(
        caption=say(shown, "zones.table"), header=tuple(header), rows=tuple(rows), numbers=tuple(range(len(header)))
    )
