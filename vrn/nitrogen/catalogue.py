"""Every method by its key, and one method's ledger from what is known of a reading or of every cell."""

import copyreg
import difflib
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from vrn.errors import OutOfRangeError
from vrn.findings import note
from vrn.nitrogen.applied import NotYetNitrate
from vrn.nitrogen.late_spring import IOWA_LSNT, MICHIGAN_PSNT, OHIO_PSNT, PENN_STATE_2023, PENN_STATE_PSNT
from vrn.nitrogen.ledger import Ledger, Number, as_number, worded
from vrn.nitrogen.lines import Values, applied_lines, line_of
from vrn.nitrogen.method import Example, Input, Method, Working
from vrn.nitrogen.profile_methods import KANSAS, MINNESOTA_WEST, NEBRASKA, SOUTH_DAKOTA
from vrn.nitrogen.remaining_need import REMAINING_NEED, SHARE_GIVEN, bulk_density_of
from vrn.nitrogen.season import Season

_OPTIMUM_SOURCE: Final = "Sawyer et al. 2006, Iowa State University PM 2015 (price ratio, return to nitrogen); calculus"


def _optimum_rule(values: Values) -> Working:
    from vrn.response.fit import optimum_n_lb_ac

    best = optimum_n_lb_ac(values["b"], values["c"], price_ratio=values["price_ratio"],
                           highest_rate_lb_ac=values.get("highest_rate_lb_ac"))  # fmt: skip
    tried = "" if "highest_rate_lb_ac" not in values else ", at most {highest_rate_lb_ac} lb/ac, the highest tried"
    line = line_of(values, key="optimum", label="Best-paying rate of the season", lb_ac=best, source=_OPTIMUM_SOURCE,
                   basis="({price_ratio} − {b}) ÷ (2 × {c}), between 0 and the top of the response" + tried,
                   )  # fmt: skip
    return Working(lines=(line, *applied_lines(values)))


_ECONOMIC_OPTIMUM: Final = Method(
    key="economic-optimum",
    title="Best-paying rate of a yield response",
    formula="(price ratio − b) ÷ 2c, between 0 and −b ÷ 2c",
    region="where the response was measured",
    source=_OPTIMUM_SOURCE,
    factor="none: it takes no soil test",
    contains="everything the trial's soil supplied; a response for a rotation already holds the previous crop's credit",
    kind="season",
    inputs=(
        Input(name="b", meaning="bu/ac for the first pound", low=-10, high=10, required=True),
        Input(name="c", meaning="bend of the response, below 0", low=-1, high=1, required=True),
        Input(name="price_ratio", meaning="$/lb N over $/bu corn", low=0, high=5, required=True),
        Input(name="applied_lb_ac", meaning="already applied this season, subtracted", low=0, high=500),
        Input(name="highest_rate_lb_ac", meaning="highest rate of the trial", low=0, high=1000),
    ),
    example=Example(
        inputs={"b": 1.2, "c": -0.003, "price_ratio": 0.10},
        need_lb_ac=183.333,
        source="worked from the derivative: (0.10 − 1.2) ÷ (2 × −0.003) = 183.3 lb/ac",
    ),
    cautions=(note("methods.one-trial-is-one-draw", "nitrogen.method"),),
    rule=_optimum_rule,
)  # fmt: skip
_METHODS: Final = {
    item.key: item
    for item in (
        REMAINING_NEED, NEBRASKA, IOWA_LSNT, KANSAS, PENN_STATE_PSNT, PENN_STATE_2023, OHIO_PSNT, MICHIGAN_PSNT,
        MINNESOTA_WEST, SOUTH_DAKOTA, _ECONOMIC_OPTIMUM,
    )
}  # fmt: skip


def methods() -> tuple[Method, ...]:
    """
    Every published method, the mass balance first.

    Examples
    --------
    >>> [item.key for item in methods()][:2]
    ['remaining-need', 'nebraska']
    """
    return tuple(_METHODS.values())


def method(key: str) -> Method:
    """
    One method by its key.

    Parameters
    ----------
    key : str
        As ``vrn methods`` lists them.

    Raises
    ------
    OutOfRangeError
        If there is none of that key.

    Examples
    --------
    >>> method("iowa-lsnt").need(nitrate_ppm=16.0).need_lb_ac
    72.0
    """
    if key in _METHODS:
        return _METHODS[key]
    near = difflib.get_close_matches(key, _METHODS, n=1)
    problem = f"There is no method {key!r}."
    remedy = f"Did you mean {near[0]!r}?" if near else "Use one of: " + ", ".join(_METHODS) + "."
    raise OutOfRangeError(problem, remedy)


# another process has the same methods: one goes there by its key
copyreg.pickle(Method, lambda item: (method, (item.key,)))


_OF_NO_METHOD: Final = ("method", "method_reason", "method_sd_lb_ac", "response_trial", "response_columns",
                        "drainage", "tile")  # fmt: skip
