"""Zone by zone from the ledger to a rate: mean need, override, limits, machine, rounding, product, totals."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError
from vrn.field.area import geodesic_acres
from vrn.field.field import Field
from vrn.field.findings import Finding
from vrn.field.grid import Grid
from vrn.field.settings import Override
from vrn.field.surface import Surface
from vrn.nitrogen.ledger import Ledger
from vrn.prescription.limits import RateRules, limited, rules_of
from vrn.prescription.model import Change, Prescription, Product, ZoneRate
from vrn.prescription.products import product_of
from vrn.prescription.rounding import rounded
from vrn.zones.model import Zones

Array = NDArray[np.float64]


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
    rules = rules_of(settings.limits, settings.machine)
    cells = _Cells.of(grid, share, surfaces, ledger, zones, need_se)
    applied = _applied(field, surfaces)
    acres = [geodesic_acres(outline, grid.crs) for outline in zones.outlines]
    ledgers = [cells.ledger(zone) for zone in range(1, len(acres) + 1)]
    overrides = _overrides(settings.review.override, len(acres))

    targets: list[float] = []
    windows: list[tuple[float, float]] = []
    changes: list[tuple[Change, ...]] = []
    for zone, own in enumerate(ledgers, start=1):
        need = _need(own)
        target, first = _target(zone, need, overrides.get(zone))
        already = cells.mean(zone, applied)
        rate, more = limited(target, rules, zone=zone, applied_n_lb_ac=already)
        targets.append(rate)
        windows.append(rules.window(already))
        changes.append((*first, *more))
    final = rounded(targets, acres, windows, step=rules.step_n_lb_ac)
    rates = []
    for zone, outline in enumerate(zones.outlines, start=1):
        i = zone - 1
        step_change = _step_change(zone, targets[i], final[i], rules)
        rates.append(
            ZoneRate(
                zone=zone, outline=outline, acres=acres[i], parts=len(shapely.get_parts(outline)),
                rate_n_lb_ac=final[i],
                rate_product=_in_unit(final[i], product, settings.product.rate_basis),
                product_per_ac=final[i] / product.n_lb_per_unit,
                need_lb_ac=_need(ledgers[i]),
                need_se_lb_ac=None if need_se is None else cells.mean(zone, cells.se),
                nitrate_ppm=cells.mean_of(zone, "nitrate_ppm"),
                organic_matter_pct=cells.mean_of(zone, "organic_matter_pct"),
                yield_goal_bu_ac=cells.mean_of(zone, "yield_goal_bu_ac"),
                ledger=ledgers[i], changes=(*changes[i], *step_change),
            )
        )  # fmt: skip
    flat = _flat_rate(cells, applied, rules, sum(acres))
    total_n_lb = sum(rate.acres * rate.rate_n_lb_ac for rate in rates)
    return Prescription(
        field=field, grid=grid, share=share, surfaces=surfaces, ledger=ledger, zones=zones,
        rates=tuple(rates), product=product, rate_basis=settings.product.rate_basis,
        rate_unit="lb N/ac" if settings.product.rate_basis == "n" else f"{product.unit}/ac",
        acres=sum(acres), flat_rate_n_lb_ac=flat, total_n_lb=total_n_lb,
        total_product=total_n_lb / product.n_lb_per_unit,
        findings=tuple(_findings(rates, product, field)),
        details={"flat": _against_flat(rates, flat, cells, product, sum(acres))},
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Cells:
    """The cells of a field by zone, with their need and their weights."""

    labels: NDArray[np.int32]
    weights: Array
    need: Array
    known: NDArray[np.bool_]
    se: Array
    surfaces: dict[str, Surface]
    whole: Ledger

    @classmethod
    def of(
        cls, grid: Grid, share: Array, surfaces: dict[str, Surface], ledger: Ledger, zones: Zones, se: Array | None
    ) -> "_Cells":
        size = grid.rows * grid.cols
        need = np.broadcast_to(np.asarray(ledger.unclipped_lb_ac, dtype=float), (size,))
        if zones.labels.shape != grid.shape or share.shape != grid.shape:
            problem = f"Zones of shape {zones.labels.shape} do not lie on a grid of {grid.shape}."
            raise OutOfRangeError(problem, "Draw the zones on the prescription's own grid.")
        return cls(
            labels=zones.labels.ravel(), weights=share.ravel(), need=need,
            known=np.isfinite(need) & (share.ravel() > 0),
            se=np.full(size, np.nan) if se is None else np.asarray(se, dtype=float).ravel(),
            surfaces=surfaces, whole=ledger,
        )  # fmt: skip

    def rows(self, zone: int | None) -> NDArray[np.intp]:
        """Cells of a zone (of the field: None) whose need is known."""
        return np.flatnonzero(self.known if zone is None else self.known & (self.labels == zone))

    def ledger(self, zone: int | None) -> Ledger:
        rows = self.rows(zone)
        weights = self.weights[rows]

        def mean(values: Array) -> float:
            return float(np.average(values[rows], weights=weights)) if len(rows) else float("nan")

        return self.whole.reduce(mean, size=len(self.need))

    def mean(self, zone: int | None, values: Array | float) -> float:
        """Area-weighted mean over a zone's treated cells; NaN where nothing is known."""
        if np.ndim(values) == 0:
            return float(values)
        flat = np.asarray(values, dtype=float).ravel()
        use = np.isfinite(flat) & (self.weights > 0) & ((self.labels == zone) if zone is not None else True)
        return float(np.average(flat[use], weights=self.weights[use])) if use.any() else float("nan")

    def mean_of(self, zone: int, name: str) -> float:
        return self.mean(zone, self.surfaces[name].values) if name in self.surfaces else float("nan")

    def misallocated(self, rate_by_zone: Array) -> float:
        """Area-weighted mean of |need − rate| over the cells whose need is known. [lb/ac]"""
        rows = self.rows(None)
        gap = np.abs(np.maximum(self.need[rows], 0.0) - rate_by_zone[self.labels[rows]])
        return float(np.average(gap, weights=self.weights[rows])) if len(rows) else float("nan")


