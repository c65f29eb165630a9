"""What the zones room returns: labels on the grid, outlines to drive, and what each number of zones would leave."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn import door

CountReason = Literal["asked", "fewer-than-asked", "most-tried", "rate-step", "little-saved", "own-file", "every-step"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneChoice:
    """What a number of zones leaves misallocated, area-weighted mean of |value − zone value|. [lb/ac]"""

    zones: int
    misallocated_lb_ac: float
    survives_lb_ac: float | None = None  # of the saving against one zone, what the samples' error leaves
    cost_per_ac: float | None = None  # at the user's prices. [$/ac]


@dataclass(frozen=True, slots=True, kw_only=True)
class FuzzyIndices:
    """How fuzzy a number of classes is: both indices are smaller where classes are better told apart."""

    zones: int
    fuzziness_index: float
    normalised_entropy: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ZonesReport:
    """How zones came about; what does not apply is left at its default."""

    by: Literal["need", "layers", "file", "cells"]
    reason: CountReason  # why this number of zones
    drawn: int
    asked: int | None = None  # number the user wanted
    # what one more zone would save, and had to: in misallocated nitrogen, or in $/ac where prices count the zones
    next_saving_lb_ac: float | None = None
    least_saving_lb_ac: float | None = None
    next_saving_per_ac: float | None = None
    least_saving_per_ac: float | None = None
    step_lb_ac: float | None = None  # step of the rate
    smooth_m: float | None = None  # standard deviation of the Gaussian kernel, cut off at three of them
    least_patch_m2: float | None = None
    least_width_m: float | None = None
    tolerance_m: float | None = None
    exponent: float | None = None  # fuzziness of the classes of layers
    indices: tuple[FuzzyIndices, ...] = ()
    patches_merged: int = 0  # patches that went to a neighbour
    unknown_zone: int | None = None  # zone of the ground where the need is unknown
    unknown_share: float = 0.0  # of the treated ground
    source: str = ""  # file of the user's own zones
    own_number: tuple[int | float, ...] = ()  # the user's number of each zone
    filled_ac: float = 0.0  # gaps and overlaps of the user's polygons
    overlap_ac: float = 0.0


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
    report : ZonesReport or None
        How they came about; None where nothing is known of it.
    """

    labels: NDArray[np.int32]
    outlines: tuple[shapely.Geometry, ...]
    choice: tuple[ZoneChoice, ...] = ()
    report: ZonesReport | None = None

    __repr__ = door.brief
