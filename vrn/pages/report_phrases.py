"""What map and report both say of a prescription: facts, zones' marks, why one zone, cautions."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from vrn.findings import Quantity
from vrn.prescription.model import Prescription, ZoneRate
from vrn.words import UnitFormat, say
from vrn.zones.model import ZonesReport

_SAME_LB_AC: Final = 0.01  # needs that no page tells apart
_FEW_PLACES: Final = 5


def facts(prescription: Prescription, shown: UnitFormat) -> Iterator[str]:
    """Season, area, when and at which stage the cores were pulled, when it is to be applied."""
    settings = prescription.field.settings
    season = prescription.season
    stage = settings.crop.growth_stage or (None if season is None else season.stage_name)
    pulled = sorted({on for on in prescription.field.samples.sampled_on if on is not None})
    yield say(shown, "grower.season", season=str(settings.header.season))
    yield say(shown, "grower.treated", area=Quantity("area", prescription.acres))
    if pulled:
        several = "-span" if len(pulled) > 1 else ""
        at = "-at" if stage else ""
        yield say(shown, f"grower.pulled{several}{at}", first=pulled[0], last=pulled[-1], stage=stage)
    elif stage:
        yield say(shown, "grower.pulled-stage", stage=stage)
    if settings.crop.application_date:
        yield say(shown, "grower.apply-on", on=settings.crop.application_date)


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
    Why the field is one zone, and what would help.

    Returns
    -------
    why : str
        Empty where the field has more zones than one, or where what is left of it after a rain-out has one.
    """
    if len(ordinary_rates(prescription)) != 1 or prescription.remaining is not None:
        return ""
    section, nitrate = prescription.field.settings.zones, prescription.surfaces.get("nitrate_ppm")
    if section.file is not None:
        return say(shown, "grower.one-zone-file", file=section.file)
    if section.count == 1:
        return say(shown, "grower.one-zone-asked")
    need = prescription.surfaces.get("need_lb_ac")
    known = np.array([]) if need is None else need.values[np.isfinite(need.values) & (prescription.share > 0)]
    if not known.size or float(np.ptp(known)) > _SAME_LB_AC or nitrate is None or nitrate.chosen != "mean":
        reason = zone_count_reason(prescription.zones.report, shown)
        return f"{say(shown, 'grower.one-zone-enough')} {reason}".strip()
    places = places_read(prescription)
    why = "few" if places < _FEW_PLACES else "scatter"
    return f"{say(shown, f'grower.one-zone-{why}', places=places)} {say(shown, 'grower.one-zone-help')}"


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
    always = ("grower.advice", "grower.setbacks", "grower.setbacks-drawn", "grower.water", "grower.first-pass")
    return tuple(say(shown, code) for code in (*prescription.product.cautions, *always))
