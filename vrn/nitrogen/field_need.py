"""The ledger of one reading or of every cell by the field file's method, with what must be told beside it."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from vrn.errors import OutsideCalibrationError
from vrn.nitrogen.catalogue import method as method_of
from vrn.nitrogen.crop_days import WARMTH_KEY
from vrn.nitrogen.double_count import double_count_notices
from vrn.nitrogen.inputs import assumed_deep_ppm
from vrn.nitrogen.ledger import Ledger
from vrn.nitrogen.method import Method
from vrn.nitrogen.notice import Notice, note, warn
from vrn.nitrogen.profile_methods import nebraska_price_factor
from vrn.nitrogen.season import Season
from vrn.nitrogen.struck import known_of, struck

_PROFILE_IN: Final = 24.0


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
    credits_lb_ac: Mapping[str, Any] | None = None,
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
    credits_lb_ac : mapping of str to float, ndarray or Credit, optional
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
    if to_build and not allow_outside:
        _refuse(chosen, season, stage, applied_lb_ac)
    ledger = struck(chosen, known, season, applied_lb_ac, allow_outside=allow_outside)
    balance = chosen.kind == "remaining"
    notices = [notice for notice in season.notices if balance or notice.about != WARMTH_KEY]
    notices += double_count_notices(
        chosen,
        credits_lb_ac=credits_lb_ac,
        applications=season.applications,
        sampled_on=season.sampled_on,
        applied_map_lb_ac=applied_lb_ac,
        not_yet_before=season.not_yet_before,
    )
    notices += _told(chosen, ledger, season, known, applied_lb_ac)
    return ledger, tuple(notices)


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
            problem, "List what was applied under [[applications]]; with n_lb_ac = 0 if nothing was."
        )


def _told(chosen: Method, ledger: Ledger, season: Season, known: Mapping[str, Any],
          applied_lb_ac: ArrayLike | None) -> list[Notice]:  # fmt: skip
    """What was assumed on the way to this ledger, and what is unknown in it."""
    notices = []
    bottom_in = float(known.get("bottom_in") or _PROFILE_IN)
    if chosen.stages is not None and known.get("growth_stage") is None:
        notices.append(
            note(
                "crop.growth_stage",
                f"{chosen.key} holds from {chosen.stages[0]} to {chosen.stages[1]}: no stage was given to check.",
                "Count leaf collars on the sampling date.",
            )
        )
    if chosen.takes("deep_nitrate_ppm") and known.get("deep_nitrate_ppm") is None and bottom_in < _PROFILE_IN:
        notices.append(
            note(
                "samples",
                f"{bottom_in:g}–{_PROFILE_IN:g} in was not measured: 0 lb/ac counted there.",
                "Pull the second foot at a few places: nitrate that rain moved down is not in this need.",
            )
        )
    sandy = "sand" in str(known.get("texture") or "").lower()
    if chosen.kind != "remaining":
        notices += [
            (warn if sandy and "sandy" in caution else note)(
                "nitrogen.method", caution, f"`vrn methods {chosen.key}` says where it holds."
            )
            for caution in chosen.cautions
        ]
    ratio = known.get("price_ratio")
    if chosen.takes("price_factor") and ratio and known.get("price_factor") is None:
        factor = float(nebraska_price_factor(1.0, ratio))
        notices.append(
            note(
                "nitrogen.price_factor",
                f"The price factor is 1; at these prices the equation, from memory, gives {factor:.3f}.",
                "Take it from the current bulletin and set price_factor.",
            )
        )
    assumed = assumed_deep_ppm(chosen, known)
    if assumed is not None:
        notices.append(
            warn(
                "samples",
                f"{bottom_in:g}–{_PROFILE_IN:g} in was not measured: {chosen.key} takes {assumed:g} ppm there.",
                "Pull the second foot: after rain it may hold more.",
            )
        )
    if (
        chosen.kind != "season"
        and applied_lb_ac is not None
        and np.any(np.asarray(applied_lb_ac) > 0)
        and not season.applications
    ):
        counted = "what was not yet nitrate" if chosen.kind == "remaining" else "what went on after sampling"
        notices.append(
            warn(
                "applied",
                "What is already applied is not subtracted: what of it is nitrate stands in the reading.",
                f"List it with its date under [[applications]], so that {counted} is counted.",
            )
        )
    unknown = np.isnan(ledger.unclipped_lb_ac)
    if np.any(unknown):
        notices.append(
            warn(
                "need",
                f"The need is unknown in {int(np.count_nonzero(unknown))} of {np.size(unknown)} cells.",
                "Give the layer that is missing there: a zone whose need is mostly unknown gets no rate.",
            )
        )
    return notices + [_of_note(text) for text in ledger.notes]


def _of_note(text: str) -> Notice:
    """A ledger's note with what to do about it."""
    named = "_" in text.split(" ", 1)[0]  # a key of the field file keeps its letters
    said = f"{text if named else text[0].upper() + text[1:]}."
    if text.startswith("outside the calibration"):
        return warn("nitrogen.method", said, "It is shown, and does not build.")
    if text.startswith("a season total"):
        return note("nitrogen.method", said, "Give what is already applied, and it is subtracted.")
    if "is from memory" in text:
        return note("nitrogen.method", said, "Give the bulletin's value to override it.")
    if "organic_matter_cap_pct" in text:
        return note("layers.organic_matter", said, "Set organic_matter_cap_pct under [nitrogen] if you know better.")
    return note("nitrogen", said, "Weigh it before you sign.")
