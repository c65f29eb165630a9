"""Which columns of a laboratory's table are what: nitrate, depth, name, day, kind and water, by words and cells."""

import re
from dataclasses import dataclass
from typing import Final

from vrn.errors import InputFileError
from vrn.ingest.cells import RowFaults, dates, is_unknown
from vrn.ingest.contents import read_header
from vrn.ingest.depth import DEPTH_ROLES, depth_range, unit_of_depth
from vrn.ingest.form import READING
from vrn.ingest.gate import SAYING, Gate, NitrateColumn
from vrn.ingest.points import coordinate_columns
from vrn.ingest.samples import HANDLING_ROLES
from vrn.ingest.table import CellTable
from vrn.model.settings import SampleSection

_KINDS: Final = {"field", "standard", "duplicate", "blank"}
_RESULT: Final = re.compile(r"\b(results?|values?|readings?|conc(entration)?|amount)\b", re.IGNORECASE)
_ID: Final = re.compile(r"\b(id|no|num(ber)?|name|label|site|sample|point|location|plot|core)\b")
_TOP: Final = {"top", "from", "start", "upper", "begin", "beg"}
_BOTTOM: Final = {"bottom", "to", "end", "lower", "bot"}
_OF_DEPTH: Final = {"depth", "sample", "sampling", "core", "soil", "of", "in", "inch", "inches", "cm", "ft", "feet"}
_PULLED: Final = {"sampled", "sampling", "collected", "collection", "pulled", "taken"}
_DAY: Final = {"date", "day", "sample", "on"} | _PULLED
_LOOKED_AT: Final = 2000  # rows from which a column is told by its cells
_DEPTHS: Final = (*DEPTH_ROLES, "depth_in", "depth_cm")


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleColumns:
    """
    A table of soil samples as it looks.

    Parameters
    ----------
    nitrate : NitrateColumn
        How the readings are taken.
    mapped : dict of str to str
        Our names and the file's, where they differ.
    rivals : tuple of str
        Columns of nitrate of which each could be the one that is meant; empty for a clear one.
    filled, placed : bool
        Whether any row has a reading, and whether there are coordinates.
    depths : int
        How many depths the rows have; 0 where nothing says any.
    metric : int
        Columns in metric units less those in the trade's.
    """

    nitrate: NitrateColumn
    mapped: dict[str, str]
    rivals: tuple[str, ...]
    filled: bool
    placed: bool
    depths: int
    metric: int


def sample_columns(gate: Gate, table: CellTable, *, placed: bool) -> SampleColumns | None:
    """Columns of a table by our names, the nitrate that fits best first; None for a table without nitrate."""
    fit = _nitrate_columns(gate, table)
    if not fit:
        return None
    rank, nitrate = fit[0]
    table = table.rows(list(range(min(len(table), _LOOKED_AT))))
    rivals = tuple(one.header for other, one in fit if other[:2] == rank[:2])
    mapped = {"nitrate_ppm": nitrate.header, **_others(table, taken={one.header for _, one in fit})}
    pair = coordinate_columns(table)
    mapped |= {"longitude": pair[0], "latitude": pair[1]} if pair is not None else {}
    ends = [name for role in _DEPTHS if (name := mapped.get(role) or table.find(role)) is not None]
    cores = set(zip(*(table.column(name) for name in ends), strict=True))
    units = [*(unit_of_depth(name) for name in ends), read_header(nitrate.header).unit]
    return SampleColumns(
        nitrate=nitrate, mapped={role: name for role, name in mapped.items() if name.lower() != role},
        rivals=rivals if len(rivals) > 1 else (), filled=rank[2] < 0, placed=placed,
        depths=len(cores) if ends else int(nitrate.depth is not None),
        metric=sum((unit in ("cm", "kg/ha")) - (unit in ("in", "ft", "lb/ac")) for unit in units),
    )  # fmt: skip


