"""Values of map units from a table beside their polygons, joined by a key; several components weighted by a share."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.ingest.cells import RowFaults, numbers
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.keys import nearest
from vrn.ingest.table import CellTable
from vrn.ingest.tables import read_table
from vrn.model.settings import OrganicMatterLayer, YieldPotentialLayer

_MOST_SHOWN = 6  # keys that a message lists
_MOST_PCT, _LEAST_PCT = 100.5, 50.0  # of a map unit that its components may be in all, and must be to speak for it

_FRACTIONS = 1.5  # a sum of shares up to this is one of fractions, not of percent


@dataclass(frozen=True, slots=True, kw_only=True)
class Join:
    """The table beside a layer's polygons: its file, the column that both have, the column of each row's share."""

    table: str
    key: str
    share: str | None = None


def join_of(section: str, layer: OrganicMatterLayer | YieldPotentialLayer | None) -> Join | None:
    """What the field file says of a table beside a layer; refuses one of the keys without the others."""
    if layer is None:
        return None
    if layer.table is None and (layer.key or layer.share) is not None:
        problem = f"{section}: {'key' if layer.key is not None else 'share'} is given, and there is no table."
        raise InputFileError(problem, 'Name the table beside the polygons: table = "mapunits.csv".')
    if layer.table is None:
        return None
    if layer.file is None or getattr(layer, "kind", "") == "yield_log":
        problem = f"{section}: the table {layer.table} is given without polygons."
        raise InputFileError(problem, 'Name the polygons of the map units: file = "mapunits.geojson".')
    if layer.key is None:
        problem = f"{section}: the table {layer.table} is given without a key."
        raise InputFileError(problem, 'Name the column that polygons and table both have, as key = "musym".')
    return Join(table=layer.table, key=layer.key, share=layer.share)


def joined(
    files: InputFiles, source: Source, features: CellTable, join: Join, section: str, column: str | None,
    usual: tuple[str, ...],
) -> tuple[CellTable, NDArray[np.bool_]]:  # fmt: skip
    """
    A table of one column, the value of each feature's map unit, and which features have a row.

    Parameters
    ----------
    features : CellTable
        Of the polygons.
    section : str
        Key path of the layer in the field file.
    column : str or None
        Of the table, that holds the values.
    usual : tuple of str
        Taken when the field file names none.

    Raises
    ------
    InputFileError
        If key or column are missing, no key fits, or a key has several rows that differ and no share.
    """
    beside = files.source(join.table, f"{section}.table")
    table = read_table(files, beside)
    of_feature = [_plain(cell) for cell in features.column(_there(source, features, join.key, f"{section}.key"))]
    of_row = [_plain(cell) for cell in table.column(_there(beside, table, join.key, f"{section}.key"))]
    name = _value_column(beside, table, join, section, column, usual)
    rows: dict[str, list[int]] = {}
    for i, key in enumerate(of_row):
        if key:
            rows.setdefault(key, []).append(i)
    wanted = dict.fromkeys(key for key in of_feature if key)
    if not any(key in rows for key in wanted):
        shown = f"{_shown(wanted)} in {source}, and {_shown(rows)} in {beside}"
        beside.refuse(f"no {join.key} of the table is one of the polygons ({shown}).", "Check the table and the key.")
    if unused := [key for key in rows if key not in wanted]:
        files.note("ingest.map-units-unused", beside, rows=sum(len(rows[key]) for key in unused))
    cells = _cells(files, beside, table, name, join, {key: rows[key] for key in wanted if key in rows})
    values = CellTable(
        name=f"{source} with {beside}", columns=(name,), cells=[[cells.get(key, "")] for key in of_feature],
        row=features.row, delimiter=table.delimiter, row_word=features.row_word,
    )  # fmt: skip
    return values, np.array([key in rows for key in of_feature], dtype=bool)


def warn_of_missing(
    files: InputFiles, source: Source, features: CellTable, join: Join, lost: NDArray[np.bool_]
) -> None:
    """Tell the map units in the field of which the table has no row."""
    column = features.find(join.key)
    keys = (
        dict.fromkeys(_plain(features.column(column)[i]) or "(empty)" for i in np.flatnonzero(lost)) if column else {}
    )
    if keys:
        files.warn("ingest.map-units-missing", source, polygons=int(lost.sum()), keys=_shown(keys), table=join.table)


def _there(source: Source, table: CellTable, name: str, key: str) -> str:
    found = table.find(name)
    if found is None:
        near = nearest(name, list(table.columns))
        hint = f'Did you mean "{near}"?' if near else f"Columns: {table.named}."
        source.refuse(f'{key} is "{name}", and there is no such column.', f"{hint} Polygons and table need it both.")
    return found


def _value_column(
    source: Source, table: CellTable, join: Join, section: str, column: str | None, usual: tuple[str, ...]
) -> str:
    if column is not None:
        return _there(source, table, column, f"{section}.column")
    own = {table.find(join.key), table.find(join.share) if join.share is not None else None}
    left = [name for name in table.columns if name not in own]
    found = table.find(*usual) or (left[0] if len(left) == 1 else None)
    if found is None:
        source.refuse(f"it is not clear which column holds the values (columns: {table.named}).",
                      f'Name it: {section}.column = "{left[0] if left else "…"}".')  # fmt: skip
    return found


def _cells(
    files: InputFiles, source: Source, table: CellTable, name: str, join: Join, rows: dict[str, list[int]]
) -> dict[str, str]:
    """The value of each key as text; of several rows their mean by share."""
    given = table.column(name)
    several = {key: at for key, at in rows.items() if len({given[i].strip() for i in at}) > 1}
    cells = {key: given[at[0]] for key, at in rows.items()}
    if not several:
        return cells
    if join.share is None:
        source.refuse(
            f"{len(several)} of the map units have several rows with different values ({_shown(several)}).",
            'Name the column with the percent of each row, as share = "percent"; or keep one row for each map unit.',
        )
    faults = RowFaults(table)
    share = numbers(table, _there(source, table, join.share, "share"), faults)
    values = numbers(table, name, faults)
    whole = _MOST_PCT if any(share[at].sum() > _FRACTIONS for at in several.values()) else _MOST_PCT / 100
    for key, at in several.items():
        part = share[at]
        if not (part >= 0).all() or part.sum() > whole:
            shown = "not given for each row" if np.isnan(part).any() else f"{part.sum():g} in all"
            faults.add(table.row[at[0]], f"the shares of {key} are {shown}", "Give each row's percent, 100 in all.")
    faults.raise_if_any()
    unknown = []
    for key, at in several.items():
        known = np.isfinite(values[at]) & (share[at] > 0)
        part = share[at][known]
        if part.sum() < _LEAST_PCT * whole / _MOST_PCT:
            unknown.append(key)
            cells[key] = ""
        else:
            cells[key] = repr(float(part @ values[at][known] / part.sum()))
    if unknown:
        files.warn("ingest.map-units-half-known", source, units=len(unknown), keys=_shown(unknown))
    files.note("ingest.map-units-weighted", source, units=len(several), column=join.share)
    return cells


def _plain(cell: str) -> str:
    """``411027.0`` and ``411027`` are the same key: the first comes from a file that keeps numbers."""
    return cell.strip().removesuffix(".0")


def _shown(keys: Iterable[str]) -> str:
    names = list(keys)
    return ", ".join(names[:_MOST_SHOWN]) + (
        f" and {len(names) - _MOST_SHOWN} more" if len(names) > _MOST_SHOWN else ""
    )
