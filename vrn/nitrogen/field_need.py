"""The ledger of one reading or of every cell by the field file's method, with what must be told beside it."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from vrn.errors import OutsideCalibrationError
from vrn.nitrogen.catalogue import method as method_of
from vrn.nitrogen.double_count import double_count_notices
from vrn.nitrogen.inputs import inputs_of
from vrn.nitrogen.ledger import Ledger, Number, as_number
from vrn.nitrogen.method import Method
from vrn.nitrogen.notice import Notice, note, warn
from vrn.nitrogen.season import Season

__all__ = ["applied_for", "known_of", "need_of_cells"]


def need_of_cells(
    options: Mapping[str, Any],
    *,
    nitrate_ppm: ArrayLike,
    top_in: float,
    bottom_in: float,
    growth_stage: str | ArrayLike | None = None,
    yield_goal_bu_ac: ArrayLike | None = None,
    organic_matter_pct: ArrayLike | None = None,
    deep_nitrate_ppm: ArrayLike | None = None,
    deep_top_in: float | None = None,
    deep_bottom_in: float | None = None,
    credits_lb_ac: Mapping[str, float] | None = None,
    applied_lb_ac: ArrayLike | None = None,
    season: Season | None = None,
    price_ratio: float | None = None,
    to_build: bool = True,
    allow_outside: bool = False,
) -> tuple[Ledger, tuple[Notice, ...]]:
    """
    Ledger of one reading or of every cell by the chosen method.

    Parameters
    ----------
    options : mapping of str to value
        ``method`` and the settings of the field file's ``[nitrogen]`` by their names; None is the same as absent.
    nitrate_ppm, yield_goal_bu_ac, organic_matter_pct, deep_nitrate_ppm : array_like, shape (n,) or scalar
        [ppm], [bu/ac], [%], [ppm]
    top_in, bottom_in, deep_top_in, deep_bottom_in : float
        [in]
    growth_stage : str or array_like, optional
        Leaf-collar stage on the sampling date; the season's when not given.
    credits_lb_ac : mapping of str to float, optional
        Nitrogen that appears after sampling, by name. [lb/ac]
    applied_lb_ac : array_like, shape (n,) or scalar, optional
        Already put on, as a map or a number; the season's list when not given. [lb/ac]
    season : Season, optional
        Dates, applications and weather (``season_of``).
    price_ratio : float, optional
        $/lb N over $/bu corn.
    to_build : bool
        Refuse a season's total when nothing is known of what is already applied.
    allow_outside : bool
        Work outside the calibration too (to show, not to build).

    Returns
    -------
    ledger : Ledger
    notices : tuple of Notice

    Raises
    ------
    OutOfRangeError
        If a required input is missing or a number is one no field can have.
    OutsideCalibrationError
        If depth or stage do not fit the method, or a season's total would be built as a rate for now.
    """
    chosen = method_of(str(options.get("method") or "remaining-need"))
    season = season or Season(growth_stage=None)
    stage = season.growth_stage if growth_stage is None else growth_stage
    known = known_of(
        options,
        season,
        {
            "nitrate_ppm": nitrate_ppm,
            "top_in": top_in,
            "bottom_in": bottom_in,
            "growth_stage": stage,
            "yield_goal_bu_ac": yield_goal_bu_ac,
            "organic_matter_pct": organic_matter_pct,
            "deep_nitrate_ppm": deep_nitrate_ppm,
            "deep_top_in": deep_top_in,
            "deep_bottom_in": deep_bottom_in,
            "credits_lb_ac": credits_lb_ac,
            "applied_lb_ac": applied_lb_ac,
            "price_ratio": price_ratio,
        },
    )
    applied = applied_for(chosen, season, applied_lb_ac)
    known["applied_lb_ac"] = applied
    if chosen.kind == "season" and applied is None and to_build and not allow_outside:
        problem = (
            f"{chosen.key} gives a season total, not a sidedress rate, and nothing is known of what is already on."
        )
        raise OutsideCalibrationError(
            problem, "List what was applied under [[applications]]; with n_lb_ac = 0 if nothing was."
        )
    ledger = chosen.need(allow_outside=allow_outside, **inputs_of(chosen, known))
    if chosen.kind == "remaining" and season.not_yet is not None:
        ledger = _with_not_yet(ledger, season, applied_lb_ac)
    notices = list(season.notices)
    notices += double_count_notices(
        chosen,
        credits_lb_ac=credits_lb_ac,
        applications=season.applications,
        sampled_on=season.sampled_on,
        applied_map=applied_lb_ac is not None and bool(season.applications),
    )
    notices += _told(chosen, ledger, season, applied_lb_ac, deep_nitrate_ppm is not None or bottom_in >= 24, bottom_in)
    return ledger, tuple(notices)


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


def applied_for(method: Method, season: Season, applied_lb_ac: ArrayLike | None) -> Number | None:
    """
    What a method of a season's total subtracts: all that is on, or, for a preplant profile, what came after it.

    Examples
    --------
    >>> applied_for(method_of("ohio-psnt"), Season(growth_stage="V5"), 40.0)
    40.0
    """
    if method.kind != "season":
        return None
    if season.applications and method.bottom_in is not None and method.bottom_in[0] >= 24:
        return season.applied_after_sampling_lb_ac
    return season.applied_lb_ac if applied_lb_ac is None else as_number(applied_lb_ac)


def _with_not_yet(ledger: Ledger, season: Season, applied_lb_ac: ArrayLike | None) -> Ledger:
    """The mass balance with what was applied and not yet nitrate, its range taken into the band."""
    found = season.not_yet
    total = season.applied_lb_ac
    if found is None or total is None:
        return ledger
    line, low, high = found.line, found.low_lb_ac, found.high_lb_ac
    scale: Number = 1.0
    if applied_lb_ac is not None and total > 0:
        scale = as_number(applied_lb_ac) / total
        line = replace(
            line, lb_ac=line.lb_ac * scale, basis=f"map of what was applied ÷ {total:g} lb/ac × {line.basis}"
        )
    middle = 0.5 * (low + high)
    joined = ledger.plus(line, notes=found.notes)
    if joined.low_lb_ac is None or joined.high_lb_ac is None:
        return joined
    return replace(
        joined,
        low_lb_ac=joined.low_lb_ac - (high - middle) * scale,
        high_lb_ac=joined.high_lb_ac + (middle - low) * scale,
    )


def _told(chosen: Method, ledger: Ledger, season: Season, applied_lb_ac: ArrayLike | None, deep_known: bool,
          bottom_in: float) -> list[Notice]:  # fmt: skip
    """What was assumed on the way to this ledger, and what is unknown in it."""
    notices = []
    if chosen.takes("deep_nitrate_ppm") and not deep_known:
        notices.append(
            note(
                "samples",
                f"{bottom_in:g}–24 in was not measured: 0 lb/ac counted there.",
                "Pull the second foot at a few places: nitrate that rain moved down is not in this need.",
            )
        )
    if (
        chosen.kind != "season"
        and applied_lb_ac is not None
        and np.any(np.asarray(applied_lb_ac) > 0)
        and not season.applications
    ):
        notices.append(
            warn(
                "applied",
                "What is already applied is not subtracted: what of it is nitrate stands in the reading.",
                "List it with its date under [[applications]], so that what was not yet nitrate is counted.",
            )
        )
    unknown = np.isnan(ledger.unclipped_lb_ac)
    if np.any(unknown):
        notices.append(
            warn(
                "need",
                f"The need is unknown in {int(np.count_nonzero(unknown))} of {np.size(unknown)} cells.",
                "Unknown cells get no rate: give the layer that is missing there.",
            )
        )
    return notices + [_of_note(text) for text in ledger.notes]


def _of_note(text: str) -> Notice:
    """A ledger's note with what to do about it."""
    said = f"{text[0].upper()}{text[1:]}."
    if text.startswith("outside the calibration"):
        return warn("nitrogen.method", said, "It is shown, and does not build.")
    if text.startswith("a season total"):
        return note("nitrogen.method", said, "Give what is already applied, and it is subtracted.")
    if "is from memory" in text:
        return note("nitrogen.method", said, "Give the bulletin's value to override it.")
    if "organic_matter_cap_pct" in text:
        return note("layers.organic_matter", said, "Set organic_matter_cap_pct under [nitrogen] if you know better.")
    return note("nitrogen", said, "Weigh it before you sign.")
