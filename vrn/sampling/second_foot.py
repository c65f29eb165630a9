"""Where the second foot is worth pulling: where rain most likely moved nitrate, and on light ground."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vrn.findings import Finding, note
from vrn.model.field import Field
from vrn.model.layers import ConstantLayer
from vrn.sampling.balance import local_pivotal
from vrn.sampling.ground import layer_at

_HEAVY_RAIN_IN = 4.0  # Iowa State: 60 to 70 lb/ac lost after 4 to 6 in of excess
_SAND = "sand"


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondFoot:
    """How much of the second foot to pull, and why."""

    share: float  # of the samples, 0 … 1
    # `all` or `none` as asked, `sand`, `rain`, `usual`, `no-weather`; of further readings `rain-all`, `gain` (their own
    # decides) and `unlikely`
    reason: Literal["all", "none", "sand", "rain", "usual", "no-weather", "rain-all", "gain", "unlikely"]
    pulled: bool  # whether readings in hand reach the second foot already
    texture: str = ""  # of the field file; empty when not given
    rain_in: float | None = None  # since the last nitrogen; None without weather [in]
    findings: tuple[Finding, ...] = ()


def second_foot_wanted(field: Field, choice: Literal["auto", "all", "none"] = "auto") -> SecondFoot:
    """
    Share of the samples at which the second foot should be pulled.

    On sand everywhere (Purdue); after 4 in of rain or more since the last application at half of the places (Iowa
    State); else at one in four, so that what lies below is not guessed (common practice, no source).
    """
    pulled = bool(len(field.samples) and np.nanmax(field.samples.bottom_in, initial=0.0) > 12.0)
    if choice == "all":
        return SecondFoot(share=1.0, reason="all", pulled=pulled)
    if choice == "none":
        findings = (note("plan.second-foot-left-out", "plan"),)
        return SecondFoot(share=0.0, reason="none", pulled=pulled, findings=findings)
    texture = (field.settings.nitrogen.texture or "").lower()
    if _SAND in texture and "clay" not in texture:
        return SecondFoot(share=1.0, reason="sand", pulled=pulled, texture=texture)
    rain_in = rain_since_in(field)
    if rain_in is None:
        return SecondFoot(share=0.25, reason="no-weather", pulled=pulled, texture=texture)
    heavy = rain_in >= _HEAVY_RAIN_IN
    return SecondFoot(
        share=0.5 if heavy else 0.25, reason="rain" if heavy else "usual", pulled=pulled, texture=texture,
        rain_in=rain_in,
    )  # fmt: skip


def rain_since_in(field: Field) -> float | None:
    """Rain since the last nitrogen was put on, or over the whole record; None without weather. [in]"""
    weather = field.weather
    if weather is None or not len(weather.days):
        return None
    dates = [one.date for one in field.settings.applications or () if one.n_lb_ac > 0]
    last = max(dates, default=weather.days[0])
    after = np.array([day > last for day in weather.days])
    return float(np.nansum(weather.rain_in[after])) if after.any() else 0.0


def deep_places(
    field: Field, share: float, places_m: NDArray[np.float64], random: np.random.Generator
) -> NDArray[np.bool_]:
    """
    Places at which the second foot is pulled: spread evenly, with twice the chance on lighter ground.

    ``share`` of the places [m], 0 … 1; the field's organic matter shows lighter ground. Shape (n,).
    """
    count = math.ceil(share * len(places_m))
    if count >= len(places_m):
        return np.ones(len(places_m), dtype=bool)
    deep = np.zeros(len(places_m), dtype=bool)
    if not count:
        return deep
    weight = np.ones(len(places_m))
    if field.organic_matter is not None and not isinstance(field.organic_matter, ConstantLayer):
        om = layer_at(field.organic_matter, places_m)
        weight = np.where(om < np.nanmedian(om), 2.0, 1.0)
    deep[local_pivotal(np.minimum(weight * count / weight.sum(), 1.0), places_m, random=random)] = True
    return deep
