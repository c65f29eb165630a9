"""The last gate before a file: no rate leaves that is unknown, negative, too high, or at odds with its total."""

import math
from collections.abc import Iterator
from typing import Final

import shapely

from vrn.errors import OutputError
from vrn.prescription.model import Prescription, ZoneRate

MOST_ZONES: Final = 254
MOST_PARTS: Final = 2000
_UNITS: Final = {"gal/ac": "gal", "lb/ac": "lb", "lb N/ac": None}


def check_before_writing(prescription: Prescription) -> None:
    """Refuse what must never reach a file: OutputError names the first thing that is wrong, and nothing is written."""
    for problem, remedy in _faults(prescription):
        raise OutputError(problem, remedy)


def _faults(prescription: Prescription) -> Iterator[tuple[str, str]]:
    """Problem and remedy of everything that must not be written."""
    rates = prescription.rates
    if not rates:
        yield "The prescription has no zones.", "Build it from a field with ground to treat."
        return
    if len(rates) > MOST_ZONES:
        yield (
            f"The prescription has {len(rates)} zones; a controller file holds at most {MOST_ZONES}.",
            "Ask for fewer zones (zones.count) or merge those of your own file.",
        )
    parts = sum(rate.parts for rate in rates)
    drawn = sum(len(shapely.get_parts(rate.outline)) for rate in rates)
    if max(parts, drawn) > MOST_PARTS:
        yield (
            f"The zones fall into {max(parts, drawn)} pieces; a terminal takes at most {MOST_PARTS}.",
            "Raise zones.least_patch_ac, or smooth the zones of your own file.",
        )
    if [rate.zone for rate in rates] != list(range(1, len(rates) + 1)):
        yield "The zones are not numbered 1 … k in order.", "Number them in the order of the rates."
    unit = _UNITS.get(prescription.rate_unit, "")
    if unit == "" or (unit is not None and unit != prescription.product.unit):
        yield (
            f"Rates in {prescription.rate_unit} do not go with a product sold by the {prescription.product.unit}.",
            "State the rate as product or as nitrogen (product.rate_basis).",
        )
    for rate in rates:
        yield from _rate_faults(rate, prescription)
    yield from _total_faults(prescription)


def _rate_faults(rate: ZoneRate, prescription: Prescription) -> Iterator[tuple[str, str]]:
    """What is wrong with one zone."""
    settings = prescription.field.settings
    highest = min(settings.machine.max_rate_n_lb_ac, settings.limits.max_n_lb_ac)
    at = f"Zone {rate.zone}"
    numbers = {"nitrogen": rate.rate_n_lb_ac, "product": rate.product_per_ac, "stated rate": rate.rate_product}
    for name, value in numbers.items():
        if not math.isfinite(value) or value < 0:
            yield f"{at}: its rate ({name}) is {value}.", "Give every zone a rate of 0 or more, and build again."
            return
    if rate.rate_n_lb_ac > highest * (1 + 1e-9):
        yield (
            f"{at}: {rate.rate_n_lb_ac:g} lb N/ac is above the highest allowed rate of {highest:g}.",
            "Lower the rate, or raise limits.max_n_lb_ac and machine.max_rate_n_lb_ac if both may be.",
        )
    stated = rate.rate_n_lb_ac if prescription.rate_unit == "lb N/ac" else rate.product_per_ac
    of_product = rate.product_per_ac * prescription.product.n_lb_per_unit
    if not (_close(rate.rate_product, stated) and _close(of_product, rate.rate_n_lb_ac)):
        product = f"{rate.product_per_ac:g} {prescription.product.unit}/ac"
        given = f"{rate.rate_product:g} {prescription.rate_unit}"
        yield (
            f"{at}: {rate.rate_n_lb_ac:g} lb N/ac, {product} and {given} differ.",
            "Convert the rate once, with the product's analysis and density.",
        )
    if not (math.isfinite(rate.acres) and rate.acres > 0) or rate.outline.is_empty:
        yield f"{at}: it has no ground ({rate.acres} ac).", "Leave out zones without ground."
    elif not shapely.is_valid(rate.outline):
        yield (
            f"{at}: its outline is not valid ({shapely.is_valid_reason(rate.outline)}).",
            "Mend the outline, as with shapely.make_valid.",
        )


def _total_faults(prescription: Prescription) -> Iterator[tuple[str, str]]:
    """Totals that are not the sum over the zones."""
    n_lb = sum(rate.rate_n_lb_ac * rate.acres for rate in prescription.rates)
    product = sum(rate.product_per_ac * rate.acres for rate in prescription.rates)
    acres = sum(rate.acres for rate in prescription.rates)
    totals = (("lb N", n_lb, prescription.total_n_lb), (prescription.product.unit, product, prescription.total_product),
              ("ac", acres, prescription.acres))  # fmt: skip
    for unit, found, stated in totals:
        if not _close(found, stated, 1e-6):
            yield f"The zones add up to {found:g} {unit}, the total says {stated:g}.", "Sum the zones once more."


def _close(one: float, other: float, relative: float = 1e-9) -> bool:
    return math.isclose(one, other, rel_tol=relative, abs_tol=1e-9)
