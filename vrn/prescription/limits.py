"""What may and can be put on: limits with their reasons, the machine's step, and zones it can answer."""

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity, warning
from vrn.model.field import Field
from vrn.model.grid import Grid
from vrn.model.layers import PolygonLayer
from vrn.model.settings import CreditSection, MachineSection, Settings
from vrn.nitrogen import Ledger
from vrn.nitrogen.lines import irrigation_n_lb_ac, manure_organic_n_lb_ac
from vrn.prescription.model import Cause, Change, Prescription
from vrn.prescription.wanted import payoff_of
from vrn.response.payoff import Payoff
from vrn.units import AC_M2, FT_M, MPH_M_S
from vrn.zones import Zones, by_layers, by_steps, draw, from_polygons

_CLOSE = 1e-9
_ALL_WAYS = 12  # zones up to which every way of rounding is looked at


@dataclass(frozen=True, slots=True, kw_only=True)
class RateRules:
    """Limits on a rate, from the field file."""

    max_n_lb_ac: float  # cap of this pass
    max_season_n_lb_ac: float | None  # cap with everything already applied
    machine_min_n_lb_ac: float  # least and most the machine can put on
    machine_max_n_lb_ac: float
    step_n_lb_ac: float  # rates are multiples of it
    below_minimum: str = "nearest"  # "nearest" or "zero" or "minimum", what happens to a need under the machine's least
    # manure and irrigation water credited in the field file: they count in the season too
    credited_n_lb_ac: float = 0.0

    def caps(self, applied_n_lb_ac: float) -> list[tuple[float, Cause, dict[str, Quantity]]]:
        """Every upper limit on ground that has had ``applied_n_lb_ac``, its cause, and the quantities that go with it.

        Where a season's cap is set and it is not known what has been applied (NaN), nothing of the season is left.
        """
        caps: list[tuple[float, Cause, dict[str, Quantity]]] = [
            (self.max_n_lb_ac, "pass-cap", {"cap": Quantity("rate", self.max_n_lb_ac)})
        ]
        if self.max_season_n_lb_ac is not None:
            quantities = {"cap": Quantity("rate", self.max_season_n_lb_ac)}
            if math.isnan(applied_n_lb_ac):
                caps.append((0.0, "season-cap-unknown", quantities))
            else:
                left = max(self.max_season_n_lb_ac - applied_n_lb_ac - self.credited_n_lb_ac, 0.0)
                quantities["applied"] = Quantity("rate", applied_n_lb_ac)
                if self.credited_n_lb_ac > 0:
                    quantities["credited"] = Quantity("rate", self.credited_n_lb_ac)
                caps.append((left, "season-cap-credited" if "credited" in quantities else "season-cap", quantities))
        return [*caps, (self.machine_max_n_lb_ac, "machine-most", {"cap": Quantity("rate", self.machine_max_n_lb_ac)})]

    def window(self, applied_n_lb_ac: float) -> tuple[float, float]:
        """Least and most rate above 0, both multiples of the step; the most is 0 where none is possible. [lb/ac]"""
        step = self.step_n_lb_ac
        top = math.floor(min(cap for cap, _, _ in self.caps(applied_n_lb_ac)) / step + _CLOSE) * step
        bottom = max(math.ceil(self.machine_min_n_lb_ac / step - _CLOSE), 1) * step
        return (bottom, top) if bottom <= top + _CLOSE else (0.0, 0.0)


def rules_of(settings: Settings) -> RateRules:
    """Rules a field file states in ``[limits]``, ``[machine]`` and, for the season, ``[credits]``."""
    limits, machine = settings.limits, settings.machine
    return RateRules(
        credited_n_lb_ac=_credited_n_lb_ac(settings.credits), max_n_lb_ac=limits.max_n_lb_ac,
        max_season_n_lb_ac=limits.max_season_n_lb_ac, machine_min_n_lb_ac=machine.min_rate_n_lb_ac,
        machine_max_n_lb_ac=machine.max_rate_n_lb_ac, step_n_lb_ac=machine.rate_step_n_lb_ac,
        below_minimum=machine.below_minimum,
    )  # fmt: skip


