"""What every published method says of the same samples, and which of them do not hold there and why."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.nitrogen.catalogue import methods
from vrn.nitrogen.inputs import inputs_of
from vrn.nitrogen.ledger import Ledger
from vrn.nitrogen.method import Method
from vrn.nitrogen.season import Season
from vrn.nitrogen.struck import known_of, struck

_GIVEN_AS: Final = {"b": "response_b", "c": "response_c", "price_ratio": "prices of corn and nitrogen"}
Mean = Callable[[NDArray[np.float64]], float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Answer:
    """
    What one method says.

    Parameters
    ----------
    method : Method
    status : {"applies", "outside", "missing"}
        ``outside``: worked all the same, to be looked at; ``missing``: not worked.
    need_lb_ac : float or None
        Mean over the field of a need that is never below 0. [lb/ac]
    low_lb_ac, high_lb_ac : float or None
        Least and greatest over the cells; None for one reading. [lb/ac]
    why : tuple of str
        Why it does not hold, what is missing, and what it is (a season's total).
    ledger : Ledger or None
    """

    method: Method
    status: Literal["applies", "outside", "missing"]
    need_lb_ac: float | None
    low_lb_ac: float | None = None
    high_lb_ac: float | None = None
    why: tuple[str, ...] = ()
    ledger: Ledger | None = None

    def to_plain(self) -> dict[str, Any]:
        """The answer as str, numbers and None."""
        return {
            "key": self.method.key, "title": self.method.title, "region": self.method.region,
            "source": self.method.source, "kind": self.method.kind, "status": self.status,
            "need_lb_ac": _tenth(self.need_lb_ac), "low_lb_ac": _tenth(self.low_lb_ac),
            "high_lb_ac": _tenth(self.high_lb_ac), "why": list(self.why),
        }  # fmt: skip


def side_by_side(
    options: Mapping[str, Any], known: Mapping[str, Any], *, season: Season | None = None,
    applied_lb_ac: ArrayLike | None = None, mean: Mean | None = None,
) -> tuple[Answer, ...]:  # fmt: skip
    """
    Every method on the same samples.

    Parameters
    ----------
    options : mapping of str to value
        Settings of ``[nitrogen]``.
    known : mapping of str to value
        As ``need_of_cells`` takes them: nitrate, depths, stage, yield goal, organic matter, credits, price ratio.
    season : Season, optional
    applied_lb_ac : array_like, optional
        [lb/ac]
    mean : callable, optional
        Mean over the cells of a field, by area; the plain mean when not given.

    Returns
    -------
    answers : tuple of Answer
        Those that hold first, in the catalogue's order.

    Examples
    --------
    >>> answers = side_by_side({}, {"nitrate_ppm": 15.0, "top_in": 0.0, "bottom_in": 12.0, "growth_stage": "V6"})
    >>> [(answer.method.key, answer.need_lb_ac) for answer in answers if answer.status == "applies"]
    [('iowa-lsnt', 80.0)]
    """
    season = season or Season(growth_stage=None)
    everything = known_of(options, season, known)
    if "growth_stage" not in everything and season.growth_stage is not None:
        everything["growth_stage"] = season.growth_stage
    answers = [_answer(item, everything, season, applied_lb_ac, mean) for item in methods()]
    order = {"applies": 0, "outside": 1, "missing": 2}
    return tuple(sorted(answers, key=lambda answer: order[answer.status]))


def _answer(
    method: Method, known: dict[str, Any], season: Season, applied_lb_ac: ArrayLike | None, mean: Mean | None
) -> Answer:
    inputs = inputs_of(method, known)
    absent = method.missing(**inputs)
    if absent:
        return Answer(method=method, status="missing", need_lb_ac=None, why=(_wanted(method, absent),))
    try:
        outside = method.outside(**inputs)
        ledger = struck(method, known, season, applied_lb_ac, allow_outside=True)
    except OutOfRangeError as error:
        return Answer(method=method, status="missing", need_lb_ac=None, why=(error.problem,))
    why = outside
    unlisted = applied_lb_ac is not None and not season.applications and np.any(np.asarray(applied_lb_ac) > 0)
    if method.kind == "season" and applied_lb_ac is None and season.applied_lb_ac is None:
        why += ("a season total, not a sidedress rate: nothing already applied was subtracted",)
    elif method.kind != "season" and unlisted:
        why += ("what is already applied is not subtracted: what of it is nitrate stands in the reading",)
    need = np.asarray(ledger.need_lb_ac, dtype=float)
    low = high = None
    if need.ndim and np.isfinite(need).any():
        low, high = float(np.nanmin(need)), float(np.nanmax(need))
    average = float(need) if not need.ndim else mean(need) if mean is not None else float(np.nanmean(need))
    return Answer(
        method=method,
        status="outside" if outside else "applies",
        need_lb_ac=average,
        low_lb_ac=low,
        high_lb_ac=high,
        why=why,
        ledger=ledger,
    )


def _wanted(method: Method, absent: tuple[str, ...]) -> str:
    if any(name.startswith("profile_nitrate") for name in absent):
        return "it wants nitrate of 0–24 in: no core below the top one"
    return f"it wants {', '.join(_GIVEN_AS.get(name, name) for name in absent)}"


def _tenth(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else round(value, 1)
