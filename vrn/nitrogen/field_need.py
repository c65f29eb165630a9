"""The need of a reading or of every cell: by the field file's method with its findings, and by every method."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError, OutsideCalibrationError
from vrn.findings import Finding, Quantity, note, warning
from vrn.nitrogen.catalogue import assumed_deep_ppm, inputs_of, known_inputs, method_ledger, methods
from vrn.nitrogen.catalogue import method as method_of
from vrn.nitrogen.cautions import double_counting
from vrn.nitrogen.doubt import FOOT_IN, SECOND_FOOT_SHARE
from vrn.nitrogen.ledger import Ledger
from vrn.nitrogen.lines import Values
from vrn.nitrogen.method import NOT_ON_SAND, SEASON_TOTAL, Method
from vrn.nitrogen.profile_methods import nebraska_price_factor
from vrn.nitrogen.remaining_need import nitrate_lb_ac
from vrn.nitrogen.season import Season
from vrn.nitrogen.stage import WARMTH_KEY, stage_position

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
        likely = _likely_below(ledger, bottom_in)
        code = "nitrogen.depth-not-sampled" if likely is None else "nitrogen.depth-not-sampled-likely"
        findings.append(note(code, "samples", **below, **({} if likely is None else {"likely": likely})))
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


def _likely_below(ledger: Ledger, bottom_in: float) -> Quantity | None:
    """What the second foot likely holds by the first; None where the top core is another depth."""
    top_ppm, density = (np.asarray(ledger.inputs.get(name, np.nan)) for name in ("nitrate_ppm", "bulk_density_g_cm3"))
    if not 11.5 <= bottom_in <= FOOT_IN or not np.isfinite(top_ppm).any() or not np.isfinite(density).all():
        return None
    below_ppm = SECOND_FOOT_SHARE * float(top_ppm[np.isfinite(top_ppm)].mean())
    pounds = nitrate_lb_ac(below_ppm, top_in=12.0, bottom_in=_PROFILE_IN, bulk_density_g_cm3=float(density.mean()))
    return Quantity("whole_amount", float(pounds))


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


_APART_LB_AC: Final = 30.0  # between a calibrated test and the method that builds
_LITTLE_RESPONSE_PPM: Final = 20.0
"""Top foot at and above which trials with tests between V4 and V6 found little response: Minnesota 20, Oregon 21 (Marx
1995), Iowa 23 to 26."""
_STILL_ASKED_LB_AC: Final = 20.0
_FOOT_IN: Final = (11.5, 12.5)
_WINDOW: Final = ("V4", "V6")
_HERE: Final = 0  # number of the one place where there are no zones


def disagreements(
    results: Sequence[MethodResult], chosen: str, *, nitrate_ppm: Mapping[int, float], bottom_in: float,
    growth_stage: str | ArrayLike | None, deep_sampled: bool, reason: str | None = None,
) -> tuple[Finding, ...]:  # fmt: skip
    """What calibrated tests in their window say against the method that builds; a warning until it has its reason.

    `results`: of every method, by zone where there are zones. `chosen`: key of the method that builds. `nitrate_ppm`:
    of the top core by the zone's number; of one reading by 0. `bottom_in`: where that core ends. `deep_sampled`:
    whether a profile of two feet was pulled, not assumed. `reason`: why the method is followed all the same.
    """
    own = next((one for one in results if one.method.key == chosen and one.need_lb_ac is not None), None)
    if own is None or own.need_lb_ac is None or growth_stage is None:
        return ()
    tell, answered = (warning, "") if reason is None else (note, "-answered")
    here = "-here" if set(nitrate_ppm) == {_HERE} else answered
    of_own, why = own.by_zone or {_HERE: own.need_lb_ac}, {} if reason is None else {"reason": reason}
    found = []
    for test in results:
        in_window = test.status == "applies" and test.method.calibrated and test.method.stages is not None
        in_window &= deep_sampled or not test.method.of_a_profile
        in_window &= "manured" not in test.method.region  # what earlier years were given is not known
        whole = SEASON_TOTAL not in test.reasons  # a season's total from which nothing was subtracted is no rate
        if test is own or not in_window or not whole or test.need_lb_ac is None:
            continue
        if abs(test.need_lb_ac - own.need_lb_ac) > _APART_LB_AC:
            of_test = test.by_zone or {_HERE: test.need_lb_ac}
            apart = [zone for zone in of_own if abs(of_own[zone] - of_test.get(zone, np.nan)) > _APART_LB_AC]
            found.append(
                tell(f"methods.test-differs{here}", "nitrogen.method", test=test.method.title,
                     theirs=Quantity("whole_amount", test.need_lb_ac), zones=_listed(apart or of_own),
                     ours=Quantity("whole_amount", own.need_lb_ac), **why)
            )  # fmt: skip
    if not own.method.calibrated and _FOOT_IN[0] <= bottom_in <= _FOOT_IN[1] and _in_window(growth_stage):
        high = [zone for zone, ppm in nitrate_ppm.items() if ppm >= _LITTLE_RESPONSE_PPM
                and of_own.get(zone, 0.0) > _STILL_ASKED_LB_AC]  # fmt: skip
        if high:
            most = max(high, key=lambda zone: nitrate_ppm[zone])
            found.append(
                tell(f"methods.high-nitrate{here}", "nitrogen.method", zones=_listed(high),
                     nitrate=Quantity("concentration", nitrate_ppm[most]),
                     need=Quantity("whole_amount", of_own[most]), **why)
            )  # fmt: skip
    return tuple(found)


def _listed(zones: Iterable[int]) -> str:
    return ", ".join(str(zone) for zone in zones)


def _in_window(growth_stage: str | ArrayLike) -> bool:
    """Whether a stage lies between V4 and V6, V6 until the seventh collar shows."""
    first, last = (stage_position(stage) for stage in _WINDOW)
    stage = np.floor(stage_position(growth_stage))
    return bool(np.all((first <= stage) & (stage <= last)))


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