def _credited_n_lb_ac(section: CreditSection) -> float:
    """Manure and water credited; of manure that is reckoned, all that the season frees. [lb/ac]"""
    total, spread, water = section.manure + section.irrigation_water, section.manure_spread, section.water
    if spread is not None:
        spread_n = [spread.organic_n_lb_ac, spread.organic_n_last_year_lb_ac, spread.organic_n_two_years_ago_lb_ac]
        total += manure_organic_n_lb_ac(spread_n, manure=spread.kind) + spread.ammonium_after_sampling_lb_ac
    if water is not None:
        total += float(irrigation_n_lb_ac(water.nitrate_ppm, water_in=water.water_in))
    return total


@dataclass(frozen=True, slots=True, kw_only=True)
class FixedRates:
    """
    Rates the machine makes without the map: before the first position, with position lost, and off the field. [lb N/ac]

    Never above what the pass, the season and the machine allow on any treated ground, and nothing where no-apply
    ground is within a swath of the field; ``wanted_n_lb_ac`` is the highest that the field file asks for.
    """

    default_n_lb_ac: float
    position_lost_n_lb_ac: float
    out_of_field_n_lb_ac: float
    wanted_n_lb_ac: float
    cap_n_lb_ac: float
    near_no_apply: bool
    swath_ft: float
    reason: str

    def findings(self) -> Iterator[Finding]:
        """What a person must know of a fixed rate that is not 0, and of one that was not written as asked."""
        highest = max(self.default_n_lb_ac, self.position_lost_n_lb_ac, self.out_of_field_n_lb_ac)
        wanted = Quantity("rate", self.wanted_n_lb_ac)
        if highest > 0:
            yield warning("rates.fixed-on", "machine", rate=Quantity("rate", highest), reason=self.reason)
        if highest < self.wanted_n_lb_ac and self.near_no_apply:
            swath = Quantity("length", self.swath_ft)
            yield warning("rates.fixed-near-no-apply", "machine", rate=wanted, swath=swath)
        elif highest < self.wanted_n_lb_ac:
            yield warning("rates.fixed-over-limit", "machine", rate=wanted, cap=Quantity("rate", self.cap_n_lb_ac))


def fixed_rates(prescription: Prescription) -> FixedRates:
    """
    Rates without the map, as they are written.

    Raises
    ------
    InputFileError
        If one above 0 has no reason.
    """
    field = prescription.field
    export, machine = field.settings.export, field.settings.machine
    wanted = (export.default_rate_n_lb_ac, export.position_lost_rate_n_lb_ac, export.out_of_field_rate_n_lb_ac)
    if max(wanted) > 0 and not export.fixed_rate_reason.strip():
        problem = "[export] sets a rate for ground without a map, and gives no reason."
        raise InputFileError(problem, "Set those rates to 0 (the safe choice), or write fixed_rate_reason.")
    layer = prescription.surfaces.get("applied_n_lb_ac")
    listed = sum(application.n_lb_ac for application in field.settings.applications or ())
    applied = listed if layer is None else float(np.max(layer.values[prescription.share > 0], initial=0.0))
    near = bool(shapely.dwithin(field.no_apply, field.boundary, machine.swath_ft * FT_M))
    cap = 0.0 if near else min(cap for cap, _, _ in rules_of(field.settings).caps(applied))
    default, lost, outside = (min(rate, cap) for rate in wanted)
    return FixedRates(
        default_n_lb_ac=default, position_lost_n_lb_ac=lost, out_of_field_n_lb_ac=outside, wanted_n_lb_ac=max(wanted),
        cap_n_lb_ac=cap, near_no_apply=near, swath_ft=machine.swath_ft, reason=export.fixed_rate_reason.strip(),
    )  # fmt: skip


