"""What came of a field: applied totals, strip yields and stalk tests, read from a table and put into classes."""

from pathlib import Path

from vrn.errors import InputFileError, OutOfRangeError
from vrn.many.book import Entry, Outcome
from vrn.nitrogen.plant_tests import stalk_class

_KINDS = ("applied_n_lb", "applied_product", "strip_yield_bu_ac", "stalk_nitrate_ppm")


def stalk_nitrate_class(nitrate_ppm: float) -> str:
    """
    Class of an end-of-season stalk nitrate test.

    Parameters
    ----------
    nitrate_ppm : float
        NO3-N in the dry stalk piece. [ppm]

    Returns
    -------
    stalk_class : {"low", "marginal", "optimal", "excess"}

    References
    ----------
    Iowa State University Extension, cornstalk testing: < 250 low, 250–700 marginal, 700–2000 optimal, > 2000 excess.

    Examples
    --------
    >>> [stalk_nitrate_class(ppm) for ppm in (249, 250, 699, 700, 2000, 2001)]
    ['low', 'marginal', 'marginal', 'optimal', 'optimal', 'excess']
    """
    if not nitrate_ppm >= 0:
        problem = f"A stalk nitrate of {nitrate_ppm} ppm cannot be."
        raise OutOfRangeError(problem, "Give NO3-N in ppm, 0 or more.")
    return stalk_class(nitrate_ppm)[0]


def read_outcomes(path: Path, entries: tuple[Entry, ...]) -> tuple[Outcome, ...]:
    """
    Outcomes from a CSV with the columns field, what, value and, where they apply, zone, rate_n_lb_ac, file, note.

    Parameters
    ----------
    path : Path
    entries : tuple of Entry
        Of the book: a field that is not in it is refused.

    Returns
    -------
    outcomes : tuple of Outcome

    Raises
    ------
    InputFileError
        Naming the row, for a field that is not in the book, an unknown ``what``, or a value that is no number.

    Notes
    -----
    ``applied_n_lb`` without a value takes it from an as-applied ``file``, relative to the table. A strip with a
    ``zone`` and no rate has the rate that was prescribed there.
    """
    from vrn.ingest.input_files import InputFiles
    from vrn.ingest.tables import read_csv_table

    files = InputFiles(path.absolute().parent)
    table = read_csv_table(files, files.source(path.name, "--record"))
    columns: dict[str, list[str]] = {}
    for name in ("field", "what", "value", "zone", "rate_n_lb_ac", "file", "note"):
        column = table.find(name)
        if column is None and name in ("field", "what"):
            problem = f"{path.name}: there is no column {name} (columns: {', '.join(table.columns)})."
            raise InputFileError(
                problem, "The columns are field, what, value, and if need be zone, rate_n_lb_ac, file, note."
            )
        columns[name] = table.column(column) if column is not None else [""] * len(table)
    rows = (
        dict(zip(columns, (cell.strip() for cell in cells), strict=True))
        for cells in zip(*columns.values(), strict=True)
    )
    found: dict[tuple[object, ...], int] = {}
    outcomes = []
    for row, cells in zip(table.row, rows, strict=True):
        item = _outcome(cells, f"{path.name} row {row}", entries, path.absolute().parent)
        same = (item.field, item.what, item.zone, item.rate_n_lb_ac, item.note)
        if same in found:
            problem = f"{path.name}: rows {found[same]} and {row} are of the same field, kind, zone, rate and note."
            raise InputFileError(problem, "Tell them apart by zone or note; the later would take the earlier's place.")
        found[same] = row
        outcomes.append(item)
    return tuple(outcomes)


def _outcome(cells: dict[str, str], place: str, entries: tuple[Entry, ...], folder: Path) -> Outcome:
    """One row of the table; an as-applied file is held against the field's prescription."""
    field, what = cells["field"], cells["what"]
    entry = _entry_of(field, place, entries)
    if what not in _KINDS:
        problem = f"{place}: {what!r} is nothing a season book keeps."
        raise InputFileError(problem, f"Take one of {', '.join(_KINDS)}.")
    if cells["file"] and not cells["value"]:
        if what != "applied_n_lb":
            problem = f"{place}: a file stands for applied_n_lb only, not for {what}."
            raise InputFileError(problem, "Give the value.")
        from vrn.audit import compare

        found = compare(entry.folder, folder / cells["file"])
        value = found.applied_product * found.n_lb_per_unit
    else:
        value = _number(cells["value"], f"{place}, value")
    rate = _number(cells["rate_n_lb_ac"], f"{place}, rate_n_lb_ac") if cells["rate_n_lb_ac"] else None
    zone = _zone(cells["zone"], place, entry)
    if rate is None and zone is not None and what == "strip_yield_bu_ac":
        rate = _rates(entry).get(zone)
    return Outcome(
        field=field, season=entry.season or 0, what=what, value=value, rate_n_lb_ac=rate, note=cells["note"], zone=zone
    )


def _rates(entry: Entry) -> dict[int, float]:
    """Prescribed rate of each zone. [lb N/ac]"""
    return {int(zone["zone"]): float(zone["rate_n_lb_ac"]) for zone in entry.summary.get("zones", ())}


def _zone(text: str, place: str, entry: Entry) -> int | None:
    """Zone of a row; one that the prescription does not have is refused."""
    if not text:
        return None
    known = _rates(entry)
    if not text.isdecimal() or (known and int(text) not in known):
        problem = f"{place}: {text!r} is no zone of {entry.field}."
        zones = ", ".join(map(str, sorted(known))) or "numbered from 1"
        raise InputFileError(problem, f"Its zones: {zones}.")
    return int(text)


def _entry_of(field: str, place: str, entries: tuple[Entry, ...]) -> Entry:
    """The book's one entry of a field's name."""
    mine = [entry for entry in entries if entry.field == field and entry.season is not None]
    if not mine:
        names = sorted({entry.field for entry in entries if entry.season is not None})
        problem = f"{place}: the field {field!r} is not in the book."
        raise InputFileError(problem, f"Fields in the book: {', '.join(names) or 'none'}.")
    if len(mine) > 1:
        files = " and ".join(entry.field_file for entry in mine)
        problem = f"{place}: the book has {len(mine)} fields called {field!r} ({files})."
        raise InputFileError(problem, "Give each a name of its own in its field file, and build again.")
    return mine[0]


def _number(text: str, place: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value < 1e9:
        problem = f"{place}: {text.strip()!r} is not a number from 0 up."
        raise InputFileError(problem, "Give plain numbers, without unit or thousands separator.")
    return value
