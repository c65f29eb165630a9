"""Zone by zone from the ledger to a rate: mean need, override, limits, machine, rounding, product, totals."""

from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.model.area import geodesic_acres
from vrn.model.field import Field
from vrn.model.grid import Grid
from vrn.model.settings import Override
from vrn.model.surface import Surface
from vrn.nitrogen.ledger import Ledger
from vrn.prescription.cells import Cells
from vrn.prescription.economics import NitrogenPrices, prices_of
from vrn.prescription.findings import findings_of
from vrn.prescription.limits import RateRules, limited, rules_of
from vrn.prescription.model import Change, Prescription, Product, ZoneRate
from vrn.prescription.products import product_of
from vrn.prescription.reports import with_reports
from vrn.prescription.rounding import rounded
from vrn.prescription.strips import StripPiece, with_strips
from vrn.zones.model import Zones

Array = NDArray[np.float64]
STRIP_TOLERANCE: Final = 0.005  # of the field's total, that check strips may move it


def prescribe(
    *,
    field: Field,
    grid: Grid,
    share: Array,
    surfaces: dict[str, Surface],
    ledger: Ledger,
    zones: Zones,
    need_se: Array | None = None,
) -> Prescription:
    """
    Rates for zones, within every limit, in the product's unit.

    Parameters
    ----------
    field : Field
    grid : Grid
    share : ndarray, shape (rows, cols)
        Share of each cell that is treated.
    surfaces : dict of str to Surface
        ``applied_n_lb_ac``, when it is there, is what the ground has already had this season; without it the sum of
        ``[[applications]]`` counts.
    ledger : Ledger
        Of the cells, arrays of shape (rows × cols,) or scalars.
    zones : Zones
    need_se : ndarray, shape (rows, cols), optional
        Standard error of a cell's need. [lb/ac]

    Returns
    -------
    prescription : Prescription
        Findings are those of this room only.

    Raises
    ------
    InputFileError
        If the product is unknown or a zone of ``[[review.override]]`` does not exist.
    """
    settings = field.settings
    product = product_of(settings.product)
    rules = rules_of(settings)
    prices = prices_of(settings)
    cells = Cells.of(grid, share, surfaces, ledger, zones, need_se)
    applied = _applied(field, surfaces)
    acres = [geodesic_acres(outline, grid.crs) for outline in zones.outlines]
    overrides = _overrides(settings.review.override, len(acres))
    by_prices = prices if settings.prices.rate_by == "prices" else None

    targets: list[float] = []
    windows: list[tuple[float, float]] = []
    changes: list[tuple[Change, ...]] = []
    for zone in range(1, len(acres) + 1):
        target, first = _target(zone, cells, None, by_prices)
        already = cells.mean(zone, applied)
        rate, more = limited(target, rules, zone=zone, applied_n_lb_ac=already)
        targets.append(rate)
        windows.append(rules.window(already))
        changes.append((*first, *more))
    final = rounded(targets, acres, windows, step=rules.step_n_lb_ac)
    for zone, override in overrides.items():  # goes to its nearest step and moves no other zone
        i = zone - 1
        target, first = _target(zone, cells, override, by_prices)
        targets[i], more = limited(target, rules, zone=zone, applied_n_lb_ac=cells.mean(zone, applied))
        final[i] = rounded([targets[i]], [1.0], [windows[i]], step=rules.step_n_lb_ac)[0]
        changes[i] = (*first, *more)
    changes = [(*changes[i], *_step_change(i + 1, targets[i], final[i], rules)) for i in range(len(final))]
    pieces: tuple[StripPiece, ...] = ()
    if settings.check_strips is not None:
        zones, pieces = with_strips(
            zones, final, windows, grid=grid, share=share, treated=field.treated,
            section=settings.check_strips, machine=settings.machine,
        )  # fmt: skip
        cells = Cells.of(grid, share, surfaces, ledger, zones, need_se)
    for piece in pieces:
        base = final[piece.parent - 1]
        final.append(base + piece.difference_n_lb_ac)
        changes.append(
            (Change(zone=piece.zone, cause="check strip", from_n_lb_ac=base, to_n_lb_ac=final[-1], why=piece.label),)
        )
    labels = {piece.zone: piece.label for piece in pieces}
    rates = tuple(
        _zone_rate(
            zone, cells, zones, grid.crs, product, settings.product.rate_basis, final[zone - 1], changes[zone - 1],
            labels.get(zone, ""),
        )
        for zone in range(1, len(zones.outlines) + 1)
    )  # fmt: skip
    flat = _flat_rate(cells, applied, rules, sum(acres), by_prices)
    total_n_lb = sum(rate.acres * rate.rate_n_lb_ac for rate in rates)
    unrounded = sum(a * x for a, x in zip(acres, targets, strict=True))
    details: dict[str, Any] = {
        "flat": _against_flat(rates, flat, cells, product),
        "rounding": {"before_n_lb": unrounded, "after_n_lb": sum(a * x for a, x in zip(acres, final, strict=False))},
    }
    if prices is not None:
        details["prices"] = _price_report(prices, cells, rates, settings.prices.rate_by)
    if settings.check_strips is not None:
        details["check_strips"] = _strip_report(pieces, rates, details["rounding"]["after_n_lb"], total_n_lb)
    return with_reports(
        Prescription(
            field=field, grid=grid, share=share, surfaces=surfaces, ledger=ledger, zones=zones,
            rates=rates, product=product, rate_basis=settings.product.rate_basis,
            rate_unit="lb N/ac" if settings.product.rate_basis == "n" else f"{product.unit}/ac",
            acres=sum(rate.acres for rate in rates), flat_rate_n_lb_ac=flat, total_n_lb=total_n_lb,
            total_product=total_n_lb / product.n_lb_per_unit,
            findings=findings_of(
                rates, product, field, strips=details.get("check_strips"),
                unknown_share=[cells.unknown_share(rate.zone) for rate in rates],
                season_over=_over_season(rates, cells, applied, rules),
            ), details=details,
        )
    )  # fmt: skip


