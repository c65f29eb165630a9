"""What every published method says of the same samples, and which of them do not hold there and why."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.findings import Finding, Quantity, note
from vrn.nitrogen.catalogue import methods
from vrn.nitrogen.ledger import Ledger
from vrn.nitrogen.method import SEASON_TOTAL, Method
from vrn.nitrogen.method_ledger import inputs_of, known_inputs, method_ledger
from vrn.nitrogen.season import Season

_NEEDS: Final = {
    "nitrate_ppm": "methods.needs-nitrate", "top_in": "methods.needs-depth", "bottom_in": "methods.needs-depth",
    "yield_goal_bu_ac": "methods.needs-yield-goal", "growth_stage": "methods.needs-growth-stage",
    "organic_matter_pct": "methods.needs-organic-matter", "history_factor": "methods.needs-history-factor",
    "base_rate_lb_ac": "methods.needs-base-rate", "b": "methods.needs-response", "c": "methods.needs-response",
    "price_ratio": "methods.needs-prices", "profile_nitrate_ppm": "methods.needs-deep-nitrate",
    "profile_nitrate_lb_ac": "methods.needs-deep-nitrate",
}  # fmt: skip
_PROFILE: Final = {"top": Quantity("depth", 0.0), "bottom": Quantity("depth", 24.0)}
_ORDER: Final = ("applies", "outside", "missing")
Mean = Callable[[NDArray[np.float64]], float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MethodResult:
    """What one method says."""

    method: Method
    # `outside`: worked all the same, to be looked at; `missing`: not worked
    status: Literal["applies", "outside", "missing"]
    need_lb_ac: float | None  # mean over the field of a need that is never below 0 [lb/ac]
    # least and greatest over the cells; None for one reading [lb/ac]
    low_lb_ac: float | None = None
    high_lb_ac: float | None = None
    reasons: tuple[Finding, ...] = ()  # why it does not hold, what is missing, and what it is (a season's total)
    ledger: Ledger | None = None
    # need of each zone's mean ledger, by the zone's number; empty until there are zones [lb/ac]
    by_zone: dict[int, float] = field(default_factory=dict)

    def of_zones(self, zone: NDArray[np.int32], weights: NDArray[np.float64]) -> "MethodResult":
        """The result with the need of each zone in place of the ledger; zone and weight of each of its cells."""
        if self.ledger is None:
            return self
        total = np.broadcast_to(np.asarray(self.ledger.unclipped_lb_ac, dtype=float), zone.shape)
        by_zone = {}
        for number in range(1, int(zone.max(initial=0)) + 1):
            rows = (zone == number) & np.isfinite(total)
            if rows.any():
                by_zone[number] = max(float(np.average(total[rows], weights=weights[rows])), 0.0)
        return replace(self, ledger=None, by_zone=by_zone)


def side_by_side(
    options: Mapping[str, Any], known: Mapping[str, Any], *, season: Season | None = None,
    applied_lb_ac: ArrayLike | None = None, mean: Mean | None = None,
) -> tuple[MethodResult, ...]:  # fmt: skip
    """
    Every method on the same samples.

    `known` as `need_of_cells` takes it; `mean` is by area over the cells of a field, the plain mean when not given.
    Those that hold come first, in the catalogue's order.

    >>> results = side_by_side({}, {"nitrate_ppm": 15.0, "top_in": 0.0, "bottom_in": 12.0, "growth_stage": "V6"})
    >>> [(result.method.key, result.need_lb_ac) for result in results if result.status == "applies"]
    [('iowa-lsnt', 80.0)]
    """
    season = season or Season(growth_stage=None)
    everything = known_inputs(options, season, known)
    if "growth_stage" not in everything and season.growth_stage is not None:
        everything["growth_stage"] = season.growth_stage
    results = [_result(item, everything, season, applied_lb_ac, mean) for item in methods()]
    return tuple(sorted(results, key=lambda result: _ORDER.index(result.status)))


def _result(
    method: Method, known: dict[str, Any], season: Season, applied_lb_ac: ArrayLike | None, mean: Mean | None
) -> MethodResult:
    inputs = inputs_of(method, known)
    absent = dict.fromkeys(_NEEDS[name] for name in method.missing(**inputs))
    if absent:
        reasons = tuple(
            note(code, "nitrogen.method", **(_PROFILE if code == "methods.needs-deep-nitrate" else {}))
            for code in absent
        )
        return MethodResult(method=method, status="missing", need_lb_ac=None, reasons=reasons)
    try:
        outside = method.outside(**inputs)
        ledger = method_ledger(method, known, season, applied_lb_ac, allow_outside=True)
    except OutOfRangeError as error:
        reason = note("methods.cannot-run", "nitrogen.method", problem=error.problem, remedy=error.remedy)
        return MethodResult(method=method, status="missing", need_lb_ac=None, reasons=(reason,))
    reasons = outside
    unlisted = applied_lb_ac is not None and not season.applications and np.any(np.asarray(applied_lb_ac) > 0)
    if method.kind == "season" and applied_lb_ac is None and season.applied_lb_ac is None:
        reasons += (SEASON_TOTAL,)
    elif method.kind != "season" and unlisted:
        reasons += (note("nitrogen.applied-without-dates", "applied"),)
    need = np.asarray(ledger.need_lb_ac, dtype=float)
    low = high = None
    if need.ndim and np.isfinite(need).any():
        low, high = float(np.nanmin(need)), float(np.nanmax(need))
    average = float(need) if not need.ndim else mean(need) if mean is not None else float(np.nanmean(need))
    return MethodResult(
        method=method, status="outside" if outside else "applies", need_lb_ac=average, low_lb_ac=low, high_lb_ac=high,
        reasons=reasons, ledger=ledger,
    )  # fmt: skip
