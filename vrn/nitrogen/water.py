"""Water and warmth of the root zone, day by day: what drained, when the soil stood full, how warm the soil was."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError

_SOLAR_CONSTANT_MJ: Final = 0.0820  # MJ/m² a minute (FAO-56)
_MJ_TO_MM: Final = 0.408  # 1 / 2.45 MJ/kg (FAO-56)
_MM_IN: Final = 25.4
_BARE_SHARE: Final = 0.6  # water use of bare soil wetted every few days (FAO-56, figure 29; from memory)
_FROZEN_SHARE: Final = 0.20  # Kätterer and Andrén 2009
_BARE_TIMES: Final = 0.95 + 0.05 * math.exp(0.4 * 3)
_DAMPED: Final = 0.24 * math.exp(-0.017 * 10)  # at 10 cm, 4 in
_MOST_BEYOND_DAYS: Final = 7
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

    @staticmethod
    def by_drainage(texture: str | None, *, drainage: str | None = None, tile: bool | None = None) -> "list[SoilWater]":
        """What the soil may be by its drainage, the likeliest first: one where that is known, a span where it is not.

        Water that drains carries nitrate below; water that stays takes it to the air: one figure sets both.

        >>> [soil.drains_in for soil in SoilWater.by_drainage("loam")]
        [0.6, 0.3, 1.2]
        >>> [soil.drains_in for soil in SoilWater.by_drainage("loam", drainage="poor", tile=True)]
        [0.5]
        """
        soil = soil_water_of(texture)
        rates = [soil.drains_in * times for times in _UNKNOWN_TIMES] if drainage is None else [DRAINS_IN[drainage]]
        if tile:
            rates = [max(rate, _TILE_DRAINS_IN) for rate in rates]
        return [replace(soil, drains_in=rate) for rate in dict.fromkeys(rates)]


# excess that a day can drain by natural drainage, from memory; tile takes at least half an inch a day (a common design
# coefficient in Minnesota) [in]
DRAINS_IN: Final = {"poor": 0.15, "somewhat poor": 0.3, "moderate": 0.6, "well": 1.2, "excessive": 3.0}
_TILE_DRAINS_IN: Final = 0.5
_UNKNOWN_TIMES: Final = (1.0, 0.5, 2.0)  # of the texture's figure, where drainage is not known: assumed

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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SoilWarmth:
    """Degree days of the soil above 0 °C; ``total_c_days[i]`` up to the start of day ``first`` + i. [°C·day]"""

    first: date
    total_c_days: NDArray[np.float64]

    @classmethod
    def of(cls, days: Sequence[date], tmin_f: ArrayLike, tmax_f: ArrayLike) -> "SoilWarmth | None":
        """From a record of the air; None without a temperature.

        Each day the surface is 0.2 of the air's temperature below 0 °C and 1.12 of it above (bare soil), and at 4 in
        the soil moves 0.24 exp(−0.017 × 10) of the way to it: Kätterer and Andrén (2009), Acta Agric. Scand. B
        59:77–86, as an open package documents it.

        Thirty days at 10 °C end near the surface's 11.2:

        >>> april = [date(2026, 4, i) for i in range(1, 31)]
        >>> warmth = SoilWarmth.of(april, [50] * 30, [50] * 30)
        >>> round(warmth.between(date(2026, 4, 29), date(2026, 4, 30)), 1)
        11.2
        """
        air_c = (_without_gaps(tmin_f) + _without_gaps(tmax_f) - 64.0) / 3.6
        if not len(air_c):
            return None
        numbers = np.array([day.toordinal() for day in days])
        every = np.interp(np.arange(numbers[0], numbers[-1] + 1), numbers, air_c)
        surface = np.where(every < 0, _FROZEN_SHARE * every, _BARE_TIMES * every)
        soil, now = np.empty(len(surface)), float(surface[:7].mean())
        for i, above in enumerate(surface):
            now += _DAMPED * (float(above) - now)
            soil[i] = now
        return cls(first=days[0], total_c_days=np.concatenate([[0.0], np.cumsum(np.maximum(soil, 0.0))]))

    def between(self, start: date, end: date) -> float | None:
        """Degree days from one day to the start of another; None where the record does not reach (by over a week)."""
        i, j, last = (start - self.first).days, (end - self.first).days, len(self.total_c_days) - 1
        if not 0 <= i <= last or j < i or j - last > _MOST_BEYOND_DAYS:
            return None
        latest = float(self.total_c_days[-1] - self.total_c_days[-2])
        return float(self.total_c_days[min(j, last)] - self.total_c_days[i]) + latest * max(j - last, 0)

    @staticmethod
    def usual_c_days(start: date, end: date) -> float:
        """Degree days of a usual year in the central Corn Belt, where there is no record; from memory.

        >>> round(SoilWarmth.usual_c_days(date(2025, 11, 10), date(2026, 3, 15)), -1)
        360.0
        """
        numbers = np.array([date.fromordinal(n).timetuple().tm_yday for n in range(start.toordinal(), end.toordinal())])
        return float(np.maximum(12.0 - 11.5 * np.cos(2 * np.pi * (numbers - 25) / 365), 0.0).sum())


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
