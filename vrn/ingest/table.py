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

from vrn.ingest.input_files import InputFiles, Source

LONLAT: Final = "EPSG:4326"
_DBF_WIDTH = 10  # letters that a shapefile keeps of a column's name
_MOST_TITLES = 30  # rows above the header
_LOOKED_AT = 60  # rows from which the header is told
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
    """

    name: str
    columns: tuple[str, ...]
    cells: list[list[str]]
    row: list[int]
    delimiter: str = ","
    row_word: str = "row"
    _at: dict[str, int] = field(default_factory=dict, repr=False)
    _lower: dict[str, str] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        for i, column in enumerate(self.columns):
            self._at.setdefault(column, i)
            self._lower.setdefault(column.lower(), column)

    def __len__(self) -> int:
        return len(self.cells)

    @property
    def named(self) -> str:
        """Its columns for a message, the first two dozen of many."""
        more = len(self.columns) - _MOST_NAMED
        return (", ".join(self.columns[:_MOST_NAMED]) + (f" and {more:,} more" if more > 0 else "")) or "none"

    def column(self, name: str) -> list[str]:
        """Cells of a column, by its exact name."""
        at = self._at[name]
        return [cells[at] for cells in self.cells]

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
            delimiter=self.delimiter, row_word=self.row_word,
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
        names = sum(bool(cell.strip()) and not _is_number(cell) for cell in record)
        if names >= 2 and 2 * names > median_high(filled[at + 1 :] or [names]):
            return at
    return None


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def checked_header(files: InputFiles, source: Source, record: list[str], *, titles: int, row: int) -> list[str]:
    """
    Header cells, trimmed and without empty ones at the end; rows of titles above them are a finding.

    Refuses two columns of one name.
    """
    if titles:
        files.note("ingest.titles-passed-over", source, rows=titles, row=str(row))
    header = [cell.strip() for cell in record]
    while header and not header[-1]:
        header.pop()
    twice = sorted(name for name, count in Counter(name.lower() for name in header if name).items() if count > 1)
    if twice:
        source.refuse(f"the header has the column {', '.join(twice)} twice.", "Rename or remove one of them.")
    return header
