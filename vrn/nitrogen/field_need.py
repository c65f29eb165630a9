"""From what is known of a reading or of every cell to the inputs of the chosen method, and its ledger."""

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from vrn.nitrogen.catalogue import method as method_of
from vrn.nitrogen.ledger import Ledger, Line
from vrn.nitrogen.method import Method
from vrn.nitrogen.notice import Notice
from vrn.nitrogen.soil_nitrate import bulk_density_of

_ALWAYS: Final = ("top_in", "bottom_in", "growth_stage")


def inputs_of(method: Method, known: Mapping[str, Any]) -> dict[str, Any]:
    """
    The part of what is known that a method takes, depth and stage always with it.

    Parameters
    ----------
    method : Method
    known : mapping of str to number, array or str
        By the names of the methods' inputs; None is the same as absent.

    Returns
    -------
    inputs : dict
        For ``method.need``; what the method requires and nobody knows is absent from it.

    Examples
    --------
    >>> inputs_of(method_of("iowa-lsnt"), {"nitrate_ppm": 12.0, "yield_goal_bu_ac": 190.0, "bottom_in": 12.0})
    {'nitrate_ppm': 12.0, 'bottom_in': 12.0}
    """
    return {
        name: value for name, value in known.items() if value is not None and (method.takes(name) or name in _ALWAYS)
    }


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
    more_lines: tuple[Line, ...] = (),
    mineralization_share_left: float | None = None,
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
    growth_stage : str or array_like
        Leaf-collar stage on the sampling date.
    credits_lb_ac : mapping of str to float, optional
        Nitrogen that appears after sampling, by name. [lb/ac]
    applied_lb_ac : array_like, shape (n,) or scalar, optional
        Already put on; subtracted by methods whose rate is a season's total. [lb/ac]
    more_lines : tuple of Line
        Added to the mass balance, as nitrogen applied that was not yet nitrate at sampling.
    mineralization_share_left : float, optional
        From the season's weather; an option of the same name goes before it.
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
        If depth or stage do not fit the method.
    """
    chosen = method_of(str(options.get("method") or "remaining-need"))
    known: dict[str, Any] = {name: value for name, value in options.items() if value is not None and name != "method"}
    notices: list[Notice] = []
    texture = known.pop("texture", None)
    if texture is not None and "bulk_density_g_cm3" not in known:
        known["bulk_density_g_cm3"] = bulk_density_of(str(texture))
    known.setdefault("mineralization_share_left", mineralization_share_left)
    known |= {
        "nitrate_ppm": nitrate_ppm, "top_in": top_in, "bottom_in": bottom_in, "growth_stage": growth_stage,
        "yield_goal_bu_ac": yield_goal_bu_ac, "organic_matter_pct": organic_matter_pct,
        "deep_nitrate_ppm": deep_nitrate_ppm, "deep_top_in": deep_top_in, "deep_bottom_in": deep_bottom_in,
        "credits_lb_ac": credits_lb_ac, "applied_lb_ac": applied_lb_ac,
    }  # fmt: skip
    ledger = chosen.need(allow_outside=allow_outside, **inputs_of(chosen, known))
    if chosen.kind == "remaining" and more_lines:
        ledger = ledger.plus(*more_lines)
    if chosen.takes("deep_nitrate_ppm") and deep_nitrate_ppm is None and bottom_in < 24:
        notices.append(_second_foot_missing(bottom_in))
    unknown = int(np.count_nonzero(np.isnan(ledger.unclipped_lb_ac)))
    if unknown:
        size = np.size(ledger.unclipped_lb_ac)
        notices.append(
            Notice(level="warning", about="need", problem=f"The need is unknown in {unknown} of {size} cells.",
                   remedy="Unknown cells get no rate: give the layer that is missing there.")
        )  # fmt: skip
    notices += [_assumed(note) for note in ledger.notes]
    return ledger, tuple(notices)


def _second_foot_missing(bottom_in: float) -> Notice:
    return Notice(
        level="note", about="samples",
        problem=f"{bottom_in:g}–24 in was not measured: 0 lb/ac counted there.",
        remedy="Pull the second foot at a few places: nitrate that rain moved down is not in this need.",
    )  # fmt: skip


def _assumed(note: str) -> Notice:
    return Notice(level="note", about="nitrogen", problem=f"{note[0].upper()}{note[1:]}.",
                  remedy="Set it in [nitrogen] of the field file if you know better.")  # fmt: skip
