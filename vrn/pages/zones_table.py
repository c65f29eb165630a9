"""The table of zones, the same rows wherever zones are listed; each page takes the columns it has room for."""

import math
from collections.abc import Callable, Iterable
from typing import Final

from vrn.pages.report_parts import Table
from vrn.pages.report_phrases import zone_label
from vrn.prescription.model import Prescription, ZoneRate
from vrn.words import UnitFormat, say

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
    """
    Zones with their numbers, a row each.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat
    columns : iterable of str
        After the zone: any of ``area``, ``nitrate``, ``organic-matter``, ``yield-goal``, ``need``, ``rate``,
        ``product-rate``, ``product``.
    total : bool
        Whether a last row sums up.
    labels : bool
        Whether check strips and zones of before a rain-out say so.
    """
    product = prescription.product
    columns = tuple(columns)
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
