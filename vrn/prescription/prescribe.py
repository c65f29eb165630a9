"""Zone by zone from the ledger to a rate: mean need, override, limits, machine, rounding, product, totals."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError, OutOfRangeError
from vrn.findings import Quantity
from vrn.model.field import Field
from vrn.model.grid import Grid, geodesic_acres
from vrn.model.settings import Override
from vrn.model.surface import Surface
from vrn.model.trials import LearnedReport
from vrn.nitrogen.ledger import Ledger, Line
from vrn.prescription.blocks import TrialGround
from vrn.prescription.limits import RateRules, limited, rounded, rules_of
from vrn.prescription.machine import with_machine_check
from vrn.prescription.model import (
    BlockRate,
    Cause,
    Change,
    CheckStrip,
    FlatComparison,
    Prescription,
    Product,
    ZoneRate,
)
from vrn.prescription.products import product_for
from vrn.prescription.strips import Piece, StripReport, with_strips
from vrn.prescription.trial import earlier_blocks, lay_trial, strips_as_trial
from vrn.prescription.uncertainty import findings_of
from vrn.prescription.wanted import doubt_of, overrides_on, payoff_of, price_line
from vrn.response import Response
from vrn.response.payoff import AfterHarvest, Payoff, PriceReport, worth_of
from vrn.zones.model import Zones

Array = NDArray[np.float64]
STRIP_TOLERANCE: Final = 0.005  # of the field's total, that check strips may move it
_CLOSE: Final = 1e-9
_KNOWN_SHARE: Final = 0.5  # of a zone's ground; where less is known, the rest does not take its rate from it


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundingReport:
    """The field's total before and after rates went to the machine's step. [lb N]"""

    before_n_lb: float
    after_n_lb: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Cells:
    """The cells of a field by zone: area-weighted means of whatever is known of them."""

    labels: NDArray[np.int32]
    weights: Array
    need: Array
    known: NDArray[np.bool_]
    se: Array
    applied: Array  # nitrogen the ground has already had this season [lb/ac]
    surfaces: dict[str, Surface]
    whole: Ledger

    @classmethod
    def of(
        cls, field: Field, share: Array, surfaces: dict[str, Surface], ledger: Ledger, zones: Zones, se: Array | None
    ) -> "_Cells":
        size = share.size
        if zones.labels.shape != share.shape:
            problem = f"Zones of shape {zones.labels.shape} do not lie on a grid of {share.shape}."
            raise OutOfRangeError(problem, "Draw the zones on the prescription's own grid.")
        need = np.broadcast_to(np.asarray(ledger.unclipped_lb_ac, dtype=float), (size,))
        listed = sum(application.n_lb_ac for application in field.settings.applications or ())
        applied = surfaces["applied_n_lb_ac"].values.ravel() if "applied_n_lb_ac" in surfaces else listed
        return cls(
            labels=zones.labels.ravel(), weights=share.ravel(), need=need,
            known=np.isfinite(need) & (share.ravel() > 0),
            se=np.full(size, np.nan) if se is None else np.asarray(se, dtype=float).ravel(),
            applied=np.broadcast_to(np.asarray(applied, dtype=float), (size,)), surfaces=surfaces, whole=ledger,
        )  # fmt: skip

    def here(self, zone: int | None) -> NDArray[np.bool_]:
        """Treated cells of a zone (of the field: None)."""
        return (self.weights > 0) & ((self.labels == zone) if zone is not None else True)

    def rows(self, zone: int | None) -> NDArray[np.intp]:
        """Cells of a zone (of the field: None) whose need is known; none where most of the zone's is unknown."""
        if zone is not None and self.unknown_share(zone, self.need) > 1.0 - _KNOWN_SHARE:
            return np.empty(0, dtype=np.intp)
        return np.flatnonzero(self.known & self.here(zone))

    def unknown_share(self, zone: int | None, values: Array) -> float:
        """Share of a zone's treated ground where values are unknown."""
        here = self.here(zone)
        whole = float(self.weights[here].sum())
        return float(self.weights[here & ~np.isfinite(values)].sum()) / whole if whole > 0 else 0.0

    def ledger(self, zone: int | None) -> Ledger:
        """Ledger of a zone (of the field: None): the mean of each line over the same cells."""
        rows = self.rows(zone)
        weights = self.weights[rows]

        def mean(values: Array) -> float:
            return float(np.average(values[rows], weights=weights)) if len(rows) else float("nan")

        return self.whole.reduce(mean, size=len(self.need))

    def mean(self, zone: int | None, values: Array) -> float:
        """Area-weighted mean over a zone's treated cells; NaN where nothing is known."""
        use = np.isfinite(values) & self.here(zone)
        return float(np.average(values[use], weights=self.weights[use])) if use.any() else float("nan")

    def mean_of(self, zone: int, name: str) -> float:
        """Mean of a surface, of readings as they were found, over the cells that the zone's need is of.

        Over all of the zone where its need is unknown; NaN where there is no such surface.
        """
        if name not in self.surfaces:
            return float("nan")
        values, rows = self.surfaces[name].to_look_at.ravel(), self.rows(zone)
        of_need = np.zeros(len(values), dtype=bool)
        of_need[rows] = True
        return self.mean(zone, np.where(of_need, values, np.nan) if len(rows) else values)

    def already(self, zone: int | None) -> float:
        """Nitrogen a zone has had this season; NaN where most of its ground is not known. [lb/ac]"""
        unknown = self.unknown_share(zone, self.applied) > 1.0 - _KNOWN_SHARE
        return float("nan") if unknown else self.mean(zone, self.applied)

    def over_season(self, rate: ZoneRate, rules: RateRules) -> tuple[float, float]:
        """Share of a zone's ground that goes over the season's cap by half a pound or more, and by how much."""
        if rules.max_season_n_lb_ac is None or rate.rate_n_lb_ac <= 0:
            return 0.0, 0.0
        here, left = self.here(rate.zone), rules.max_season_n_lb_ac - rules.credited_n_lb_ac - rate.rate_n_lb_ac
        above = self.applied - left
        out = here & (above >= 0.5)
        if not out.any():
            return 0.0, 0.0
        return float(self.weights[out].sum() / self.weights[here].sum()), float(above[out].max())

    def paying(self, zone: int | None, payoff: Payoff) -> float:
        """Rate that the prices' rule wants in a zone (the field: None), maybe below 0. [lb/ac]"""
        rows = self.rows(zone)
        return payoff.rate(self.need[rows], self.se[rows], self.weights[rows])

    def misallocated(self, rate_by_zone: Array) -> float:
        """Area-weighted mean of |need − rate| over the cells whose need and rate are known. [lb/ac]"""
        rows = self.rows(None)
        rows = rows[np.isfinite(rate_by_zone[self.labels[rows]])]
        gap = np.abs(np.maximum(self.need[rows], 0.0) - rate_by_zone[self.labels[rows]])
        return float(np.average(gap, weights=self.weights[rows])) if len(rows) else float("nan")