_ALWAYS: Final = ("top_in", "bottom_in", "growth_stage")
_RENAMED: Final = {"response_b": "b", "response_c": "c"}
_PROFILE_IN: Final = 24.0
_NEBRASKA_DEEP_PPM: Final = 3.0  # medium and fine soils, without a deep sample (Nebraska, CropWatch 9 July 2019)
_NEBRASKA_SAND_PPM: Final = 1.5


def inputs_of(method: Method, known: Mapping[str, Any]) -> Values:
    """The part of what is known that a method takes, with depth and stage, and its profile by its own factor.

    `texture` may be among what is known; None is the same as absent.

    10 ppm over 8 ppm in two feet, 0.3 lb/ac for each ppm and inch: 36 + 28.8 = 64.8:

    >>> from vrn.nitrogen.catalogue import method
    >>> known = {"nitrate_ppm": 10.0, "bottom_in": 12.0, "deep_nitrate_ppm": 8.0, "deep_bottom_in": 24.0}
    >>> round(inputs_of(method("kansas"), known)["profile_nitrate_lb_ac"], 1)
    64.8
    """
    given = {_RENAMED.get(name, name): value for name, value in known.items() if value is not None}
    texture = given.pop("texture", None)
    if texture is not None and method.takes("bulk_density_g_cm3"):
        given.setdefault("bulk_density_g_cm3", bulk_density_of(str(texture)))
    if method.takes("profile_nitrate_ppm") or method.takes("profile_nitrate_lb_ac"):
        given |= _profile(method, given, texture)
    return {name: value for name, value in given.items() if method.takes(name) or name in _ALWAYS}


def _profile(method: Method, given: Values, texture: str | None) -> Values:
    """Nitrate of 0–24 in as the method wants it; empty when the second foot is not known and it has no default."""
    wanted = "profile_nitrate_lb_ac" if method.takes("profile_nitrate_lb_ac") else "profile_nitrate_ppm"
    if wanted in given:
        return {"bottom_in": max(float(given.get("bottom_in", _PROFILE_IN)), _PROFILE_IN)}
    if "profile_nitrate_ppm" in given:
        mean = as_number(given["profile_nitrate_ppm"])
    else:
        found = _profile_mean_ppm(method, given, texture)
        if found is None:
            return {}
        mean = found
    if wanted == "profile_nitrate_ppm":
        return {wanted: mean, "bottom_in": _PROFILE_IN}
    per_ppm_in = float(given.get("profile_lb_ac_per_ppm_in", method.profile_lb_ac_per_ppm_in or 0.0))
    return {wanted: mean * (per_ppm_in * _PROFILE_IN), "profile_nitrate_ppm": mean, "bottom_in": _PROFILE_IN}


def assumed_deep_ppm(method: Method, known: Mapping[str, Any]) -> float | None:
    """What a method takes for a second foot that was not pulled; None where it was pulled or the method takes nothing.

    >>> from vrn.nitrogen.catalogue import method
    >>> [assumed_deep_ppm(method(key), {"bottom_in": 12.0}) for key in ("nebraska", "kansas")]
    [3.0, None]
    """
    measured = any(known.get(name) is not None for name in ("deep_nitrate_ppm", "profile_nitrate_ppm"))
    if method.key != "nebraska" or measured or float(known.get("bottom_in") or _PROFILE_IN) >= _PROFILE_IN:
        return None
    texture = known.get("texture")
    return _NEBRASKA_SAND_PPM if texture is not None and "sand" in str(texture).lower() else _NEBRASKA_DEEP_PPM


def _profile_mean_ppm(method: Method, given: Values, texture: str | None) -> Number | None:
    """Depth-weighted mean of 0–24 in; Nebraska's own figure where no second foot was pulled."""
    if "nitrate_ppm" not in given or "bottom_in" not in given:
        return None
    bottom = min(float(given["bottom_in"]), _PROFILE_IN)
    top = as_number(given["nitrate_ppm"])
    if bottom >= _PROFILE_IN:
        return top
    begins = float(given.get("deep_top_in", bottom))
    deep = given.get("deep_nitrate_ppm")
    if deep is not None and begins == bottom and float(given.get("deep_bottom_in", _PROFILE_IN)) >= _PROFILE_IN:
        below = as_number(deep)
    else:
        assumed = assumed_deep_ppm(method, {**given, "texture": texture})
        if assumed is None:
            return None
        below = assumed
    return (top * bottom + below * (_PROFILE_IN - bottom)) / _PROFILE_IN


