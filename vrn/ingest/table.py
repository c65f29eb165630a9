"""Named columns of text cells and features with such cells, whatever file they came from; which row is the header."""

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from statistics import median_high
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vrn.ingest.contents import read_header
from vrn.ingest.input_files import InputFiles, Source

LONLAT: Final = "EPSG:4326"
_DBF_WIDTH = 10  # letters that a shapefile keeps of a column's name
_MOST_TITLES = 30  # rows above the header
_LOOKED_AT = 60  # rows from which the header is told
_NO_WORDS = {"na", "n/a", "nd", "n.d.", "nan", "null", "none", "-", "?", "trace", "tr", "bd", "bdl", "not tested"}
_UNITS_ALONE = {"in", "inch", "inches", "cm", "ft", "m", "deg", "degrees", "decimal degrees", "s", "f", "c"}
_MOST_NAMED = 24  # columns that a message lists


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellTable:
    """
    Named columns of text cells.

    Parameters
    ----------
    name : str
        Of the file, for messages.
    columns : tuple of str
        Header cells, trimmed.
    cells : list of list of str
        A list for each row, as long as ``columns``.
    row : list of int
        Row of each in the file, the header's being 1 in a plain file.
    delimiter : str
        What separated the cells; ``""`` where cells are typed.
    row_word : {"row", "feature", "placemark"}
        What a row is called in messages.
    aliases : dict of str to str
        Other names of columns: those of one row, where the header has two.
    """

    name: str
    columns: tuple[str, ...]
    cells: list[list[str]]
    row: list[int]
    delimiter: str = ","
    row_word: str = "row"
    aliases: dict[str, str] = field(default_factory=dict)
    _at: dict[str, int] = field(default_factory=dict, repr=False)
    _lower: dict[str, str] = field(default_factory=dict, repr=False)
    _taken: dict[str, list[str]] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        for i, column in enumerate(self.columns):
            self._at.setdefault(column, i)
            self._lower.setdefault(column.lower(), column)
        for alias, column in self.aliases.items():
            self._lower.setdefault(alias.lower(), column)

    def __len__(self) -> int:
        return len(self.cells)

    @property
    def named(self) -> str:
        """Its columns for a message, the first two dozen of many."""
        more = len(self.columns) - _MOST_NAMED
        return (", ".join(self.columns[:_MOST_NAMED]) + (f" and {more:,} more" if more > 0 else "")) or "none"

    def column(self, name: str) -> list[str]:
        """Cells of a column, by its exact name; made once, and not to be written into."""
        if name not in self._taken:
            at = self._at[name]
            self._taken[name] = [cells[at] for cells in self.cells]
        return self._taken[name]

    def find(self, *names: str) -> str | None:
        """The first of several names that is a column, capitals aside; also as a shapefile cuts it."""
        wanted = [name.strip().lower() for name in names]
        wanted += [name[:_DBF_WIDTH] for name in wanted]
        return next((self._lower[name] for name in wanted if name in self._lower), None)

    def rows(self, keep: list[int]) -> "CellTable":
        """The given rows, in their order."""
        if len(keep) == len(self) and keep == list(range(len(self))):
            return self
        return CellTable(
            name=self.name, columns=self.columns, cells=[self.cells[i] for i in keep], row=[self.row[i] for i in keep],
            delimiter=self.delimiter, row_word=self.row_word, aliases=self.aliases,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Features:
    """
    What a vector file holds, whatever its kind.

    ``geometry`` is two-dimensional, shape (n,), None where a feature has none; ``crs`` is empty when the file does not
    say.
    """

    geometry: NDArray[np.object_]
    table: CellTable
    crs: str


def attributes(name: str, columns: Sequence[str], cells: list[list[str]], *, word: str = "feature") -> CellTable:
    """Attributes of features as a table, a row for each, numbered from 1."""
    return CellTable(
        name=name, columns=tuple(columns), cells=cells, row=list(range(1, len(cells) + 1)), delimiter="", row_word=word
    )


def cell_text(value: Any) -> str:
    """A typed value as the text of a table cell; nothing known is the empty text."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (float, np.floating)):
        return "" if np.isnan(value) else repr(float(value))
    if isinstance(value, np.datetime64):
        return "" if np.isnat(value) else str(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, (dict, list)):
        return json.dumps(value)
    return str(value)


def header_at(records: Sequence[Sequence[str]]) -> int | None:
    """
    Which row is the header: the first whose names fill more than half as many cells as the rows below; None for none.

    Examples
    --------
    >>> header_at([["Valley laboratory"], ["Report", "5512"], ["sample", "depth", "ppm"], ["A", "0-12", "14"]])
    2
    """
    looked_at = records[:_LOOKED_AT]
    filled = [sum(bool(cell.strip()) for cell in record) for record in looked_at]
    for at, record in enumerate(looked_at[:_MOST_TITLES]):
        names = len({cell.strip() for cell in record if cell.strip() and not _is_number(cell)})
        if names >= 2 and 2 * names > median_high(filled[at + 1 :] or [names]):
            return at
    return None


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def header_of(
    files: InputFiles, source: Source, records: list[list[str]], rows: list[int]
) -> tuple[list[str], dict[str, str], int]:
    """
    Names of the columns, other names for them, and the first record below the header.

    A row of groups above the names, and a row of units or of second names below them, become part of the names and are
    told; so are titles that are passed over. Refuses two columns of one name.
    """
    at = header_at(records) or 0
    head = [cell.strip() for cell in records[at]]
    below = records[at + 1] if at + 1 < len(records) and _is_second(records, at) else []
    above = _groups(records[at - 1], head) if at and rows[at - 1] == rows[at] - 1 else []
    titles = at - bool(above)
    if titles:
        files.note("ingest.titles-passed-over", source, rows=titles, row=str(rows[titles]))
    parts = [[row[i].strip() if i < len(row) else "" for row in (above, head, below)] for i in range(len(head))]
    names = [_joined(*part) for part in parts]
    while names and not names[-1]:
        names.pop()
    twice = sorted(name for name, count in Counter(name.lower() for name in names if name).items() if count > 1)
    if twice:
        source.refuse(f"the header has the column {', '.join(twice)} twice.", "Rename or remove one of them.")
    if not (above or below):
        return names, {}, at + 1
    last = rows[at + 1] if below else rows[at]
    files.note("ingest.header-of-two-rows", source, first=str(rows[at - bool(above)]), last=str(last))
    aliases: dict[str, str] = {}
    for row in (1, 2):
        count = Counter(part[row].lower() for part in parts)
        aliases |= {part[row]: name for part, name in zip(parts, names, strict=False) if count[part[row].lower()] == 1}
    return names, {alias: name for alias, name in aliases.items() if alias and alias != name}, at + 1 + bool(below)


def _joined(above: str, name: str, below: str) -> str:
    """Parts of a name as one, without what another part says already."""
    whole = name
    if above and above.lower() not in whole.lower():
        whole = f"{above} {whole}".strip() if whole else ""
    return f"{whole} {below}".strip() if below.lower() not in whole.lower().replace("_", " ").split() else whole


def _groups(record: list[str], head: list[str]) -> list[str]:
    """
    A row above the names as the group of each column; empty where it is a title.

    Groups say what columns hold, and some group is over more than one column.
    """
    cells = [cell.strip() for cell in record[: len(head)]] + [""] * (len(head) - len(record))
    filled = [cell for cell in cells if cell]
    said = [read_header(cell) for cell in filled]
    telling = any(one.substance or one.unit or one.basis or one.depth for one in said)
    if not any(cells[1:]) or not telling or any(_is_number(cell) or cell.endswith(":") for cell in filled):
        return []
    group, groups = "", []
    for cell in cells:
        group = cell or group
        groups.append(group)
    return groups


def _is_second(records: list[list[str]], at: int) -> bool:
    """Whether the row below the names is of units or second names: words where the rows below have numbers."""
    record, body = [cell.strip() for cell in records[at + 1]], records[at + 2 : at + 2 + _LOOKED_AT]
    if not body or any(_is_number(cell) or cell.lower() in _NO_WORDS or cell[:1] in "<>" for cell in record if cell):
        return False
    columns = [[row[i].strip() for row in body if i < len(row) and row[i].strip()] for i in range(len(record))]
    of_numbers = [i for i, cells in enumerate(columns) if cells and 2 * sum(map(_is_number, cells)) > len(cells)]
    said = {cell: read_header(cell) for cell in record if cell}
    units = [cell for cell, one in said.items() if one.unit or one.depth or cell.lower() in _UNITS_ALONE]
    if any(any(map(str.isdigit, cell)) and cell not in units and not one.substance for cell, one in said.items()):
        return False  # 27B is a map unit, A1 a sample: a row of data
    words = [record[i] for i in of_numbers if record[i]]
    return any(word in units for word in words) and (2 * len(words) > len(of_numbers) or len(units) == len(said))
