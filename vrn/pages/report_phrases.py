"""Phrases that map and report share: dates, what the field is, cautions."""

from datetime import date

import numpy as np

from vrn.findings import Quantity
from vrn.prescription.model import Prescription, ZoneRate
from vrn.words import UnitFormat, say
from vrn.zones.model import ZonesReport

_SAME_LB_AC = 0.01  # needs that no page tells apart
_FEW_PLACES = 5

_CAUTIONS = (
    "This is advice. Local rules, the label, the nutrient management plan and a licensed person decide.",
    "Keep the setbacks that the law and the label ask for from wells, streams, ponds and tile inlets.",
    "The setbacks drawn here are those given in the field file, no others.",
    "More nitrogen than the crop takes up ends in drinking water. Where a reading is in doubt, apply less.",
    "Before the first pass, check the unit and the total that the terminal shows against the load sheet.",
)


def facts(prescription: Prescription, shown: UnitFormat) -> list[str]:
    """Season, area, when and at which stage the cores were pulled, when it is to be applied."""
    settings = prescription.field.settings
    season = prescription.season
    stage_name = settings.crop.growth_stage or (None if season is None else season.stage_name)
    pulled = sorted({on for on in prescription.field.samples.sampled_on if on is not None})
    found = [f"Season {settings.header.season}", f"{shown.text('area', prescription.acres)} treated"]
    if pulled:
        span = day(pulled[0]) if len(pulled) == 1 else f"{day(pulled[0])} to {day(pulled[-1])}"
        stage = f" at {stage_name}" if stage_name else ""
        found.append(f"cores pulled {span}{stage}")
    elif stage_name:
        found.append(f"cores pulled at {stage_name}")
    if settings.crop.application_date:
        found.append(f"to be applied {day(settings.crop.application_date)}")
    return found


def ordinary_rates(prescription: Prescription) -> tuple[ZoneRate, ...]:
    """Rates of the zones that are no check strips."""
    return tuple(rate for rate in prescription.rates if rate.strip is None)


def zone_label(rate: ZoneRate, shown: UnitFormat) -> str:
    """What sets a zone apart, in the reader's units; empty for an ordinary zone."""
    strip = rate.strip
    if strip is None:
        return "" if rate.zone_before is None else say(shown, "rates.zone-before", zone=rate.zone_before)
    way = "more" if strip.difference_n_lb_ac > 0 else "less"
    difference = Quantity("rate", abs(strip.difference_n_lb_ac))
    if strip.in_zone is None:
        return say(shown, f"rates.strip-{way}-alone", pair=strip.pair, difference=difference)
    return say(shown, f"rates.strip-{way}", pair=strip.pair, difference=difference, zone=strip.in_zone)


def places_read(prescription: Prescription) -> int:
    """Number of different places with a reading of the field."""
    return len({tuple(place) for place in prescription.field.samples.field_readings().coordinates_m.tolist()})


def why_one_zone(prescription: Prescription, shown: UnitFormat) -> str:
    """
    Why the field is one zone, and what would help, for a person.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat

    Returns
    -------
    why : str
        Empty where the field has more zones than one, or where what is left of it after a rain-out has one.
    """
    if len(ordinary_rates(prescription)) != 1 or prescription.remaining is not None:
        return ""
    section, nitrate = prescription.field.settings.zones, prescription.surfaces.get("nitrate_ppm")
    if section.file is not None:
        return f"The file of zones, {section.file}, holds one zone here."
    if section.count == 1:
        return "The field file asks for one zone."
    need = prescription.surfaces.get("need_lb_ac")
    known = np.array([]) if need is None else need.values[np.isfinite(need.values) & (prescription.share > 0)]
    if not known.size or float(np.ptp(known)) > _SAME_LB_AC or nitrate is None or nitrate.chosen != "mean":
        return f"More zones were not worth it. {zone_count_reason(prescription.zones.report, shown)}".strip()
    places = places_read(prescription)
    found = (
        f"{places} {'place is' if places == 1 else 'places are'} too few to show a pattern"
        if places < _FEW_PLACES
        else f"The readings of {places} places differ, but neighbours are hardly more alike than places far apart: a "
        "pattern drawn from them could be chance"
    )
    return (
        f"{found}, so their mean stands for the whole field. A map of yield potential or soil, more readings (vrn "
        "plan), or zones of your own ([zones] file) could show where the need differs."
    )


def zone_count_reason(report: ZonesReport | None, shown: UnitFormat) -> str:
    """Why this number of zones; empty where nothing is known of it."""
    if report is None:
        return ""
    return say(
        shown, f"zones.count-{report.reason}", zones=report.drawn, asked=report.asked, source=report.source,
        step=Quantity("rate", report.step_lb_ac), gain=Quantity("amount", report.next_saving_lb_ac),
        least=Quantity("amount", report.least_saving_lb_ac),
    )  # fmt: skip


def cautions(prescription: Prescription, shown: UnitFormat) -> tuple[str, ...]:
    """What anyone who uses the prescription must know, the product's own cautions first."""
    return (*(say(shown, code) for code in prescription.product.cautions), *_CAUTIONS)


def day(value: date | None) -> str:
    """``2026-06-12`` → ``12 June 2026``."""
    months = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
              "November", "December")  # fmt: skip
    return "" if value is None else f"{value.day} {months[value.month - 1]} {value.year}"
