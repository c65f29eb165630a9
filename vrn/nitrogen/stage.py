"""The crop's stage by leaf collars, and the shares taken up and still to mineralize, by stage or by warmth."""

import re
from collections.abc import Sequence
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import InputFileError, OutOfRangeError
from vrn.findings import Finding, Quantity, note
from vrn.nitrogen.ledger import Number, as_number
from vrn.nitrogen.water import Days

PREPLANT: Final = -1.0
TASSEL: Final = 18.0  # VT is the eighteenth collar on this axis, R1 … R6 one step each after it

UPTAKE_SOURCE: Final = (
    "synthesis: Bender et al. 2013, Agron. J. 105:161-170 (31 % of the total between V10 and V14) and extension "
    "summaries; single values from memory"
)
MINERALIZATION_SOURCE: Final = "share left by stage from memory; no published table was seen"

# stage, share of the season's nitrogen taken up, low, high; V4's band is from memory
_UPTAKE: Final = np.array(
    [
        [0, 0.00, 0.00, 0.00],
        [4, 0.03, 0.02, 0.05],
        [6, 0.08, 0.05, 0.11],
        [8, 0.15, 0.10, 0.22],
        [10, 0.30, 0.15, 0.35],
        [12, 0.45, 0.30, 0.52],
        [14, 0.60, 0.50, 0.67],
        [18, 0.68, 0.60, 0.80],
        [19, 0.68, 0.60, 0.80],
        [20, 0.74, 0.68, 0.82],
        [22, 0.86, 0.80, 0.92],
        [24, 1.00, 1.00, 1.00],
    ]
)
# stage, share of the season's mineralization (to about R5) still to come
_LEFT: Final = np.array(
    [[-1, 1.0], [4, 0.82], [6, 0.75], [8, 0.69], [10, 0.65], [12, 0.60], [14, 0.50], [18, 0.42], [19, 0.42], [23, 0.0]]
)


def stage_position(growth_stage: str | ArrayLike) -> Number:
    """Place of a stage on the axis of leaf collars.

    `"preplant"`, `"VE"`, `"V7"`, `"VT"`, `"R1"` … `"R6"`; a number (or an array) is a count of collars. Raises
    OutOfRangeError if the stage is not one of corn.

    >>> stage_position("V7"), stage_position("vt"), stage_position("R2"), stage_position("preplant")
    (7.0, 18.0, 20.0, -1.0)
    """
    if isinstance(growth_stage, str):
        return _position_of_name(growth_stage)
    position = as_number(growth_stage)
    if np.any(np.less(position, PREPLANT)) or np.any(np.greater(position, 24)):
        problem = f"A growth stage of {np.nanmin(position):g} to {np.nanmax(position):g} is not one of corn."
        raise OutOfRangeError(problem, "Count the leaves with a visible collar, as 7 for V7.")
    return position


def _position_of_name(growth_stage: str) -> float:
    name = growth_stage.strip().upper().replace(" ", "")
    if name in ("PREPLANT", "PRE-PLANT"):
        return PREPLANT
    if name in ("VE", "VT"):
        return 0.0 if name == "VE" else TASSEL
    leaves = re.fullmatch(r"V(\d{1,2}(?:\.\d+)?)", name)
    if leaves and 1 <= float(leaves[1]) <= 25:
        return min(float(leaves[1]), TASSEL)
    grain = re.fullmatch(r"R([1-6])", name)
    if grain:
        return TASSEL + int(grain[1])
    problem = f"Growth stage {growth_stage!r} is not one of corn."
    raise OutOfRangeError(problem, 'Write "preplant", "VE", "V1" … "V18", "VT" or "R1" … "R6", by leaf collars.')


def stage_name(position: float) -> str:
    """Name of a place on the axis; a leaf that shows no collar yet does not count.

    >>> stage_name(7.8), stage_name(18), stage_name(20), stage_name(-1)
    ('V7', 'VT', 'R2', 'preplant')
    """
    if position < 0:
        return "preplant"
    if position < 1:
        return "VE"
    if position < TASSEL:
        return f"V{int(position)}"
    return "VT" if position < TASSEL + 1 else f"R{int(position - TASSEL)}"


def uptake_share(growth_stage: str | ArrayLike) -> Number:
    """Share of the season's nitrogen that the crop holds at a stage, by straight lines between published stages.

    Sources: Bender, Haegele, Ruffo, Below (2013), Agron. J. 105:161-170, with extension summaries; a synthesis.

    Half way between V6 (0.08) and V8 (0.15):

    >>> round(uptake_share("V7"), 4)
    0.115
    """
    return _between(_UPTAKE, growth_stage, 1)


def uptake_band(growth_stage: str | ArrayLike) -> tuple[Number, Number]:
    """Lowest and highest published share taken up at a stage.

    >>> uptake_band("V8")
    (0.1, 0.22)
    """
    return _between(_UPTAKE, growth_stage, 2), _between(_UPTAKE, growth_stage, 3)


def mineralization_share_left(growth_stage: str | ArrayLike) -> Number:
    """Share of the season's mineralization (to about R5) still to come at a stage; from memory.

    >>> mineralization_share_left("V8")
    0.69
    """
    return _between(_LEFT, growth_stage, 1)


def _between(table: NDArray[np.float64], growth_stage: str | ArrayLike, column: int) -> Number:
    return as_number(np.interp(stage_position(growth_stage), table[:, 0], table[:, column]))


