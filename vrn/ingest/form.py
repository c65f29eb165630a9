"""Which rows of a samples table a person has filled in: a form comes back with rows left empty, and some half done."""

import numpy as np

from vrn.ingest.cells import is_unknown
from vrn.ingest.depth import DEPTH_ROLES
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.points import PlacedRows
from vrn.ingest.ranges import listed

READING = ("nitrate_ppm", "nitrate_mg_kg")
# of the plan's form: the columns that show it is one, and those that a person fills in beside the reading
_FORM = ("kind", "nominal_ppm", "cores", "instrument", "read_at", "stored")
_WRITTEN = ("sampled_on", "nominal_ppm", "instrument", "read_at", "stored", "water_pct")


def filled_rows(files: InputFiles, source: Source, places: PlacedRows) -> list[int]:
    """
    Rows to be read, by their number from 0.

    Empty rows, and rows of the form on which nobody wrote, are passed over with one note. Rows without a reading, a
    depth or a place are left out with a warning that names them; where half of the readings lack depth or place they
    stay, for their reader to refuse by name. Refuses a file without any reading.
    """
    table, columns = places.table, places.columns

    def cells(*roles: str) -> list[list[str]]:
        return [table.column(name) for role in roles if (name := columns.find(role)) is not None]

    def given(at: int, found: list[list[str]]) -> bool:
        return any(not is_unknown(column[at]) for column in found)

    reading, area, depth = cells(*READING), cells("area_id"), cells(*DEPTH_ROLES)
    form = all(columns.find(role) is not None for role in _FORM)
    written = reading + cells(*_WRITTEN) + ([] if form else area)
    placed: list[bool] = [bool(np.isfinite(place).all()) for place in places.coordinates_m]
    rows = [i for i in range(len(table)) if given(i, written) or (placed[i] and not form)]
    if len(rows) < len(table):
        files.note("ingest.form-rows-empty" if form else "ingest.empty-rows", source, rows=len(table) - len(rows))
    kinds = [cell.strip().lower() or "field" for cell in (cells("kind") or [[""] * len(table)])[0]]
    read = [i for i in rows if not reading or given(i, reading)]
    if not read:
        source.refuse("no row has a reading.", "Write the readings into it, one on each row.")
    lost = {
        i
        for i in read
        if (kinds[i] in ("field", "duplicate") and any(is_unknown(column[i]) for column in depth))
        or (kinds[i] == "field" and not placed[i] and not given(i, area))
    }
    if 2 * len(lost) >= len(read):
        lost = set()
    half = [i for i in rows if i not in read or i in lost]
    if half:
        rows_named = listed([str(table.row[i]) for i in half])
        files.warn("ingest.rows-half-filled", f"{source} {rows_named}", rows=len(half))
    return [i for i in rows if i not in half]
