"""Tables of every make: text, Excel, and either of them in a zip archive."""

from vrn.errors import InputFileError
from vrn.ingest.archive import member_of
from vrn.ingest.intake import Intake, Source
from vrn.ingest.recognize import TABLES, recognize
from vrn.ingest.table import Table, read_csv_table


def holds_table(intake: Intake, source: Source) -> bool:
    """Whether a file is a table, or an archive with one."""
    kind = recognize(source)
    return kind in TABLES or (kind == "zip" and recognize(member_of(intake, source)) in TABLES)


def read_table(intake: Intake, source: Source) -> Table:
    """
    A table of text cells.

    Parameters
    ----------
    intake : Intake
    source : Source
        CSV or Excel, or a zip archive with a CSV file.

    Returns
    -------
    table : Table

    Raises
    ------
    InputFileError
        If it is no table, or cannot be read.
    """
    kind = recognize(source)
    if kind == "zip":
        source = member_of(intake, source)
        kind = recognize(source)
    if kind == "csv":
        return read_csv_table(intake, source)
    if kind == "excel" and source.inner is None:
        from vrn.ingest.excel import read_excel_table

        return read_excel_table(intake, source)
    what = "a workbook in an archive" if kind == "excel" else f"a {kind} file"
    problem = f"{source} ({source.key}): a table is needed, and this is {what}."
    raise InputFileError(problem, "Give CSV or Excel (.xlsx).")
