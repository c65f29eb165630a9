"""Which outlines of a file are meant: all of one field's, those a person names, and what lies inside them."""

import re
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.ingest.input_files import InputFiles, Source, recognize
from vrn.ingest.table import CellTable, Features
from vrn.ingest.vectors import read_features

_MOST_NAMED = 8
_TELLING = re.compile(r"name|field|label|title", re.IGNORECASE)  # what the column is called that names an outline
_INSIDE = 0.9  # share of an outline's area within another, from which it lies inside


def read_chosen(
    files: InputFiles, source: Source, where: dict[str, str] | None = None
) -> tuple[Features, NDArray[np.bool_], bool]:
    """
    Features of a file, which of them are meant, and whether a person said which.

    ``farm.gpkg#home`` is a layer, a folder or a member where the file has one of that name, else the features of which
    a property holds it.

    Parameters
    ----------
    where : dict of str to str, optional
        Column and value that a feature must have.

    Raises
    ------
    InputFileError
        If no feature is like that, or the word stands in several columns.
    """
    features, word = _read(files, source)
    table = features.table
    meant = np.ones(len(features.geometry), dtype=bool)
    if word is not None:
        meant &= _with_word(source, table, word)
    for column, value in (where or {}).items():
        name = table.find(column)
        if name is None:
            source.refuse(
                f"there is no column {column} (columns: {table.named}).", "Name one of them in boundary_where."
            )
        found = np.array([_same(cell, value) for cell in table.column(name)], dtype=bool)
        if not found.any():
            source.refuse(
                f'no outline has "{value}" in {name} (it has {_some(table.column(name))}).', "Correct the value."
            )
        meant &= found
    if not meant.any():
        source.refuse("no outline is all that boundary and boundary_where say.", "Keep one of them.")
    return features, meant, word is not None or bool(where)


def _read(files: InputFiles, source: Source) -> tuple[Features, str | None]:
    """Features, and the word behind the # where it names no layer, folder or member."""
    if source.part is None:
        return read_features(files, source), None
    whole, before = replace(source, part=None), len(files.findings)
    if recognize(source) in ("geojson", "shapefile", "flatgeobuf"):
        return read_features(files, whole), source.part
    try:
        return read_features(files, source), None
    except InputFileError as error:
        del files.findings[before:]
        try:
            return read_features(files, whole), source.part
        except InputFileError:
            raise error from None


def _with_word(source: Source, table: CellTable, word: str) -> NDArray[np.bool_]:
    """Features of which a property is the word."""
    by_column = {
        name: np.array([_same(cell, word) for cell in table.column(name)], dtype=bool) for name in table.columns
    }
    found = {name: rows for name, rows in by_column.items() if rows.any()}
    if not found:
        if not any(any(cells) for cells in table.cells) and word.isdigit() and 1 <= int(word) <= len(table):
            return np.asarray(np.arange(1, len(table) + 1) == int(word))
        source.refuse(
            f"no outline is called {word}. The file has {named(table)}.",
            f"Use one of them behind the #{_how(source, table)}.",
        )
    first, *others = found.values()
    if any(not np.array_equal(first, rows) for rows in others):
        columns = " and ".join(found)
        source.refuse(
            f"{word} stands in {columns}, for different outlines.",
            f'Say which column: boundary_where = {{{next(iter(found))} = "{word}"}} in [field].',
        )
    return first


def _same(cell: str, value: str) -> bool:
    """Whether a cell is a value, capitals and a decimal 0 aside."""
    one, other = (text.strip().casefold().removesuffix(".0") for text in (cell, value))
    return one == other and bool(other)


def label_column(table: CellTable) -> str | None:
    """The column that tells outlines apart: one of names before any other."""
    columns = [name for name in table.columns if len({cell for cell in table.column(name) if cell}) == len(table) > 0]
    return next((name for name in columns if _TELLING.search(name)), columns[0] if columns else None)


def _some(cells: list[str]) -> str:
    different = list(dict.fromkeys(cell for cell in cells if cell))
    return ", ".join(different[:_MOST_NAMED]) + (", …" if len(different) > _MOST_NAMED else "") or "nothing"


def named(table: CellTable) -> str:
    """The outlines of a file for a message."""
    column = label_column(table)
    if column is not None:
        return f"{len(table)} outlines: {_some(table.column(column))}"
    return f"{len(table)} outlines, and no column that tells them apart (columns: {table.named})"


def _how(source: Source, table: CellTable) -> str:
    """An example of naming one outline."""
    column = label_column(table)
    base = source.name.split("#")[0]
    return f', as "{base}#{table.column(column)[0] if column is not None else 1}"'


def refuse_several(source: Source, table: CellTable, areas: list[shapely.Geometry]) -> None:
    """Refuse several outlines of which nobody has said which are the field."""
    if any(inside(one, other) for one in areas for other in areas if one is not other):
        refuse_inner(source)
    source.refuse(
        f"it holds {named(table)}. Several outlines are several fields until you say which one this is.",
        f'Name it behind a #{_how(source, table)}; or by a column: boundary_where = {{column = "value"}} in [field]. '
        "If all are one field, save them as one multi-part outline.",
    )


def refuse_inner(source: Source) -> None:
    """Refuse an outline inside another until a person says what it is."""
    source.refuse(
        "one outline lies inside another. It may be a pond or other ground to leave out, or a part of the field.",
        "If nothing goes on it, name it under [[field.no_apply]] or cut it out as a hole. If it is treated, delete it "
        "from the file.",
    )


def inside(one: shapely.Geometry, other: shapely.Geometry) -> bool:
    """Whether an area lies inside another, whose holes are not part of it."""
    if one.area >= other.area or not shapely.intersects(one, other):
        return False
    return bool(shapely.intersection(one, other).area > _INSIDE * one.area)
