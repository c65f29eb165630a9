"""Tables of text cells from CSV files, whatever their encoding and separator."""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import islice
from statistics import median_high

from vrn.errors import InputFileError
from vrn.findings import counted
from vrn.ingest.intake import Intake, Source

_DBF_WIDTH = 10  # letters that a shapefile keeps of a column's name
_MOST_TITLES = 30  # rows above the header
_LOOKED_AT = 60  # rows from which header and separator are told
csv.field_size_limit(1_000_000)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Table:
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
    row_word : {"row", "feature"}
        What a row is called in messages.
    """

    name: str
    columns: tuple[str, ...]
    cells: list[list[str]]
    row: list[int]
    delimiter: str = ","
    row_word: str = "row"
    _at: dict[str, int] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        for i, column in enumerate(self.columns):
            self._at.setdefault(column, i)

    def __len__(self) -> int:
        return len(self.cells)

    def column(self, name: str) -> list[str]:
        """Cells of a column, by its exact name."""
        at = self._at[name]
        return [cells[at] for cells in self.cells]

    def find(self, *names: str) -> str | None:
        """The first of several names that is a column, capitals aside; also as a shapefile cuts it."""
        lower = {column.lower(): column for column in reversed(self.columns)}
        wanted = [name.strip().lower() for name in names]
        wanted += [name[:_DBF_WIDTH] for name in wanted]
        return next((lower[name] for name in wanted if name in lower), None)

    def rows(self, keep: list[int]) -> "Table":
        """The given rows, in their order."""
        return Table(
            name=self.name, columns=self.columns, cells=[self.cells[i] for i in keep], row=[self.row[i] for i in keep],
            delimiter=self.delimiter, row_word=self.row_word,
        )  # fmt: skip


def read_csv_table(intake: Intake, source: Source) -> Table:
    """
    Read a text table: UTF-8, UTF-16 or Windows-1252; comma, semicolon, tab or bar; titles above the header passed over.

    Parameters
    ----------
    intake : Intake
    source : Source

    Returns
    -------
    table : Table

    Raises
    ------
    InputFileError
        If it is not text, has no header, repeats a column, has no row, or a row has more cells than the header.
    """
    text = _text(intake, source)
    delimiter = _delimiter(text)
    records: list[list[str]] = []
    rows: list[int] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    ended = 0
    try:
        for record in reader:
            row, ended = ended + 1, reader.line_num
            if any(cell.strip() for cell in record) and (records or not record[0].startswith("#")):
                records.append(record)
                rows.append(row)
    except csv.Error as error:
        problem = f"{source}: row {ended + 1} cannot be read: {error}."
        raise InputFileError(problem, "Export the table again as plain CSV.") from None
    if not records:
        problem = f"{source}: there is no header row."
        raise InputFileError(problem, "Start the table with a row of column names.")
    at = header_at(records) or 0
    tell_titles(intake, source, at, rows[at])
    header = checked_header(source, records[at])
    rows = rows[at + 1 :]
    cells = [_fitted(source, *told, len(header)) for told in zip(records[at + 1 :], rows, strict=True)]
    if not cells:
        problem = f"{source}: there is a header and no row."
        raise InputFileError(problem, "Fill the table in, or check that the right file is named.")
    return Table(name=source.name, columns=tuple(header), cells=cells, row=rows, delimiter=delimiter)


def header_at(records: Sequence[Sequence[str]]) -> int | None:
    """
    Which row is the header: the first whose names fill more than half as many cells as the rows below.

    Parameters
    ----------
    records : sequence of sequence of str
        Rows that hold something.

    Returns
    -------
    at : int or None
        None where no row is like a header.

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


def tell_titles(intake: Intake, source: Source, titles: int, row: int) -> None:
    """Note that rows above the header were passed over."""
    if titles:
        intake.note(source, f"Passed over above the header: {counted(titles, 'row')} of titles; row {row} was taken as "
                    "the header.", "Remove them if another row is the header.")  # fmt: skip


def _delimiter(text: str) -> str:
    """What separates the cells: that by which a header is found that fits the rows below it best."""
    best, delimiter = 0, ","
    for candidate in ",;\t|":
        lines = (line for line in io.StringIO(text, newline="") if line.strip() and not line.startswith("#"))
        try:
            reader = csv.reader(islice(lines, _LOOKED_AT), delimiter=candidate, skipinitialspace=True)
            records = [record for record in reader if any(cell.strip() for cell in record)]
        except csv.Error:
            continue
        at = header_at(records)
        if at is None:
            continue
        filled = [sum(bool(cell.strip()) for cell in record) for record in records[at:]]
        fit = min(filled[0], median_high(filled[1:] or filled))
        if fit > best:
            best, delimiter = fit, candidate
    return delimiter


def _text(intake: Intake, source: Source) -> str:
    """Content as text, whatever wrote it."""
    data = intake.read(source)
    encodings = ["utf-16"] if data.startswith((b"\xff\xfe", b"\xfe\xff")) else ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\x00" in text:
            break
        if encoding == "cp1252":
            intake.note(source, "The text is not UTF-8 and was read as Windows-1252.", "Check accented letters.")
        return text
    problem = f"{source}: this is not text."
    raise InputFileError(problem, "Export the table as CSV in UTF-8.")


def checked_header(source: Source, record: list[str]) -> list[str]:
    """
    Header cells, trimmed and without empty ones at the end.

    Raises
    ------
    InputFileError
        If two columns share a name.
    """
    header = [cell.strip() for cell in record]
    while header and not header[-1]:
        header.pop()
    lower = [name.lower() for name in header if name]
    twice = sorted({name for name in lower if lower.count(name) > 1})
    if twice:
        problem = f"{source}: the column {', '.join(twice)} stands twice in the header."
        raise InputFileError(problem, "Rename or remove one of them.")
    return header


def _fitted(source: Source, record: list[str], row: int, width: int) -> list[str]:
    """A row as wide as the header."""
    if len(record) > width and any(cell.strip() for cell in record[width:]):
        problem = f"{source}: row {row} has {len(record)} cells and the header {width}."
        raise InputFileError(problem, "Put quotes around a cell that holds the separator, or write decimal points.")
    return record[:width] + [""] * (width - len(record))
