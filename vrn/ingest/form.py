"""Which rows of a samples table a person has filled in: a form comes back with rows left empty, and some half done."""

import re

import numpy as np
from numpy.typing import NDArray

from vrn.findings import Quantity
from vrn.ingest.cells import Columns, RowFaults, is_unknown, numbers
from vrn.ingest.contents import read_header
from vrn.ingest.depth import DEPTH_ROLES
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.points import PlacedRows
from vrn.ingest.ranges import listed
from vrn.ingest.table import CellTable
from vrn.model.settings import Settings

READING = ("nitrate_ppm", "nitrate_mg_kg")
# of the plan's form: the columns that show it is one, and those that a person fills in beside the reading
_FORM = ("kind", "nominal_ppm", "cores", "instrument", "read_at", "stored")
_NITROGEN = ("nitrogen rate", "nitrogen", "total nitrogen")
_PUT_ON = re.compile(r"appl|applied|starter|pre-?plant|side-?dress|put on|already", re.IGNORECASE)
_WENT_ON = re.compile(r"uan|urea|anhydrous|manure|fertili|product|amsul|dap", re.IGNORECASE)
_ON_GROUND = ("gal/ac", "lb/ac", "kg/ha", "ton/ac", "t/ha")  # units of a product that went on
_YES = ("yes", "y", "x", "true", "ja", "si")
_ONCE = ("sampled_on", "instrument", "stored", "nominal_ppm")
_WRITTEN = ("sampled_on", "nominal_ppm", "instrument", "read_at", "stored", "water_pct")


def ask_about_applied(files: InputFiles, source: Source, table: CellTable, settings: Settings) -> None:
    """Ask about nitrogen that a column of the samples says was applied, where the field file says none of it."""
    if settings.applications or settings.layers.applied_n is not None:
        return
    silent = settings.applications is None
    for name in table.columns:
        if _PUT_ON.search(name) is None and _WENT_ON.search(name) is None:
            continue
        said = read_header(name)
        product = said.substance == "product"
        if not product and (said.substance not in _NITROGEN or _PUT_ON.search(name) is None):
            continue
        found = numbers(table, name, RowFaults(table))
        words = product and any(cell.strip().lower() in _YES for cell in table.column(name))
        if (found > 0).any() and (not product or said.unit in _ON_GROUND):
            most = Quantity("number", float(np.nanmax(found)))
            files.warn(
                "samples.silent-and-a-column" if silent else "ingest.none-and-a-column", source, column=name, most=most
            )
        elif words:
            files.warn("samples.a-column-says-yes", source, column=name)


def written_once(files: InputFiles, source: Source, table: CellTable, columns: Columns) -> CellTable:
    """The plan's form with what a person wrote once, and left empty below, in each row, and a note of how much it is.

    That is the day, the instrument, how samples were kept, and what standards should read; any other table stays.
    """
    if not all(columns.find(role) is not None for role in _FORM):
        return table
    at = {role: table.columns.index(name) for role in _ONCE if (name := columns.find(role)) is not None}
    kind, last, filled = table.columns.index(columns.find("kind") or ""), dict[str, str](), 0
    cells = [[*row] for row in table.cells]
    for row in cells:
        for role, i in at.items():
            if not is_unknown(row[i]):
                last[role] = row[i]
            elif role in last and (role != "nominal_ppm" or row[kind].strip().lower() == "standard"):
                row[i], filled = last[role], filled + 1
    if not filled:
        return table
    files.note("samples.form-written-once", source, cells=filled)
    return CellTable(
        name=table.name, columns=table.columns, cells=cells, row=table.row, delimiter=table.delimiter,
        row_word=table.row_word, aliases=table.aliases,
    )  # fmt: skip


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

    def given(found: list[list[str]]) -> NDArray[np.bool_]:
        some = np.zeros(len(table), dtype=bool)
        for column in found:
            empty = {cell for cell in set(column) if is_unknown(cell)}
            some |= np.array([cell not in empty for cell in column], dtype=bool) if empty else True
        return some

    reading, area, depth = cells(*READING), cells("area_id"), cells(*DEPTH_ROLES)
    form = all(columns.find(role) is not None for role in _FORM)
    placed = np.isfinite(places.coordinates_m).all(axis=1)
    tested, composite = given(reading), given(area)
    kept = tested | given(cells(*_WRITTEN)) | (composite | placed if not form else False)
    if not kept.all():
        files.note("ingest.form-rows-empty" if form else "ingest.empty-rows", source, rows=int((~kept).sum()))
    read = kept & (tested if reading else True)
    if not read.any():
        source.refuse("no row has a reading.", "Write the readings into it, one on each row.")
    soil = field = np.ones(len(table), dtype=bool)
    for kind in cells("kind"):
        plain = {cell: cell.strip().lower() or "field" for cell in set(kind)}
        soil = np.array([plain[cell] in ("field", "duplicate") for cell in kind])
        field = np.array([plain[cell] == "field" for cell in kind])
    shallow = np.zeros(len(table), dtype=bool)  # without a depth
    for column in depth:
        shallow |= ~given([column])
    lost = read & (soil & shallow | field & ~placed & ~composite)
    if 2 * lost.sum() >= read.sum():
        lost[:] = False
    half = kept & (~read | lost)
    if half.any():
        rows_named = listed([str(table.row[i]) for i in np.flatnonzero(half)])
        files.warn("ingest.rows-half-filled", f"{source} {rows_named}", rows=int(half.sum()))
    return np.flatnonzero(kept & ~half).tolist()
