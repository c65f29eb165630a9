"""Soil nitrate: from parts per million in a core to pounds on an acre."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from vrn.errors import OutOfRangeError
from vrn.nitrogen.ledger import Number, as_number
from vrn.units import LB_AC_PER_PPM_IN

BULK_DENSITY_G_CM3: Final = 1.35  # of a loam or silt loam, when nothing else is known

# usual bulk density by texture class, from memory: no table was seen [g/cm³]
TEXTURE_BULK_DENSITY_G_CM3: Final = {
    "sand": 1.55,
    "loamy sand": 1.55,
    "sandy loam": 1.45,
    "loam": 1.35,
    "silt loam": 1.35,
    "silt": 1.30,
    "sandy clay loam": 1.40,
    "clay loam": 1.30,
    "silty clay loam": 1.30,
    "sandy clay": 1.30,
    "silty clay": 1.25,
    "clay": 1.22,
}


def nitrate_lb_ac(
    nitrate_ppm: ArrayLike, *, top_in: float, bottom_in: float, bulk_density_g_cm3: ArrayLike = BULK_DENSITY_G_CM3
) -> Number:
    """
    Nitrate-N held by one layer of soil.

    Parameters
    ----------
    nitrate_ppm : array_like, shape (n,) or scalar
        NO3-N in dry soil; NO3 itself must first be multiplied by 0.2259. [ppm]
    top_in, bottom_in : float
        Depths between which the core was cut. [in]
    bulk_density_g_cm3 : array_like, shape (n,) or scalar
        Dry weight of a volume of soil. [g/cm³]

    Returns
    -------
    nitrate_lb_ac : float or ndarray, shape (n,)
        NaN where the reading is NaN. [lb/ac]

    Raises
    ------
    OutOfRangeError
        If a reading is negative, the depths are upside down or the bulk density is not one of soil.

    References
    ----------
    1 acre = 4046.8564 m², 1 in = 0.0254 m, 1 lb = 0.45359237 kg (exact), so lb/ac = ppm × in × g/cm³ × 0.226613.

    Examples
    --------
    10 × 12 × 1.30 × 0.226613 = 35.35:

    >>> round(nitrate_lb_ac(10.0, top_in=0, bottom_in=12, bulk_density_g_cm3=1.30), 2)
    35.35
    """
    ppm = as_number(nitrate_ppm)
    density = as_number(bulk_density_g_cm3)
    if not 0 <= top_in < bottom_in:
        problem = f"A soil layer cannot reach from {top_in:g} to {bottom_in:g} in."
        raise OutOfRangeError(problem, "Give depths below the surface in inches, the top first, as 0 and 12.")
    if np.any(np.less(ppm, 0)):
        problem = f"Nitrate-N is {np.nanmin(ppm):g} ppm."
        raise OutOfRangeError(problem, "Leave a reading empty (NaN) where none was taken.")
    if np.any(np.less(density, 0.4)) or np.any(np.greater(density, 2.0)):
        problem = f"Bulk density of {np.nanmin(density):g} to {np.nanmax(density):g} g/cm³ is not one of soil."
        raise OutOfRangeError(problem, "Give dry weight by volume, usually 1.1 to 1.6 g/cm³.")
    return ppm * ((bottom_in - top_in) * LB_AC_PER_PPM_IN * density)


def mean_ppm(nitrate_ppm: Sequence[ArrayLike], *, thickness_in: Sequence[float]) -> Number:
    """
    Mean of several layers, each by its thickness.

    Raises OutOfRangeError if the two differ in length or a thickness is not above 0.

    Parameters
    ----------
    nitrate_ppm : sequence of array_like
        One for each layer: scalars or arrays of one shape. [ppm]

    Returns
    -------
    mean_ppm : float or ndarray
        NaN where any layer is. [ppm]

    Examples
    --------
    (8 × 10 + 16 × 4) / 24 = 6:

    >>> mean_ppm([10.0, 4.0], thickness_in=[8.0, 16.0])
    6.0
    """
    if len(nitrate_ppm) != len(thickness_in) or not thickness_in or min(thickness_in) <= 0:
        problem = f"{len(nitrate_ppm)} layers of nitrate do not go with thicknesses {list(thickness_in)}."
        raise OutOfRangeError(problem, "Give one thickness above 0 in for each layer.")
    total: Number = 0.0
    for ppm, thickness in zip(nitrate_ppm, thickness_in, strict=True):
        total = total + as_number(ppm) * thickness
    return total / sum(thickness_in)


def bulk_density_of(texture: str) -> float:
    """
    Usual bulk density of a texture class, from memory; a measured one is better.

    Raises OutOfRangeError if the class is not known.

    >>> bulk_density_of("Sandy Loam")
    1.45
    """
    name = texture.strip().lower().replace("_", " ").replace("-", " ")
    if name not in TEXTURE_BULK_DENSITY_G_CM3:
        problem = f"Texture class {texture!r} is not known."
        raise OutOfRangeError(problem, "Use one of: " + ", ".join(TEXTURE_BULK_DENSITY_G_CM3) + ".")
    return TEXTURE_BULK_DENSITY_G_CM3[name]
