"""Text tables whatever their encoding and separator, Excel workbooks, and either of them in a zip archive."""

import csv
import io
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import islice
from statistics import median_high
from typing import Any
from xml.etree import ElementTree as ET

from vrn.errors import InputFileError
from vrn.ingest.input_files import LIBRARY_ERRORS, TABLES, InputFiles, Source, member_of, recognize, refuse_padding
from vrn.ingest.table import CellTable, header_at, header_of

csv.field_size_limit(1_000_000)
_LOOKED_AT = 60  # rows from which the separator is told
_LARGEST_WORKBOOK = 200_000_000  # bytes, unpacked
_AS_TEXT = {"OGR_XLSX_HEADERS": "DISABLE", "OGR_XLSX_FIELD_TYPES": "STRING"}
_DAY = re.compile(r"^(\d{4})/(\d{2})/(\d{2})((?:[ T]\d{2}:\d{2}(?::\d{2}(?:\.\d+)?)?)?)$")


def holds_table(files: InputFiles, source: Source) -> bool:
    """Whether a file is a table, or an archive with one."""
    kind = recognize(source)
    return kind in TABLES or (kind == "zip" and recognize(member_of(files, source)) in TABLES)


def read_table(files: InputFiles, source: Source) -> CellTable:
    """A table of text cells from CSV or Excel, or from a zip archive with a CSV file; refuses anything else."""
    kind = recognize(source)
    if kind == "zip":
        source = member_of(files, source)
        kind = recognize(source)
    if kind == "excel" and source.inner is None:
        return _read_workbook(files, source)
    if kind != "csv":
        what = "a workbook in an archive" if kind == "excel" else f"a {kind} file"
        source.refuse(f"a table is needed, and this is {what}.", "Give CSV or Excel (.xlsx).")
    return read_csv_table(files, source)


def read_csv_table(files: InputFiles, source: Source) -> CellTable:
    """
    Read a text table: UTF-8, UTF-16 or Windows-1252; comma, semicolon, tab or bar; titles above the header passed over.

    By hand, and not by a library of tables, because a bad row is named as the file counts it. Refuses what is not text,
    has no header or no row, repeats a column, or has more cells in a row than in the header.
    """
    text = _text(files, source)
    delimiter = _delimiter(text)
    every, ends = _records(source, text, delimiter)
    filled = [i for i, record in enumerate(every) if record and ("!" < record[0] < "~" or any(map(str.strip, record)))]
    first = next((at for at, i in enumerate(filled) if not every[i][0].startswith("#")), len(filled))
    records, rows = [every[i] for i in filled[first:]], [ends[i] + 1 for i in filled[first:]]
    if not records:
        source.refuse("there is no header row.", "Start the table with a row of column names.")
    header, aliases, at = header_of(files, source, records, rows)
    cells, rows, width = records[at:], rows[at:], len(header)
    if set(map(len, cells)) != {width}:
        cells = [_fitted(source, record, row, width) for record, row in zip(cells, rows, strict=True)]
    if not cells:
        source.refuse("there is a header and no row.", "Fill the table in, or check that the right file is named.")
    return CellTable(
        name=source.name, columns=tuple(header), cells=cells, row=rows, delimiter=delimiter, aliases=aliases
    )


def _records(source: Source, text: str, delimiter: str) -> tuple[list[list[str]], Sequence[int]]:
    """Records of a text table, and the line before each: one in quotes may take several."""

    def reader() -> Any:
        return csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)

    quick, slow = reader(), reader()
    with suppress(csv.Error):
        every = list(quick)
        if quick.line_num == len(every):
            return every, range(len(every))
    records: list[list[str]] = []
    ends = [0]
    try:
        for record in slow:
            records.append(record)
            ends.append(slow.line_num)
    except csv.Error as error:
        source.refuse(f"row {ends[-1] + 1} cannot be read: {error}.", "Export the table again as plain CSV.")
    return records, ends


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


def _text(files: InputFiles, source: Source) -> str:
    """Content as text, whatever wrote it."""
    data = files.read(source)
    encodings = ("utf-16",) if data.startswith((b"\xff\xfe", b"\xfe\xff")) else ("utf-8-sig", "cp1252")
    text = None
    for encoding in encodings:
        with suppress(UnicodeDecodeError):
            text = data.decode(encoding)
            break
    if text is None or "\x00" in text:
        source.refuse("this is not text.", "Export the table as CSV in UTF-8.")
    if encoding == "cp1252":
        files.note("ingest.read-as-windows-1252", source)
    return text


