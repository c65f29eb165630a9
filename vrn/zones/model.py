"""What the zones room returns: labels on the grid, outlines to drive, and what each number of zones would leave."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn import door


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneChoice:
    """What a number of zones leaves misallocated, area-weighted mean of |value − zone value|. [lb/ac]"""

    zones: int
    misallocated_lb_ac: float
    survives_lb_ac: float | None = None  # of the saving against one zone, what the samples' error leaves
    cost_per_ac: float | None = None  # at the user's prices. [$/ac]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Zones:
    """
    Management zones of one field.

    Parameters
    ----------
    labels : ndarray of int, shape (rows, cols)
        Zone of each cell, 1 … k by rising value; 0 where no part of the cell is treated.
    outlines : tuple of shapely MultiPolygon, length k
        In the field's system; a valid coverage whose union is the treated ground.
    choice : tuple of ZoneChoice
        For 1 … 8 zones; empty when the user brought the zones.
    chosen_by : str
        In words: why this number of zones.
    details : dict
        Kernel, fuzziness index, entropy, patches merged: plain values only.
    """

    labels: NDArray[np.int32]
    outlines: tuple[shapely.Geometry, ...]
    choice: tuple[ZoneChoice, ...]
    chosen_by: str
    details: dict[str, object]

    __repr__ = door.brief
