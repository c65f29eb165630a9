"""What the map page says: the rates, the ledger of each zone, the words under each layer."""

import math
import re
from typing import Any

from vrn.nitrogen.ledger import Ledger, largest_remainder
from vrn.pages.map_page_layers import sample_places
from vrn.pages.ramps import rate_colors
from vrn.pages.report_nitrogen import reasons_text
from vrn.pages.report_phrases import cautions, facts, zone_label
from vrn.prescription.model import Change, Prescription, ZoneRate
from vrn.words import UNKNOWN, UnitFormat, finding_texts, label_of, say


def ledger_rows(ledger: Ledger, shown: UnitFormat) -> tuple[list[dict[str, str]], str]:
    """
    Lines of a zone's ledger as they are printed, and their printed sum.

    Parameters
    ----------
    ledger : Ledger
        Of scalars.
    shown : UnitFormat

    Returns
    -------
    rows : list of dict
        ``label``, ``number``, ``basis``, ``source``; numbers to the tenth that add up to the sum.
    total : str
        The unclipped sum; "not known" where any line is.
    """
    factor, decimals = shown.factor("amount"), shown.decimals("amount")
    exact = [float(line.lb_ac) * factor for line in ledger.lines]
    printed = largest_remainder(exact, decimals=decimals)
    numbers = [_signed(value, decimals) for value in printed]
    total = _signed(round(sum(printed), decimals), decimals, plus=False)
    rows = [
        {"label": label_of(shown, line), "number": number, "basis": line.basis, "source": line.source}
        for line, number in zip(ledger.lines, numbers, strict=True)
    ]
    return rows, total


def why_changed(change: Change, shown: UnitFormat) -> str:
    """Why a rate was changed, in the reader's units; a person's reason stays as it was written."""
    return say(shown, f"rates.change-{change.cause}", **change.quantities)


def _signed(value: float, decimals: int, *, plus: bool = True) -> str:
    if not math.isfinite(value):
        return UNKNOWN
    sign = "−" if value < 0 else "+" if plus and value > 0 else ""
    return f"{sign}{abs(value):,.{decimals}f}"


def zone_words(prescription: Prescription, shown: UnitFormat) -> list[dict[str, Any]]:
    """
    Every zone as the page shows it: rate, reasons, doubt.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat

    Returns
    -------
    zones : list of dict
        Plain text and numbers, one for each zone in order.
    """
    colors, places = rate_colors(prescription.rates), sample_places(prescription, shown)
    zones = []
    for rate in prescription.rates:
        words = _zone(prescription, rate, colors[rate.zone], places, shown)
        words["methods"] = [
            {"name": one.method.title, "need": shown.number("whole_amount", one.by_zone[rate.zone]),
             "why": reasons_text(shown, one.reasons)}
            for one in prescription.methods
            if rate.zone in one.by_zone and one.method.key != prescription.ledger.key
        ]  # fmt: skip
        zones.append(words)
    return zones


def _zone(
    prescription: Prescription, rate: ZoneRate, color: str, places: list[dict[str, Any]], shown: UnitFormat
) -> dict[str, Any]:
    rows, total = ledger_rows(rate.ledger, shown)
    product = prescription.product
    inside = [place for place in places if place["zone"] == rate.zone]
    flat = prescription.flat_rate_n_lb_ac
    return {
        "zone": rate.zone,
        "label": zone_label(rate, shown),
        "color": color,
        "acres": shown.text("area", rate.acres),
        "parts": rate.parts,
        "rate": shown.number("rate", rate.rate_n_lb_ac),
        "product": shown.text(f"{product.unit}/ac", rate.product_per_ac),
        "need": shown.number("amount", rate.need_lb_ac),
        "doubt": None if rate.need_se_lb_ac is None else shown.number("whole_amount", rate.need_se_lb_ac),
        "against_flat": _against(rate.rate_n_lb_ac, flat, shown),
        "nitrate": shown.text("concentration", rate.nitrate_ppm),
        "organic_matter": shown.text("organic_matter", rate.organic_matter_pct),
        "yield_goal": shown.text("yield", rate.yield_goal_bu_ac),
        "rows": rows,
        "total": total,
        "below_zero": total.startswith("−"),
        "notes": tuple(text.problem for text in finding_texts(shown, rate.ledger.findings)),
        "reason": set_by_a_person(prescription, rate.zone)["reason"] or "",
        "allowed": allowed_of(rate, shown)["allowed"],
        "band": _band(rate.ledger, shown),
        "changes": [
            {
                "from": shown.number("rate", change.from_n_lb_ac),
                "to": shown.number("rate", change.to_n_lb_ac),
                "why": why_changed(change, shown),
            }
            for change in rate.changes
        ],
        "samples": [f"{place['ids']}: {place['label']}" for place in inside],
    }


