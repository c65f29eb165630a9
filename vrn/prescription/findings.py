"""What a person should look at before a prescription is driven: unknown need, limits that bit, rates set by hand."""

from collections.abc import Iterator, Sequence

import numpy as np

from vrn.findings import Finding, Quantity, note, warning
from vrn.model.field import Field
from vrn.prescription.model import Product, ZoneRate
from vrn.prescription.strips import StripReport

_LEAST_AC = 0.05  # what the printed tenth of an acre can show
_UNKNOWN_SHARE = 0.05  # of a zone's ground, from which a person hears of it
_HELD = ("pass-cap", "season-cap", "season-cap-credited", "season-cap-unknown", "machine-most", "no-step")
_BELOW_LEAST = ("below-least-off", "below-least-raised")


def findings_of(
    rates: tuple[ZoneRate, ...],
    product: Product,
    field: Field,
    *,
    strips: StripReport | None,
    unknown_share: Sequence[float],
    season_over: Sequence[tuple[float, float]],
    applied_unknown_share: Sequence[float],
) -> tuple[Finding, ...]:
    """Findings about the rates, the product and the signature.

    `strips`: None when none were asked for. `unknown_share`: share of each zone's ground whose need is unknown.
    `season_over`: share of each zone's ground that the season's cap does not hold on, and the most it is exceeded by.
    [lb/ac] `applied_unknown_share`: share of each zone's ground on which, under a season's cap, it is not known what
    has been applied.
    """
    found: list[Finding] = []
    shares = zip(rates, unknown_share, applied_unknown_share, season_over, strict=True)
    for rate, unknown, applied_unknown, (over_share, most_n_lb_ac) in shares:
        found += (*_unknown(rate, unknown), *_held_back(rate), *_above_need(rate, field))
        if rate.rate_n_lb_ac > 0 and applied_unknown > _UNKNOWN_SHARE:
            found.append(
                warning("rates.applied-partly-unknown", f"zone {rate.zone}", area=Quantity("area", rate.acres),
                        unknown=Quantity("area", applied_unknown * rate.acres))
            )  # fmt: skip
        if rate.rate_n_lb_ac > 0 and over_share * rate.acres >= _LEAST_AC:
            found.append(
                warning("rates.over-season-cap", f"zone {rate.zone}", over=Quantity("area", over_share * rate.acres),
                        area=Quantity("area", rate.acres), most=Quantity("rate", most_n_lb_ac))
            )  # fmt: skip
    if strips is not None and not any(rate.strip for rate in rates):
        found.append(warning("rates.strips-no-place", "check_strips"))
    elif strips is not None and abs(strips.total_change_n_lb) > strips.tolerance_n_lb:
        found.append(
            warning("rates.strips-change-total", "check_strips", change=Quantity("mass", strips.total_change_n_lb),
                    allowed=Quantity("mass", strips.tolerance_n_lb))
        )  # fmt: skip
    found += [note(caution, f"product {product.name}") for caution in product.cautions]
    if not product.named:
        found.append(note("rates.no-product", "product"))
    if not field.settings.approved:
        found.append(note("rates.draft", "review"))
    return tuple(found)


def _unknown(rate: ZoneRate, share: float) -> Iterator[Finding]:
    quantities = {"unknown": Quantity("area", share * rate.acres), "area": Quantity("area", rate.acres)}
    if np.isnan(rate.need_lb_ac):
        code = "rates.need-unknown-rate" if rate.rate_n_lb_ac > 0 else "rates.need-unknown"
        yield warning(code, f"zone {rate.zone}", rate=Quantity("rate", rate.rate_n_lb_ac), **quantities)
    elif share > _UNKNOWN_SHARE:
        yield warning("rates.need-partly-unknown", f"zone {rate.zone}", **quantities)


def _held_back(rate: ZoneRate) -> Iterator[Finding]:
    """A cap, the machine's most or its least between what was wanted and what is put on."""
    held = [change for change in rate.changes if change.cause in _HELD]
    if held:
        wanted, last = held[0].from_n_lb_ac, held[-1]
        yield warning(f"rates.held-{last.cause}", f"zone {rate.zone}", wanted=Quantity("rate", wanted),
                      short=Quantity("rate", wanted - last.to_n_lb_ac), **last.quantities)  # fmt: skip
    by_hand = [change for change in rate.changes if change.cause == "person"]
    low = [change for change in rate.changes if change.cause in _BELOW_LEAST]
    if by_hand and low:
        yield warning("rates.person-below-least", f"zone {rate.zone}", wanted=Quantity("rate", low[0].from_n_lb_ac),
                      rate=Quantity("rate", rate.rate_n_lb_ac), **low[0].quantities)  # fmt: skip


def _above_need(rate: ZoneRate, field: Field) -> Iterator[Finding]:
    """A rate more than a step above the need; check strips are meant to be, and prices may ask for it."""
    over = rate.rate_n_lb_ac - rate.need_lb_ac
    if rate.strip or not rate.changes or not over > field.settings.machine.rate_step_n_lb_ac:
        return
    first = rate.changes[0].cause
    quantities = {"over": Quantity("rate", over), "need": Quantity("rate", rate.need_lb_ac)}
    if first == "prices":
        yield note("rates.above-need-prices", f"zone {rate.zone}", **quantities)
    else:
        code = "rates.above-need-person" if first == "person" else "rates.above-need-machine"
        yield warning(code, f"zone {rate.zone}", **quantities)
