"""How each sample was pulled, kept and read, where the samples file says so."""

from datetime import datetime

import numpy as np

from vrn.ingest.cells import RowFaults, numbers
from vrn.ingest.columns import Columns
from vrn.ingest.keys import nearest
from vrn.ingest.table import Table
from vrn.model.samples import Handling

HANDLING_ROLES = ("cores", "instrument", "read_at", "stored")
_STORED = ("cool", "warm", "frozen", "dried")
_MOST_CORES = 200


def read_handling(table: Table, columns: Columns, faults: RowFaults) -> tuple[Handling, ...]:
    """
    Columns ``cores``, ``instrument``, ``read_at`` and ``stored`` of a samples table; none of them is needed.

    Parameters
    ----------
    table : Table
    columns : Columns
    faults : RowFaults
        Gets the cells that cannot be used.

    Returns
    -------
    handling : tuple of Handling, length n
    """
    cores = _cores(table, columns.find("cores"), faults)
    read_at = _times(table, columns.find("read_at"), faults)
    stored = _stored(table, columns.find("stored"), faults)
    instrument = columns.find("instrument")
    names = [cell.strip() for cell in table.column(instrument)] if instrument is not None else [""] * len(table)
    return tuple(
        Handling(cores=cores[i], instrument=names[i], read_at=read_at[i], stored=stored[i]) for i in range(len(table))
    )


def _cores(table: Table, name: str | None, faults: RowFaults) -> list[int | None]:
    if name is None:
        return [None] * len(table)
    found = numbers(table, name, faults)
    for i in np.flatnonzero(np.isfinite(found) & ((found < 1) | (found > _MOST_CORES) | (found % 1 != 0))):
        faults.add(table.row[i], f"{name} is {found[i]:g}", "Write how many cores were mixed, as 8.")
    return [int(value) if np.isfinite(value) else None for value in found]


def _times(table: Table, name: str | None, faults: RowFaults) -> list[datetime | None]:
    """Date and time of each reading, on the clock of the place."""
    times: list[datetime | None] = [None] * len(table)
    for i, cell in enumerate(table.column(name) if name is not None else []):
        if not cell.strip():
            continue
        try:
            times[i] = datetime.fromisoformat(cell.strip()).replace(tzinfo=None)
        except ValueError:
            faults.add(table.row[i], f'{name} is "{cell.strip()[:30]}", which is no ISO date and time',
                       "Write when it was read as 2026-06-18T14:30.")  # fmt: skip
    return times


def _stored(table: Table, name: str | None, faults: RowFaults) -> list[str]:
    if name is None:
        return [""] * len(table)
    kept = [cell.strip().lower() for cell in table.column(name)]
    for i, word in enumerate(kept):
        if word and word not in _STORED:
            near = nearest(word, list(_STORED))
            faults.add(table.row[i], f'{name} is "{word[:30]}"',
                       f"Did you mean {near}?" if near else f"Use one of {', '.join(_STORED)}.")  # fmt: skip
    return kept