def _nitrate_columns(gate: Gate, table: CellTable) -> list[tuple[tuple[bool, bool, int], NitrateColumn]]:
    """Columns that the gate takes for nitrate of the soil, our own name first, then ppm, then the fullest."""
    said = _said(table)
    fit = []
    for header in filter(None, table.columns):
        own, bare, meaning = header.lower() in READING, read_header(header), read_header(f"{header} {said}".strip())
        total = meaning.substance == "nitrogen"
        named = meaning.substance is not None and (
            "nitrate" in meaning.substance or meaning.substance.startswith("NO3")
        )
        if not own and not named and not (total and meaning.unit in ("ppm", "mg/kg")):
            continue
        if not own and bare.substance is None and not _RESULT.search(header):
            continue  # the columns of units and substances speak of the result, not of every column
        try:
            column = gate.nitrate(header, SampleSection(file=gate.source.name), said=said)
        except InputFileError:
            continue
        filled = sum(not is_unknown(cell) for cell in table.column(header))
        fit.append(((not own, column.per_area or total, -filled), column))
    return sorted(fit, key=lambda one: one[0])


def _said(table: CellTable) -> str:
    """What columns of units and substances say, where they say the same of every row."""
    words = []
    for name in SAYING:
        column = table.find(name)
        said = {cell.strip() for cell in table.column(column) if cell.strip()} if column is not None else set()
        words += list(said) if len(said) == 1 else []
    return " ".join(words)


def _others(table: CellTable, taken: set[str]) -> dict[str, str]:
    """The other columns of samples by our names: depth, name, day, kind and water."""
    free = [name for name in table.columns if name and name not in taken]
    words = {name: re.findall(r"[a-z]+", re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name).lower()) for name in free}
    found: dict[str, str] = {}
    for name in free:
        cells = [cell for cell in table.column(name) if not is_unknown(cell)]
        ranges = sum(depth_range(cell) is not None for cell in cells)
        if 2 * ranges > len(cells) and {*words[name]} & {"depth", "depths", "interval", "layer"}:
            found.setdefault("depth", name)
        if cells and {cell.strip().lower() for cell in cells} <= _KINDS:
            found.setdefault("kind", name)
        if read_header(name).substance == "water":
            found.setdefault("water_pct", name)
    if "depth" not in found:
        found |= _ends(table, words)
    days = [name for name in free if {*words[name]} & (_PULLED | {"date"}) and not {*words[name]} - _DAY]
    days = [name for name in days if _has_days(table, name)]
    if days:
        found["sampled_on"] = min(days, key=lambda name: not {*words[name]} & _PULLED)
    names = [name for name in free if _ID.search(" ".join(words[name])) and name not in found.values()]
    names = [name for name in names if not {*words[name]} & {"date", "depth", "farm", "grower", "client"}]
    names = [name for name in names if any(table.column(name))]
    if (
        table.find("sample_id", "id", "sample") is None and names
    ):  # the name it had in the field before the laboratory's
        found["sample_id"] = max(names, key=lambda name: (len(set(table.column(name))), "lab" not in words[name]))
    for role in (
        "sample_id",
        "sampled_on",
        "kind",
        "area_id",
        "water_pct",
        "nominal_ppm",
        *DEPTH_ROLES,
        *HANDLING_ROLES,
    ):
        if table.find(role) is not None:
            found.pop(role, None)
    return found


def _ends(table: CellTable, words: dict[str, list[str]]) -> dict[str, str]:
    """Two columns of numbers where cores begin and end; without a unit in either, inches or centimeters by size."""
    tops = [name for name, said in words.items() if {*said} & _TOP and not {*said} - _TOP - _OF_DEPTH]
    bottoms = [name for name, said in words.items() if {*said} & _BOTTOM and not {*said} - _BOTTOM - _OF_DEPTH]
    if len(tops) != 1 or len(bottoms) != 1 or tops == bottoms:
        return {}
    unit = unit_of_depth(bottoms[0]) or unit_of_depth(tops[0])
    if unit is None:
        deep = [float(cell) for cell in table.column(bottoms[0]) if re.fullmatch(r"\d+(\.\d+)?", cell.strip())]
        unit = "cm" if deep and all(depth % 15 == 0 for depth in deep) else "in"
    return {f"top_{unit}": tops[0], f"bottom_{unit}": bottoms[0]} if unit in ("in", "cm") else {}


def _has_days(table: CellTable, name: str) -> bool:
    faults = RowFaults(table)
    return any(day is not None for day in dates(table, name, faults)) and not faults.faults
