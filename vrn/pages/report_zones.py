"""The report's part on zones: how they were drawn, and what each number of them would leave misallocated."""

from typing import Any

from vrn.pages.plots_reasons import zone_count_plot
from vrn.pages.report_parts import Part, Picture, Table, Text
from vrn.pages.report_phrases import why_one_zone
from vrn.prescription.model import Prescription
from vrn.units import AC_M2, FT_M
from vrn.words import UnitFormat

_LEAST_SHOWN_LB_AC = 0.05  # below it every number of zones is 0 in the table, and the curve is noise of the arithmetic


def zones_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """
    Why this number of zones, the sizes they were held to, and the curve behind the choice.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat

    Returns
    -------
    part : Part or None
        None when nothing is known of how the zones came about.
    """
    zones = prescription.zones
    pieces: list[Any] = [Text(text=shown.words(zones.chosen_by))] if zones.chosen_by else []
    if "smooth_m" in zones.details:
        pieces.append(Text(text=_how(zones.details, shown)))
    why = why_one_zone(prescription, shown)
    if why and zones.chosen_by not in why:
        pieces.append(Text(text=why))
    if any(one.misallocated_lb_ac >= _LEAST_SHOWN_LB_AC for one in zones.choice):
        count = zones.details.get("drawn", len(prescription.rates))
        pieces.append(
            Picture(
                caption="What each number of zones leaves misallocated: the distance between need and rate, averaged "
                "over the ground. The ring marks the number taken.",
                alt="Misallocated nitrogen by number of zones", width=0.65,
                png=zone_count_plot(zones.choice, int(str(count)), shown),
            )
        )  # fmt: skip
        pieces.append(_table(prescription, shown))
    return Part(title="How many zones", pieces=tuple(pieces)) if pieces else None


def _how(details: dict[str, Any], shown: UnitFormat) -> str:
    """Kernel and sizes in a sentence each."""
    what = "The ledger's lines are" if details.get("by") == "layers" else "The need is"
    then = "sorted by fuzzy c-means" if details.get("by") == "layers" else "cut"
    return (
        f"{what} smoothed (kernel: {details['kernel']}; one is {shown.text('length', details['smooth_m'] / FT_M)}) and "
        f"{then}. No patch is under {shown.text('area', details['least_patch_m2'] / AC_M2)} unless it stands alone, no "
        f"neck under {shown.text('length', details['least_width_m'] / FT_M)}, to within a cell; outlines are drawn to "
        f"{shown.text('length', details['tolerance_m'] / FT_M)}."
    )


def _table(prescription: Prescription, shown: UnitFormat) -> Table:
    """A row for each number of zones."""
    choice, found = prescription.zones.choice, prescription.zones.details.get("indices") or ()
    indices = {int(row["zones"]): row for row in found if isinstance(row, dict)} if isinstance(found, list) else {}
    rows: list[tuple[str, ...]] = [
        (
            str(one.zones), shown.number("rate", one.misallocated_lb_ac), shown.number("rate", one.survives_lb_ac),
            shown.number("money_area", one.cost_per_ac),
        )
        for one in choice
    ]  # fmt: skip
    header = ["Zones", f"Misallocated, {shown.unit('whole_amount')}",
              f"Saving that outlives the samples' error, {shown.unit('whole_amount')}",
              f"Cost, {shown.unit('money_area')}"]  # fmt: skip
    if indices:
        header += ["Fuzziness index", "Normalised entropy"]
        rows = [(*row, *_figures(indices.get(one.zones))) for row, one in zip(rows, choice, strict=True)]
    return Table(caption="Number of zones", numbers=tuple(range(len(header))), rows=tuple(rows), header=tuple(header))


def _figures(row: dict[str, float] | None) -> tuple[str, str]:
    """Both indices, smaller where classes are better told apart; one zone has none."""
    return ("", "") if row is None else (f"{row['fuzziness_index']:.2f}", f"{row['normalised_entropy']:.2f}")
