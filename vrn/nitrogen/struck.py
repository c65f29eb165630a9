"""One method's ledger with what was already applied, as each kind of method wants it."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from vrn.nitrogen.applied import NotYetNitrate
from vrn.nitrogen.inputs import inputs_of
from vrn.nitrogen.ledger import Ledger, Line, Number, as_number, worded
from vrn.nitrogen.method import Method
from vrn.nitrogen.remaining_need import SHARE_GIVEN
from vrn.nitrogen.season import Season

_PROFILE_IN: Final = 24.0


def known_of(options: Mapping[str, Any], season: Season, known: Mapping[str, Any]) -> dict[str, Any]:
    """
    Options of the field file and what was read, by the names of the methods' inputs; the season's share fills in.

    Examples
    --------
    >>> known_of({"method": "nebraska", "critical_ppm": 21.0}, Season(growth_stage="V6"), {"nitrate_ppm": 9.0})
    {'critical_ppm': 21.0, 'nitrate_ppm': 9.0}
    """
    merged = {name: value for name, value in {**options, **known}.items() if value is not None and name != "method"}
    if season.mineralization_share_left is not None:
        merged.setdefault("mineralization_share_left", season.mineralization_share_left)
    merged.pop("response_trial", None)
    return merged


def struck(
    chosen: Method, known: Mapping[str, Any], season: Season, applied_lb_ac: ArrayLike | None = None, *,
    allow_outside: bool = False,
) -> Ledger:  # fmt: skip
    """
    Ledger of one method with what was applied, as each kind of method wants it.

    Parameters
    ----------
    chosen : Method
    known : mapping of str to value
        As ``known_of`` gives it.
    season : Season
    applied_lb_ac : array_like, optional
        Map of what is on; the season's list then only tells when. [lb/ac]
    allow_outside : bool

    Returns
    -------
    ledger : Ledger

    Notes
    -----
    A mass balance adds what was not yet nitrate at sampling, and so does a preplant profile, for neither has seen it;
    a rate for now subtracts what went on after sampling; a season's total subtracts all that is on.
    """
    total = season.applied_lb_ac
    scale = None if applied_lb_ac is None or not total else as_number(applied_lb_ac) / total
    inputs = inputs_of(chosen, {**known, "applied_lb_ac": _applied(chosen, season, applied_lb_ac, scale)})
    ledger = chosen.need(allow_outside=allow_outside, **inputs)
    if chosen.kind == "remaining":
        ledger = _with_warmth(ledger, season, known)
        return _with_not_yet(ledger, season.not_yet, total, scale)
    if _of_a_profile(chosen):
        before = season.not_yet_before
        unseen = before is not None and bool(np.any(np.asarray(before.high_lb_ac) > 0))
        return _with_not_yet(ledger, before, total, scale) if unseen else ledger
    after = season.applied_after_sampling_lb_ac
    if chosen.kind == "sidedress" and np.any(np.asarray(after) > 0):
        basis = "{applied_after_sampling_lb_ac} lb/ac, not in the test"
        pounds = after if scale is None else after * scale
        line = Line(key="applied", label="Applied after the cores were pulled", lb_ac=-pounds, source="field file",
                    basis=worded(basis, {"applied_after_sampling_lb_ac": pounds}), template=basis)  # fmt: skip
        return ledger.plus(line, inputs={"applied_after_sampling_lb_ac": pounds})
    return ledger


def _of_a_profile(method: Method) -> bool:
    return method.bottom_in is not None and method.bottom_in[0] >= _PROFILE_IN


def _applied(method: Method, season: Season, applied_lb_ac: ArrayLike | None, scale: Number | None) -> Number | None:
    """What a method of a season's total subtracts: all that is on, or, for a preplant profile, what came after it."""
    if method.kind != "season":
        return None
    if _of_a_profile(method) and season.applications:
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
    joined = ledger.plus(line, notes=found.notes, inputs=inputs)
    if joined.low_lb_ac is None or joined.high_lb_ac is None:
        return joined
    return replace(
        joined,
        low_lb_ac=joined.low_lb_ac - (high - middle) * by,
        high_lb_ac=joined.high_lb_ac + (middle - low) * by,
    )
