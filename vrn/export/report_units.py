"""Numbers as the reader sees them: trade units or metric, rounded once, with the unit beside them."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from vrn.export.metric_words import UNITS, in_metric
from vrn.field.findings import Finding
from vrn.units import HA_AC, LB_AC_KG_HA, LB_KG

UNKNOWN: Final = "not known"

# quantity → (trade unit, decimals, metric unit, factor to metric, decimals)
_QUANTITIES: Final = {
    "n_rate": ("lb N/ac", 1, *UNITS["lb N/ac"], 1),
    "n_ledger": ("lb/ac", 1, *UNITS["lb/ac"], 1),  # what a pocket calculator must add up
    "n_line": ("lb/ac", 0, *UNITS["lb/ac"], 0),
    "n_mass": ("lb N", 0, *UNITS["lb N"], 0),
    "area": ("ac", 1, *UNITS["ac"], 2),
    "nitrate": ("ppm", 1, "mg/kg", 1.0, 1),
    "organic_matter": ("%", 1, "%", 1.0, 1),
    "share": ("%", 0, "%", 1.0, 0),
    "yield": ("bu/ac", 0, *UNITS["bu/ac"], 1),
    "depth": ("in", 0, "cm", 2.54, 0),
    "length": ("ft", 0, *UNITS["ft"], 1),
    "gal": ("gal", 0, *UNITS["gal"], 0),
    "lb": ("lb", 0, *UNITS["lb"], 0),
    "gal/ac": ("gal/ac", 1, *UNITS["gal/ac"], 1),
    "lb/ac": ("lb/ac", 1, *UNITS["lb/ac"], 1),
    "lb N/ac": ("lb N/ac", 1, *UNITS["lb N/ac"], 1),
    "speed": ("mph", 1, *UNITS["mph"], 1),
    "gal/min": ("gal/min", 1, *UNITS["gal/min"], 1),
    "lb/min": ("lb/min", 1, *UNITS["lb/min"], 1),
    "density": ("lb/gal", 2, *UNITS["lb/gal"], 3),
    "rain": ("in", 1, "mm", 25.4, 0),
    "money_area": ("$/ac", 2, "$/ha", HA_AC, 2),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """
    How quantities are shown to one reader.

    Parameters
    ----------
    metric : bool
        Whether the field file says ``units = "metric"``.

    Examples
    --------
    >>> Shown(metric=False).text("n_rate", 125.0), Shown(metric=True).text("n_rate", 125.0)
    ('125 lb N/ac', '140.1 kg N/ha')
    >>> Shown(metric=False).text("area", float("nan"))
    'not known'
    """

    metric: bool

    @property
    def arithmetic(self) -> str:
        """What the arithmetic of a ledger's lines is in, and the step from it to what is shown."""
        step = f", then × {LB_AC_KG_HA:.5f}" if self.metric else ""
        return f"arithmetic in the method's own units{step}"

    def words(self, sentence: str) -> str:
        """A sentence of the program, its trade units told in the reader's."""
        return in_metric(sentence) if self.metric else sentence

    def findings(self, findings: Iterable[Finding]) -> tuple[Finding, ...]:
        """Findings in the reader's units."""
        return tuple(replace(one, problem=self.words(one.problem), remedy=self.words(one.remedy)) for one in findings)

    def price_of_n(self, per_lb: float) -> str:
        """Price of nitrogen, given in $/lb N."""
        return f"${per_lb / LB_KG:.2f}/kg N" if self.metric else f"${per_lb:.2f}/lb N"

    def unit(self, quantity: str) -> str:
        """Unit the quantity is shown in."""
        trade, _, metric, _, _ = _QUANTITIES[quantity]
        return metric if self.metric else trade

    def factor(self, quantity: str) -> float:
        """What a value in the trade's unit is multiplied by to be shown."""
        return _QUANTITIES[quantity][3] if self.metric else 1.0

    def decimals(self, quantity: str) -> int:
        """Decimals the quantity is shown with."""
        _, trade, _, _, metric = _QUANTITIES[quantity]
        return metric if self.metric else trade

    def number(self, quantity: str, value: float | None) -> str:
        """Value, given in the trade's unit, without its unit; a trailing ``.0`` is left out of rates."""
        if value is None or not math.isfinite(value):
            return UNKNOWN
        decimals = self.decimals(quantity)
        shown = round(value * self.factor(quantity), decimals) + 0.0  # no "-0"
        if quantity in ("n_rate", "lb N/ac") and shown == round(shown):
            decimals = 0
        return f"{shown:,.{decimals}f}".replace("-", "−")

    def text(self, quantity: str, value: float | None) -> str:
        """Value with its unit."""
        number = self.number(quantity, value)
        if number == UNKNOWN:
            return number
        return f"{number} {self.unit(quantity)}"
