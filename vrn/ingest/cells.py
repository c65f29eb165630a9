"""Columns of a table by our names, and their cells as numbers, dates and degrees, each bad cell with its row."""

import math
import re
from collections.abc import Iterable
from datetime import date, datetime

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.ingest.keys import nearest
from vrn.ingest.table import CellTable

_UNKNOWN = {"", "na", "n/a", "nan", "null", "none", "-", "–", "—", ".", "?", "not tested", "missing"}
_LIMIT = re.compile(r"^([<>≤≥])=?\s*(.+)$")
_NOT_DETECTED = {"nd", "n.d.", "bd", "bdl", "lod", "dl", "mdl", "tr", "trace", "not detected", "below detection"}
_LIMIT_REMEDY = "Write the laboratory's limit of detection, as <1."
_SHOWN_FAULTS = 8
_MOST_GROUPS, _FEWEST_OF_GROUP, _MOST_GROUPING = 8, 3, 8  # groups, rows of one, columns that group
_OF_GROUND = re.compile(
    r"zone|soil|texture|area|crop|strip|treat|rate|block|plot|depth|slope|landscape|position|place|manage|hill|drain|"
    r"\blat|\blon|easting|northing|elev|^[xy]$",
    re.IGNORECASE,
)  # what parts readings by nature
_LONG = 2000  # rows from which a column is first tried whole
_TRIED = 200  # cells by which a column of few different ones is told
_HIGHEST = 1e100


class Columns:
    """
    Columns of one table by our names.

    Parameters
    ----------
    table : CellTable
    mapping : dict of str to str, optional
        Our name and the file's, either way round; for several files, several of theirs may be one of ours.
    key : str
        Key path under which a mapping stands, for remedies.
    roles : tuple of str
        Every name of ours; needed to tell which side of a mapping is ours.
    shared : bool, default False
        Whether the mapping is for several files: one that has our own name instead needs no mapping.

    Raises
    ------
    InputFileError
        If a mapping names no column of ours, one the file has not, or two of the file's for one of ours.
    """

    def __init__(
        self,
        table: CellTable,
        mapping: dict[str, str] | None,
        *,
        key: str,
        roles: tuple[str, ...],
        shared: bool = False,
    ) -> None:
        self.table = table
        self.key = key
        self.shared = shared
        self.ours = {role.lower() for role in roles}
        theirs: dict[str, list[str]] = {}
        for left, right in (mapping or {}).items():
            if left in roles:
                theirs.setdefault(left, []).append(right)
            elif right in roles:
                theirs.setdefault(right, []).append(left)
            else:
                near = nearest(left, list(roles)) or nearest(right, list(roles))
                problem = f'{key}: neither "{left}" nor "{right}" is a column that vrn knows.'
                hint = f"Did you mean {near}?" if near else f"vrn knows {', '.join(roles)}."
                raise InputFileError(problem, f'{hint} Write it as our_name = "their name".')
        self.mapped: dict[str, str] = {role: self._there(role, names) for role, names in theirs.items()}

    def _there(self, role: str, names: list[str]) -> str:
        found = {name: self.table.find(name) for name in names}
        there = list(dict.fromkeys(column for column in found.values() if column is not None))
        if len(there) > 1:
            problem = f"{self.table.name}: {' and '.join(there)} are both named for {role} under {self.key}."
            raise InputFileError(problem, "Keep the one that is meant.")
        if there and (self.shared or None not in found.values()):
            return there[0]
        own = self.table.find(role) if self.shared else None
        if own is not None:
            return own
        name = next(name for name, column in found.items() if column is None)
        near = nearest(name, list(self.table.columns))
        key = self.key if self.key.endswith(".column") else f"{self.key}.{role}"
        problem = f'{self.table.name}: {key} is "{name}", and there is no such column.'
        remedy = f'Did you mean "{near}"?' if near else f"Columns: {self.table.named}."
        if self.shared:
            remedy += f' If it is of another make, name its column, too: "their name" = "{role}".'
        raise InputFileError(problem, remedy)

    def find(self, role: str, *usual: str) -> str | None:
        """Column that holds one of ours, or None; ``usual`` are short names taken when ours is not there."""
        return self.mapped.get(role) or self.table.find(role, *usual)

    def need(self, role: str, *usual: str) -> str:
        """Column that must be there; the remedy of the InputFileError names the one that resembles it."""
        found = self.find(role, *usual)
        if found is not None:
            return found
        taken = {*self.mapped.values(), ""}
        free = [name for name in self.table.columns if name not in taken and name.lower() not in self.ours]
        near = nearest(role, free) or next((n for name in usual if len(name) > 2 and (n := nearest(name, free))), None)
        problem = f"{self.table.name}: there is no column {role} (columns: {self.table.named})."
        remedy = f'If "{near}" is it, set' if near else "Add it, or name the column that holds it:"
        raise InputFileError(problem, f'{remedy} {role} = "{near or "…"}" under [{self.key}].')


