"""Text tables whatever their encoding and separator, Excel workbooks, and either of them in a zip archive."""

import csv
import io
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from itertools import islice
from statistics import median_high
from typing import Any

from vrn.errors import InputFileError
from vrn.ingest.input_files import LIBRARY_ERRORS, TABLES, InputFiles, Source, member_of, recognize, refuse_padding
from vrn.ingest.table import CellTable, checked_header, header_at

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
    records: list[list[str]] = []
    rows: list[int] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, skipinitialspace=True)
    ended = 0
    try:
        for record in reader:
            row, ended = ended + 1, reader.line_num
            filled = record and (record[0].strip() or any(map(str.strip, record)))
            if filled and (records or not record[0].startswith("#")):
                records.append(record)
                rows.append(row)
    except csv.Error as error:
        source.refuse(f"row {ended + 1} cannot be read: {error}.", "Export the table again as plain CSV.")
    if not records:
        source.refuse("there is no header row.", "Start the table with a row of column names.")
    at = header_at(records) or 0
    header = checked_header(files, source, records[at], titles=at, row=rows[at])
    rows, width = rows[at + 1 :], len(header)
    cells = [
        record if len(record) == width else _fitted(source, record, row, width)
        for record, row in zip(records[at + 1 :], rows, strict=True)
    ]
    if not cells:
        source.refuse("there is a header and no row.", "Fill the table in, or check that the right file is named.")
    return CellTable(name=source.name, columns=tuple(header), cells=cells, row=rows, delimiter=delimiter)


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
    rows = _sheet_rows(source)
    filled = [number for number, _ in rows]
    while rows and sum(bool(cell) for cell in rows[0][1]) < 2:
        rows.pop(0)
    rows = rows[header_at([cells for _, cells in rows]) or 0 :]
    if len(rows) < 2:
        source.refuse(
            "the sheet holds no table.", "Start it with a row of column names; name another sheet behind a #."
        )
    titles = sum(number < rows[0][0] for number in filled)
    header = checked_header(files, source, rows[0][1], titles=titles, row=rows[0][0])
    body = [(number, cells[: len(header)]) for number, cells in rows[1:] if any(cells)]
    return CellTable(
        name=source.name, columns=tuple(header), cells=[cells for _, cells in body], row=[number for number, _ in body],
        delimiter="",
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


def _sheet_rows(source: Source) -> list[tuple[int, list[str]]]:
    """Row number and text cells of every row that holds something."""
    import pyogrio

    path = str(source.path)
    try:
        with warnings.catch_warnings(), _options(_AS_TEXT):
            warnings.simplefilter("ignore")  # what matters of them is checked here by itself
            sheet = _sheet(source, [str(name) for name, _ in pyogrio.list_layers(path)])
            _, numbers, _, columns = pyogrio.raw.read(
                path, layer=sheet, return_fids=True, read_geometry=False, datetime_as_string=True
            )
    except InputFileError:
        raise
    except LIBRARY_ERRORS as error:
        detail = str(error).split(";")[0].replace(path, source.path.name)
        source.refuse(f"the workbook cannot be read: {detail.rstrip('.')}.", "Save it again as .xlsx, or as .csv.")
    rows = [[_cell(value) for value in row] for row in zip(*columns, strict=True)]
    found = [(int(number), cells) for number, cells in zip(numbers, rows, strict=True)]
    return [(number, cells) for number, cells in found if any(cells)]


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
