"""Tables that several pages list alike: zones, with the columns a page has room for, and ledgers."""

import math
from collections.abc import Callable, Iterable
from typing import Final, NamedTuple

from vrn.findings import Quantity
from vrn.nitrogen.ledger import largest_remainder
from vrn.pages.report_parts import Table
from vrn.prescription.model import BlockRate, Prescription, ZoneRate
from vrn.words import UNKNOWN, UnitFormat, label_of, say

# column → kind, share of the width on paper, value; the kinds of product columns are the product's own units
_COLUMNS: Final[dict[str, tuple[str, int, Callable[[ZoneRate], float]]]] = {
    "area": ("area", 9, lambda rate: rate.acres),
    "nitrate": ("concentration", 13, lambda rate: rate.nitrate_ppm),
    "organic-matter": ("organic_matter", 13, lambda rate: rate.organic_matter_pct),
    "yield-goal": ("yield", 14, lambda rate: rate.yield_goal_bu_ac),
    "need": ("amount", 12, lambda rate: rate.need_lb_ac),
    "rate": ("rate", 14, lambda rate: rate.rate_n_lb_ac),
    "product-rate": ("", 16, lambda rate: rate.product_per_ac),
    "product": ("", 15, lambda rate: rate.product_per_ac * rate.acres),
}


def zones_table(
    prescription: Prescription, shown: UnitFormat, columns: Iterable[str], *, total: bool = False, labels: bool = False
) -> Table:
    """A row for each zone with the columns asked for (keys of ``_COLUMNS``), and a last one that sums up.

    With ``labels`` check strips and zones of before a rain-out say so.
    """
    product = prescription.product
    columns = tuple(name for name in columns if product.named or not name.startswith("product"))
    kinds = {name: kind for name, (kind, _, _) in _COLUMNS.items()}
    kinds |= {"product-rate": f"{product.unit}/ac", "product": product.unit}

    def number(name: str, value: float) -> str:
        return shown.number(kinds[name], value)

    rows = [
        (_name(rate, shown) if labels else str(rate.zone),
         *(number(name, _COLUMNS[name][2](rate)) for name in columns))
        for rate in prescription.rates
    ]  # fmt: skip
    if total:
        sums = {
            "area": prescription.acres, "rate": prescription.mean_rate_n_lb_ac, "product": prescription.total_product,
            "product-rate": prescription.total_product / prescription.acres if prescription.acres else math.nan,
        }  # fmt: skip
        rows.append(
            (say(shown, "map.all-zones"), *(number(name, sums[name]) if name in sums else "" for name in columns))
        )
    heads = (say(shown, f"map.head-{name}", unit=shown.unit(kinds[name]), product=product.name) for name in columns)
    return Table(
        caption=say(shown, "map.zones"), header=(say(shown, "map.head-zone"), *heads), rows=tuple(rows),
        numbers=tuple(range(1, 1 + len(columns))), strong_last=total,
        widths=(7, *(_COLUMNS[name][1] for name in columns)),
    )  # fmt: skip


def _name(rate: ZoneRate, shown: UnitFormat) -> str:
    label = zone_label(rate, shown)
    return f"{rate.zone} ({label})" if label else str(rate.zone)


def zone_label(rate: ZoneRate, shown: UnitFormat) -> str:
    """What sets a zone apart, in the reader's units; empty for an ordinary zone."""
    strip = rate.trial
    if isinstance(strip, BlockRate):
        return say(shown, "rates.trial-zone", block=strip.block, rate=Quantity("rate", strip.rate_n_lb_ac))
    if strip is None:
        code = "rates.zone-topped-up" if rate.topped_up else "rates.zone-before"
        return "" if rate.zone_before is None else say(shown, code, zone=rate.zone_before)
    way = "more" if strip.difference_n_lb_ac > 0 else "less"
    difference = Quantity("rate", abs(strip.difference_n_lb_ac))
    if strip.in_zone is None:
        return say(shown, f"rates.strip-{way}-alone", pair=strip.pair, difference=difference)
    return say(shown, f"rates.strip-{way}", pair=strip.pair, difference=difference, zone=strip.in_zone)


class LedgerRow(NamedTuple):
    """A printed line of a ledger."""

    label: str
    number: str
    basis: str
    source: str


class LedgerRows(NamedTuple):
    """A printed ledger: its lines and their sum; what prices add, and the sum with it, where rates follow them."""

    rows: tuple[LedgerRow, ...]
    total: str
    prices: LedgerRow | None
    wanted: str


def ledger_rows(rate: ZoneRate, shown: UnitFormat) -> LedgerRows:
    """The ledger of a zone as printed, to the tenth; sums are of what is printed, "not known" where any line is."""
    ledger, line = rate.ledger, rate.prices
    factor, decimals = shown.factor("amount"), shown.decimals("amount")
    printed = largest_remainder([float(line.lb_ac) * factor for line in ledger.lines], decimals=decimals)
    rows = tuple(
        LedgerRow(label_of(shown, line), _signed(value, decimals), line.basis, line.source)
        for line, value in zip(ledger.lines, printed, strict=True)
    )
    total = round(sum(printed), decimals)
    need = _signed(total, decimals, plus=False)
    if line is None:
        return LedgerRows(rows, need, None, "")
    added = round(float(line.lb_ac) * factor, decimals)
    prices = LedgerRow(label_of(shown, line), _signed(added, decimals), line.basis, line.source)
    return LedgerRows(rows, need, prices, _signed(total + added, decimals, plus=False))


def _signed(value: float, decimals: int, *, plus: bool = True) -> str:
    if not math.isfinite(value):
        return UNKNOWN
    sign = "−" if value < 0 else "+" if plus and value > 0 else ""
    return f"{sign}{abs(value):,.{decimals}f}"