def groups_of(table: CellTable, but: Iterable[str]) -> tuple[tuple[str, list[str]], ...]:
    """Columns of a few words or numbers that put rows into groups, but those named and those of the ground itself."""
    most = max(2, min(_MOST_GROUPS, len(table) // _FEWEST_OF_GROUP))
    left = {*but}
    found = []
    for name in table.columns:
        cells = table.column(name) if name and name not in left and not _OF_GROUND.search(name) else []
        if 1 < len({*cells} - {""}) <= most:
            found.append((name, cells))
    return tuple(found[:_MOST_GROUPING])


class RowFaults:
    """What is wrong with the rows of a table, raised as one error."""

    def __init__(self, table: CellTable) -> None:
        self.table = table
        self.faults: list[tuple[int, str, str]] = []

    def add(self, row: int, problem: str, remedy: str) -> None:
        """Remember one fault."""
        self.faults.append((row, problem, remedy))

    def raise_if_any(self) -> None:
        """Raise InputFileError naming each row; of many, the first eight and their number."""
        if not self.faults:
            return
        self.faults.sort(key=lambda fault: fault[0])
        shown = self.faults[:_SHOWN_FAULTS]
        named = "; ".join(f"{self.table.row_word} {row}: {problem}" for row, problem, _ in shown)
        more = len(self.faults) - len(shown)
        remedies = list(dict.fromkeys(remedy for _, _, remedy in shown))
        problem = f"{self.table.name}: {named}{f'; and {more} more' if more else ''}."
        raise InputFileError(problem, " ".join(remedies))


def is_unknown(cell: str) -> bool:
    """Whether a cell is empty or says that nothing is known."""
    return cell.strip().lower() in _UNKNOWN


def numbers(table: CellTable, column: str, faults: RowFaults) -> NDArray[np.float64]:
    """A column as numbers, shape (n,): NaN where nothing is known; ``faults`` gets the cells that are neither."""
    return limited_numbers(table, column, faults, allow_limits=False)[0]


def limited_numbers(
    table: CellTable, column: str, faults: RowFaults, *, allow_limits: bool = True
) -> tuple[NDArray[np.float64], NDArray[np.int8]]:
    """
    A column of laboratory numbers, where ``<0.5`` means below detection.

    Returns
    -------
    values : ndarray, shape (n,)
        The number as written; NaN where nothing is known. ``faults`` gets the cells that are no numbers.
    limit : ndarray of int8, shape (n,)
        -1 for ``<``, 1 for ``>`` (where ``allow_limits``), 0 for a plain number.
    """
    cells = table.column(column)
    if len(cells) > _LONG:
        plain = _plain_numbers(cells)
        if plain is not None:
            return plain, np.zeros(len(cells), dtype=np.int8)
    comma = _decimal_comma(table, cells)
    values = np.full(len(cells), np.nan)
    limit = np.zeros(len(cells), dtype=np.int8)
    for i, cell in enumerate(cells):
        text = cell.strip()
        if text.lower() in _UNKNOWN:
            continue
        found = _LIMIT.match(text) if allow_limits else None
        if found is not None:
            limit[i] = -1 if found[1] in "<≤" else 1
            text = found[2]
        value = _number(text, comma)
        if value is None:
            remedy = _LIMIT_REMEDY if allow_limits and text.lower() in _NOT_DETECTED else _number_remedy(text)
            faults.add(table.row[i], f'{column} is "{_short(cell)}", which is not a number', remedy)
        else:
            values[i] = value
    return values, limit


def _plain_numbers(cells: list[str]) -> NDArray[np.float64] | None:
    """A long column of plain numbers and empty cells at once; None when any cell needs a closer look."""
    different = list(set(cells)) if len(set(cells[:_TRIED])) < _TRIED // 5 else cells  # one depth, one rate: read once
    try:
        try:
            values = np.fromiter(map(float, different), dtype=float, count=len(different))
            sound = bool(np.isfinite(values).all())
        except ValueError:
            values = np.array([float(cell) if cell else math.nan for cell in different])
            sound = bool((np.isfinite(values) == np.array([bool(cell) for cell in different])).all())
    except ValueError:
        return None
    if not sound or "_" in "".join(different) or np.nanmax(np.abs(values), initial=0) >= _HIGHEST:
        return None
    if different is cells:
        return values
    told = dict(zip(different, values.tolist(), strict=True))
    return np.array([told[cell] for cell in cells])


def _decimal_comma(table: CellTable, cells: list[str]) -> bool:
    """Whether commas in a column are decimal marks: only where they do not separate cells and no point is used."""
    return table.delimiter != "," and any("," in cell for cell in cells) and not any("." in cell for cell in cells)


def _number(text: str, comma: bool) -> float | None:
    """One finite number, or None."""
    text = text.replace("−", "-").replace("\u00a0", "").replace("\u202f", "")
    if comma:
        text = text.replace(",", ".")
    if "_" in text:
        return None
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) and abs(value) < _HIGHEST else None


def _number_remedy(text: str) -> str:
    if "," in text:
        return "Write a decimal point, or separate the cells with semicolons when commas are decimal marks."
    return "Write the plain number without its unit, or leave the cell empty if it is not known."


def _short(cell: str) -> str:
    return cell if len(cell) <= 30 else f"{cell[:29]}…"


def dates(table: CellTable, column: str, faults: RowFaults) -> list[date | None]:
    """
    A column of ISO 8601 dates, a time of day allowed, or of dates as 6/15/2026; None where the cell is empty.

    Whether the day or the month comes first is read from the column: one number above 12 settles it for all of its
    cells. Where there is none, or one in each place, nothing is guessed, and ``faults`` gets the cells.
    """
    cells = table.column(column)
    different = {cell: cell.strip() for cell in dict.fromkeys(cells)}
    month_first = _month_first(different.values())
    days = {cell: _date(text, month_first) if not is_unknown(text) else None for cell, text in different.items()}
    broken = {cell: text for cell, text in different.items() if days[cell] is None and not is_unknown(text)}
    for row, cell in zip(table.row, cells, strict=True) if broken else ():
        if cell in broken:
            text = broken[cell]
            faults.add(row, f'{column} is "{_short(text)}", which is not a date', _date_remedy(text))
    return [days[cell] for cell in cells]


def _date(text: str, month_first: bool | None) -> date | None:
    """The day that a text says; None for none."""
    parts = _DATE_IN_PARTS.fullmatch(text)
    try:
        if parts is not None and month_first is not None:
            one, other, year = (int(part) for part in parts.groups())
            return date(year, one, other) if month_first else date(year, other, one)
        return datetime.fromisoformat(text).date()
    except ValueError:
        return None


_DATE_IN_PARTS = re.compile(r"(\d{1,2})[/.-](\d{1,2})[/.-](\d{4})")


def _month_first(cells: Iterable[str]) -> bool | None:
    """Whether a column's dates have the month first; None where no number, or one in each place, says so."""
    parts = [found for cell in cells if (found := _DATE_IN_PARTS.fullmatch(cell))]
    day_last, day_first = (any(int(found[place]) > 12 for found in parts) for place in (2, 1))
    return None if day_last == day_first else day_last


def _date_remedy(text: str) -> str:
    if re.fullmatch(r"[34]\d{4}(\.\d+)?", text):
        return "It looks like a day number of Excel: give the column the format of a date, as 2026-06-18."
    if re.fullmatch(r"\d{1,2}[/.-]\d{1,2}[/.-]\d{2,4}", text):
        return "Day and month can be mistaken for each other: write dates as 2026-06-18."
    return "Write dates as 2026-06-18."


_DEGREES = re.compile(
    r"^(?P<before>[NSEW])?\s*(?P<sign>[-+])?\s*(?P<degrees>\d{1,3}(?:\.\d+)?)\s*°?\s*"
    r"(?:(?P<minutes>\d{1,2}(?:\.\d+)?)\s*['′’m]?\s*)?"
    r"(?:(?P<seconds>\d{1,2}(?:\.\d+)?)\s*(?:[\"″”s]|'')?\s*)?(?P<after>[NSEW])?$",
    re.IGNORECASE,
)


def degrees(text: str) -> tuple[float, str] | None:
    """
    Degrees, degrees and minutes, or degrees, minutes and seconds.

    Returns
    -------
    degrees, hemisphere : float, str, or None
        South and west negative; the hemisphere's letter or ``""``. None when the text is no angle, or minutes or
        seconds reach 60.

    Examples
    --------
    >>> degrees("93° 36.000' W"), degrees("N 41 30 36"), degrees("93.6W")
    ((-93.6, 'W'), (41.51, 'N'), (-93.6, 'W'))
    >>> degrees("41° 30,6' N"), degrees("93 75.0 W") is degrees("93,6") is None
    ((41.51, 'N'), True)
    """
    text = text.strip().replace("−", "-")
    if re.search(r"[°'′\"″NSEW]", text, re.IGNORECASE) and "." not in text:
        text = re.sub(r"(?<=\d),(?=\d)", ".", text)  # a decimal comma
    found = _DEGREES.match(text)
    if found is None or (found["before"] and found["after"]):
        return None
    minutes, seconds = float(found["minutes"] or 0), float(found["seconds"] or 0)
    if minutes >= 60 or seconds >= 60 or (found["minutes"] and "." in found["degrees"]):
        return None
    letter = (found["before"] or found["after"] or "").upper()
    value = float(found["degrees"]) + minutes / 60 + seconds / 3600
    if found["sign"] == "-":
        if letter:
            return None
        value = -value
    return (-value if letter in ("S", "W") else value), letter
