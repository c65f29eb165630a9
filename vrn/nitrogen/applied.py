"""Applied nitrogen, by published rules: nitrate by when, lost to the air, denitrified, not yet nitrate at sampling."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.findings import Finding, note
from vrn.nitrogen.ledger import Line, Number
from vrn.nitrogen.water import SoilWarmth

_KINDS: Final = (
    ("coated urea", r"(coated|polymer|slow|controlled).*urea|urea.*(coated|polymer)|\b4[34]-0-0\b"),
    ("uan", r"\buan|urea.ammonium.nitrate|\b(28|30|32)(-0-0\b|-?0?%| ?%| percent\b)|\bn-?(28|30|32)\b"),
    ("anhydrous", r"anhydrous|\bnh3\b|82-0-0"),
    ("urea", r"\burea\b|46-0-0|45-0-0"),
    ("ammonium nitrate", r"ammonium.nitrate|34-0-0|33-0-0"),
    ("nitrate", r"(calcium|potassium|sodium).nitrate"),
    ("ammonium", r"ammoni(um|a)|\b(ams|ats|map|dap)\b|21-0-0|12-0-0|11-52|18-46|10-34"),
)
_NITRATE_AT_START: Final = {"uan": 0.25, "ammonium nitrate": 0.5, "nitrate": 1.0}
_UREA_PART: Final = {"urea": 1.0, "uan": 0.5, "coated urea": 1.0}
# share nitrate after 0, 3 and 6 weeks: Kentucky (No-Till Farmer 1438); beyond six weeks on the same slope
_KENTUCKY: Final = {
    ("anhydrous", False): (0.0, 0.20, 0.65),
    ("anhydrous", True): (0.0, 0.10, 0.50),
    ("urea", False): (0.0, 0.50, 0.75),
    ("urea", True): (0.0, 0.30, 0.70),
    ("uan", False): (0.25, 0.60, 0.80),
    ("ammonium nitrate", False): (0.50, 0.80, 0.90),
}
# earliest and latest week by which all is nitrate: Iowa State 2024 (urea: 2–4 days to ammonium, then 1.25–2.5 weeks)
_IOWA_WEEKS: Final = {
    "anhydrous": (3.0, 8.0), "urea": (2 / 7 + 1.25, 4 / 7 + 2.5), "uan": (1.0, 4 / 7 + 2.5),
    "ammonium nitrate": (1.0, 2.0), "ammonium": (1.0, 2.0), "nitrate": (0.1, 0.2),
    "coated urea": (4.0, 14.0),  # from memory
}  # fmt: skip
NITRIFIED_PER_C_DAY: Final = {False: (0.0012, 0.0016, 0.0038), True: (0.0003, 0.00105, 0.0011)}
"""Least, usual and most of K in 1 − exp(−K × degree days of the soil above 0 °C), without and with an inhibitor: fitted
to Illinois fields 2015–17 (Nafziger) and incubations (Fernández 2012); temperatures of those fields from memory."""
_COATED_PER_C_DAY: Final = (0.0003, 0.0016, 0.0038)  # from the coat to nitrate: from memory
_WINTER: Final = (9, 2)  # months from and to which a rule by weeks, made for spring, says nothing
_INHIBITED_TIMES: Final = 2.0  # University of Missouri: twice the heat units with an inhibitor
IN_PER_IN_DRAINED: Final = (6.0, 12.0)  # nitrate moves this far for an inch drained: fine to coarse soil (Minnesota)


def product_kind(product: str) -> str:
    """Kind of nitrogen in a product, read from its name.

    >>> [product_kind(name) for name in ("UAN 28", "Anhydrous ammonia", "Urea 46", "hog manure")]
    ['uan', 'anhydrous', 'urea', 'unknown']
    """
    name = product.lower()
    return next((kind for kind, pattern in _KINDS if re.search(pattern, name)), "unknown")


def _kentucky_nitrate_share(kind: str, *, weeks: float, inhibited: bool = False) -> float:
    """Share of applied nitrogen that is nitrate after some weeks, by the Kentucky table.

    Raises OutOfRangeError if the table has no such row.

    >>> _kentucky_nitrate_share("urea", weeks=3.0)
    0.5
    """
    row = _KENTUCKY.get((kind, inhibited))
    if row is None:
        problem = f"The table has no row for {kind!r}{' with an inhibitor' if inhibited else ''}."
        raise OutOfRangeError(problem, "It holds anhydrous, urea, uan and ammonium nitrate.")
    if weeks <= 6.0:
        return float(np.interp(weeks, [0.0, 3.0, 6.0], row))
    return min(row[2] + (row[2] - row[1]) / 3.0 * (weeks - 6.0), 1.0)


def _nitrified_share(degree_days_c: float, *, inhibited: bool = False) -> tuple[float, float, float]:
    """Least, usual and most of ammonium that is nitrate after so many degree days of the soil above 0 °C.

    November ammonia by mid-January (394 °C·day): 47 % without an inhibitor and 30 to 34 % with (Illinois 2015–16):

    >>> [round(share, 2) for share in _nitrified_share(394.0)], round(_nitrified_share(394.0, inhibited=True)[1], 2)
    ([0.38, 0.47, 0.78], 0.34)
    """
    least, usual, most = (float(-np.expm1(-k * degree_days_c)) for k in NITRIFIED_PER_C_DAY[inhibited])
    return least, usual, most


def nitrate_share_band(
    kind: str, *, weeks: float, inhibitor: str = "none", degree_days_c: float | None = None
) -> tuple[float, float]:
    """Lowest and highest share that is nitrate, by the soil's degree days above 0 °C, else by weeks in spring.

    A kind that is `unknown` spans them all. Sources by weeks: Kentucky (No-Till Farmer 1438); Iowa State 2024 (time to
    nitrate); University of Missouri (inhibitor doubles it).

    >>> nitrate_share_band("anhydrous", weeks=3.0)
    (0.2, 1.0)
    """
    if kind not in _IOWA_WEEKS:
        bands = [
            nitrate_share_band(known, weeks=weeks, inhibitor=inhibitor, degree_days_c=degree_days_c)
            for known in _IOWA_WEEKS
        ]
        return min(low for low, _ in bands), max(high for _, high in bands)
    inhibited = inhibitor in ("nitrification", "both")
    times = _INHIBITED_TIMES if inhibited else 1.0
    start = _NITRATE_AT_START.get(kind, 0.0)
    if degree_days_c is not None:
        per_day = _COATED_PER_C_DAY if kind == "coated urea" else NITRIFIED_PER_C_DAY[inhibited]
        low, high = (start - (1.0 - start) * float(np.expm1(-k * degree_days_c)) for k in (per_day[0], per_day[-1]))
        return low, high
    shares = [min(start + (1.0 - start) * weeks / (end * times), 1.0) for end in _IOWA_WEEKS[kind]]
    if (kind, inhibited) in _KENTUCKY:
        shares.append(_kentucky_nitrate_share(kind, weeks=weeks, inhibited=inhibited))
    return min(shares), max(shares)


def volatilized_share_band(
    kind: str, *, placement: str, inhibitor: str = "none", applied_on: date | None = None,
    days: Sequence[date] = (), rain_in: ArrayLike = (),
) -> tuple[float, float]:  # fmt: skip
    """Lowest and highest share of applied nitrogen lost to the air as ammonia from urea on the surface.

    Broadcast is at risk, banded half of that, incorporated and injected not; a urease inhibitor halves it (from
    memory). Rain [in] after the application stops the loss; without a record a dry week is taken. Sources: Montana
    State (8–15 % common; 0.5 in in one rain); Minnesota (0.25 in); Illinois 2007 (up to half in a week).

    >>> volatilized_share_band("urea", placement="broadcast"), volatilized_share_band("uan", placement="injected")
    ((0.08, 0.5), (0.0, 0.0))
    """
    risk = {"broadcast": (1.0, 1.0), "banded": (0.0, 0.5), "unknown": (0.0, 1.0)}.get(placement, (0.0, 0.0))
    urea = _UREA_PART.get(kind, 0.0 if kind != "unknown" else 1.0)
    if not urea or not any(risk):
        return 0.0, 0.0
    kept = 0.5 if inhibitor in ("urease", "both") else 1.0
    early, late = (_dry_days(applied_on, days, rain_in, enough) for enough in (0.25, 0.5))
    low = 0.0 if kind == "unknown" else 0.08 * early / 7.0
    low = 0.0 if kind == "coated urea" else low
    return low * urea * risk[0] * kept, 0.5 * late / 7.0 * urea * risk[1] * kept


def _dry_days(applied_on: date | None, days: Sequence[date], rain_in: ArrayLike, enough_in: float) -> float:
    """Days from application to the first day of enough rain, at most a week."""
    if applied_on is None or not len(days):
        return 7.0
    wet = [(day - applied_on).days for day, rain in zip(days, np.atleast_1d(rain_in), strict=True)
           if rain >= enough_in and 0 <= (day - applied_on).days < 7]  # fmt: skip
    return float(min(wet, default=7))


@dataclass(frozen=True, slots=True, kw_only=True)
class DenitrificationRule:
    """One published rule: share of nitrate lost, lowest and highest, after days of saturation at a temperature."""

    name: str
    source: str
    share: Callable[[float, float], tuple[float, float]]


def _illinois(days: float, temperature_f: float) -> tuple[float, float]:
    return (0.04 * days, 0.05 * days) if temperature_f >= 50 else (0.0, 0.05 * days)


def _by_warmth(days: float, temperature_f: float) -> tuple[float, float]:
    low, high = (0.04, 0.05) if temperature_f > 65 else (0.02, 0.03) if temperature_f >= 55 else (0.0, 0.02)
    return low * max(days - 3, 0.0), high * max(days - 2, 0.0)


def _kentucky(days: float, _temperature_f: float) -> tuple[float, float]:
    return 0.03 * max(days - 2, 0.0), 0.04 * max(days - 2, 0.0)


_COLD: Final[NDArray[np.float64]] = np.array([[0, 0], [5, 0.10], [10, 0.25]])  # 55–60 °F
_WARM: Final[NDArray[np.float64]] = np.array([[0, 0], [3, 0.60], [5, 0.75], [7, 0.85], [9, 0.95]])  # 75–80 °F


def _nebraska(days: float, temperature_f: float) -> tuple[float, float]:
    cold = float(np.interp(days, _COLD[:, 0], _COLD[:, 1])) + 0.03 * max(days - 10, 0.0)
    warm = float(np.interp(days, _WARM[:, 0], _WARM[:, 1]))
    share = float(np.interp(temperature_f, [57.5, 77.5], [cold, warm]))
    return share, share


DENITRIFICATION_RULES: Final = (
    DenitrificationRule(name="4–5 % a day", share=_illinois, source="Illinois, quoted by Iowa State 2010 and 2014"),
    DenitrificationRule(name="2–3 % a day at 55–65 °F, 4–5 % above, after 2–3 days", share=_by_warmth,
                        source="land-grant rule quoted by the farm press"),
    DenitrificationRule(name="3–4 % a day after two days", share=_kentucky,
                        source="University of Tennessee, University of Kentucky"),
    DenitrificationRule(name="10 % in 5 and 25 % in 10 days at 55–60 °F; 60 % in 3 days at 75–80 °F", share=_nebraska,
                        source="University of Nebraska-Lincoln EC155; beyond 3 warm days from memory"),
)  # fmt: skip


def denitrified_share_band(days_saturated: float, *, temperature_f: float) -> tuple[float, float]:
    """Lowest and highest share of nitrate lost over the published rules, which differ three- to fivefold in warm soil.

    Of days in a row with the soil full of water; temperature of the soil, or of the air for want of it. Raises
    OutOfRangeError if the days are below 0.

    Three days at 77.5 °F: nothing by the rules that wait three days, 60 % by Nebraska's:

    >>> denitrified_share_band(3.0, temperature_f=77.5)
    (0.0, 0.6)
    """
    if not days_saturated >= 0:
        problem = f"The soil was saturated for {days_saturated} days."
        raise OutOfRangeError(problem, "Give days as 0 or more.")
    shares = [rule.share(days_saturated, temperature_f) for rule in DENITRIFICATION_RULES]
    return min(min(low, 1.0) for low, _ in shares), max(min(high, 1.0) for _, high in shares)


@dataclass(frozen=True, slots=True, kw_only=True)
class Applied:
    """One application of nitrogen."""

    on: date
    product: str  # its name; the kind of nitrogen is read from it
    n_lb_ac: float
    placement: str = "unknown"
    inhibitor: str = "none"

    def __post_init__(self) -> None:
        if not self.n_lb_ac >= 0:
            problem = f"{self.product} on {self.on}: {self.n_lb_ac:g} lb N/ac was applied."
            raise OutOfRangeError(problem, "Give the nitrogen of each application as 0 or more.")

    def nitrate_share_on(self, day: date, warmth: SoilWarmth | None) -> tuple[float, float]:
        """Lowest and highest share that is nitrate by a day.

        By the soil's warmth for ammonia, and for whatever went on in autumn or winter (a usual year's where the record
        does not reach); by weeks for the rest, whose rules were made for spring.
        """
        kind, known = product_kind(self.product), None
        winter = self.on.month >= _WINTER[0] or self.on.month <= _WINTER[1]
        if kind == "anhydrous" or winter:
            known = None if warmth is None else warmth.between(self.on, day)
            known = SoilWarmth.usual_c_days(self.on, day) if known is None and winter else known
        weeks = (day - self.on).days / 7.0
        return nitrate_share_band(kind, weeks=weeks, inhibitor=self.inhibitor, degree_days_c=known)


@dataclass(frozen=True, slots=True, kw_only=True)
class NotYetNitrate:
    """Nitrogen applied that no nitrate test can have seen: the line, its least and greatest, and findings. [lb/ac]"""

    line: Line
    low_lb_ac: Number
    high_lb_ac: Number
    findings: tuple[Finding, ...]


def not_yet_nitrate(
    applications: Sequence[Applied],
    *,
    sampled_on: date,
    days: Sequence[date] = (),
    rain_in: ArrayLike = (),
    warmth: SoilWarmth | None = None,
) -> NotYetNitrate | None:
    """Nitrogen that was down and not yet nitrate at sampling, or that went down after it, as a line of the ledger.

    `days` and `rain_in` [in] tell how long urea lay dry; without them a dry week is assumed at the high end. `warmth`
    of the soil tells how much is nitrate; without it a usual year's for autumn and winter, weeks for spring. None when
    there is no application; else the middle of what the published rules give is counted. Sources: `_nitrified_share`;
    by weeks: Kentucky (No-Till Farmer), Iowa State 2024; loss of urea to the air: Montana State, Illinois.

    Applied after sampling, injected: all of it is still to come:

    >>> late = Applied(on=date(2026, 6, 12), product="UAN 32", n_lb_ac=40.0, placement="injected")
    >>> not_yet_nitrate([late], sampled_on=date(2026, 6, 10)).line.lb_ac
    -40.0
    """
    if not applications:
        return None
    rain = np.atleast_1d(np.asarray(rain_in, dtype=float)) if len(days) else np.array([])
    low = high = 0.0
    parts, findings = [], []
    for item in applications:
        kind = product_kind(item.product)
        lost_low, lost_high = volatilized_share_band(
            kind, placement=item.placement, inhibitor=item.inhibitor, applied_on=item.on, days=days, rain_in=rain
        )
        share_low, share_high = (0.0, 0.0)
        if item.on < sampled_on:
            share_low, share_high = item.nitrate_share_on(sampled_on, warmth)
        least = max(item.n_lb_ac * (1.0 - share_high - lost_high), 0.0)
        most = max(item.n_lb_ac * (1.0 - share_low - lost_low), 0.0)
        low, high = low + least, high + most
        parts.append(f"{item.n_lb_ac:g} lb/ac of {item.product} on {item.on}: {least:.2f} to {most:.2f}")
        if kind == "unknown" and item.n_lb_ac > 0:
            findings.append(note("nitrogen.product-unknown", "applications", product=item.product))
    middle = 0.5 * (low + high)
    line = Line(
        key="applied_not_nitrate", label="Applied, not yet nitrate at sampling", lb_ac=-middle,
        code="nitrogen.line-applied-not-nitrate",
        basis=f"middle of {low:.2f} and {high:.2f} lb/ac ({'; '.join(parts)})",
        source="nitrate by the soil's warmth: Illinois 2012 to 2017; by weeks: Kentucky, Iowa State 2024; urea lost to "
        "the air: Montana State, Illinois",
    )  # fmt: skip
    return NotYetNitrate(line=line, low_lb_ac=low, high_lb_ac=high, findings=tuple(findings))
