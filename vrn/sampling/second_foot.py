"""Where the second foot is worth pulling: where rain most likely moved nitrate."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from vrn.findings import Finding
from vrn.model.field import Field

_HEAVY_RAIN_IN = 4.0  # Iowa State: 60 to 70 lb/ac lost after 4 to 6 in of excess
_SAND = "sand"


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondFoot:
    """
    How much of the second foot to pull, and why.

    Parameters
    ----------
    share : float
        Of the samples, 0 … 1.
    why : str
        One sentence.
    pulled : bool
        Whether readings in hand reach the second foot already.
    findings : tuple of Finding
    """

    share: float
    why: str
    pulled: bool
    findings: tuple[Finding, ...] = ()


def second_foot_wanted(field: Field, choice: Literal["auto", "all", "none"] = "auto") -> SecondFoot:
    """
    Share of the samples at which the second foot should be pulled.

    Parameters
    ----------
    field : Field
        Its texture, its weather and its applications decide.
    choice : {"auto", "all", "none"}

    Returns
    -------
    wanted : SecondFoot
        On sand everywhere (Purdue); after 4 in of rain or more since the last application at half of the places (Iowa
        State); else at one in four, so that what lies below is not guessed (common practice, no source).
    """
    pulled = bool(len(field.samples) and np.nanmax(field.samples.bottom_in, initial=0.0) > 12.0)
    if choice == "all":
        return SecondFoot(share=1.0, why="at every place: as asked", pulled=pulled)
    if choice == "none":
        told = Finding(
            level="note", about="plan", remedy="Leave out --second-foot none to pull some.",
            problem="The second foot is not pulled: nitrate that rain moved down will not be counted.",
        )  # fmt: skip
        return SecondFoot(share=0.0, why="nowhere: as asked", pulled=pulled, findings=(told,))
    texture = (field.settings.nitrogen.texture or "").lower()
    if _SAND in texture and "clay" not in texture:
        return SecondFoot(share=1.0, why=f"at every place: the soil is {texture} (Purdue)", pulled=pulled)
    rain_in = rain_since_in(field)
    if rain_in is not None and rain_in >= _HEAVY_RAIN_IN:
        why = f"at half of the places: {rain_in:.1f} in of rain fell since the last nitrogen (Iowa State)"
        return SecondFoot(share=0.5, why=why, pulled=pulled)
    known = "" if rain_in is not None else "; no weather is given to tell how far rain moved nitrate"
    return SecondFoot(share=0.25, why=f"at one place in four, to know what lies below{known}", pulled=pulled)


def rain_since_in(field: Field) -> float | None:
    """Rain since the last nitrogen was put on, or over the whole record; None without weather. [in]"""
    weather = field.weather
    if weather is None or not len(weather.days):
        return None
    dates = [one.date for one in field.settings.applications if one.n_lb_ac > 0]
    last = max(dates, default=weather.days[0])
    after = np.array([day > last for day in weather.days])
    return float(np.nansum(weather.rain_in[after])) if after.any() else 0.0
