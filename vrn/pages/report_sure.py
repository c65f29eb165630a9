"""The report's part on how sure the needs are: bands by zone, the field's total, these rates against one flat rate."""

from typing import Final

from vrn.pages.report_parts import Part, Table, Text
from vrn.pages.report_readings import error_sentences
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat


def sure_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """
    How sure the needs are, from draws of the field that the readings allow.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat

    Returns
    -------
    part : Part or None
        None when no surface says how sure it is.
    """
    told = prescription.uncertainty
    if told is None:
        return None
    unit, rates = shown.unit("rate"), {rate.zone: rate for rate in prescription.rates}
    rows = tuple(
        (
            str(zone.zone), shown.number("rate", rates[zone.zone].need_lb_ac), shown.number("rate", zone.need_se_lb_ac),
            f"{shown.number('rate', zone.low_lb_ac)} to {shown.number('rate', zone.high_lb_ac)}",
            shown.number("rate", rates[zone.zone].rate_n_lb_ac), f"{zone.needs_more_share:.0%}",
        )
        for zone in told.zones
        if zone.zone in rates
    )  # fmt: skip
    table = Table(
        caption=f"Need of each zone's mean over {told.draws} draws", rows=rows, numbers=(0, 1, 2, 3, 4, 5),
        header=("Zone", f"Need, {unit}", "Standard error", "Nine draws in ten", f"Rate, {unit}",
                "Draws that need more"),
        widths=(8, 17, 17, 22, 16, 20),
    )  # fmt: skip
    low, _, high = told.total_need_n_lb
    ours, flat = told.zones_misallocated_lb_ac, told.flat_misallocated_lb_ac
    words = (
        f"The whole field needs {shown.number('mass', low)} to {shown.text('mass', high)} in nine draws in ten. "
        f"These rates miss the need of a place by {_missed(ours, shown)} on average over the field"
    )
    if {rate.rate_n_lb_ac for rate in prescription.rates} == {prescription.flat_rate_n_lb_ac}:
        words += "; they are the flat rate."
    else:
        words += (
            f", one flat rate by {_missed(flat, shown)}; these rates were the better of the two in "
            f"{told.zones_better_share:.0%} of the draws."
        )
    drawn = ", ".join(name.rsplit("_", 1)[0].replace("_", " ") for name in told.drawn)
    caution = (
        f"Each draw is a whole field that the readings allow ({drawn}); the ledger is struck on it. Layers without a "
        "stated error and the method's own numbers are taken as they are, so the true doubt is larger."
    )
    return Part(
        title="How sure",
        pieces=(Text(text=words), table, *_causes(prescription, shown), Text(text=caution, small=True)),
    )


_CAUSES: Final = {"instrument": "Instrument", "cores": "Cores mixed", "ground": "Ground between samples",
                  "other": "Second foot, layers", "total": "All together"}  # fmt: skip


def _causes(prescription: Prescription, shown: UnitFormat) -> tuple[Table, ...]:
    """Standard error of the need of a place, by cause; the squares add up to the whole."""
    causes = prescription.causes
    if causes is None:
        return ()
    parts = (("all", causes.field), *((str(zone), part) for zone, part in causes.zones.items()))
    rows = tuple(
        (name, *(shown.number("rate", getattr(part, f"{cause}_lb_ac")) for cause in _CAUSES)) for name, part in parts
    )
    caption = (
        f"Standard error of the need of a place by cause, {shown.unit('rate')}; squares add up, what is not known "
        f"lies within the ground. {' '.join(error_sentences(causes.error, shown))}"
    )
    return (Table(caption=caption, header=("Zone", *_CAUSES.values()), rows=rows, numbers=(0, 1, 2, 3, 4, 5)),)


def _missed(band_lb_ac: tuple[float, float, float], shown: UnitFormat) -> str:
    """The middle of nine draws in ten, and between what they lie."""
    low, middle, high = band_lb_ac
    return f"{shown.text('rate', middle)} ({shown.number('rate', low)} to {shown.number('rate', high)})"
