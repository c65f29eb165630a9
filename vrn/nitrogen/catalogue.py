"""Every method by its key."""

import copyreg
import difflib
from typing import Final

from vrn.errors import OutOfRangeError
from vrn.nitrogen.late_spring import IOWA_LSNT, MICHIGAN_PSNT, OHIO_PSNT, PENN_STATE_2023, PENN_STATE_PSNT
from vrn.nitrogen.method import Method
from vrn.nitrogen.optimum import ECONOMIC_OPTIMUM
from vrn.nitrogen.profile_methods import KANSAS, MINNESOTA_WEST, NEBRASKA, SOUTH_DAKOTA
from vrn.nitrogen.remaining_need import REMAINING_NEED

_METHODS: Final = {
    item.key: item
    for item in (
        REMAINING_NEED, NEBRASKA, IOWA_LSNT, KANSAS, PENN_STATE_PSNT, PENN_STATE_2023, OHIO_PSNT, MICHIGAN_PSNT,
        MINNESOTA_WEST, SOUTH_DAKOTA, ECONOMIC_OPTIMUM,
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
