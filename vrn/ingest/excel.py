"""Excel workbooks: one sheet as a table of text cells, read by GDAL after a look into the archive."""

import re
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from vrn.errors import InputFileError
from vrn.ingest.intake import LIBRARY_ERRORS, Intake, Source
from vrn.ingest.table import Table, checked_header, header_at, tell_titles

_LARGEST = 400_000_000  # bytes of the workbook, unpacked
_AS_TEXT = {"OGR_XLSX_HEADERS": "DISABLE", "OGR_XLSX_FIELD_TYPES": "STRING"}
_DAY = re.compile(r"^(\d{4})/(\d{2})/(\d{2})((?:[ T]\d{2}:\d{2}(?::\d{2}(?:\.\d+)?)?)?)$")


def read_excel_table(intake: Intake, source: Source) -> Table:
    """
    The only sheet of a workbook, or the one named behind a ``#``; titles above the header are passed over.

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
        If it is damaged or a bomb, which sheet is meant is not said, or it holds no table.
    """
    intake.record(source)
    _look_inside(source)
    rows = _rows(source)
    filled = [number for number, _ in rows]
    while rows and sum(bool(cell) for cell in rows[0][1]) < 2:
        rows.pop(0)
    rows = rows[header_at([cells for _, cells in rows]) or 0 :]
    if len(rows) < 2:
        problem = f"{source} ({source.key}): the sheet holds no table."
        raise InputFileError(problem, "Start it with a row of column names; name another sheet behind a #.")
    tell_titles(intake, source, sum(number < rows[0][0] for number in filled), rows[0][0])
    header = checked_header(source, rows[0][1])
    body = [(number, cells[: len(header)]) for number, cells in rows[1:] if any(cells)]
    return Table(
        name=source.name, columns=tuple(header), cells=[cells for _, cells in body], row=[number for number, _ in body],
        delimiter="",
    )  # fmt: skip


def _look_inside(source: Source) -> None:
    try:
        with zipfile.ZipFile(source.path) as archive:
            infos = archive.infolist()
            unpacked = sum(info.file_size for info in infos)
            declared = [info for info in infos if info.filename.endswith(".xml") and _declares(archive, info)]
            broken = archive.testzip() if unpacked <= _LARGEST else None
    except (zipfile.BadZipFile, zlib.error, OSError, RuntimeError, NotImplementedError, EOFError, ValueError) as error:
        problem = f"{source} ({source.key}): the workbook cannot be read: {str(error) or 'damaged'}."
        raise InputFileError(problem, "Save it again as .xlsx without a password, or as .csv.") from None
    if unpacked > _LARGEST:
        problem = f"{source} ({source.key}): the workbook unpacks to {unpacked / 1e6:,.0f} MB."
        raise InputFileError(problem, "Save only the sheet of this field, as .csv.")
    if broken is not None or declared or not any(info.filename == "xl/workbook.xml" for info in infos):
        problem = f"{source} ({source.key}): this is no sound Excel workbook."
        raise InputFileError(problem, "Save it again as .xlsx, or as .csv.")


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


def _rows(source: Source) -> list[tuple[int, list[str]]]:
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
        problem = f"{source} ({source.key}): the workbook cannot be read: {detail.rstrip('.')}."
        raise InputFileError(problem, "Save it again as .xlsx, or as .csv.") from None
    rows = [[_cell(value) for value in row] for row in zip(*columns, strict=True)]
    found = [(int(number), cells) for number, cells in zip(numbers, rows, strict=True)]
    return [(number, cells) for number, cells in found if any(cells)]


def _sheet(source: Source, sheets: list[str]) -> str:
    if source.part in sheets:
        return str(source.part)
    if source.part is None and len(sheets) == 1:
        return sheets[0]
    shown = ", ".join(sheets) or "none"
    problem = f"{source} ({source.key}): there is no sheet {source.part} (sheets: {shown})."
    if source.part is None:
        problem = (
            f"{source} ({source.key}): the workbook has {len(sheets)} sheets ({shown}); which is meant is not said."
        )
    raise InputFileError(problem, f'Name one behind a #, as "{source.name.split("#")[0]}#{(sheets or ["June"])[0]}".')


def _cell(value: Any) -> str:
    text = "" if value is None else str(value).strip()
    day = _DAY.match(text)
    return f"{day[1]}-{day[2]}-{day[3]}{day[4]}" if day is not None else text