def _fitted(source: Source, record: list[str], row: int, width: int) -> list[str]:
    """A row as wide as the header."""
    if len(record) > width and any(cell.strip() for cell in record[width:]):
        source.refuse(
            f"row {row} has {len(record)} cells and the header {width}.",
            "Put quotes around a cell that holds the separator, or write decimal points.",
        )
    return record[:width] + [""] * (width - len(record))


def _read_workbook(files: InputFiles, source: Source) -> CellTable:
    """The only sheet of a workbook, or the one named behind a ``#``; read by GDAL after a look into the archive."""
    files.record(source)
    _look_inside(source)
    rows = _sheet_rows(files, source)
    if header_at([cells for _, cells in rows]) is None:
        rows = [row for row in rows if sum(map(bool, row[1])) > 1]
    if len(rows) < 2:
        source.refuse(
            "the sheet holds no table.", "Start it with a row of column names; name another sheet behind a #."
        )
    header, aliases, at = header_of(files, source, [cells for _, cells in rows], [number for number, _ in rows])
    body = [(number, cells[: len(header)]) for number, cells in rows[at:] if any(cells)]
    return CellTable(
        name=source.name, columns=tuple(header), cells=[cells for _, cells in body], row=[number for number, _ in body],
        delimiter="", aliases=aliases,
    )  # fmt: skip


def _look_inside(source: Source) -> None:
    try:
        with zipfile.ZipFile(source.path) as archive:
            infos = archive.infolist()
            unpacked = sum(info.file_size for info in infos)
            for info in infos:
                refuse_padding(source, info)
            declared = [info for info in infos if info.filename.endswith(".xml") and _declares(archive, info)]
            broken = archive.testzip() if unpacked <= _LARGEST_WORKBOOK else None
    except InputFileError:
        raise
    except (zipfile.BadZipFile, zlib.error, OSError, RuntimeError, NotImplementedError, EOFError, ValueError) as error:
        source.refuse(
            f"the workbook cannot be read: {str(error) or 'damaged'}.",
            "Save it again as .xlsx without a password, or as .csv.",
        )
    if unpacked > _LARGEST_WORKBOOK:
        source.refuse(
            f"the workbook unpacks to {unpacked / 1e6:,.0f} MB.", "Save only the sheet of this field, as .csv."
        )
    if broken is not None or declared or not any(info.filename == "xl/workbook.xml" for info in infos):
        source.refuse("this is not a sound Excel workbook.", "Save it again as .xlsx, or as .csv.")