def _need(ledger: Ledger) -> float:
    """Need of a zone: max(0, the mean of the unclipped sums); NaN where unknown. [lb/ac]"""
    return float(ledger.need_lb_ac)


def _applied(field: Field, surfaces: dict[str, Surface]) -> Array | float:
    """Nitrogen the ground has already had this season. [lb/ac]"""
    if "applied_n_lb_ac" in surfaces:
        return surfaces["applied_n_lb_ac"].values
    return float(sum(application.n_lb_ac for application in field.settings.applications))


def _overrides(overrides: tuple[Override, ...], count: int) -> dict[int, Override]:
    from vrn.errors import InputFileError

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


def _target(zone: int, need: float, override: Override | None) -> tuple[float, tuple[Change, ...]]:
    """The rate wanted before limits: the need, or what a person set."""
    if override is None:
        return need, ()
    change = Change(
        zone=zone,
        from_n_lb_ac=need,
        to_n_lb_ac=override.rate_n_lb_ac,
        why=f"set by a person: {override.reason.strip()}",
    )
    return override.rate_n_lb_ac, (change,)


def _step_change(zone: int, target: float, final: float, rules: RateRules) -> tuple[Change, ...]:
    if abs(final - target) < 1e-9:
        return ()
    nearest = abs(final - target) <= rules.step_n_lb_ac / 2 + 1e-9
    why = f"rounded to the step, machine.rate_step_n_lb_ac = {rules.step_n_lb_ac:g}"
    if not nearest:
        why += ", away from the nearest so that the field's total or a limit holds"
    return (Change(zone=zone, from_n_lb_ac=target, to_n_lb_ac=final, why=why),)


def _in_unit(rate_n_lb_ac: float, product: Product, rate_basis: str) -> float:
    return rate_n_lb_ac if rate_basis == "n" else rate_n_lb_ac / product.n_lb_per_unit


def _flat_rate(cells: _Cells, applied: Array | float, rules: RateRules, acres: float) -> float:
    """One rate for the whole field, by the same need, limits and step. [lb N/ac]"""
    already = cells.mean(None, applied)
    rate, _ = limited(_need(cells.ledger(None)), rules, applied_n_lb_ac=already)
    return rounded([rate], [acres], [rules.window(already)], step=rules.step_n_lb_ac)[0]


def _against_flat(rates: list[ZoneRate], flat: float, cells: _Cells, product: Product, acres: float) -> dict[str, Any]:
    """What the zones do that one rate would not: plain values for the report."""
    by_zone = np.array([np.nan, *(rate.rate_n_lb_ac for rate in rates)])
    total = sum(rate.acres * rate.rate_n_lb_ac for rate in rates)
    return {
        "flat_rate_n_lb_ac": flat,
        "flat_total_n_lb": flat * acres,
        "flat_total_product": flat * acres / product.n_lb_per_unit,
        "flat_misallocated_lb_ac": cells.misallocated(np.full(len(by_zone), flat)),
        "zones_misallocated_lb_ac": cells.misallocated(by_zone),
        "less_n_lb": flat * acres - total,
    }


def _findings(rates: list[ZoneRate], product: Product, field: Field) -> list[Finding]:
    """What a person should look at before this is driven."""
    found: list[Finding] = []
    for rate in rates:
        if np.isnan(rate.need_lb_ac):
            found.append(
                Finding(level="warning", about=f"zone {rate.zone}",
                        problem=f"The need of {rate.acres:.1f} ac is unknown, so nothing is put on there.",
                        remedy="Give the layer that is missing there, or set a rate with [[review.override]].")
            )  # fmt: skip
        held = [change for change in rate.changes if change.why.startswith("held to")]
        if held:
            short = held[0].from_n_lb_ac - held[-1].to_n_lb_ac
            found.append(
                Finding(level="warning", about=f"zone {rate.zone}",
                        problem=f"{held[-1].why[0].upper()}{held[-1].why[1:]}: {short:.0f} lb/ac under the need.",
                        remedy="Leave the cap where it is unless the rule behind it allows more; plan a later pass.")
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
    return found
