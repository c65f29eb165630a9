"""Depth of each core: from two columns of numbers, or from one of text as laboratories print it, 0-12."""

import re

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import Quantity
from vrn.ingest.cells import Columns, RowFaults, is_unknown, numbers
from vrn.ingest.gate import Gate, NitrateColumn
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.table import CellTable
from vrn.units import IN_OF

DEPTH_ROLES = ("top_in", "bottom_in", "top_cm", "bottom_cm", "depth")
_USUAL = ("depth_in", "depth_cm")
_DEEPEST_IN = 120.0
_FEET_IN = 4.0  # no deeper than this in inches, cores are in feet
_CLOSE_IN = 0.5  # 0–30 cm and 0–12 in are the same core
_SPELLED = {
    "in": "in", "inch": "in", "inches": "in", '"': "in", "''": "in", "cm": "cm", "ft": "ft", "feet": "ft", "foot": "ft",
    "'": "ft",
}  # fmt: skip
_UNIT = r"(in(?:ch(?:es)?)?|cm|ft|feet|foot|''|\"|')"
_RANGE = re.compile(rf"(\d+(?:[.,]\d+)?) ?{_UNIT}?\.? ?(?:-|to) ?(\d+(?:[.,]\d+)?) ?{_UNIT}?\.?", re.IGNORECASE)
_UNIT_OF_NAME = re.compile(rf"(?:^|[\s_(\[,]){_UNIT}[.)\]\s]*$", re.IGNORECASE)
_MONTH = r"(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*\.?"
_DAY = re.compile(
    rf"(?:\d{{4}}-\d\d-\d\d.*|\d{{1,4}}[- ]{_MONTH}(?:[- ]\d+)?|{_MONTH}[- ]\d{{1,4}}|\d+/\d+(?:/\d+)?|[2-6]\d{{4}})",
    re.IGNORECASE,
)
_PLAIN = str.maketrans({"–": "-", "—": "-", "−": "-", "‐": "-", "‑": "-", "″": '"', "”": '"', "“": '"', "′": "'",
                        "’": "'", "\u00a0": " ", "\u202f": " "})  # fmt: skip


def unit_of_depth(name: str) -> str | None:
    """Unit, ``"in"``, ``"cm"`` or ``"ft"``, at the end of a column's name; None where it has none."""
    found = _UNIT_OF_NAME.search(name)
    return _SPELLED[found[1].lower()] if found is not None else None


def depth_range(text: str) -> tuple[float, float, str | None] | None:
    """
    Top and bottom of a core, as a laboratory writes them in one cell.

    Returns
    -------
    top, bottom, unit : float, float, str or None
        The unit, ``"in"``, ``"cm"`` or ``"ft"``, where it stands there. None when the text is no such range, or names
        two units.

    Examples
    --------
    >>> depth_range("0-12"), depth_range('12"–24"'), depth_range("0 to 30,5 cm")
    ((0.0, 12.0, None), (12.0, 24.0, 'in'), (0.0, 30.5, 'cm'))
    >>> depth_range("24-Dec") is depth_range("12") is depth_range("0 in - 30 cm") is None
    True
    """
    text = " ".join(text.translate(_PLAIN).split())
    if text.startswith('="') and text.endswith('"'):
        text = text[2:-1]  # the formula that keeps a spreadsheet from making a date of it
    found = _RANGE.fullmatch(text)
    if found is None:
        return None
    units = {_SPELLED[unit.lower()] for unit in (found[2], found[4]) if unit}
    if len(units) > 1:
        return None
    top, bottom = (float(found[at].replace(",", ".")) for at in (1, 3))
    return top, bottom, next(iter(units), None)


def stated_depth(gate: Gate, given: str | None, column: NitrateColumn) -> tuple[float, float, str] | None:
    """Depth of every core, by the header of the readings or by the field file, which must agree."""
    if given is None:
        return column.depth
    found = depth_range(given)
    if found is None:
        problem = f'samples.depth is "{given}", which is no top and bottom.'
        raise InputFileError(problem, 'Write where every core begins and ends, as "0-12 in".')
    stated = (found[0], found[1], found[2] or "")
    if column.depth is not None and column.depth[:2] != stated[:2]:
        gate.refuse(
            f'the header "{column.header}" says {column.depth[0]:g}–{column.depth[1]:g}, and samples.depth is '
            f'"{given}"',
            "Correct the one that is wrong.",
        )
    return stated


