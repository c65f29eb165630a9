"""Lines that several methods share: credits, what is already applied, and "no nitrogen is advised"."""

from typing import Any, Final

import numpy as np

from vrn.findings import Quantity
from vrn.nitrogen.credits import Credit
from vrn.nitrogen.ledger import Line, Number, as_number, total_of, worded

_CREDIT_LABELS: Final[dict[str, str]] = {
    "credits": "Credits",
    "credit_previous_crop": "Credit for the previous crop",
    "credit_manure": "Manure nitrogen still to appear",
    "credit_irrigation_water": "Nitrate in irrigation water still to come",
    "credit_other": "Other nitrogen still to appear",
}
_GIVEN: Final = "given by the user"


def line_of(
    values: dict[str, Any], *, key: str, label: str, lb_ac: Number, basis: str, source: str, code: str = "",
    quantities: dict[str, Quantity] | None = None,
) -> Line:  # fmt: skip
    """
    A line whose basis is written from the values by their names; ``code`` names its label in words, else the key does.

    >>> line_of({"yield_goal_bu_ac": 180.0}, key="crop", label="Crop", lb_ac=180.0,
    ...         basis="{yield_goal_bu_ac} bu/ac × 1.0 lb/bu", source="").basis
    '180 bu/ac × 1.0 lb/bu'
    """
    return Line(key=key, label=label, lb_ac=lb_ac, basis=worded(basis, values), source=source, template=basis,
                code=_label_code(code or key), quantities=quantities or {})  # fmt: skip


def _label_code(key: str) -> str:
    return f"nitrogen.line-{key.replace('_', '-')}"


def credit_lines(values: dict[str, Any], *, factor: Number = 1.0, times: str = "") -> tuple[Line, ...]:
    """
    A line for every credit that is not 0; one line for a plain number.

    `times` is the method's own factor on its whole rate, in words for the basis.

    >>> [line.lb_ac for line in credit_lines({"credits_lb_ac": {"manure": 20.0, "other": 0.0}})]
    [-20.0]
    """
    credits_lb_ac = values.get("credits_lb_ac", 0.0)
    named: dict[str, Number | Credit] = {"credits": credits_lb_ac}
    if isinstance(credits_lb_ac, dict):
        named = {f"credit_{name}": part for name, part in credits_lb_ac.items()}
    lines = []
    for key, part in named.items():
        if isinstance(part, Credit):
            credit = part
        else:
            shown = "each cell’s" if np.ndim(part) else f"{part:g}"
            credit = Credit(lb_ac=part, basis=f"{shown} lb/ac as given", source=_GIVEN)
        if np.any(np.asarray(credit.lb_ac) != 0):
            lines.append(
                Line(
                    key=key, label=_CREDIT_LABELS.get(key, key.removeprefix("credit_")), lb_ac=-credit.lb_ac * factor,
                    basis=credit.basis + times, source=credit.source,
                    code=_label_code(key) if key in _CREDIT_LABELS else "",
                )
            )  # fmt: skip
    return tuple(lines)


def applied_lines(values: dict[str, Any]) -> tuple[Line, ...]:
    """
    What is already applied, as the line a season's total needs to become a rate for now; none when not given.

    >>> applied_lines({"applied_lb_ac": 40.0})[0].basis
    '40 lb/ac as given'
    """
    if "applied_lb_ac" not in values:
        return ()
    line = line_of(values, key="applied", label="Nitrogen already applied", lb_ac=0.0 - values["applied_lb_ac"],
                   basis="{applied_lb_ac} lb/ac as given", source=_GIVEN)  # fmt: skip
    return (line,)


def none_advised_lines(where: Any, so_far: Number, *, basis: str, source: str) -> tuple[Line, ...]:
    """
    A line that takes the sum down to 0 wherever the method says that no nitrogen is to be given.

    `so_far` is the sum of the lines above. [lb/ac]

    >>> none_advised_lines(True, 35.0, basis="21 ppm or more", source="")[0].lb_ac
    -35.0
    """
    if not np.any(where):
        return ()
    taken = as_number(np.where(where, -np.maximum(so_far, 0.0), 0.0))
    if np.ndim(taken):
        basis = f"in the cells at {basis}"
    line = Line(key="none_advised", label="No nitrogen is advised", lb_ac=taken, basis=basis, source=source,
                code=_label_code("none_advised"))  # fmt: skip
    return (line,)


def sum_of(lines: tuple[Line, ...] | list[Line]) -> Number:
    """Sum of lines. [lb/ac]"""
    return total_of(line.lb_ac for line in lines)