Q10: Final = 2.0  # rate for each 10 °C; Stanford et al. 1973 about 2 over 5–35 °C; 1.7–1.9 in other published soils
SEASON: Final = ((4, 1), (9, 30))  # first and last day whose warmth makes up the season, a choice of this project
END_OF_UPTAKE: Final = (8, 25)  # about R5; from memory
WARMTH_SOURCE: Final = (
    "share of the season's warmth, Q10 = 2 (about 2 over 5–35 °C: Stanford et al. 1973), air temperature for soil; "
    "season 1 April to 30 September and R5 about 25 August, from memory"
)
WARMTH_KEY: Final = "nitrogen.mineralization_share_left"
_FULL_RECORD_SHARE: Final = 0.9
_YEARLY_LB_AC: Final = 20.0  # for each per cent of organic matter: what the two shares are compared at


def warmth_share(
    days: Sequence[date], temperature_c: ArrayLike, *, first: date, end: date, season: tuple[date, date],
    q10: float = Q10,
) -> float:  # fmt: skip
    """Share of a season's warmth that falls between two days.

    Daily means of the soil, or of the air for want of it, must cover the season; missing days are read off their
    neighbours. `end` itself is left out; `season` is its first and last day. Raises InputFileError if the record covers
    less than nine tenths of the season. Source: Stanford, Frere, Schwaninger (1973), Q10 of nitrogen mineralization
    about 2 (from memory).

    Two days at 10 °C and one at 20 °C: the warm day weighs 4 of 2 + 2 + 4:

    >>> june = [date(2026, 6, i) for i in (1, 2, 3)]
    >>> warmth_share(june, [10, 10, 20], first=june[2], end=date(2026, 6, 4), season=(june[0], june[2]))
    0.5
    """
    opening, last = season
    count = (last - opening).days + 1
    warm = np.full(count, np.nan)
    for day, value in zip(days, np.asarray(temperature_c, dtype=float), strict=True):
        if 0 <= (day - opening).days < count:
            warm[(day - opening).days] = value
    known = np.isfinite(warm)
    if known.sum() < _FULL_RECORD_SHARE * count:
        problem = f"Temperatures cover {int(known.sum())} of the {count} days from {opening} to {last}."
        raise InputFileError(problem, "Put normals behind the record, or leave the share to the stage table.")
    places = np.arange(count)
    warm = np.interp(places, places[known], warm[known])
    rate = np.where(warm < 0, 0.0, q10 ** (warm / 10.0))
    start, stop = (min(max((day - opening).days, 0), count) for day in (first, end))
    return float(rate[start:stop].sum() / rate.sum()) if rate.sum() > 0 else 0.0


def share_left_on(
    sampled_on: date, *, days: Sequence[date], tmin_f: ArrayLike, tmax_f: ArrayLike, q10: float = Q10
) -> float:
    """Share of a year's mineralization that comes between sampling and about R5, from daily air temperatures.

    The days must reach from April to September, so a forecast and normals follow the record. Raises InputFileError if
    the record does not cover the season.

    At one temperature all season it is days over days: 18 June to 25 August is 68 of 183.

    >>> every = [date.fromordinal(date(2026, 4, 1).toordinal() + i) for i in range(183)]
    >>> round(share_left_on(date(2026, 6, 18), days=every, tmin_f=[60] * 183, tmax_f=[80] * 183), 4)
    0.3716
    """
    mean_c = ((np.asarray(tmin_f, dtype=float) + np.asarray(tmax_f, dtype=float)) / 2.0 - 32.0) / 1.8
    year = sampled_on.year
    return warmth_share(
        days, mean_c, first=sampled_on, end=date(year, *END_OF_UPTAKE), q10=q10,
        season=(date(year, *SEASON[0]), date(year, *SEASON[1])),
    )  # fmt: skip


def warmth_left(
    on: date | None, weather: Days | None, normals: Days | None, growth_stage: str | float | None,
    findings: list[Finding],
) -> tuple[float | None, str]:  # fmt: skip
    """Share of the year's mineralization still to come by the record and normals behind it, and where it is from.

    None where the record does not reach: then the stage table is used. What was noticed is added to the findings.
    """
    if on is None or weather is None:
        return None, ""
    days, tmin_f, tmax_f = _whole_season(weather, normals, on.year)
    try:
        share = share_left_on(on, days=days, tmin_f=tmin_f, tmax_f=tmax_f)
    except InputFileError as error:
        findings.append(note("weather.mineralization-by-stage", WARMTH_KEY, problem=error.problem))
        return None, ""
    if growth_stage is not None:
        table = float(mineralization_share_left(growth_stage))
        findings.append(
            note("weather.mineralization-by-weather", WARMTH_KEY, share=Quantity("share", share),
                 table=Quantity("share", table), yearly=Quantity("rate", _YEARLY_LB_AC),
                 apart=Quantity("amount", _YEARLY_LB_AC * abs(table - share)))
        )  # fmt: skip
    return share, WARMTH_SOURCE


def _whole_season(
    weather: Days, normals: Days | None, year: int
) -> tuple[tuple[date, ...], NDArray[np.float64], NDArray[np.float64]]:
    """The record, with normals of the same month and day where it has no temperature."""
    if normals is None:
        return weather.days, weather.tmin_f, weather.tmax_f
    usual = {(day.month, day.day): i for i, day in enumerate(normals.days)}
    known = {
        day: (low, high)
        for day, low, high in zip(weather.days, weather.tmin_f, weather.tmax_f, strict=True)
        if np.isfinite(low + high)
    }
    first, last = (date(year, *day).toordinal() for day in SEASON)
    for ordinal in range(first, last + 1):
        day = date.fromordinal(ordinal)
        i = usual.get((day.month, day.day))
        if day not in known and i is not None:
            known[day] = (normals.tmin_f[i], normals.tmax_f[i])
    days = tuple(sorted(known))
    values = np.array([known[day] for day in days])
    return days, values[:, 0], values[:, 1]