def _declares(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> bool:
    """Whether a part declares a document type, which no workbook needs."""
    with archive.open(info) as part:
        return b"<!DOCTYPE" in part.read(4096).upper()


@contextmanager
def _options(wanted: dict[str, str]) -> Iterator[None]:
    """GDAL options for as long as one file is read."""
    import pyogrio

    before = {name: pyogrio.get_gdal_config_option(name) for name in wanted}
    pyogrio.set_gdal_config_options(wanted)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


def _sheet_rows(files: InputFiles, source: Source) -> list[tuple[int, list[str]]]:
    """Row number and text cells of every row that holds something; hidden rows are told."""
    import pyogrio

    path = str(source.path)
    try:
        with warnings.catch_warnings(), _options(_AS_TEXT):
            warnings.simplefilter("ignore")  # what matters of them is checked here by itself
            sheet = _sheet(source, [str(name) for name, _ in pyogrio.list_layers(path)])
            _, numbers, _, columns = pyogrio.raw.read(
                path, layer=sheet, return_fids=True, read_geometry=False, datetime_as_string=True
            )
        layout = _layout(source, sheet)
    except InputFileError:
        raise
    except (*LIBRARY_ERRORS, ET.ParseError) as error:
        detail = str(error).split(";")[0].replace(path, source.path.name)
        source.refuse(f"the workbook cannot be read: {detail.rstrip('.')}.", "Save it again as .xlsx, or as .csv.")
    found = {
        int(number): [_cell(value) for value in row]
        for number, row in zip(numbers, zip(*columns, strict=True), strict=True)
    }
    for first, top, last, bottom in layout.merged:
        value = found[top][first] if top in found and first < len(found[top]) else ""
        for number in range(top, bottom + 1) if value else ():
            cells = found.get(number, [])
            cells[first : last + 1] = [value] * len(cells[first : last + 1])
    if layout.since_1904:
        for number, cells in found.items():
            found[number] = [_since_1904(c) if (number, at) not in layout.texts else c for at, c in enumerate(cells)]
    rows = [(number, cells) for number, cells in found.items() if any(cells)]
    hidden = [number for number, _ in rows if number in layout.hidden]
    if hidden:
        files.warn("ingest.hidden-rows", source, rows=len(hidden), first=str(hidden[0]))
    return rows


@dataclass(slots=True, kw_only=True)
class _Layout:
    """What a sheet says beside its values, rows and columns from 0 as cells count, rows from 1."""

    since_1904: bool = False  # days are counted from 1904, which GDAL does not heed
    texts: set[tuple[int, int]] = field(default_factory=set)  # cells of text: no such day; only where it matters
    hidden: set[int] = field(default_factory=set)
    merged: list[tuple[int, int, int, int]] = field(default_factory=list)  # column, row of the first and last cell


def _layout(source: Source, sheet: str) -> _Layout:
    """Hidden rows, merged cells and the first day of a sheet."""
    layout = _Layout()
    with zipfile.ZipFile(source.path) as archive:
        book = ET.fromstring(archive.read("xl/workbook.xml"))
        layout.since_1904 = any(
            item.get("date1904") in ("1", "true") for item in book.iter() if item.tag.endswith("}workbookPr")
        )
        named = [item for item in book.iter() if item.tag.endswith("}sheet") and item.get("name") == sheet]
        ids = {value for item in named for key, value in item.items() if key.endswith("}id")}
        links = ET.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
        targets = [link.get("Target", "") for link in links if link.get("Id") in ids]
        if not targets:
            return layout
        target = targets[0].removeprefix("/") if targets[0].startswith("/") else f"xl/{targets[0]}"
        with archive.open(target) as part:
            for _, item in ET.iterparse(part):
                kind = item.tag.rpartition("}")[2]
                if kind == "row":
                    if item.get("hidden") in ("1", "true"):
                        layout.hidden.add(int(item.get("r", "0")))
                    item.clear()
                elif kind == "c" and layout.since_1904 and item.get("t", "n") != "n":
                    column, row = _place(item.get("r", "A1"))
                    layout.texts.add((row, column))
                elif kind == "mergeCell":
                    first, _, last = item.get("ref", "A1").partition(":")
                    layout.merged.append((*_place(first), *_place(last or first)))
    return layout


def _place(ref: str) -> tuple[int, int]:
    """Column from 0 and row from 1 of ``B7``."""
    letters = ref.rstrip("0123456789")
    column = 0
    for letter in letters:
        column = 26 * column + ord(letter) - 64
    return column - 1, int(ref[len(letters) :])


def _since_1904(cell: str) -> str:
    """A day that was read as one counted from 1900: 1,462 days too early (ECMA-376, 18.17.4.1)."""
    day = re.fullmatch(r"(\d{4}-\d{2}-\d{2})(.*)", cell)
    return f"{date.fromisoformat(day[1]) + timedelta(days=1462)}{day[2]}" if day is not None else cell


def sheet_names(source: Source) -> list[str]:
    """Sheets of a workbook; refuses one that is not sound."""
    import pyogrio

    _look_inside(source)
    try:
        return [str(name) for name, _ in pyogrio.list_layers(source.path)]
    except LIBRARY_ERRORS as error:
        source.refuse(
            f"the workbook cannot be read: {str(error)[:80].rstrip('.')}.", "Save it again as .xlsx, or .csv."
        )


def _sheet(source: Source, sheets: list[str]) -> str:
    if source.part not in sheets and (source.part is not None or len(sheets) != 1):
        source.refuse_choice("sheet", sheets)
    return source.part if source.part in sheets else sheets[0]


def _cell(value: Any) -> str:
    text = "" if value is None else str(value).strip()
    day = _DAY.match(text)
    return f"{day[1]}-{day[2]}-{day[3]}{day[4]}" if day is not None else text