def _zone_rate(
    zone: int,
    cells: Cells,
    zones: Zones,
    crs: str,
    product: Product,
    rate_basis: str,
    rate_n_lb_ac: float,
    changes: tuple[Change, ...],
    label: str,
) -> ZoneRate:
    """One zone with everything that is told about it."""
    outline = zones.outlines[zone - 1]
    ledger = cells.ledger(zone)
    se = cells.mean(zone, cells.se)
    return ZoneRate(
        zone=zone, outline=outline, acres=geodesic_acres(outline, crs), parts=len(shapely.get_parts(outline)),
        rate_n_lb_ac=rate_n_lb_ac, rate_product=_in_unit(rate_n_lb_ac, product, rate_basis),
        product_per_ac=rate_n_lb_ac / product.n_lb_per_unit,
        need_lb_ac=float(ledger.need_lb_ac), need_se_lb_ac=se if np.isfinite(se + ledger.need_lb_ac) else None,
        nitrate_ppm=cells.mean_of(zone, "nitrate_ppm"),
        organic_matter_pct=cells.mean_of(zone, "organic_matter_pct"),
        yield_goal_bu_ac=cells.mean_of(zone, "yield_goal_bu_ac"),
        ledger=ledger, changes=changes, label=label,
    )  # fmt: skip


def _applied(field: Field, surfaces: dict[str, Surface]) -> Array | float:
    """Nitrogen the ground has already had this season. [lb/ac]"""
    if "applied_n_lb_ac" in surfaces:
        return surfaces["applied_n_lb_ac"].values
    return float(sum(application.n_lb_ac for application in field.settings.applications))


def _over_season(
    rates: tuple[ZoneRate, ...], cells: Cells, applied: Array | float, rules: RateRules
) -> list[tuple[float, float]]:
    """Share of each zone's ground that goes over the season's cap, which its mean keeps, and by how much. [-, lb/ac]"""
    if rules.max_season_n_lb_ac is None:
        return [(0.0, 0.0)] * len(rates)
    left = rules.max_season_n_lb_ac - rules.credited_n_lb_ac
    return [cells.over(rate.zone, applied, left - rate.rate_n_lb_ac) for rate in rates]


def _overrides(overrides: tuple[Override, ...], count: int) -> dict[int, Override]:
    """A person's rates by zone; a zone that is not there, is named twice or has no reason is refused."""
    by_zone: dict[int, Override] = {}
    for override in overrides:
        if override.zone > count:
            problem = f"review.override names zone {override.zone}; the field has {count}."
            raise InputFileError(problem, "Zones are numbered from 1 by rising need; build once and look at the map.")
        if override.zone in by_zone:
            problem = f"review.override names zone {override.zone} twice."
            raise InputFileError(problem, "Keep one override for each zone.")
        if not override.reason.strip():
            problem = f"review.override of zone {override.zone} gives no reason."
            raise InputFileError(problem, "Write the reason: it stands beside the rate in the report.")
        by_zone[override.zone] = override
    return by_zone


