"""The need of a reading or of every cell: by the field file's method with its findings, and by every method."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError, OutsideCalibrationError
from vrn.findings import Finding, Quantity, note, warning
from vrn.nitrogen.catalogue import assumed_deep_ppm, inputs_of, known_inputs, method_ledger, methods
from vrn.nitrogen.catalogue import method as method_of
from vrn.nitrogen.cautions import double_counting
from vrn.nitrogen.ledger import Ledger
from vrn.nitrogen.lines import Values
from vrn.nitrogen.method import NOT_ON_SAND, SEASON_TOTAL, Method
from vrn.nitrogen.profile_methods import nebraska_price_factor
from vrn.nitrogen.season import Season
from vrn.nitrogen.stage import WARMTH_KEY

_PROFILE_IN: Final = 24.0


def need_of_cells(
    options: Mapping[str, Any], *, nitrate_ppm: ArrayLike, top_in: float, bottom_in: float,
    growth_stage: str | ArrayLike | None = None, yield_goal_bu_ac: ArrayLike | None = None,
    organic_matter_pct: ArrayLike | None = None, deep_nitrate_ppm: ArrayLike | None = None,
    deep_top_in: float | None = None, deep_bottom_in: float | None = None,
    credits_lb_ac: Mapping[str, Any] | None = None, applied_lb_ac: ArrayLike | None = None,
    season: Season | None = None, price_ratio: float | None = None, to_build: bool = True,
    allow_outside: bool = False,
) -> tuple[Ledger, tuple[Finding, ...]]:  # fmt: skip
    """Ledger of one reading or of every cell by the chosen method.

    Raises OutOfRangeError if a required input is missing or a number is one no field can have. Raises
    OutsideCalibrationError if depth or stage do not fit the method, or a season's total would be built as a rate for
    now.

    `options`: ``method`` and the settings of the field file's ``[nitrogen]`` by their names; None is the same as
    absent. `growth_stage`: leaf-collar stage on the sampling date; the season's when not given. `credits_lb_ac`:
    nitrogen that appears after sampling, by name. `applied_lb_ac` (n,): already put on, as a map or a number; the
    season's list when not given. `season`: dates, applications and weather (``season_of``). `price_ratio`: $/lb N over
    $/bu corn. `to_build`: refuse a season's total when nothing is known of what is already applied. `allow_outside`:
    work outside the calibration too (to show, not to build).
    """
    chosen = method_of(str(options.get("method") or "remaining-need"))
    season = season or Season(growth_stage=None)
    stage = season.growth_stage if growth_stage is None else growth_stage
    known = known_inputs(
        options,
        season,
        {
            "nitrate_ppm": nitrate_ppm, "top_in": top_in, "bottom_in": bottom_in, "growth_stage": stage,
            "yield_goal_bu_ac": yield_goal_bu_ac, "organic_matter_pct": organic_matter_pct,
            "deep_nitrate_ppm": deep_nitrate_ppm, "deep_top_in": deep_top_in, "deep_bottom_in": deep_bottom_in,
            "credits_lb_ac": credits_lb_ac, "applied_lb_ac": applied_lb_ac, "price_ratio": price_ratio,
        },
    )  # fmt: skip
    if to_build and not allow_outside:
        _refuse(chosen, season, stage, applied_lb_ac)
    ledger = method_ledger(chosen, known, season, applied_lb_ac, allow_outside=allow_outside)
    balance = chosen.kind == "remaining"
    return ledger, (
        *(found for found in season.findings if balance or found.about != WARMTH_KEY),
        *double_counting(
            chosen, credits_lb_ac=credits_lb_ac, applications=season.applications, sampled_on=season.sampled_on,
            applied_map_lb_ac=applied_lb_ac, not_yet_before=season.not_yet_before,
        ),
        *_assumed(chosen, ledger, season, known, applied_lb_ac),
        *ledger.findings,
    )  # fmt: skip


def _refuse(chosen: Method, season: Season, stage: Any, applied_lb_ac: ArrayLike | None) -> None:
    """Refuse to build what cannot be checked: a window without a stage, a season's total with nothing known on it."""
    if chosen.stages is not None and stage is None:
        problem = f"{chosen.key} holds from {chosen.stages[0]} to {chosen.stages[1]}, and the stage is not known."
        raise OutsideCalibrationError(
            problem, "Count leaf collars and set growth_stage; or give planting_date and [weather]."
        )
    if chosen.kind == "season" and season.applied_lb_ac is None and applied_lb_ac is None:
        problem = (
            f"{chosen.key} gives a season total, not a sidedress rate, and nothing is known of what is already on."
        )
        raise OutsideCalibrationError(
            problem,
            'List what was applied under [[applications]]; or write applications = "none" at the top of the file.',
        )


def _assumed(chosen: Method, ledger: Ledger, season: Season, known: Mapping[str, Any],
             applied_lb_ac: ArrayLike | None) -> list[Finding]:  # fmt: skip
    """What was assumed on the way to this ledger, and what is unknown in it."""
    findings = []
    bottom_in = float(known.get("bottom_in") or _PROFILE_IN)
    below = {"top": Quantity("depth", bottom_in), "bottom": Quantity("depth", _PROFILE_IN)}
    if chosen.stages is not None and known.get("growth_stage") is None:
        first, last = chosen.stages
        findings.append(note("methods.stage-not-checked", "crop.growth_stage", first=first, last=last))
    if chosen.takes("deep_nitrate_ppm") and known.get("deep_nitrate_ppm") is None and bottom_in < _PROFILE_IN:
        findings.append(note("nitrogen.depth-not-sampled", "samples", **below))
    sandy = "sand" in str(known.get("texture") or "").lower()
    if chosen.kind != "remaining":
        findings += [
            replace(caution, level="warning") if sandy and caution.code == NOT_ON_SAND else caution
            for caution in chosen.cautions
        ]
    ratio = known.get("price_ratio")
    if chosen.takes("price_factor") and ratio and known.get("price_factor") is None:
        factor = Quantity("number", float(nebraska_price_factor(1.0, ratio)))
        findings.append(note("methods.price-factor-not-set", "nitrogen.price_factor", factor=factor))
    assumed = assumed_deep_ppm(chosen, known)
    if assumed is not None:
        nitrate = Quantity("concentration", assumed)
        findings.append(warning("nitrogen.depth-assumed", "samples", nitrate=nitrate, **below))
    mapped = applied_lb_ac is not None and bool(np.any(np.asarray(applied_lb_ac) > 0))
    if chosen.kind != "season" and mapped and not season.applications:
        here = "" if chosen.kind == "remaining" else "-here"
        findings.append(warning(f"nitrogen.applied-without-dates{here}", "applied"))
    unknown = np.isnan(ledger.unclipped_lb_ac)
    if np.any(unknown):
        count, cells = int(np.count_nonzero(unknown)), int(np.size(unknown))
        findings.append(warning("nitrogen.need-unknown", "need", unknown=count, cells=cells))
    return findings


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
    """Every method on the same samples.

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
    method: Method, known: Values, season: Season, applied_lb_ac: ArrayLike | None, mean: Mean | None
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
