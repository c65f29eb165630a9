"""Cores, instrument, time of reading and storage, as the samples file writes them."""

from datetime import datetime

import pytest

from vrn.errors import InputFileError
from vrn.ingest.cells import Columns, RowFaults
from vrn.ingest.samples import HANDLING_ROLES, read_handling
from vrn.ingest.table import CellTable
from vrn.model.samples import Handling


def _read(columns: tuple[str, ...], *cells: list[str]) -> tuple[Handling, ...]:
    table = CellTable(name="samples.csv", columns=columns, cells=list(cells), row=list(range(2, 2 + len(cells))))
    faults = RowFaults(table)
    named = Columns(table, None, key="samples.columns", roles=HANDLING_ROLES)
    handling = read_handling(table, named, [None] * len(cells), faults)
    faults.raise_if_any()
    return handling


def test_what_is_written_is_read() -> None:
    """Whole cores, a name, an ISO time with or without a zone, and how it was kept; blanks stay unknown."""
    columns = ("sample_id", "cores", "instrument", "read_at", "stored")
    one, other = _read(columns, ["1", "8", "B", "2026-06-16T14:05+02:00", "Cool"], ["2", "", "", "", ""])
    assert one == Handling(cores=8, instrument="B", read_at=datetime(2026, 6, 16, 14, 5), stored="cool")
    assert other == Handling()


def test_a_file_without_these_columns_knows_nothing() -> None:
    """None of the columns is needed."""
    assert _read(("sample_id",), ["1"]) == (Handling(),)


@pytest.mark.parametrize(
    ("column", "cell", "told"),
    [("cores", "2.5", "row 2: cores is 2.5"), ("cores", "0", "how many cores"), ("read_at", "noon", "not an ISO date"),
     ("stored", "colo", "Did you mean cool")],
)  # fmt: skip
def test_what_cannot_be_used_is_told(column: str, cell: str, told: str) -> None:
    """Half a core, a time that is none and an unknown way of keeping are refused with row and remedy."""
    with pytest.raises(InputFileError, match=told):
        _read((column,), [cell])