def read_depths(
    files: InputFiles,
    source: Source,
    table: CellTable,
    columns: Columns,
    faults: RowFaults,
    *,
    needed: NDArray[np.bool_],
    gate: Gate,
    header: tuple[float, float, str] | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """
    Top and bottom of every core. [in]

    Parameters
    ----------
    files, source, table, columns
        What is read.
    faults : RowFaults
        Gets the rows whose depth cannot be used.
    needed : ndarray of bool, shape (n,)
        False where a row may be without a depth: standards and blanks.
    gate : Gate
    header : (float, float, str), optional
        Depth that the header of the readings says: of every core where no column has depths, else to be the same.

    Returns
    -------
    top_in, bottom_in : ndarray, shape (n,)

    Raises
    ------
    InputFileError
        If the columns are missing, or depths stand in one column and in two.
    """
    before = len(faults.faults)
    pair = next((role for role in DEPTH_ROLES[:4] if columns.find(role) is not None), None)
    if "depth" in columns.mapped and pair is not None:
        source.refuse(
            f"depths are in {columns.mapped['depth']} and in {columns.find(pair)} too.",
            f"Remove depth under [{columns.key}], or those columns.",
        )
    if pair is None and (name := columns.find("depth", *_USUAL)) is not None:
        top, bottom, factor, shown = _from_text(files, source, table, name, faults, needed)
        remedy = f'Write top and bottom in {name}, as "{"0-30" if files.metric else "0-12"}".'
    elif pair is None and header is not None:
        unit = header[2] or ("cm" if files.metric else "in")
        top, bottom = (np.where(needed, np.nan_to_num(end), np.nan) for end in header[:2])
        factor, shown, remedy = np.full(len(table), IN_OF[unit]), [unit] * len(table), ""
        if not header[2]:
            files.note("ingest.depth-unit-assumed", source, column="of the readings", depth=Quantity("depth", 12.0))
    else:
        unit = _unit_of_pair(files, columns)
        _in_its_unit(gate, columns, unit)
        top, bottom = (numbers(table, _needed(columns, f"{end}_{unit}", pair), faults) for end in ("top", "bottom"))
        factor, shown = np.full(len(table), IN_OF[unit]), [unit] * len(table)
        remedy = f"Fill in top_{unit} and bottom_{unit}."
    named = {row for row, _, _ in faults.faults[before:]}
    with np.errstate(invalid="ignore"):
        sound = (top >= 0) & (top < bottom) & (bottom * factor <= _DEEPEST_IN)
    for i in np.flatnonzero(~sound):
        row = table.row[i]
        if np.isnan(top[i]) or np.isnan(bottom[i]):
            if (needed[i] or np.isnan(top[i]) != np.isnan(bottom[i])) and row not in named:
                faults.add(row, "a depth is not given", remedy)
        elif not 0 <= top[i] < bottom[i]:
            problem = f"a core from {top[i]:g} to {bottom[i]:g} {shown[i]}"
            faults.add(row, problem, "Count depths from 0 down: the top is less than the bottom.")
        elif bottom[i] * factor[i] > _DEEPEST_IN:
            faults.add(row, f"a core down to {bottom[i]:g} {shown[i]}", "Check the depth and its unit.")
    top, bottom = np.round(top * factor, 6), np.round(bottom * factor, 6)
    if header is not None:
        _as_the_header_says(gate, header, top[needed], bottom[needed], metric=files.metric)
    known = bottom[np.isfinite(bottom) & needed]
    if known.size and known.max() <= _FEET_IN:
        gate.refuse(
            f"no core reaches below {known.max():g} in: the depths look like feet",
            "Write the depths in inches, or the unit with each.",
        )
    return top, bottom


def _in_its_unit(gate: Gate, columns: Columns, unit: str) -> None:
    """Refuse a column of depths whose own header names another unit than the name of ours it stands for."""
    for end in ("top", "bottom"):
        name = columns.find(f"{end}_{unit}")
        said = unit_of_depth(name) if name is not None else None
        if said is not None and said != unit:
            gate.refuse(
                f'the header "{name}" says {said}, and it is read as {end}_{unit}',
                f"Name it {end}_cm or {end}_in under [{columns.key}], by its own unit.",
            )


def _as_the_header_says(
    gate: Gate,
    header: tuple[float, float, str],
    top_in: NDArray[np.float64],
    bottom_in: NDArray[np.float64],
    *,
    metric: bool,
) -> None:
    """Refuse depths of the rows that are not the one in the header of the readings."""
    units = [header[2]] if header[2] else ["in", "cm"]  # bare numbers fit either
    off = np.ones(len(top_in), dtype=bool)
    thickness = np.isnan(header[0])
    if thickness:
        bottom_in, top_in = bottom_in - top_in, np.where(np.isfinite(top_in), 0.0, np.nan)
    for unit in units:
        top, bottom = np.nan_to_num(header[0]) * IN_OF[unit], header[1] * IN_OF[unit]
        off &= ~((np.abs(top_in - top) < _CLOSE_IN) & (np.abs(bottom_in - bottom) < _CLOSE_IN))
    off &= np.isfinite(top_in)
    if off.any():
        i = int(np.flatnonzero(off)[0])
        shown = f"{top_in[i] * 2.54:g}–{bottom_in[i] * 2.54:g} cm" if metric else f"{top_in[i]:g}–{bottom_in[i]:g} in"
        gate.refuse(
            f"the header of the readings says {'' if thickness else f'{header[0]:g}–'}{header[1]:g} {header[2]}".strip()
            + f", and {int(off.sum())} of the rows have another depth, as {shown}",
            "Correct the one that is wrong.",
        )


def _unit_of_pair(files: InputFiles, columns: Columns) -> str:
    """Unit by the names of the two columns; the field file's where there is neither."""
    if columns.find("top_in") is not None:
        return "in"
    centimeters = columns.find("top_cm") is not None or (files.metric and columns.find("bottom_in") is None)
    return "cm" if centimeters else "in"


def _needed(columns: Columns, role: str, pair: str | None) -> str:
    """One of the two columns; without either, the error says that one of text will do."""
    try:
        return columns.need(role)
    except InputFileError as error:
        if pair is not None:
            raise
        named = next((name for name in columns.table.columns if "depth" in name.lower()), None)
        if named is not None:
            remedy = f'If "{named}" holds depths as 0-12, set depth = "{named}" under [{columns.key}].'
        else:
            remedy = f"{error.remedy} One column depth with text as 0-12 will do, too."
        raise InputFileError(error.problem, remedy) from None


def _from_text(
    files: InputFiles, source: Source, table: CellTable, name: str, faults: RowFaults, needed: NDArray[np.bool_]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], list[str]]:
    """Top and bottom as written, what one unit is in inches, and the unit, row by row."""
    of_column = unit_of_depth(name)
    usual = of_column or ("cm" if files.metric else "in")
    top, bottom = np.full(len(table), np.nan), np.full(len(table), np.nan)
    units, bare = [usual] * len(table), False
    example = "0-30 cm" if usual == "cm" else "0-12 in"
    for i, cell in enumerate(table.column(name)):
        if is_unknown(cell):
            continue
        found, shown = depth_range(cell), cell if len(cell) <= 30 else f"{cell[:29]}…"
        if found is None and needed[i]:
            faults.add(table.row[i], f'{name} is "{shown}", {_what(cell)}', _remedy(cell, example))
        elif found is not None and found[2] is not None and of_column not in (None, found[2]):
            problem = f'{name} is "{shown}", and the column is in {of_column}'
            faults.add(table.row[i], problem, "Write all depths in one unit, or leave it out of the column's name.")
        elif found is not None:
            top[i], bottom[i], unit = found
            units[i], bare = unit or usual, bare or unit is None
    if bare and of_column is None:
        files.note("ingest.depth-unit-assumed", source, column=name, depth=Quantity("depth", 12.0))
    return top, bottom, np.array([IN_OF[unit] for unit in units], dtype=float), units


def _what(cell: str) -> str:
    """What a cell is that is no range."""
    if _DAY.fullmatch(cell.strip()) is not None:
        return "a date that a spreadsheet has made of a depth"
    return "which is no top and bottom"


def _remedy(cell: str, example: str) -> str:
    if _DAY.fullmatch(cell.strip()) is not None:
        return (
            f"Give the column the format of text and write the depth again, as {example} (with its unit it stays text)."
        )
    return f"Write where the core begins and ends, as {example}."
