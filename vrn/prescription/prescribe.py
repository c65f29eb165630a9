"""Zone by zone from the ledger to a rate: mean need, override, limits, machine, rounding, product, totals."""

from dataclasses import replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import Quantity
from vrn.model.area import geodesic_acres
from vrn.model.field import Field
from vrn.model.grid import Grid
from vrn.model.settings import Override
from vrn.model.surface import Surface
from vrn.nitrogen.ledger import Ledger
from vrn.prescription.cells import Cells
from vrn.prescription.economics import NitrogenPrices, PriceReport, prices_of
from vrn.prescription.findings import findings_of
from vrn.prescription.limits import RateRules, limited, rounded, rules_of
from vrn.prescription.machine import with_machine_check
from vrn.prescription.model import (
    Cause,
    Change,
    CheckStrip,
    FlatComparison,
    Prescription,
    Product,
    RoundingReport,
    ZoneRate,
)
from vrn.prescription.products import product_of
from vrn.prescription.strips import StripReport, with_strips
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
    rounding = RoundingReport(
        before_n_lb=sum(a * x for a, x in zip(acres, targets, strict=True)),
        after_n_lb=sum(a * x for a, x in zip(acres, final, strict=True)),
    )
    flat = _flat_rate(cells, applied, rules, sum(acres), by_prices)
    strips: list[CheckStrip | None] = [None] * len(final)
    if settings.check_strips is not None:
        zones, pieces = with_strips(
            zones, final, windows, grid=grid, share=share, treated=field.treated,
            section=settings.check_strips, machine=settings.machine,
        )  # fmt: skip
        cells = Cells.of(grid, share, surfaces, ledger, zones, need_se)
        for strip in pieces:
            assert strip.in_zone is not None
            base = final[strip.in_zone - 1]
            strips.append(strip)
            final.append(base + strip.difference_n_lb_ac)
            changes.append((_strip_change(strip, len(final), base, final[-1]),))
    rates = tuple(
        _zone_rate(zone, cells, zones.outlines[zone - 1], grid.crs, product, settings.product.rate_basis, rate, strip)
        for zone, (rate, strip) in enumerate(zip(final, strips, strict=True), start=1)
    )
    rates = tuple(replace(rate, changes=why) for rate, why in zip(rates, changes, strict=True))
    total_n_lb = sum(rate.acres * rate.rate_n_lb_ac for rate in rates)
    report = None if settings.check_strips is None else StripReport(
        total_change_n_lb=total_n_lb - rounding.after_n_lb, tolerance_n_lb=STRIP_TOLERANCE * rounding.after_n_lb
    )  # fmt: skip
    return with_machine_check(
        Prescription(
            field=field, grid=grid, share=share, surfaces=surfaces, ledger=ledger, zones=zones,
            rates=rates, product=product, rate_basis=settings.product.rate_basis,
            rate_unit="lb N/ac" if settings.product.rate_basis == "n" else f"{product.unit}/ac",
            acres=sum(rate.acres for rate in rates), flat_rate_n_lb_ac=flat, total_n_lb=total_n_lb,
            total_product=total_n_lb / product.n_lb_per_unit,
            findings=findings_of(
                rates, product, field, strips=report,
                unknown_share=[cells.unknown_share(rate.zone) for rate in rates],
                season_over=_over_season(rates, cells, applied, rules),
            ),
            flat=_against_flat(rates, flat, cells, product), rounding=rounding,
            prices=None if prices is None else PriceReport(
                rate_by=settings.prices.rate_by, prices=prices,
                covering_n_lb_ac={rate.zone: cells.covering(rate.zone, prices.covered_share) for rate in rates
                                  if np.isfinite(rate.need_lb_ac)},
            ), check_strips=report,
        )
    )  # fmt: skip


def _zone_rate(
    zone: int,
    cells: Cells,
    outline: shapely.Geometry,
    crs: str,
    product: Product,
    rate_basis: str,
    rate_n_lb_ac: float,
    strip: CheckStrip | None,
) -> ZoneRate:
    """One zone with everything that is known of it."""
    ledger, se = cells.ledger(zone), cells.mean(zone, cells.se)
    product_per_ac = rate_n_lb_ac / product.n_lb_per_unit
    return ZoneRate(
        zone=zone, outline=outline, acres=geodesic_acres(outline, crs), parts=len(shapely.get_parts(outline)),
        rate_n_lb_ac=rate_n_lb_ac, rate_product=rate_n_lb_ac if rate_basis == "n" else product_per_ac,
        product_per_ac=product_per_ac,
        need_lb_ac=float(ledger.need_lb_ac), need_se_lb_ac=se if np.isfinite(se + ledger.need_lb_ac) else None,
        nitrate_ppm=cells.mean_of(zone, "nitrate_ppm"),
        organic_matter_pct=cells.mean_of(zone, "organic_matter_pct"),
        yield_goal_bu_ac=cells.mean_of(zone, "yield_goal_bu_ac"), ledger=ledger, strip=strip,
    )  # fmt: skip


def _strip_change(strip: CheckStrip, zone: int, base_n_lb_ac: float, rate_n_lb_ac: float) -> Change:
    told = {"difference": Quantity("rate", abs(strip.difference_n_lb_ac))}
    cause: Cause = "strip-more" if strip.difference_n_lb_ac > 0 else "strip-less"
    return Change(zone=zone, cause=cause, from_n_lb_ac=base_n_lb_ac, to_n_lb_ac=rate_n_lb_ac, quantities=told)


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
        reason = {"reason": Quantity("text", override.reason.strip())}
        wanted = override.rate_n_lb_ac
        return wanted, (Change(zone=zone, cause="person", from_n_lb_ac=need, to_n_lb_ac=wanted, quantities=reason),)
    if prices is None or np.isnan(need):
        return need, ()
    rate = cells.covering(zone, prices.covered_share)
    share = {"share": Quantity("share", prices.covered_share)}
    return rate, (Change(zone=zone, cause="prices", from_n_lb_ac=need, to_n_lb_ac=rate, quantities=share),)


def _step_change(zone: int, target: float, final: float, rules: RateRules) -> tuple[Change, ...]:
    if abs(final - target) < 1e-9:
        return ()
    nearest = abs(final - target) <= rules.step_n_lb_ac / 2 + 1e-9
    return (
        Change(zone=zone, cause="step" if nearest else "step-for-total", from_n_lb_ac=target, to_n_lb_ac=final,
               quantities={"step": Quantity("rate", rules.step_n_lb_ac)}),
    )  # fmt: skip


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


def _against_flat(rates: tuple[ZoneRate, ...], flat: float, cells: Cells, product: Product) -> FlatComparison:
    """What the zones do that one rate would not."""
    by_zone = np.array([np.nan, *(rate.rate_n_lb_ac for rate in rates)])
    total = flat * sum(rate.acres for rate in rates)
    return FlatComparison(
        total_n_lb=total, total_product=total / product.n_lb_per_unit,
        misallocated_lb_ac=cells.misallocated(np.full(len(by_zone), flat)),
        zones_misallocated_lb_ac=cells.misallocated(by_zone),
    )  # fmt: skip
