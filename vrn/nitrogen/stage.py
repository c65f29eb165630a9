"""The crop's stage by leaf collars: its name, its place on one axis, and the shares that go with it."""

import re
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.nitrogen.ledger import Number, as_number

PREPLANT: Final = -1.0
TASSEL: Final = 18.0  # VT is the eighteenth collar on this axis, R1 … R6 one step each after it

UPTAKE_SOURCE: Final = (
    "synthesis: Bender et al. 2013, Agron. J. 105:161-170 (31 % of the total between V10 and V14) and extension "
    "summaries; single values from memory"
)
MINERALIZATION_SOURCE: Final = "share left by stage from memory; no published table was seen"

# stage, share of the season's nitrogen taken up, low, high; V4's band is from memory
_UPTAKE: Final = np.array(
    [
        [0, 0.00, 0.00, 0.00],
        [4, 0.03, 0.02, 0.05],
        [6, 0.08, 0.05, 0.11],
        [8, 0.15, 0.10, 0.22],
        [10, 0.30, 0.15, 0.35],
        [12, 0.45, 0.30, 0.52],
        [14, 0.60, 0.50, 0.67],
        [18, 0.68, 0.60, 0.80],
        [19, 0.68, 0.60, 0.80],
        [20, 0.74, 0.68, 0.82],
        [22, 0.86, 0.80, 0.92],
        [24, 1.00, 1.00, 1.00],
    ]
)
# stage, share of the season's mineralization (to about R5) still to come
_LEFT: Final = np.array(
    [[-1, 1.0], [4, 0.82], [6, 0.75], [8, 0.69], [10, 0.65], [12, 0.60], [14, 0.50], [18, 0.42], [19, 0.42], [23, 0.0]]
)


def stage_position(growth_stage: str | ArrayLike) -> Number:
    """
    Place of a stage on the axis of leaf collars.

    `"preplant"`, `"VE"`, `"V7"`, `"VT"`, `"R1"` … `"R6"`; a number (or an array) is a count of collars. Raises
    OutOfRangeError if the stage is not one of corn.

    >>> stage_position("V7"), stage_position("vt"), stage_position("R2"), stage_position("preplant")
    (7.0, 18.0, 20.0, -1.0)
    """
    if isinstance(growth_stage, str):
        return _position_of_name(growth_stage)
    position = as_number(growth_stage)
    if np.any(np.less(position, PREPLANT)) or np.any(np.greater(position, 24)):
        problem = f"A growth stage of {np.nanmin(position):g} to {np.nanmax(position):g} is not one of corn."
        raise OutOfRangeError(problem, "Count the leaves with a visible collar, as 7 for V7.")
    return position


def _position_of_name(growth_stage: str) -> float:
    name = growth_stage.strip().upper().replace(" ", "")
    if name in ("PREPLANT", "PRE-PLANT"):
        return PREPLANT
    if name in ("VE", "VT"):
        return 0.0 if name == "VE" else TASSEL
    leaves = re.fullmatch(r"V(\d{1,2}(?:\.\d+)?)", name)
    if leaves and 1 <= float(leaves[1]) <= 25:
        return min(float(leaves[1]), TASSEL)
    grain = re.fullmatch(r"R([1-6])", name)
    if grain:
        return TASSEL + int(grain[1])
    problem = f"Growth stage {growth_stage!r} is not one of corn."
    raise OutOfRangeError(problem, 'Write "preplant", "VE", "V1" … "V18", "VT" or "R1" … "R6", by leaf collars.')


def stage_name(position: float) -> str:
    """
    Name of a place on the axis; a leaf that shows no collar yet does not count.

    >>> stage_name(7.8), stage_name(18), stage_name(20), stage_name(-1)
    ('V7', 'VT', 'R2', 'preplant')
    """
    if position < 0:
        return "preplant"
    if position < 1:
        return "VE"
    if position < TASSEL:
        return f"V{int(position)}"
    return "VT" if position < TASSEL + 1 else f"R{int(position - TASSEL)}"


def uptake_share(growth_stage: str | ArrayLike) -> Number:
    """
    Share of the season's nitrogen that the crop holds at a stage, by straight lines between published stages.

    Sources: Bender, Haegele, Ruffo, Below (2013), Agron. J. 105:161-170, with extension summaries; a synthesis.

    Half way between V6 (0.08) and V8 (0.15):

    >>> round(uptake_share("V7"), 4)
    0.115
    """
    return _between(_UPTAKE, growth_stage, 1)


def uptake_band(growth_stage: str | ArrayLike) -> tuple[Number, Number]:
    """
    Lowest and highest published share taken up at a stage.

    >>> uptake_band("V8")
    (0.1, 0.22)
    """
    return _between(_UPTAKE, growth_stage, 2), _between(_UPTAKE, growth_stage, 3)


def mineralization_share_left(growth_stage: str | ArrayLike) -> Number:
    """
    Share of the season's mineralization (to about R5) still to come at a stage; from memory.

    >>> mineralization_share_left("V8")
    0.69
    """
    return _between(_LEFT, growth_stage, 1)


def _between(table: NDArray[np.float64], growth_stage: str | ArrayLike, column: int) -> Number:
    return as_number(np.interp(stage_position(growth_stage), table[:, 0], table[:, column]))
