"""What the zones room returns: labels on the grid, outlines to drive, and what each number of zones would leave."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn import door

CountReason = Literal["asked", "fewer-than-asked", "most-tried", "rate-step", "little-saved", "own-file"]


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
    """
    How zones came about; what does not apply is left at its default.

    Parameters
    ----------
    by : {"need", "layers", "file"}
    reason : str
        Why this number of zones.
    asked : int or None
        Number the user wanted.
    next_saving_lb_ac, least_saving_lb_ac : float or None
        What one more zone would save, and what it had to. [lb/ac]
    step_lb_ac : float or None
        Step of the rate. [lb/ac]
    saved_lb_ac : tuple of float
        What 1, 2, 3 … zones save against one. [lb/ac]
    smooth_m : float or None
        Standard deviation of the Gaussian kernel, cut off at three of them. [m]
    least_patch_m2, least_width_m, tolerance_m : float or None
        [m²], [m], [m]
    exponent : float or None
        Fuzziness of the classes of layers.
    patches_merged : int
        Patches that went to a neighbour.
    unknown_zone : int or None
        Zone of the ground where the need is unknown.
    unknown_share : float
        Of the treated ground.
    source : str
        File of the user's own zones.
    own_number : tuple of int or float
        The user's number of each zone.
    filled_ac, overlap_ac : float
        Gaps and overlaps of the user's polygons. [ac]
    """

    by: Literal["need", "layers", "file"]
    reason: CountReason
    drawn: int
    asked: int | None = None
    next_saving_lb_ac: float | None = None
    least_saving_lb_ac: float | None = None
    step_lb_ac: float | None = None
    saved_lb_ac: tuple[float, ...] = ()
    smooth_m: float | None = None
    least_patch_m2: float | None = None
    least_width_m: float | None = None
    tolerance_m: float | None = None
    exponent: float | None = None
    indices: tuple[FuzzyIndices, ...] = ()
    patches_merged: int = 0
    unknown_zone: int | None = None
    unknown_share: float = 0.0
    source: str = ""
    own_number: tuple[int | float, ...] = ()
    filled_ac: float = 0.0
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