def limited(
    rate_n_lb_ac: float, rules: RateRules, *, zone: int = 0, applied_n_lb_ac: float = 0.0
) -> tuple[float, tuple[Change, ...]]:
    """A rate within every limit, not yet rounded to the step.

    `rate_n_lb_ac`: wanted; NaN (unknown) becomes 0. `zone`: for the audit. `applied_n_lb_ac`: already on this ground
    this season.

    >>> rules = RateRules(max_n_lb_ac=150.0, max_season_n_lb_ac=None, machine_min_n_lb_ac=30.0,
    ...                   machine_max_n_lb_ac=180.0, step_n_lb_ac=5.0)
    >>> [limited(rate, rules)[0] for rate in (171.0, 14.0, 16.0, 0.0)]
    [150.0, 0.0, 30.0, 0.0]
    """
    if math.isnan(rate_n_lb_ac):
        return 0.0, (Change(zone=zone, cause="unknown-need", from_n_lb_ac=math.nan, to_n_lb_ac=0.0),)
    changes: list[Change] = []
    rate = rate_n_lb_ac

    def to(new: float, cause: Cause, quantities: dict[str, Quantity]) -> None:
        nonlocal rate
        changes.append(Change(zone=zone, cause=cause, from_n_lb_ac=rate, to_n_lb_ac=new, quantities=quantities))
        rate = new

    for cap, cause, quantities in rules.caps(applied_n_lb_ac):
        if rate > cap + _CLOSE:
            to(cap, cause, quantities)
    bottom, top = rules.window(applied_n_lb_ac)
    least = rules.machine_min_n_lb_ac
    quantities = {"least": Quantity("rate", least)}
    if rate > 0 and top == 0:
        to(0.0, "no-step", {**quantities, "step": Quantity("rate", rules.step_n_lb_ac)})
    elif 0 < rate < least - _CLOSE:
        up = rules.below_minimum == "minimum" or (rules.below_minimum == "nearest" and rate > least / 2 + _CLOSE)
        to(bottom if up else 0.0, "below-least-raised" if up else "below-least-off", quantities)
    return rate, tuple(changes)


def rounded(rates: list[float], acres: list[float], windows: list[tuple[float, float]], *, step: float) -> list[float]:
    """Multiples of the step, each next to its rate, with the field's total kept.

    `rates`: within their limits. [lb/ac] `windows`: limits of a rate above 0, multiples of the step. [lb/ac]

    Each rate goes to the multiple below or above it. Among the ways that move the field's total by no more than half a
    step on its largest zone, the one that moves the pounds least, zone by zone, is taken. One such way always exists
    where no limit is in the way: raise the zones one after another from all down to all up; each moves the total by at
    most a step on the largest zone, so one of the two totals around zero is within half of it.

    Rounded one by one, 102, 102 and 107.4 would lose 6.4 lb in all (100, 100, 105); raising 107.4 instead loses 1.4:

    >>> rounded([102.0, 102.0, 107.4], [1.0, 1.0, 1.0], [(5.0, 200.0)] * 3, step=5.0)
    [100.0, 100.0, 110.0]
    """
    ways = [_neighbours(rate, window, step) for rate, window in zip(rates, windows, strict=True)]
    nearest = [min(way, key=lambda r, rate=rate: (abs(r - rate), r)) for way, rate in zip(ways, rates, strict=True)]  # type: ignore[misc]
    bound = 0.5 * step * max(acres, default=0.0) + _CLOSE
    open_zones = [i for i, way in enumerate(ways) if len(way) > 1]
    weight = np.array(acres)
    wanted = np.array(rates)

    def moved(result: list[float]) -> float:
        return float(abs(np.sum(weight * (np.array(result) - wanted))))

    if moved(nearest) <= bound:
        return nearest
    if len(open_zones) > _ALL_WAYS:
        return _greedy(nearest, rates, acres, ways, bound)

    def worth(result: list[float]) -> tuple[float, float]:
        pounds = float(np.sum(weight * np.abs(np.array(result) - wanted)))
        return max(moved(result) - bound, 0.0), round(pounds, 9)

    best, least = nearest, worth(nearest)
    for choice in itertools.product(*(ways[i] for i in open_zones)):
        result = list(nearest)
        for i, rate in zip(open_zones, choice, strict=True):
            result[i] = rate
        if (here := worth(result)) < least:
            best, least = result, here
    return best


def _neighbours(rate: float, window: tuple[float, float], step: float) -> tuple[float, ...]:
    """Multiples of the step next to a rate, within its limits."""
    if rate <= 0:
        return (0.0,)
    low, high = window
    below = math.floor(rate / step + _CLOSE) * step
    ways = {min(max(way, low), high) for way in (below, below if abs(rate - below) < _CLOSE else below + step)}
    return tuple(sorted(round(way, 9) for way in ways))


def _greedy(
    nearest: list[float], rates: list[float], acres: list[float], ways: list[tuple[float, ...]], bound: float
) -> list[float]:
    """Turn the zones nearest to the middle between two steps, one after another, until the total is close enough."""
    result = list(nearest)
    off = sum(a * (r - x) for a, r, x in zip(acres, result, rates, strict=True))
    costs = sorted((abs(2 * rates[i] - sum(way)) * acres[i], i) for i, way in enumerate(ways) if len(way) > 1)
    for _, i in costs:
        if abs(off) <= bound:
            break
        other = ways[i][0] if result[i] == ways[i][1] else ways[i][1]
        change = acres[i] * (other - result[i])
        if abs(off + change) < abs(off):
            result[i] = other
            off += change
    return result


