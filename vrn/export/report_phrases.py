"""Phrases that map and report share: dates, what the field is, cautions."""

from datetime import date

from vrn.export.report_units import Shown
from vrn.prescription.model import Prescription

_CAUTIONS = (
    "This is advice. Local rules, the label, the nutrient management plan and a licensed person decide.",
    "Keep the setbacks that the law and the label ask for from wells, streams, ponds and tile inlets.",
    "The setbacks drawn here are those given in the field file, no others.",
    "More nitrogen than the crop takes up ends in drinking water. Where a reading is in doubt, apply less.",
    "Before the first pass, check the unit and the total that the terminal shows against the load sheet.",
)


def facts(prescription: Prescription, shown: Shown) -> list[str]:
    """Season, area, when and at which stage the cores were pulled, when it is to be applied."""
    settings = prescription.field.settings
    by_clock = prescription.details.get("clock", {}).get("growth_stage")
    stage_name = settings.crop.growth_stage or by_clock
    pulled = sorted({on for on in prescription.field.samples.sampled_on if on is not None})
    found = [f"Season {settings.field.season}", f"{shown.text('area', prescription.acres)} treated"]
    if pulled:
        span = day(pulled[0]) if len(pulled) == 1 else f"{day(pulled[0])} to {day(pulled[-1])}"
        stage = f" at {stage_name}" if stage_name else ""
        found.append(f"cores pulled {span}{stage}")
    elif stage_name:
        found.append(f"cores pulled at {stage_name}")
    if settings.crop.application_date:
        found.append(f"to be applied {day(settings.crop.application_date)}")
    return found


def cautions(prescription: Prescription) -> tuple[str, ...]:
    """What anyone who uses the prescription must know, the product's own cautions first."""
    return (*prescription.product.cautions, *_CAUTIONS)


def day(value: date | None) -> str:
    """``2026-06-12`` → ``12 June 2026``."""
    months = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
              "November", "December")  # fmt: skip
    return "" if value is None else f"{value.day} {months[value.month - 1]} {value.year}"