def prescribe(
    *, field: Field, grid: Grid, share: Array, surfaces: dict[str, Surface], ledger: Ledger, zones: Zones,
    need_se: Array | None = None, learned: LearnedReport | None = None,
) -> Prescription:  # fmt: skip
    """
    Rates for zones, within every limit, in the product's unit.

    Parameters
    ----------
    share : ndarray, shape (rows, cols)
        Share of each cell that is treated.
    surfaces : dict of str to Surface
        ``applied_n_lb_ac``, when it is there, is what the ground has already had this season; without it the sum of
        ``[[applications]]`` counts.
    ledger : Ledger
        Of the cells, arrays of shape (rows × cols,) or scalars.
    need_se : ndarray, shape (rows, cols), optional
        Standard error of a cell's need. [lb/ac]
    learned : LearnedReport, optional
        What the farm's trials added to the ledger, and what they leave of its doubt.

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
    product = product_for(settings)
    rate_basis = settings.product.rate_basis or ("product" if product.named else "n")
    rules = rules_of(settings)
    payoff, doubt = payoff_of(settings, ledger), doubt_of(settings, ledger, learned)
    cells = _Cells.of(field, share, surfaces, ledger, zones, need_se)
    acres = [geodesic_acres(outline, grid.crs) for outline in zones.outlines]
    overrides, dropped, said = overrides_on(settings.review.override, zones.outlines, grid.crs)
    by_prices = payoff if payoff is not None and payoff.rule != "need" else None

    targets: list[float] = []
    windows: list[tuple[float, float]] = []
    changes: list[tuple[Change, ...]] = []
    lines: list[Line | None] = []
    for zone in range(1, len(acres) + 1):
        target, first, line = _target(zone, cells, None, by_prices)
        lines.append(line)
        already = cells.already(zone)
        rate, more = limited(target, rules, zone=zone, applied_n_lb_ac=already)
        targets.append(rate)
        windows.append(rules.window(already))
        changes.append((*first, *more))
    final = rounded(targets, acres, windows, step=rules.step_n_lb_ac)
    for zone, override in overrides.items():  # goes to its nearest step and moves no other zone
        i = zone - 1
        target, first, lines[i] = _target(zone, cells, override, by_prices)
        targets[i], more = limited(target, rules, zone=zone, applied_n_lb_ac=cells.already(zone))
        final[i] = rounded([targets[i]], [1.0], [windows[i]], step=rules.step_n_lb_ac)[0]
        changes[i] = (*first, *more)
    changes = [(*changes[i], *_step_change(i + 1, targets[i], final[i], rules)) for i in range(len(final))]
    rounding = RoundingReport(
        before_n_lb=sum(a * x for a, x in zip(acres, targets, strict=True)),
        after_n_lb=sum(a * x for a, x in zip(acres, final, strict=True)),
    )
    flat = _flat_rate(cells, rules, sum(acres), by_prices)
    if settings.check_strips is not None and settings.trial is not None:
        problem = "The field file asks for check strips and for a trial."
        raise InputFileError(problem, "Take out [check_strips]: the trial's blocks say more than strips do.")
    before, trial = zones.outlines, None
    ground = TrialGround.of(grid, field.treated, ledger, cells.applied, surfaces, earlier=earlier_blocks(field))
    pieces: tuple[Piece, ...] = ()
    if settings.check_strips is not None:
        zones, pieces, between = with_strips(
            zones, final, windows, grid=grid, share=share, treated=field.treated,
            section=settings.check_strips, machine=settings.machine,
        )  # fmt: skip
        trial = strips_as_trial(
            zones, pieces, between, [*final, *(piece.rate_n_lb_ac for piece in pieces)], ground=ground,
            section=settings.check_strips, machine=settings.machine, payoff=payoff,
        )  # fmt: skip
    elif settings.trial is not None:
        zones, pieces, trial = lay_trial(
            zones, final, ground=ground, share=share, section=settings.trial, machine=settings.machine, rules=rules,
            payoff=payoff,
        )  # fmt: skip
    if pieces:
        cells = _Cells.of(field, share, surfaces, ledger, zones, need_se)
        changes += [(_piece_change(piece, zone),) for zone, piece in enumerate(pieces, start=len(final) + 1)]
        final += [piece.rate_n_lb_ac for piece in pieces]
        lines += [None] * len(pieces)
    laid = (*(None for _ in before), *(piece.what for piece in pieces))
    rates = tuple(
        replace(
            _zone_rate(zone, cells, zones.outlines[zone - 1], grid.crs, product, rate_basis, rate),
            changes=changes[zone - 1], prices=lines[zone - 1], trial=what,
            allowed_n_lb_ac=rules.window(cells.already(zone)),
            whole=before[zone - 1] if pieces and what is None else None,
        )
        for zone, (rate, what) in enumerate(zip(final, laid, strict=True), start=1)
    )  # fmt: skip
    total_n_lb = sum(rate.acres * rate.rate_n_lb_ac for rate in rates)
    report = None if settings.check_strips is None else StripReport(
        total_change_n_lb=total_n_lb - rounding.after_n_lb, tolerance_n_lb=STRIP_TOLERANCE * rounding.after_n_lb
    )  # fmt: skip
    return with_machine_check(
        Prescription(
            field=field, grid=grid, share=share, surfaces=surfaces, ledger=ledger, zones=zones,
            rates=rates, product=product, rate_basis=rate_basis,
            rate_unit="lb N/ac" if rate_basis == "n" else f"{product.unit}/ac",
            acres=sum(rate.acres for rate in rates), flat_rate_n_lb_ac=flat, total_n_lb=total_n_lb,
            total_product=total_n_lb / product.n_lb_per_unit,
            findings=findings_of(
                rates, product, field, strips=report,
                unknown_share=[cells.unknown_share(rate.zone, cells.need) for rate in rates],
                season_over=[cells.over_season(rate, rules) for rate in rates],
                applied_unknown_share=[cells.unknown_share(rate.zone, cells.applied) for rate in rates]
                if rules.max_season_n_lb_ac is not None else [0.0] * len(rates),
            ) + said + (() if trial is None else trial.findings),
            flat=_against_flat(rates, flat, cells, product), rounding=rounding,
            prices=None if payoff is None else _priced(
                replace(payoff, method_sd_lb_ac=doubt.sd_lb_ac), cells, rates, flat),
            check_strips=report, trial=trial, learned=learned,
            after_harvest=_after_harvest(cells, rates, flat, field, doubt.sd_lb_ac),
            overrides=tuple(overrides[zone] for zone in sorted(overrides)), dropped_overrides=dropped,
        )
    )  # fmt: skip


def _zone_rate(
    zone: int, cells: _Cells, outline: shapely.Geometry, crs: str, product: Product, rate_basis: str,
    rate_n_lb_ac: float,
) -> ZoneRate:  # fmt: skip
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
        yield_goal_bu_ac=cells.mean_of(zone, "yield_goal_bu_ac"), ledger=ledger,
    )  # fmt: skip


def _piece_change(piece: Piece, zone: int) -> Change:
    more = piece.rate_n_lb_ac - piece.base_n_lb_ac
    cause: Cause = "trial" if more else "trial-called-for"
    if isinstance(piece.what, CheckStrip):
        cause = "strip-more" if more > 0 else "strip-less"
    return Change(zone=zone, cause=cause, from_n_lb_ac=piece.base_n_lb_ac, to_n_lb_ac=piece.rate_n_lb_ac,
                  quantities={"difference": Quantity("rate", abs(more))})  # fmt: skip


def _target(
    zone: int, cells: _Cells, override: Override | None, payoff: Payoff | None
) -> tuple[float, tuple[Change, ...], Line | None]:
    """The rate wanted before limits: the need, what prices make of it (a line of its own), or what a person set."""
    need = float(cells.ledger(zone).need_lb_ac)
    if override is not None:
        reason = {"reason": Quantity("text", override.reason.strip())}
        wanted = override.rate_n_lb_ac
        return (
            wanted,
            (Change(zone=zone, cause="person", from_n_lb_ac=need, to_n_lb_ac=wanted, quantities=reason),),
            None,
        )
    if payoff is None or np.isnan(need):
        return need, (), None
    paying = cells.paying(zone, payoff)
    line = price_line(payoff, need_lb_ac=float(cells.ledger(zone).unclipped_lb_ac), rate_lb_ac=paying)
    rate = max(paying, 0.0)
    cause: Cause = "return" if abs(payoff.held - payoff.ratio) < _CLOSE else "return-held"
    if payoff.rule == "kinked response":
        cause = "kinked"
    quantities = {
        "share": Quantity("share", payoff.covered_share), "ratio": Quantity("number", round(payoff.ratio, 3)),
        "held": Quantity("number", payoff.held), "n": Quantity("price_n", payoff.n_per_lb),
        "corn": Quantity("price_corn", payoff.corn_per_bu), "change": Quantity("rate", rate - need),
    }  # fmt: skip
    return rate, (Change(zone=zone, cause=cause, from_n_lb_ac=need, to_n_lb_ac=rate, quantities=quantities),), line


def _priced(payoff: Payoff, cells: _Cells, rates: tuple[ZoneRate, ...], flat: float) -> PriceReport:
    """What the rates, strips and plots of a trial left out, are expected to be worth where the need is known."""
    here = np.flatnonzero(cells.known & cells.here(None) & (cells.labels > 0))
    by_zone = np.array([0.0, *(rate.rate_n_lb_ac for rate in rates)])
    plain = np.isin(cells.labels[here], [rate.zone for rate in rates if rate.trial is None])
    here = here[plain]
    return PriceReport(
        payoff=payoff, worth=worth_of(payoff, cells.need[here], cells.weights[here], cells.labels[here], by_zone, flat)
    )


def _after_harvest(
    cells: _Cells, rates: tuple[ZoneRate, ...], flat: float, field: Field, level_sd_lb_ac: float
) -> AfterHarvest | None:
    """What stays in the ground where the need is known; None where it is known nowhere."""
    here = np.flatnonzero(cells.known & cells.here(None) & (cells.labels > 0))
    if not len(here):
        return None
    by_zone, settings = np.array([0.0, *(rate.rate_n_lb_ac for rate in rates)]), field.settings
    prices = settings.prices
    return AfterHarvest.of(
        Response(curvature=prices.curvature, kink_weight=prices.kink_weight, kink_slope=prices.kink_slope),
        cells.need[here], cells.weights[here], by_zone[cells.labels[here]], flat=flat,
        method_sd_lb_ac=level_sd_lb_ac, applied_lb_ac=cells.mean(None, cells.applied),
        yield_goal_bu_ac=settings.crop.yield_goal_bu_ac,
    )  # fmt: skip


def _step_change(zone: int, target: float, final: float, rules: RateRules) -> tuple[Change, ...]:
    if abs(final - target) < 1e-9:
        return ()
    nearest = abs(final - target) <= rules.step_n_lb_ac / 2 + 1e-9
    return (
        Change(zone=zone, cause="step" if nearest else "step-for-total", from_n_lb_ac=target, to_n_lb_ac=final,
               quantities={"step": Quantity("rate", rules.step_n_lb_ac)}),
    )  # fmt: skip


def _flat_rate(cells: _Cells, rules: RateRules, acres: float, payoff: Payoff | None) -> float:
    """One rate for the whole field, by the same need, prices, limits and step. [lb N/ac]"""
    already = cells.already(None)
    wanted = float(cells.ledger(None).need_lb_ac)
    if payoff is not None and not np.isnan(wanted):
        wanted = max(cells.paying(None, payoff), 0.0)
    rate, _ = limited(wanted, rules, applied_n_lb_ac=already)
    return rounded([rate], [acres], [rules.window(already)], step=rules.step_n_lb_ac)[0]


def _against_flat(rates: tuple[ZoneRate, ...], flat: float, cells: _Cells, product: Product) -> FlatComparison:
    """What the zones do that one rate would not, on the same ground: none that is unknown and gets nothing."""
    # a trial misses the need on purpose: its plots are left out
    plain = [rate for rate in rates if not isinstance(rate.trial, BlockRate)]
    by_zone = np.array([np.nan, *(rate.rate_n_lb_ac if rate in plain else np.nan for rate in rates)])
    total = flat * sum(rate.acres for rate in rates if np.isfinite(rate.need_lb_ac) or rate.rate_n_lb_ac > 0)
    return FlatComparison(
        total_n_lb=total, total_product=total / product.n_lb_per_unit,
        misallocated_lb_ac=cells.misallocated(np.where(np.isnan(by_zone), np.nan, flat)),
        zones_misallocated_lb_ac=cells.misallocated(by_zone),
    )  # fmt: skip
