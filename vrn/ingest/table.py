"""Tables of text cells from CSV files, whatever their encoding and separator."""

import csv
import io
from dataclasses import dataclass, field

from vrn.errors import InputFileError
from vrn.ingest.intake import Intake, Source

_DBF_WIDTH = 10  # letters that a shapefile keeps of a column's name
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
    Read a text table: UTF-8, UTF-16 or Windows-1252; comma, semicolon, tab or bar.

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
    first = next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "")
    delimiter = max(",;\t|", key=first.count)
    if first.count(delimiter) == 0:
        delimiter = ","
    header: list[str] | None = None
    cells: list[list[str]] = []
    rows: list[int] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    ended = 0
    try:
        for record in reader:
            row, ended = ended + 1, reader.line_num
            if not any(cell.strip() for cell in record) or (header is None and record[0].startswith("#")):
                continue
            if header is None:
                header = checked_header(source, record)
                continue
            cells.append(_fitted(source, record, len(header), row))
            rows.append(row)
    except csv.Error as error:
        problem = f"{source}: row {ended + 1} cannot be read: {error}."
        raise InputFileError(problem, "Export the table again as plain CSV.") from None
    if header is None:
        problem = f"{source}: there is no header row."
        raise InputFileError(problem, "Start the table with a row of column names.")
    if not cells:
        problem = f"{source}: there is a header and no row."
        raise InputFileError(problem, "Fill the table in, or check that the right file is named.")
    return Table(name=source.name, columns=tuple(header), cells=cells, row=rows, delimiter=delimiter)


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


def _fitted(source: Source, record: list[str], width: int, row: int) -> list[str]:
    """A row as wide as the header."""
    if len(record) > width and any(cell.strip() for cell in record[width:]):
        problem = f"{source}: row {row} has {len(record)} cells and the header {width}."
        raise InputFileError(problem, "Put quotes around a cell that holds the separator, or write decimal points.")
    return record[:width] + [""] * (width - len(record))
