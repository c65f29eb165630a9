"""What several pages list alike: zones, with the columns a page has room for, ledgers, and what trials taught."""

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Final, NamedTuple

from vrn.findings import Quantity
from vrn.model.trials import LearnedReport, TrialTop
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


def learned_lines(report: LearnedReport, tops: Sequence[TrialTop], shown: UnitFormat) -> list[str]:
    """What a farm's trials say together, how sure it is, and what it was worth so far."""

    def words(name: str, **quantities: Quantity | str | int) -> str:
        return say(shown, f"season.learned-{name}", **quantities)

    def rates(names: tuple[str, ...], values: Sequence[float]) -> dict[str, Quantity]:
        return {name: Quantity("rate", value) for name, value in zip(names, values, strict=True)}

    span, counts = ("mean", "low", "high"), {"more": report.more, "less": report.less}
    lines = [words("from", trials=len(report.trials), seasons=report.seasons, **counts),
             words("level", **rates(span, report.level))]  # fmt: skip
    later = [one for one in tops if not one.first_season]
    if later:
        off = [sum(abs(getattr(one, name) - one.said_lb_ac) for one in later) / len(later)
               for name in ("budget_lb_ac", "expected_lb_ac")]  # fmt: skip
        lines.append(words("misses", trials=len(later), **rates(("budget", "expected"), off)))
    for supply, numbers in report.worth.items():
        worth = {name: Quantity("number", value) for name, value in zip(span, numbers, strict=True)}
        lines.append(words("worth", supply=_supply(supply, shown), **worth))
    lines += [words("silent-line", supply=_supply(supply, shown)) for supply in report.silent]
    lines.append(words("shape", share=Quantity("share", report.kink_weight)))
    middle, below, above = report.top
    lines.append(words("spread", **rates(("low", "high"), (middle - below, above - middle))))
    for trial, why in report.skipped:
        person, _, reason = why.partition("person: ")
        lines.append(words("left", trial=trial, why=words(f"why-{why}") if person else reason))
    return lines


def _supply(name: str, shown: UnitFormat) -> str:
    return say(shown, f"season.supply-{'credits' if name.startswith('credit') else name.replace('_', '-')}")


def learned_rows(tops: Sequence[TrialTop], shown: UnitFormat) -> list[list[str]]:
    """Head and a row for each trial: where yield levels off by the budget, as expected, and by the trial alone."""
    unit = {"unit": shown.unit("rate")}
    heads = {"block": {}, "budget": unit, "expected": unit, "said": unit, "said-range": {}}
    rows = [[say(shown, f"season.head-{name}", **more) for name, more in heads.items()]]
    for one in tops:
        numbers = (one.budget_lb_ac, one.expected_lb_ac, one.said_lb_ac)
        rows.append([one.trial, *(shown.number("rate", value, decimals=0) for value in numbers),
                     shown.range("rate", one.low_lb_ac, one.high_lb_ac, decimals=0)])  # fmt: skip
    return rows
