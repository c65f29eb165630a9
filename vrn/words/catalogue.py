"""From a code and its quantities to sentences: ``rates.draft`` is the entry ``draft`` of ``words/rates.py``."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import Final, Protocol

from vrn.findings import Finding, Level, Quantity, Value
from vrn.words.units import UnitFormat

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
