"""What was assumed and what a person must decide, as a code with its quantities; `words` makes the sentences."""

from dataclasses import dataclass, field
from datetime import date
from typing import Literal

Value = float | int | str | date | None
Level = Literal["note", "warning"]
Kind = Literal[
    "rate", "amount", "whole_amount", "mass", "area", "length", "distance", "depth", "yield", "concentration",
    "organic_matter", "share", "percent", "speed", "density", "rain", "temperature", "gal", "lb", "gal/ac", "lb/ac",
    "lb N/ac", "gal/min", "lb/min", "money", "money_area", "price_n", "price_corn",
    "manure_n", "pressure", "catch", "hours", "count", "number", "date", "text",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in the trade's unit of its kind, None where unknown; the kind says how it is written.

    ``rate`` and ``lb N/ac`` are lb N/ac, ``amount`` and ``whole_amount`` lb/ac of nitrogen, ``mass`` lb N, ``area`` ac,
    ``length`` and ``distance`` ft, ``depth`` and ``rain`` in, ``yield`` bu/ac, ``concentration`` ppm, ``share`` 0 to 1,
    ``percent`` and ``organic_matter`` %, ``speed`` mph, ``density`` lb/gal, ``temperature`` °F, ``money`` $,
    ``money_area`` $/ac, ``price_n`` $/lb N, ``price_corn`` $/bu, ``manure_n`` lb N per 1,000 gal, ``pressure`` psi,
    ``catch`` fl oz; product goes by its unit.
    """

    kind: Kind
    value: Value


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing the tool noticed about its inputs or its own answer; ``room.what`` names its sentence in the catalogue.

    A ``note`` was assumed or done, and is stated; for a ``warning`` a person must decide. ``about`` says where it
    belongs: a file, a file and row, a key path of the field file, or a part of the answer.
    """

    code: str
    level: Level
    about: str
    quantities: dict[str, Quantity] = field(default_factory=dict, hash=False)

    def __str__(self) -> str:
        return f"{self.about}: {self.code}"


def note(code: str, about: object, **quantities: Quantity | int | str | date) -> Finding:
    """Something assumed or done, and stated; a bare int is a count, a bare str a text, a bare date a date.

    >>> note("samples.rows-passed-over", "samples.csv", rows=3).quantities
    {'rows': Quantity(kind='count', value=3)}
    """
    return Finding(code=code, level="note", about=str(about), quantities=_quantities(quantities))


def warning(code: str, about: object, **quantities: Quantity | int | str | date) -> Finding:
    """Something a person must decide; parameters as in `note`.

    >>> warning("rates.draft", "review").level
    'warning'
    """
    return Finding(code=code, level="warning", about=str(about), quantities=_quantities(quantities))


def _quantities(given: dict[str, Quantity | int | str | date]) -> dict[str, Quantity]:
    return {
        name: value if isinstance(value, Quantity) else Quantity(_kind(value), value) for name, value in given.items()
    }


def _kind(value: int | str | date) -> Kind:
    return "text" if isinstance(value, str) else "date" if isinstance(value, date) else "count"
