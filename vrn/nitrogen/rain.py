"""What rain and warmth did to the nitrogen already applied, as a range over the published rules."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import InputFileError
from vrn.nitrogen.applied import (
    DENITRIFICATION_RULES,
    IN_PER_IN_DRAINED,
    Applied,
    denitrified_share_band,
    product_kind,
    volatilized_share_band,
)
from vrn.nitrogen.water import SoilWarmth, SoilWater, WaterBalance, soil_water_of, water_balance
from vrn.units import LB_AC_PER_PPM_IN

Band = tuple[float, float]
Carry = Callable[[NDArray[np.float64], float], tuple[NDArray[np.float64], float]]
_NITRIFICATION: Final = (
    "nitrate from ammonia by the soil's degree days (Nafziger, Illinois 2016 and 2017; Fernández 2012), soil from air "
    "temperature (Kätterer and Andrén 2009); from other products by weeks (Kentucky; Iowa State 2024)"
)
_DEEP_IN: Final = 24
_PLACED_IN: Final = {
    "broadcast": (0, 2), "incorporated": (0, 4), "banded": (0, 4), "injected": (4, 8), "unknown": (0, 6),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class AppliedFate:
    """What became of one application, each as (low, high)."""

    applied: Applied
    weeks: float  # since it went on
    nitrate_share: Band  # share that has turned to nitrate
    # to the air from the surface; denitrified; below two feet [lb/ac]
    volatilized_lb_ac: Band
    denitrified_lb_ac: Band
    below_lb_ac: Band
    # nitrate still in 0–12 and 12–24 in, before what the crop took [lb/ac]
    top_foot_lb_ac: Band
    second_foot_lb_ac: Band
    not_nitrate_lb_ac: Band  # not yet nitrate [lb/ac]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RainEffect:
    """What rain and warmth did to the applied nitrogen up to a day."""

    on: date
    fates: tuple[AppliedFate, ...]
    balance: WaterBalance  # from the first day of the record
    rain_in: NDArray[np.float64]  # of each day of the balance, shape (n,) [in]
    # applied nitrate in the top foot, day by day, shape (n,) [lb/ac]
    top_low_lb_ac: NDArray[np.float64]
    top_high_lb_ac: NDArray[np.float64]
    # since the last application (or the record's start) [in]
    rain_since_in: float
    drained_since_in: float
    moved_in: Band  # how far that drainage carries nitrate [in]
    days_saturated: int  # since then [days]
    rules: tuple[str, ...]  # published rules the ranges span
    expected_top_foot_ppm: Band | None = None  # nitrate to expect in 0–12 in, without what last year left [ppm]
    measured_top_foot_ppm: float | None = None  # mean of the readings there [ppm]

    def total(self, name: str) -> Band:
        """Sum of one band of the fates over all applications, as ``total("top_foot_lb_ac")``. [lb/ac]"""
        bands = [getattr(fate, name) for fate in self.fates]
        return float(sum(low for low, _ in bands)), float(sum(high for _, high in bands))

    def to_plain(self) -> dict[str, object]:
        """The effect as str, numbers and lists."""
        names = ("nitrate_share", "volatilized_lb_ac", "denitrified_lb_ac", "below_lb_ac", "top_foot_lb_ac",
                 "second_foot_lb_ac", "not_nitrate_lb_ac")  # fmt: skip
        return {
            "on": self.on.isoformat(),
            "rain_since_in": round(self.rain_since_in, 2), "drained_since_in": round(self.drained_since_in, 2),
            "moved_in": [round(part, 1) for part in self.moved_in], "days_saturated": self.days_saturated,
            "applications": [
                {"on": fate.applied.on.isoformat(), "product": fate.applied.product, "n_lb_ac": fate.applied.n_lb_ac,
                 "weeks": round(fate.weeks, 1)}
                | {name: [round(part, 3 if name.endswith("share") else 1) for part in getattr(fate, name)]
                   for name in names}
                for fate in self.fates
            ],
            "totals": {name: [round(part, 1) for part in self.total(name)] for name in names[1:]},
            "days": [day.isoformat() for day in self.balance.days],
            "rain_in": [round(float(value), 2) for value in self.rain_in],
            "drainage_in": [round(float(value), 2) for value in self.balance.drainage_in],
            "saturated": [bool(value) for value in self.balance.saturated],
            "top_foot_low_lb_ac": [round(float(value), 1) for value in self.top_low_lb_ac],
            "top_foot_high_lb_ac": [round(float(value), 1) for value in self.top_high_lb_ac],
            "rules": list(self.rules),
            "expected_top_foot_ppm": None if self.expected_top_foot_ppm is None
            else [round(part, 1) for part in self.expected_top_foot_ppm],
            "measured_top_foot_ppm": None if self.measured_top_foot_ppm is None
            else round(self.measured_top_foot_ppm, 1),
        }  # fmt: skip


def rain_effect(
    applications: Sequence[Applied], *, on: date, days: Sequence[date], tmin_f: ArrayLike, tmax_f: ArrayLike,
    rain_in: ArrayLike, texture: str | None = None, drainage: str | None = None, tile: bool | None = None,
    collars: ArrayLike | None = None, latitude_deg: float = 41.5,
) -> RainEffect:  # fmt: skip
    """Follow applied nitrogen through the weather to a day.

    Applications after `on` are left out; the days begin before the first of them. Without a texture class the range
    spans fine and coarse soil, without a drainage class half to twice what its texture drains in a day; `collars` of
    each day give the crop's water use. Raises InputFileError if the record does not reach from the first application to
    the day. Nitrate appears by the soil's warmth or by weeks, at the least and the most, is carried down by what drains
    (once as a front, once as feet that mix), and is lost on saturated days by the mildest and the harshest published
    rule; the crop's uptake is not taken off.
    """
    inside = [i for i, day in enumerate(days) if day <= on]
    past = tuple(sorted((item for item in applications if item.on <= on), key=lambda item: item.on))
    if not inside or (past and days[0] > past[0].on) or (on - days[inside[-1]]).days > 7:
        reach = f"{days[inside[0]]} to {days[inside[-1]]}" if inside else "no day before it"
        problem = f"The weather record ({reach}) does not reach from the first application to {on}."
        raise InputFileError(problem, "Give a weather file that begins before the first application.")
    low, high, rain = (np.atleast_1d(np.asarray(part, dtype=float))[inside] for part in (tmin_f, tmax_f, rain_in))
    known = [days[i] for i in inside]
    leaves = None if collars is None else np.asarray(collars, dtype=float)[inside]
    balances = [
        water_balance(known, low, high, rain, soil=soil, latitude_deg=latitude_deg, collars=leaves)
        for soil in SoilWater.by_drainage(texture, drainage=drainage, tile=tile)
    ]
    balance, warmth = balances[0], SoilWarmth.of(known, low, high)
    assert warmth is not None
    fates, tracks = [], []
    for item in past:
        fate, track = _fate(item, on, balances, rain, texture, warmth)
        fates.append(fate)
        tracks.append(track)
    top = np.sum(tracks, axis=0) if tracks else np.zeros((2, len(inside)))
    since = past[-1].on if past else balance.days[0]
    later = np.array([day >= since for day in balance.days])
    drained = float(balance.drainage_in[later].sum())
    per_in = _reach(texture)
    return RainEffect(
        on=on, fates=tuple(fates), balance=balance, rain_in=np.nan_to_num(rain), top_low_lb_ac=top[0],
        top_high_lb_ac=top[1], rain_since_in=float(np.nansum(rain[later])), drained_since_in=drained,
        moved_in=(drained * per_in[0], drained * per_in[1]), days_saturated=int(balance.saturated[later].sum()),
        rules=(_NITRIFICATION, *(f"{rule.name} ({rule.source})" for rule in DENITRIFICATION_RULES)),
    )  # fmt: skip


def expected_nitrate_ppm(
    effect: RainEffect, *, mineralized_lb_ac: float, uptake_lb_ac: Band, bulk_density_g_cm3: float = 1.35
) -> Band:
    """Range of nitrate to expect in the top foot, to compare the readings with.

    What the soil has freed this season is counted from none to all of it; `uptake_lb_ac` is what the crop holds, low
    and high.
    """
    top_low, top_high = effect.total("top_foot_lb_ac")
    per_ppm = 12.0 * bulk_density_g_cm3 * LB_AC_PER_PPM_IN
    low = max(top_low - uptake_lb_ac[1], 0.0) / per_ppm
    return low, max(top_high + mineralized_lb_ac - uptake_lb_ac[0], 0.0) / per_ppm


def _reach(texture: str | None) -> Band:
    """Inches that an inch of drainage carries nitrate: one figure when the texture is known, both when not."""
    if texture is None:
        return IN_PER_IN_DRAINED
    one = IN_PER_IN_DRAINED[1 if soil_water_of(texture).coarse else 0]
    return one, one


def _fate(
    item: Applied,
    on: date,
    balances: Sequence[WaterBalance],
    rain: NDArray[np.float64],
    texture: str | None,
    warmth: SoilWarmth,
) -> tuple[AppliedFate, NDArray[np.float64]]:
    """One application under every pairing of drainage, warmth, loss rule, reach and mixing: least and most of each."""
    kind = product_kind(item.product)
    air = volatilized_share_band(kind, placement=item.placement, inhibitor=item.inhibitor, applied_on=item.on,
                                 days=balances[0].days, rain_in=rain)  # fmt: skip
    runs = [
        _run(item, balance, nitrate=turned, loss=loss, reach=reach, carry=carry, air=air[loss])
        for balance in balances
        for turned in zip(*_turned(item, balances[0].days, warmth), strict=True)
        for loss in (0, 1)
        for reach in dict.fromkeys(_reach(texture))
        for carry in (_as_a_front, _as_mixed_feet)
    ]
    weeks = (on - item.on).days / 7.0

    def band(name: str) -> Band:
        found = [run[name] for run, _ in runs]
        return min(found), max(found)

    tops = np.array([track for _, track in runs])
    fate = AppliedFate(
        applied=item, weeks=weeks, nitrate_share=item.nitrate_share_on(on, warmth),
        volatilized_lb_ac=(air[0] * item.n_lb_ac, air[1] * item.n_lb_ac), denitrified_lb_ac=band("denitrified"),
        below_lb_ac=band("below"), top_foot_lb_ac=band("top"), second_foot_lb_ac=band("second"),
        not_nitrate_lb_ac=band("waiting"),
    )  # fmt: skip
    return fate, np.array([tops.min(axis=0), tops.max(axis=0)])


def _turned(item: Applied, days: Sequence[date], warmth: SoilWarmth) -> list[Band]:
    """The share at the end of each day; 0 before the application."""
    return [
        (0.0, 0.0) if day < item.on else item.nitrate_share_on(date.fromordinal(day.toordinal() + 1), warmth)
        for day in days
    ]


def _run(
    item: Applied, balance: WaterBalance, *, nitrate: Sequence[float], loss: int, reach: float, carry: Carry, air: float
) -> tuple[dict[str, float], NDArray[np.float64]]:
    """Follow one application under one choice of rules: nitrate by inch of depth, day by day."""
    first, last = _PLACED_IN.get(item.placement, (0, 6))
    soil = np.zeros(_DEEP_IN)
    amount = item.n_lb_ac * (1.0 - air)
    turned = denitrified = below = 0.0
    wet = warmth = 0.0
    track = np.zeros(len(balance.days))
    for i, day in enumerate(balance.days):
        if day < item.on:
            continue
        fresh = max(nitrate[i] - turned, 0.0)
        turned += fresh
        soil[first:last] += fresh * amount / (last - first)
        if balance.saturated[i]:
            wet, warmth = wet + 1.0, warmth + float(balance.temperature_f[i])
            before = denitrified_share_band(wet - 1.0, temperature_f=warmth / wet)[loss]
            after = denitrified_share_band(wet, temperature_f=warmth / wet)[loss]
            gone = 0.0 if before >= 1.0 else max(1.0 - (1.0 - after) / (1.0 - before), 0.0)
            denitrified += gone * float(soil.sum())
            soil *= 1.0 - gone
        else:
            wet = warmth = 0.0
        soil, lost = carry(soil, float(balance.drainage_in[i]) * reach)
        below += lost
        track[i] = soil[:12].sum()
    return {
        "denitrified": denitrified, "below": below, "top": float(soil[:12].sum()), "second": float(soil[12:].sum()),
        "waiting": amount * (1.0 - turned),
    }, track  # fmt: skip


def _as_a_front(soil: NDArray[np.float64], distance_in: float) -> tuple[NDArray[np.float64], float]:
    """Move a profile of inches down by a distance, split between the two inches it ends in; what leaves it is lost."""
    whole, part = int(distance_in), distance_in % 1.0
    moved = np.zeros(len(soil) + 1)
    for offset, weight in ((whole, 1.0 - part), (whole + 1, part)):
        if offset < len(soil):
            moved[offset:-1] += weight * soil[: len(soil) - offset]
    return moved[:-1], float(soil.sum() - moved.sum())


def _as_mixed_feet(soil: NDArray[np.float64], distance_in: float) -> tuple[NDArray[np.float64], float]:
    """Wash each foot as a mixed whole: after water for d inches it keeps exp(−d / 12) of its nitrate."""
    kept = float(np.exp(-distance_in / 12.0))
    top, second = soil[:12] * kept, soil[12:] * kept
    passed = float(soil[:12].sum()) * (1.0 - kept)
    return np.concatenate([top, second + passed / 12.0]), float(soil[12:].sum()) * (1.0 - kept)
