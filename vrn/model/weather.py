"""Daily weather of the season."""

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weather:
    """Days in order, ``tmin_f``, ``tmax_f`` [°F] and ``rain_in`` [in], each shape (n,); NaN where not recorded."""

    days: tuple[date, ...]
    tmin_f: NDArray[np.float64]
    tmax_f: NDArray[np.float64]
    rain_in: NDArray[np.float64]
    source: str
