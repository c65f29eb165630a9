"""Numbers in either unit system; a code and its quantities as a sentence: ``rates.draft`` is in ``words/rates.py``."""

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from importlib import import_module
from typing import Final, Protocol, Self

from vrn.findings import Finding, Level, Quantity, Value
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


# {name}, {name:2} with decimals, {name:bare} without the unit, {name:unit} the unit alone, {name:row|rows} a count with
# its noun, {name:place is/places are|…} likewise, {key:machine.swath_ft} a key of the field file, {depth=12} a constant
_PLACE: Final = re.compile(r"\{(\w+)(?:([:=])([^{}]*))?\}")
_UNNAMED_PLACES: Final = {
    "field": "Field", "crop": "Crop", "samples": "Samples", "nitrogen": "Nitrogen budget", "credits": "Credits",
    "applications": "Applied nitrogen", "applied": "Applied nitrogen", "weather": "Weather", "rain": "Rain",
    "zones": "Zones", "product": "Product", "machine": "Machine", "job": "Pass", "drive": "Drive", "limits": "Limits",
    "prices": "Prices", "check_strips": "Check strips", "trial": "Trial", "review": "Signature",
    "export": "Files", "need": "Need",
    "zone": "Zone", "layers.organic_matter": "Organic matter", "organic_matter_pct": "Organic matter",
    "layers.yield_potential": "Yield potential", "yield_goal_bu_ac": "Yield potential", "nitrate_ppm": "Nitrate",
    "deep_nitrate_ppm": "Nitrate, second depth", "layers.applied_n": "Applied nitrogen", "method": "Nitrogen budget",
    "applied_n_lb_ac": "Applied nitrogen", "layers.extra": "Other layers", "TASKDATA": "Task data",
    "learning": "Your own trials",
    "total": "Total", "rates": "Rates", "skips": "Skips", "overlaps": "Overlaps", "no-apply": "No-apply",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingText:
    """A finding in words: where it belongs, and a sentence or two each for problem and remedy.

    ``paste`` is the line of the field file that settles it, for the console; empty where there is none.
    """

    code: str
    level: Level
    about: str
    place: str
    problem: str
    remedy: str
    paste: str = ""


def say(units: UnitFormat, code: str, /, **quantities: Quantity | Value) -> str:
    """A sentence, heading or label: ``"room.name"`` is the entry ``name`` of ``SENTENCES`` in ``words/room.py``.

    A bare int is a count, a bare str a text. KeyError if there is no such entry, or it names a quantity that is not
    given.
    """
    room, name = code.split(".", 1)
    return _filled(import_module(f"vrn.words.{room}").SENTENCES[name], quantities, units)


class _Labelled(Protocol):
    """What has a label of its own and may name a better one in the catalogue, as a line of the ledger."""

    @property
    def label(self) -> str: ...
    @property
    def code(self) -> str: ...
    @property
    def quantities(self) -> dict[str, Quantity]: ...


def label_of(units: UnitFormat, line: _Labelled) -> str:
    """The label of a ledger's line in the reader's units; a line of the user's own keeps the label it has."""
    return say(units, line.code, **line.quantities) if line.code else line.label


def finding_texts(units: UnitFormat, findings: Iterable[Finding]) -> tuple[FindingText, ...]:
    """Findings as the reader of these units reads them."""
    return tuple(_finding_text(units, one) for one in findings)


def findings_json(units: UnitFormat, findings: Iterable[Finding]) -> list[dict[str, str]]:
    """Findings for a machine: code, level, about, problem and remedy, the sentences in the reader's units."""
    return [
        {name: getattr(text, name) for name in ("code", "level", "about", "problem", "remedy")}
        for text in finding_texts(units, findings)
    ]


def _finding_text(units: UnitFormat, finding: Finding) -> FindingText:
    room, name = finding.code.split(".", 1)
    templates: tuple[str, ...] = import_module(f"vrn.words.{room}").FINDINGS[name]
    problem, remedy, *paste = (_filled(text, finding.quantities, units) for text in templates)
    return FindingText(
        code=finding.code, level=finding.level, about=finding.about, place=place_of(finding.about), problem=problem,
        remedy=remedy, paste=paste[0] if paste else "",
    )  # fmt: skip


def place_of(about: str) -> str:
    """Where a finding belongs, in plain words: a key of the field file by what it is about, a file and row as they are.

    >>> place_of("samples.reported_as"), place_of("zone 3"), place_of("samples.csv row 4")
    ('Samples', 'Zone 3', 'samples.csv row 4')
    """
    key, _, rest = about.partition(" ")
    parts = key.split(".")
    for length in range(len(parts), 0, -1):
        named = _UNNAMED_PLACES.get(".".join(parts[:length]))
        if named is not None and not _is_file(key):
            return f"{named} {rest}".strip()
    return about


def _is_file(word: str) -> bool:
    return bool(re.search(r"\.(csv|txt|xlsx?|json|geojson|gpkg|shp|km[lz]|tiff?|zip|fgb|tsv|dat|toml)\b", word, re.I))


def _filled(template: str, given: Mapping[str, Quantity | Value], units: UnitFormat) -> str:
    def fill(found: re.Match[str]) -> str:
        name, mark, spec = found.groups()
        if name == "key":
            return _key(spec, units)
        if mark == "=":
            return units.text(name, float(spec))
        value = given[name]
        if not isinstance(value, Quantity):
            value = Quantity("text" if isinstance(value, str) else "count", value)
        return _shown(value, spec or "", units)

    return _PLACE.sub(fill, template)


def _shown(quantity: Quantity, spec: str, units: UnitFormat) -> str:
    kind, value = quantity.kind, quantity.value
    if "|" in spec:
        one, many = spec.split("|")
        return f"{units.number(kind, value)} {one if value == 1 else many}"
    if spec == "bare":
        return units.number(kind, value)
    if spec == "unit":
        return units.unit(kind)
    return units.text(kind, value, decimals=int(spec) if spec else None)


def _key(path: str, units: UnitFormat) -> str:
    """A key of the field file by the name it has in the reader's units."""
    if not units.metric:
        return path
    from vrn.model.metric_keys import metric_twin  # the room of nouns loads what maps need

    section, _, _ = path.rpartition(".")
    name, _ = metric_twin(path)
    return f"{section}.{name}" if section else name