def _target(
    zone: int, cells: Cells, override: Override | None, prices: NitrogenPrices | None
) -> tuple[float, tuple[Change, ...]]:
    """The rate wanted before limits: the need, what prices make of it, or what a person set."""
    need = float(cells.ledger(zone).need_lb_ac)
    if override is not None:
        why = f"set by a person: {override.reason.strip()}"
        change = Change(zone=zone, cause="person", from_n_lb_ac=need, to_n_lb_ac=override.rate_n_lb_ac, why=why)
        return override.rate_n_lb_ac, (change,)
    if prices is None or np.isnan(need):
        return need, ()
    rate = cells.covering(zone, prices.covered_share)
    why = f"prices: the rate that covers the need on {prices.covered_share:.0%} of the zone"
    return rate, (Change(zone=zone, cause="prices", from_n_lb_ac=need, to_n_lb_ac=rate, why=why),)


def _step_change(zone: int, target: float, final: float, rules: RateRules) -> tuple[Change, ...]:
    if abs(final - target) < 1e-9:
        return ()
    nearest = abs(final - target) <= rules.step_n_lb_ac / 2 + 1e-9
    why = f"rounded to the step, machine.rate_step_n_lb_ac = {rules.step_n_lb_ac:g}"
    if not nearest:
        why += ", away from the nearest so that the field's total or a limit holds"
    return (Change(zone=zone, cause="step", from_n_lb_ac=target, to_n_lb_ac=final, why=why),)


def _in_unit(rate_n_lb_ac: float, product: Product, rate_basis: str) -> float:
    return rate_n_lb_ac if rate_basis == "n" else rate_n_lb_ac / product.n_lb_per_unit


def _flat_rate(
    cells: Cells, applied: Array | float, rules: RateRules, acres: float, prices: NitrogenPrices | None
) -> float:
    """One rate for the whole field, by the same need, prices, limits and step. [lb N/ac]"""
    already = cells.mean(None, applied)
    wanted = float(cells.ledger(None).need_lb_ac)
    if prices is not None and not np.isnan(wanted):
        wanted = cells.covering(None, prices.covered_share)
    rate, _ = limited(wanted, rules, applied_n_lb_ac=already)
    return rounded([rate], [acres], [rules.window(already)], step=rules.step_n_lb_ac)[0]


def _against_flat(rates: tuple[ZoneRate, ...], flat: float, cells: Cells, product: Product) -> dict[str, Any]:
    """What the zones do that one rate would not: plain values for the report."""
    by_zone = np.array([np.nan, *(rate.rate_n_lb_ac for rate in rates)])
    total = sum(rate.acres * rate.rate_n_lb_ac for rate in rates)
    flat_total = flat * sum(rate.acres for rate in rates)
    return {
        "flat_rate_n_lb_ac": flat,
        "flat_total_n_lb": flat_total,
        "flat_total_product": flat_total / product.n_lb_per_unit,
        "flat_misallocated_lb_ac": cells.misallocated(np.full(len(by_zone), flat)),
        "zones_misallocated_lb_ac": cells.misallocated(by_zone),
        "less_n_lb": flat_total - total,
    }


def _price_report(prices: NitrogenPrices, cells: Cells, rates: tuple[ZoneRate, ...], rate_by: str) -> dict[str, Any]:
    """What a pound in the wrong place costs, and the rates prices imply: plain values for the report."""
    return {
        "rate_by": rate_by,
        "too_little_per_lb": prices.too_little_per_lb,
        "too_much_per_lb": prices.too_much_per_lb,
        "covered_share": prices.covered_share,
        "misallocated_per_lb": prices.misallocated_per_lb,
        "zones": [
            {"zone": rate.zone, "covering_rate_n_lb_ac": cells.covering(rate.zone, prices.covered_share)}
            for rate in rates if np.isfinite(rate.need_lb_ac)
        ],
    }  # fmt: skip


def _strip_report(
    pieces: tuple[StripPiece, ...], rates: tuple[ZoneRate, ...], before_n_lb: float, after_n_lb: float
) -> dict[str, Any]:
    """The check strips, and what they do to the field's total: plain values for the report."""
    return {
        "pieces": [
            {
                "zone": piece.zone, "in_zone": piece.parent, "pair": piece.pair,
                "difference_n_lb_ac": piece.difference_n_lb_ac, "acres": rates[piece.zone - 1].acres,
            }
            for piece in pieces
        ],
        "total_change_n_lb": after_n_lb - before_n_lb,
        "tolerance_n_lb": STRIP_TOLERANCE * before_n_lb,
    }  # fmt: skip