Array = NDArray[np.float64]


def zones_of(
    field: Field, *, grid: Grid, share: Array, ledger: Ledger, need_se: Array | None = None,
    extra: Sequence[tuple[Array, float]] = (),
) -> Zones:  # fmt: skip
    """
    Zones a field file asks for.

    Parameters
    ----------
    share : ndarray, shape (rows, cols)
        Share of each cell that is treated.
    ledger : Ledger
        Of the cells.
    need_se : ndarray, shape (rows, cols), optional
        Standard error of a cell's need. [lb/ac]
    extra : sequence of (ndarray, float)
        The user's extra layers on the grid, with their weights, for ``by = "layers"``.

    Raises
    ------
    InputFileError
        If the user's own zones are not polygons, or do not fit the field.

    Notes
    -----
    Zones are drawn on what a cell may get: its need between 0 and the cap of this pass. Above the cap no zone can do
    better than its neighbour.
    """
    settings = field.settings
    if field.zones is not None:
        if not isinstance(field.zones, PolygonLayer):
            problem = f"zones.file: {field.zones.name} does not hold polygons."
            raise InputFileError(problem, "Give a vector file of polygons with a zone number.")
        return from_polygons(field.zones, grid=grid, share=share, treated=field.treated)
    rules = rules_of(settings)
    cap = min(rules.max_n_lb_ac, rules.machine_max_n_lb_ac)
    need = grid.in_rows(ledger.unclipped_lb_ac)
    choices = {
        "grid": grid, "share": share, "treated": field.treated,
        "least_patch_m2": least_patch_m2(settings.machine, settings.zones.least_patch_ac),
        "least_width_m": settings.machine.swath_ft * FT_M, "step": settings.machine.rate_step_n_lb_ac,
        "count": settings.zones.count, "value_se": need_se,
        "losses": payoff_of(settings, ledger),
    }  # fmt: skip
    values = np.clip(need, 0.0, cap)
    if settings.zones.by == "cells":
        return _every_step(need, cap, field, payoff=payoff_of(settings, ledger), grid=grid, share=share)
    if settings.zones.by == "layers":
        columns = [grid.in_rows(line.lb_ac) for line in ledger.lines]
        return by_layers(values, columns, extra=extra, **choices)
    return draw(values, **choices)


def _every_step(need: Array, cap: float, field: Field, *, payoff: Payoff | None, grid: Grid, share: Array) -> Zones:
    """Rates cell by cell: no piece under a swath wide and a swath, or two changes of rate, long."""
    machine, known = field.settings.machine, np.isfinite(need) & (share > 0)
    swath_m, change_m = machine.swath_ft * FT_M, machine.rate_change_s * machine.speed_mph * MPH_M_S
    if payoff is not None and known.any():  # of even ground, so that steps of the rate are cut where rates turn
        middle = np.array([np.average(need[known], weights=share[known])])
        need = need + payoff.best(middle, np.ones(1)) - middle
    patch_m2 = max(swath_m * max(swath_m, 2.0 * change_m), (field.settings.zones.least_patch_ac or 0.0) * AC_M2)
    return by_steps(
        np.clip(need, 0.0, cap), grid=grid, share=share, treated=field.treated, step=machine.rate_step_n_lb_ac,
        least_patch_m2=patch_m2, least_width_m=swath_m,
    )  # fmt: skip


def least_patch_m2(machine: MachineSection, least_patch_ac: float | None) -> float:
    """Smallest patch worth a rate of its own.

    A swath of 60 ft is 18.288 m; three are 54.9 m, four changes of 2 s at 8 mph 28.6 m; about half an acre:

    >>> round(least_patch_m2(MachineSection(swath_ft=60.0, speed_mph=8.0, rate_change_s=2.0), None), 1)
    2006.7
    """
    swath_m = machine.swath_ft * FT_M
    change_m = machine.rate_change_s * machine.speed_mph * MPH_M_S
    return max(2.0 * swath_m * max(3.0 * swath_m, 4.0 * change_m), (least_patch_ac or 0.0) * AC_M2)
