"""Numbers as the reader sees them: trade units or metric, rounded once, with the unit beside them."""

import math
from dataclasses import dataclass
from datetime import date
from typing import Final, Self

from vrn.findings import Value
from vrn.units import (
    BU_AC_T_HA,
    CORN_BU_LB,
    FT_M,
    GAL_AC_L_HA,
    HA_AC,
    LB_AC_KG_HA,
    LB_GAL_KG_L,
    LB_KG,
    MPH_M_S,
    PSI_KPA,
    US_GAL_L,
)

UNKNOWN: Final = "not known"

# kind → (trade unit, decimals, metric unit, factor to metric, decimals)
_KINDS: Final = {
    "rate": ("lb N/ac", 1, "kg N/ha", LB_AC_KG_HA, 1),
    "amount": ("lb/ac", 1, "kg/ha", LB_AC_KG_HA, 1),
    "whole_amount": ("lb/ac", 0, "kg/ha", LB_AC_KG_HA, 0),
    "mass": ("lb N", 0, "kg N", LB_KG, 0),
    "area": ("ac", 1, "ha", 1.0 / HA_AC, 2),
    "concentration": ("ppm", 1, "mg/kg", 1.0, 1),
    "organic_matter": ("%", 1, "%", 1.0, 1),
    "percent": ("%", 0, "%", 1.0, 0),
    "yield": ("bu/ac", 0, "t/ha", BU_AC_T_HA, 1),
    "depth": ("in", 0, "cm", 2.54, 0),
    "length": ("ft", 0, "m", FT_M, 1),
    "gal": ("gal", 0, "L", US_GAL_L, 0),
    "lb": ("lb", 0, "kg", LB_KG, 0),
    "gal/ac": ("gal/ac", 1, "L/ha", GAL_AC_L_HA, 1),
    "lb/ac": ("lb/ac", 1, "kg/ha", LB_AC_KG_HA, 1),
    "lb N/ac": ("lb N/ac", 1, "kg N/ha", LB_AC_KG_HA, 1),
    "speed": ("mph", 1, "km/h", MPH_M_S * 3.6, 1),
    "manure_n": ("lb N per 1,000 gal", 1, "kg N per m³", LB_GAL_KG_L, 2),
    "hours": ("h", 1, "h", 1.0, 1),
    "catch": ("oz in 30 s", 0, "mL in 30 s", US_GAL_L * 1000.0 / 128.0, 0),
    "pressure": ("psi", 0, "kPa", PSI_KPA, 0),
    "gal/min": ("gal/min", 1, "L/min", US_GAL_L, 1),
    "lb/min": ("lb/min", 1, "kg/min", LB_KG, 1),
    "density": ("lb/gal", 2, "kg/L", LB_GAL_KG_L, 3),
    "lb/bu": ("lb/bu", 2, "kg/t", 1000.0 / CORN_BU_LB, 1),
    "rain": ("in", 1, "mm", 25.4, 0),
    "temperature": ("°F", 0, "°C", 5.0 / 9.0, 0),
    "money_area": ("$/ac", 2, "$/ha", HA_AC, 2),
    "price_n": ("$/lb N", 2, "$/kg N", 1.0 / LB_KG, 2),
    "price_corn": ("$/bu", 2, "$/t", 1000.0 / (CORN_BU_LB * LB_KG), 0),
    "money": ("$", 0, "$", 1.0, 0),
}
_MILE_FT: Final = 5280.0
_MONTHS: Final = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
                  "November", "December")  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitFormat:
    """How quantities are shown to one reader, by the field file's ``units``.

    >>> UnitFormat(metric=False).text("rate", 125.0), UnitFormat(metric=True).text("rate", 125.0)
    ('125 lb N/ac', '140.1 kg N/ha')
    >>> UnitFormat(metric=False).text("area", float("nan")), UnitFormat(metric=True).text("share", 0.774)
    ('not known', '77%')
    """

    metric: bool

    @classmethod
    def of(cls, units: str) -> Self:
        """By the field file's ``units``, ``"us"`` or ``"metric"``."""
        return cls(metric=units == "metric")

    @property
    def arithmetic(self) -> str:
        """What the arithmetic of a ledger's lines is in, and the step from it to what is shown."""
        step = f", then × {LB_AC_KG_HA:.5f}" if self.metric else ""
        return f"arithmetic in the method's own units{step}"

    def unit(self, kind: str) -> str:
        """Unit the kind is shown in; empty where it has none."""
        if kind == "share":
            return "%"
        if kind not in _KINDS:
            return ""
        trade, _, metric, _, _ = _KINDS[kind]
        return metric if self.metric else trade

    def factor(self, kind: str) -> float:
        """What a value in the trade's unit is multiplied by to be shown."""
        return _KINDS[kind][3] if self.metric else 1.0

    def decimals(self, kind: str) -> int:
        """Decimals the kind is shown with."""
        _, trade, _, _, metric = _KINDS[kind]
        return metric if self.metric else trade

    def number(self, kind: str, value: Value, *, decimals: int | None = None) -> str:
        """Value, given in the trade's unit, without its unit; a trailing ``.0`` is left out of rates."""
        if isinstance(value, str):
            return value
        if isinstance(value, date):
            return day(value, metric=self.metric)
        if value is None or not math.isfinite(value):
            return UNKNOWN
        if kind == "count":
            return f"{value:,.0f}"
        if kind == "number":
            return (f"{value:,.6g}" if decimals is None else f"{value:,.{decimals}f}").replace("-", "−")
        if kind == "share":
            kind, value = "percent", 100.0 * value
        if kind == "distance":
            return self._distance(float(value))
        if kind == "temperature" and self.metric:
            value -= 32.0
        digits = self.decimals(kind) if decimals is None else decimals
        shown = round(value * self.factor(kind), digits) + 0.0  # no "-0"
        if kind in ("rate", "lb N/ac") and shown == round(shown):
            digits = 0
        return f"{shown:,.{digits}f}".replace("-", "−")

    def text(self, kind: str, value: Value, *, decimals: int | None = None) -> str:
        """Value with its unit."""
        number = self.number(kind, value, decimals=decimals)
        unit = self.unit(kind)
        if number == UNKNOWN or not unit:
            return number
        if unit.startswith("$"):
            return f"${number}{unit[1:]}"
        return f"{number}%" if unit == "%" else f"{number} {unit}"

    def range(self, kind: str, low: float, high: float, *, decimals: int | None = None) -> str:
        """Two values without their unit, one where they look the same."""
        first, last = (self.number(kind, value, decimals=decimals) for value in (low, high))
        return first if first == last else f"{first} to {last}"

    def _distance(self, feet: float) -> str:
        """A distance with its unit: feet or metres, from a mile on miles or kilometres."""
        if self.metric:
            meters = feet * FT_M
            return f"{meters / 1000.0:,.1f} km" if feet > _MILE_FT else f"{meters:,.0f} m"
        return f"{feet / _MILE_FT:,.1f} miles" if feet > _MILE_FT else f"{feet:,.0f} ft"


def day(value: date | None, *, metric: bool) -> str:
    """A date as it is written where the units are in use.

    >>> day(date(2026, 6, 12), metric=False), day(date(2026, 6, 12), metric=True)
    ('June 12, 2026', '12 June 2026')
    """
    if value is None:
        return ""
    month = _MONTHS[value.month - 1]
    return f"{value.day} {month} {value.year}" if metric else f"{month} {value.day}, {value.year}"