def _against(rate_n_lb_ac: float, flat_n_lb_ac: float, shown: UnitFormat) -> str:
    difference = rate_n_lb_ac - flat_n_lb_ac
    if abs(difference) < 0.05:
        return "the same as"
    return f"{shown.number('rate', abs(difference))} {'more' if difference > 0 else 'less'} than"


def _band(ledger: Ledger, shown: UnitFormat) -> str | None:
    if ledger.band_lb_ac is None:
        return None
    low, high = (shown.number("whole_amount", float(value)) for value in ledger.band_lb_ac)
    return f"{low} to {high} {shown.unit('whole_amount')}"


def page_words(prescription: Prescription, shown: UnitFormat) -> dict[str, Any]:
    """
    What stands on the page once: names, dates, totals, units, limits, findings, cautions.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat

    Returns
    -------
    page : dict
        Plain text and numbers.
    """
    settings = prescription.field.settings
    product = prescription.product
    largest = max(prescription.rates, key=lambda rate: rate.acres)
    told = finding_texts(shown, prescription.findings)
    state = (
        f"Approved by {settings.review.approved_by} on {shown.number('date', settings.review.approved_on)}."
        if settings.approved
        else "DRAFT: not approved. It stays a draft until approved_by and approved_on stand in the field file."
    )
    return {
        "field": prescription.field.name,
        "season": settings.header.season,
        "approved": settings.approved,
        "state": state + (f" {settings.review.note}" if settings.review.note else ""),
        "facts": tuple(facts(prescription, shown)),
        "totals": [
            ("nitrogen", shown.text("mass", prescription.total_n_lb)),
            (product.name, shown.text(product.unit, prescription.total_product)),
            ("mean rate", shown.text("rate", prescription.mean_rate_n_lb_ac)),
            ("one flat rate", shown.text("rate", prescription.flat_rate_n_lb_ac)),
        ],
        "product": product.name,
        "flat": shown.number("rate", prescription.flat_rate_n_lb_ac),
        "rate_unit": shown.unit("rate"),
        "line_unit": shown.unit("whole_amount"),
        "arithmetic": f" ({shown.arithmetic})" if shown.metric else "",
        "nitrate_unit": shown.unit("concentration"),
        "first": largest.zone,
        "review_file": _file_name(prescription.field.name, settings.header.season),
        "decide": [finding for finding in told if finding.level == "warning"],
        "assumed": [finding for finding in told if finding.level == "note"],
        "cautions": cautions(prescription, shown),
    }


def allowed_of(rate: ZoneRate, shown: UnitFormat) -> dict[str, Any]:
    """Rates a person may set for a zone: ``least`` and ``most`` above 0 [lb N/ac], and ``allowed`` in words."""
    least, most = rate.allowed_n_lb_ac
    words = f"0, or {shown.number('rate', least)} to {shown.text('rate', most)}." if most > 0 else "0 only."
    return {"least": least, "most": most, "allowed": words}


def set_by_a_person(prescription: Prescription, zone: int) -> dict[str, Any]:
    """An override in force: the rate that was ``set`` [lb N/ac] and its ``reason``; None where there is none."""
    for override in prescription.field.settings.review.override:
        if override.zone == zone:
            return {"set": override.rate_n_lb_ac, "reason": override.reason}
    return {"set": None, "reason": None}


def _file_name(name: str, season: int) -> str:
    plain = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")[:60] or "field"
    return f"{plain}_{season}_review.toml"
