"""What a person should look at before a prescription is driven: unknown need, limits that bit, rates set by hand."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from vrn.findings import Finding
from vrn.model.field import Field
from vrn.prescription.model import Product, ZoneRate

_LEAST_TOLD_AC = 0.05
_UNKNOWN_SHARE = 0.05  # of a zone's ground, from which it is told


def findings_of(
    rates: tuple[ZoneRate, ...],
    product: Product,
    field: Field,
    *,
    strips: dict[str, Any] | None,
    unknown_share: Sequence[float],
    season_over: Sequence[tuple[float, float]],
) -> tuple[Finding, ...]:
    """
    Findings about the rates, the product and the signature.

    Parameters
    ----------
    rates : tuple of ZoneRate
    product : Product
    field : Field
    strips : dict or None
        The report of the check strips; None when none were asked for.
    unknown_share : sequence of float
        Share of each zone's ground whose need is unknown.
    season_over : sequence of (float, float)
        Share of each zone's ground that the season's cap does not hold on, and the most it is exceeded by. [lb/ac]

    Returns
    -------
    findings : tuple of Finding
        Zone by zone, then of the whole field.
    """
    found: list[Finding] = []
    for rate, unknown, (over_share, most_n_lb_ac) in zip(rates, unknown_share, season_over, strict=True):
        if np.isnan(rate.need_lb_ac):
            put_on = f"and {rate.rate_n_lb_ac:g} lb/ac is" if rate.rate_n_lb_ac > 0 else "so nothing is"
            found.append(
                Finding(level="warning", about=f"zone {rate.zone}",
                        problem=f"The need of {rate.acres:.1f} ac is unknown, {put_on} put on there.",
                        remedy="Give the layer that is missing there, or set a rate with [[review.override]].")
            )  # fmt: skip
        elif unknown > _UNKNOWN_SHARE:
            found.append(
                Finding(level="warning", about=f"zone {rate.zone}",
                        problem=f"The need of {unknown * rate.acres:.1f} of {rate.acres:.1f} ac is unknown; "
                        "they get the rate of the rest.",
                        remedy="Give the layer that is missing there, or set a rate with [[review.override]].")
            )  # fmt: skip
        found += _held_back(rate)
        found += _above_need(rate, field)
        if rate.rate_n_lb_ac > 0 and over_share * rate.acres >= _LEAST_TOLD_AC:
            found.append(
                Finding(level="warning", about=f"zone {rate.zone}",
                        problem=f"With what is already applied {over_share * rate.acres:.1f} of {rate.acres:.1f} ac "
                        f"go over limits.max_season_n_lb_ac, by up to {most_n_lb_ac:.0f} lb/ac: the cap is held on the "
                        "zone's mean.",
                        remedy="If the cap is a legal one, set a lower rate with [[review.override]], or give that "
                        "ground a zone of its own.")
            )  # fmt: skip
    if strips is not None and not strips["pieces"]:
        found.append(
            Finding(level="warning", about="check_strips",
                    problem="There is no place for a pair of check strips within every limit.",
                    remedy="Give a shorter check_strips.length_ft or a smaller check_strips.step_n_lb_ac.")
        )  # fmt: skip
    elif strips is not None and abs(strips["total_change_n_lb"]) > strips["tolerance_n_lb"]:
        found.append(
            Finding(level="warning", about="check_strips",
                    problem=f"The check strips change the field's total by {strips['total_change_n_lb']:+.0f} lb N; "
                    f"{strips['tolerance_n_lb']:.0f} lb is allowed. Parts too short to keep lie on one side.",
                    remedy="Give another check_strips.length_ft, a smaller check_strips.step_n_lb_ac, or fewer pairs.")
        )  # fmt: skip
    found += [
        Finding(level="note", about=f"product {product.name}", problem=caution,
                remedy="The label, local rules and a licensed person decide.")
        for caution in product.cautions
    ]  # fmt: skip
    if not field.settings.approved:
        found.append(
            Finding(level="note", about="review", problem="The prescription is a DRAFT: nobody has signed it.",
                    remedy="Set review.approved_by and review.approved_on once an agronomist has read it.")
        )  # fmt: skip
    return tuple(found)


def _held_back(rate: ZoneRate) -> list[Finding]:
    """A cap, the machine's most or its least between what was wanted and what is put on."""
    first = rate.changes[0].cause if rate.changes else ""
    by_hand = first == "person"
    found: list[Finding] = []
    caps = [change for change in rate.changes if change.cause in ("cap", "machine's most")]
    if caps:
        wanted, last = caps[0].from_n_lb_ac, caps[-1]
        of = "the rate a person set" if by_hand else "the rate that prices ask for" if first == "prices" else "the need"
        found.append(
            Finding(level="warning", about=f"zone {rate.zone}",
                    problem=f"{_sentence(last.why)}: {wanted - last.to_n_lb_ac:.0f} lb/ac under {of}.",
                    remedy="Plan a later pass for what is missing, or fit the machine for more."
                    if last.cause == "machine's most" else
                    "Leave the cap where it is unless the rule behind it allows more; plan a later pass.")
        )  # fmt: skip
    least = [change for change in rate.changes if change.cause == "machine's least"]
    if by_hand and least:
        why = least[0].why.rsplit(":", 1)[0]
        found.append(
            Finding(level="warning", about=f"zone {rate.zone}",
                    problem=f"The rate a person set, {least[0].from_n_lb_ac:g} lb/ac, is {why}; "
                    f"{rate.rate_n_lb_ac:g} lb/ac is put on.",
                    remedy="Set 0, or a rate the machine can make.")
        )  # fmt: skip
    return found


def _sentence(words: str) -> str:
    return words[0].upper() + words[1:]


def _above_need(rate: ZoneRate, field: Field) -> list[Finding]:
    """A rate more than a step above the need; check strips are meant to be, and prices may ask for it."""
    over = rate.rate_n_lb_ac - rate.need_lb_ac
    if rate.label or not rate.changes or not over > field.settings.machine.rate_step_n_lb_ac:
        return []
    by_prices = field.settings.prices.rate_by == "prices" and all(change.cause != "person" for change in rate.changes)
    return [
        Finding(level="note" if by_prices else "warning", about=f"zone {rate.zone}",
                problem=f"The rate is {over:.0f} lb/ac above the need: {rate.changes[0].why}.",
                remedy="What the crop does not take up ends in the water (drinking-water limit 10 mg/L, EPA). "
                "Lower it, unless there is a reason to write down.")
    ]  # fmt: skip
