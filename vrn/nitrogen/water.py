"""A day-by-day water balance of the root zone: what drained, and on which days the soil stood full."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError

_SOLAR_CONSTANT_MJ: Final = 0.0820  # MJ/m² a minute (FAO-56)
_MJ_TO_MM: Final = 0.408  # 1 / 2.45 MJ/kg (FAO-56)
_MM_IN: Final = 25.4
_BARE_SHARE: Final = 0.6  # water use of bare soil wetted every few days (FAO-56, figure 29; from memory)
_FULL_SHARE: Final = 1.2  # of maize in mid-season (FAO-56, table 12)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Days:
    """Daily weather as the arithmetic wants it: ``days`` in order, temperatures [°F] and rain [in], each shape (n,)."""

    days: tuple[date, ...]
    tmin_f: NDArray[np.float64]
    tmax_f: NDArray[np.float64]
    rain_in: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SoilWater:
    """How a soil holds and passes water; from memory, by texture."""

    capacity_in: float  # plant-available water of the top two feet [in]
    drains_in: float  # excess that a day can drain [in]
    coarse: bool = False  # sandy: nitrate moves twice as far


SOIL_WATER: Final = {
    "coarse": SoilWater(capacity_in=2.0, drains_in=3.0, coarse=True),
    "medium": SoilWater(capacity_in=4.0, drains_in=0.6),
    "fine": SoilWater(capacity_in=4.0, drains_in=0.3),
}


def soil_water_of(texture: str | None) -> SoilWater:
    """Water behaviour of a texture class; medium when nothing is known.

    >>> soil_water_of("loamy sand").coarse, soil_water_of(None).drains_in
    (True, 0.6)
    """
    name = (texture or "").lower()
    if "sand" in name and "clay" not in name:
        return SOIL_WATER["coarse"]
    return SOIL_WATER["fine" if name.endswith("clay") else "medium"]


def outer_radiation_mj(day: date, *, latitude_deg: float) -> float:
    """Daily radiation at the top of the atmosphere. [MJ/m²]

    North is positive. Source: Allen et al. (1998), FAO Irrigation and Drainage Paper 56, equations 21 to 25 and example
    8.

    3 September at 20° S:

    >>> round(outer_radiation_mj(date(2026, 9, 3), latitude_deg=-20.0), 1)
    32.2
    """
    number = day.timetuple().tm_yday
    latitude = np.radians(latitude_deg)
    distance = 1 + 0.033 * np.cos(2 * np.pi * number / 365)
    declination = 0.409 * np.sin(2 * np.pi * number / 365 - 1.39)
    sunset = np.arccos(np.clip(-np.tan(latitude) * np.tan(declination), -1.0, 1.0))
    beam = sunset * np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.sin(sunset)
    return float(24 * 60 / np.pi * _SOLAR_CONSTANT_MJ * distance * beam)


def reference_water_use_in(day: date, tmin_f: float, tmax_f: float, *, latitude_deg: float) -> float:
    """Reference evapotranspiration of a day from its temperatures (Hargreaves). [in]

    Source: Allen et al. (1998), FAO Irrigation and Drainage Paper 56, equation 52.

    0.0023 (20.7 + 17.8) √11.8 × 16.6 mm = 5.0 mm at Lyon in July (FAO-56, example 20):

    >>> round(reference_water_use_in(date(2026, 7, 15), 58.64, 79.88, latitude_deg=45.72) * 25.4, 1)
    5.0
    """
    low, high = (tmin_f - 32) / 1.8, (tmax_f - 32) / 1.8
    evaporated = outer_radiation_mj(day, latitude_deg=latitude_deg) * _MJ_TO_MM
    return float(max(0.0023 * ((low + high) / 2 + 17.8) * max(high - low, 0.0) ** 0.5 * evaporated, 0.0) / _MM_IN)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WaterBalance:
    """Day by day, each shape (n,)."""

    days: tuple[date, ...]
    drainage_in: NDArray[np.float64]  # water that left the top two feet below [in]
    saturated: NDArray[np.bool_]  # the soil stood full at the day's end
    temperature_f: NDArray[np.float64]  # mean of the day [°F]


def water_balance(
    days: Sequence[date], tmin_f: ArrayLike, tmax_f: ArrayLike, rain_in: ArrayLike, *,
    soil: SoilWater = SOIL_WATER["medium"], collars: ArrayLike | None = None, latitude_deg: float = 41.5,
) -> WaterBalance:  # fmt: skip
    """What drained and when the soil stood full, starting at field capacity on the first day.

    NaN rain counts as none, NaN temperatures are read off their neighbours. With leaf collars of each day the crop's
    water use rises from 0.6 to 1.2 of the reference between V4 and V14. Raises OutOfRangeError if the record is empty
    or holds no temperature.

    Two inches on a full soil that drains 0.6 in a day, less what evaporates:

    >>> june = [date(2026, 6, i) for i in range(1, 6)]
    >>> balance = water_balance(june, [60] * 5, [60] * 5, [2.0, 0, 0, 0, 0])
    >>> balance.saturated.tolist(), balance.drainage_in.round(1).tolist()
    ([True, True, True, False, False], [0.6, 0.6, 0.6, 0.2, 0.0])
    """
    low, high = _without_gaps(tmin_f), _without_gaps(tmax_f)
    if not len(low):
        problem = "The weather record holds no temperature."
        raise OutOfRangeError(problem, "Give a file with tmin_f and tmax_f for every day of the season.")
    rain = np.nan_to_num(np.atleast_1d(np.asarray(rain_in, dtype=float)))
    leaves = np.zeros(len(days)) if collars is None else np.asarray(collars, dtype=float)
    share = np.interp(leaves, [4.0, 14.0], [_BARE_SHARE, _FULL_SHARE])
    water, excess = soil.capacity_in, 0.0
    drainage, saturated = np.zeros(len(days)), np.zeros(len(days), dtype=bool)
    for i, day in enumerate(days):
        used = share[i] * reference_water_use_in(day, float(low[i]), float(high[i]), latitude_deg=latitude_deg)
        held = water + excess + rain[i] - used
        water = min(max(held, 0.0), soil.capacity_in)
        excess = max(held - soil.capacity_in, 0.0)
        drainage[i] = min(excess, soil.drains_in)
        excess -= drainage[i]
        saturated[i] = excess > 1e-9
    return WaterBalance(days=tuple(days), drainage_in=drainage, saturated=saturated, temperature_f=(low + high) / 2)


def _without_gaps(values: ArrayLike) -> NDArray[np.float64]:
    """Values with NaN read off their neighbours; empty when there is none."""
    array = np.atleast_1d(np.asarray(values, dtype=float))
    known = np.isfinite(array)
    if not known.any():
        return np.array([])
    places = np.arange(len(array))
    filled: NDArray[np.float64] = np.interp(places, places[known], array[known])
    return filled