def known_inputs(options: Mapping[str, Any], season: Season, known: Mapping[str, Any]) -> Values:
    """Options of the field file and what was read, by the names of the methods' inputs; the season's share fills in.

    >>> known_inputs({"method": "nebraska", "critical_ppm": 21.0}, Season(growth_stage="V6"), {"nitrate_ppm": 9.0})
    {'critical_ppm': 21.0, 'nitrate_ppm': 9.0}
    """
    given = {**options, **known}
    merged = {name: value for name, value in given.items() if value is not None and name not in _OF_NO_METHOD}
    if season.mineralization_share_left is not None:
        merged.setdefault("mineralization_share_left", season.mineralization_share_left)
    return merged


def method_ledger(
    chosen: Method, known: Mapping[str, Any], season: Season, applied_lb_ac: ArrayLike | None = None, *,
    allow_outside: bool = False,
) -> Ledger:  # fmt: skip
    """Ledger of one method with what was applied, as each kind of method wants it.

    `known` as `known_inputs` gives it; with a map of what is on, the season's list only tells when. A mass balance adds
    what was not yet nitrate at sampling, and so does a preplant profile, for neither has seen it; a rate for now
    subtracts what went on after sampling; a season's total subtracts all that is on.
    """
    total = season.applied_lb_ac
    scale = None if applied_lb_ac is None or not total else as_number(applied_lb_ac) / total
    known = {**_left(season, applied_lb_ac, scale), **known}
    inputs = inputs_of(chosen, {**known, "applied_lb_ac": _applied(chosen, season, applied_lb_ac, scale)})
    ledger = chosen.need(allow_outside=allow_outside, **inputs)
    if chosen.kind == "remaining":
        ledger = _with_warmth(ledger, season, known)
        return _with_not_yet(ledger, season.not_yet, total, scale)
    if chosen.of_a_profile:
        before = season.not_yet_before
        unseen = before is not None and bool(np.any(np.asarray(before.high_lb_ac) > 0))
        return _with_not_yet(ledger, before, total, scale) if unseen else ledger
    after = season.applied_after_sampling_lb_ac
    if chosen.kind == "sidedress" and np.any(np.asarray(after) > 0):
        pounds = after if scale is None else after * scale
        given = {"applied_after_sampling_lb_ac": pounds}
        line = line_of(given, key="applied", code="applied-after", label="Applied after the cores were pulled",
                       lb_ac=-pounds, source="field file",
                       basis="{applied_after_sampling_lb_ac} lb/ac, not in the test")  # fmt: skip
        return ledger.plus(line, inputs=given)
    return ledger


def _left(season: Season, applied_lb_ac: ArrayLike | None, scale: Number | None) -> Values:
    """Most and least that is left of what was applied, where the field file lists it and its losses were followed."""
    left = season.applied_left_lb_ac
    if left is None or (applied_lb_ac is not None and scale is None):
        return {}
    by = 1.0 if scale is None else scale
    return {"applied_left_lb_ac": left[1] * by, "applied_left_low_lb_ac": left[0] * by}


def _applied(method: Method, season: Season, applied_lb_ac: ArrayLike | None, scale: Number | None) -> Number | None:
    """What a method of a season's total subtracts: all that is on, or, for a preplant profile, what came after it."""
    if method.kind != "season":
        return None
    if method.of_a_profile and season.applications:
        after = season.applied_after_sampling_lb_ac
        return after if scale is None else after * scale
    return season.applied_lb_ac if applied_lb_ac is None else as_number(applied_lb_ac)


def _with_warmth(ledger: Ledger, season: Season, known: Mapping[str, Any]) -> Ledger:
    """The source of the season's share of mineralization beside its line."""
    if season.mineralization_share_left is None or not season.mineralization_source:
        return ledger
    if known.get("mineralization_share_left") is not season.mineralization_share_left:
        return ledger
    lines = tuple(
        replace(line, source=line.source.replace(SHARE_GIVEN, season.mineralization_source)) for line in ledger.lines
    )
    return replace(ledger, lines=lines)


def _with_not_yet(ledger: Ledger, found: NotYetNitrate | None, total: float | None, scale: Number | None) -> Ledger:
    """The ledger with what was applied and not yet nitrate, its range taken into the band."""
    if found is None or total is None:
        return ledger
    line, low, high = found.line, found.low_lb_ac, found.high_lb_ac
    inputs: dict[str, Number] = {}
    by: Number = 1.0
    if scale is not None:
        by, inputs = scale, {"applied_map_lb_ac": scale * total}
        basis = f"{{applied_map_lb_ac}} lb/ac by the map ÷ {total:g} lb/ac in the list × {line.basis}"
        line = replace(line, lb_ac=line.lb_ac * by, basis=worded(basis, inputs), template=basis)
    middle = 0.5 * (low + high)
    joined = ledger.plus(line, findings=found.findings, inputs=inputs)
    if joined.low_lb_ac is None or joined.high_lb_ac is None:
        return joined
    return replace(
        joined, low_lb_ac=joined.low_lb_ac - (high - middle) * by, high_lb_ac=joined.high_lb_ac + (middle - low) * by
    )
