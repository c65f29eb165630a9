"""The season book: one SQLite file that remembers every build of a season and its results."""

import json
import os
import time
import uuid
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from dataclasses import field as made_by
from datetime import date
from itertools import chain
from pathlib import Path
from typing import Any

from vrn.errors import OutputError
from vrn.files.staging import move
from vrn.many.book_events import Event, add_events
from vrn.many.book_file import end_of, moment, open_book, person_and_host, place_in, place_of
from vrn.many.book_tables import AnyBook, BookConnection, ServerBook, insertion, root_of
from vrn.model.season import Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A field's latest build in a book; ``status`` is ``built`` or ``failed``, with problem and remedy.

    ``summary`` is ``summary.json`` of the output, ``outlines`` are the features of ``prescription.geojson``; ``crop``
    holds ``growth_stage``, ``sampled_on`` and ``application_date``, ``signature`` what ``signature.json`` says but its
    lists. The time is in UTC.

    ``key`` tells the field from all others: its id, or its field file's path from the book where it has none. A field
    may have had others before (``keys``): it moved, or was given an id.
    """

    field_file: str
    folder: str
    status: str
    problem: str = ""
    remedy: str = ""
    field: str = ""
    season: int | None = None
    summary_sha256: str = ""
    summary: dict[str, Any] = made_by(default_factory=dict)
    crop: dict[str, str | None] = made_by(default_factory=dict)
    outlines: list[dict[str, Any]] = made_by(default_factory=list)
    signature: dict[str, Any] = made_by(default_factory=dict)
    recorded_at: str = ""
    key: str = ""
    keys: frozenset[str] = frozenset()
    had: frozenset[str] = frozenset()  # id of every prescription of the field in this season
    row: int = 0  # of the book; 0 before it is written
    bounds: tuple[float, ...] = ()  # as the book keeps them, where it was asked for them
    grower: str = ""
    farm: str = ""

    @property
    def ground(self) -> tuple[float, ...]:
        """Bounds of its ground, in degrees: west, south, east, north; empty where nothing is drawn."""
        return self.bounds or _bounds_of(self.outlines)

    @property
    def rx(self) -> str:
        """Id of the prescription; empty after a failure."""
        return str(self.summary.get("id") or "")

    def has(self, outcome: Outcome) -> bool:
        """Whether a result is this field's."""
        if outcome.season != self.season:
            return False
        return outcome.key in self.keys | {self.key} if outcome.key else outcome.field == self.field


_OF_BUILD = ("field_file", "folder", "status", "problem", "remedy", "field", "season", "summary_sha256", "recorded_at",
             "key", "grower", "farm")  # fmt: skip
_SEASON = "coalesce(season, 0) = coalesce(:season, 0)"
_OF_BOOK = ("keys", "had", "row", "bounds")  # what the book alone tells of a field
_PARTS = ("summary", "crop", "outlines", "signature")
_DRAWN = "bounds, CASE bounds WHEN '' THEN outlines ELSE '[]' END AS undrawn"  # older rows have no bounds
_AT_ONCE = 500  # rows by number in one statement


def record_build(path: AnyBook, *entries: Entry, busy_s: float = 60.0) -> None:
    """Write builds into a book, made when it is not there. Safe beside another process that writes.

    OutputError where the book is busy for longer than ``busy_s``. A prescription that another takes the place of, and
    one that is signed, are events of their own.
    """
    _record(path, entries, busy_s)


def _record(path: AnyBook, entries: Iterable[Entry], busy_s: float) -> None:
    by, host = person_and_host()
    with open_book(path, write=True, busy_s=busy_s) as book:
        for entry in entries:
            file, at = place_in(path, Path(entry.field_file)), entry.recorded_at or moment()
            key = entry.key or file
            values = {name: getattr(entry, name) for name in _OF_BUILD} | {
                "field_file": file, "folder": place_in(path, Path(entry.folder)), "recorded_at": at, "key": key,
                "rx": entry.rx, "bounds": json.dumps(_bounds_of(entry.outlines)),
                **{name: json.dumps(getattr(entry, name)) for name in _PARTS}}  # fmt: skip
            if entry.recorded_at and book.execute(
                "SELECT 1 FROM build WHERE key = :key AND field_file = :field_file AND recorded_at = :recorded_at"
                " AND status = :status AND summary_sha256 = :summary_sha256", values,
            ).fetchone():  # fmt: skip
                continue  # taken in before
            was = book.execute(
                f"SELECT rx FROM build WHERE key = :key AND {_SEASON} AND status = 'built' ORDER BY id DESC LIMIT 1",
                values,
            ).fetchone()
            book.execute(insertion("build", values), values)
            event = Event(what="superseded", key=key, field=entry.field, season=entry.season, recorded_at=at, host=host)
            if entry.status == "built" and was is not None and was["rx"] != entry.rx:
                add_events(book, replace(event, rx=was["rx"], by=by, note=entry.rx))
            signer, day = str(entry.signature.get("name") or ""), entry.signature.get("date")
            if (
                signer
                and not book.execute(
                    f"SELECT 1 FROM event WHERE what = 'signed' AND key = :key AND {_SEASON} AND rx = :rx AND by = :by",
                    values | {"by": signer},
                ).fetchone()
            ):
                of_day = date.fromisoformat(str(day)) if day else None
                add_events(book, replace(event, what="signed", rx=entry.rx, by=signer, on=of_day))


def latest(
    path: AnyBook, *, built: bool = False, on: date | None = None, retired: bool = False, season: int | None = None,
    parts: Collection[str] = _PARTS,
) -> tuple[Entry, ...]:  # fmt: skip
    """The latest build of each field in each season, by field name; with ``built`` the latest with a prescription.

    Builds belong to one field when they have its key, its field file, its output folder or its very prescription in
    common, season by season. ``on`` leaves out what was recorded later. Fields that were retired, or that no list of
    fields names any more, are there only with ``retired``. With ``season`` only its entries are
    read, and those of which nobody knows it; of ``summary``, ``crop``, ``outlines`` and ``signature`` only ``parts``.
    """
    with open_book(path, write=False) as book:
        rows = book.execute(
            "SELECT id, key, field_file, folder, rx, season, status FROM build WHERE recorded_at <= :on",
            {"on": end_of(on)},
        ).fetchall()
        rows = sorted(rows, key=lambda row: row["id"], reverse=True)  # here: there it costs the index that covers them
        found = _fields_of(row for row in rows if row["status"] == "built" or not built)
        gone = (lambda *_: False) if retired else _gone(book, on)
        kept = {row["id"]: (keys, had) for row, keys, had in found
                if not gone(keys, row["season"]) and (season is None or row["season"] in (season, None))}  # fmt: skip
        root = root_of(path)
        entries = [_entry(root, row, *kept[row["id"]], parts) for row in _rows_of(book, [*kept], (*_OF_BUILD, *parts))]
    return tuple(sorted(entries, key=lambda one: (one.field, one.season or 0, one.field_file)))


def with_parts(path: AnyBook, entries: Iterable[Entry], parts: Collection[str]) -> tuple[Entry, ...]:
    """Entries with more of what the book knows of them: of `latest`'s parts, and ``bounds``."""
    known = tuple(entries)
    with open_book(path, write=False) as book:
        said = {row["id"]: _parts_of(row, parts) for row in _rows_of(book, [one.row for one in known], parts)}
    return tuple(replace(one, **said[one.row]) for one in known)


def _bounds_of(outlines: Iterable[dict[str, Any]]) -> tuple[float, ...]:
    """West, south, east and north of features, in degrees; nothing where nothing is drawn.

    >>> _bounds_of([{"geometry": {"type": "Polygon", "coordinates": [[[-94.0, 42.0], [-93.5, 42.0], [-93.5, 42.5]]]}}])
    (-94.0, 42.0, -93.5, 42.5)
    """
    drawn = (one["geometry"] for one in outlines)
    polygons = chain.from_iterable(one["coordinates"] if one["type"] == "MultiPolygon" else [one["coordinates"]]
                                   for one in drawn)  # fmt: skip
    points = [point for polygon in polygons for point in polygon[0]]
    if not points:
        return ()
    xs, ys = [point[0] for point in points], [point[1] for point in points]
    return min(xs), min(ys), max(xs), max(ys)


def _rows_of(book: BookConnection, numbers: Sequence[int], columns: Iterable[str]) -> Iterator[Any]:
    """Builds by number, whatever their order, with some of their columns."""
    names = ", ".join(("id", *(_DRAWN if name == "bounds" else name for name in columns)))
    for begin in range(0, len(numbers), _AT_ONCE):
        chosen = ", ".join(map(str, numbers[begin : begin + _AT_ONCE]))
        yield from book.execute(f"SELECT {names} FROM build WHERE id IN ({chosen})")


def _parts_of(row: Any, parts: Collection[str]) -> dict[str, Any]:
    """What a row keeps as JSON."""
    said = {name: json.loads(row[name]) for name in parts if name != "bounds"}
    if "bounds" in parts:
        said["bounds"] = tuple(json.loads(row["bounds"])) if row["bounds"] else _bounds_of(json.loads(row["undrawn"]))
    return said


def _fields_of(rows: Iterable[Any]) -> list[tuple[Any, set[str], set[str]]]:
    """The newest row of each field in each season, newest first, with every key and prescription that it had.

    A failure of which nobody knows the season may be of any.
    """
    fields: list[tuple[Any, set[str], set[str]]] = []
    of_build: dict[tuple[object, ...], int] = {}  # of the builds before, for most are a field's own again
    of_season: dict[tuple[str, str, int | None], int] = {}
    of_any: dict[tuple[str, str], int] = {}
    for row in rows:
        build = tuple(row[name] for name in ("key", "field_file", "folder", "season"))
        known = build in of_build
        marks = [(name, row[name]) for name in (("rx",) if known else ("key", "field_file", "folder", "rx"))
                 if row[name]]  # fmt: skip
        if not known:
            of_build[build] = _place_of_build(marks, row["season"], of_season, of_any, len(fields))
        place = of_build[build]
        if place == len(fields):
            fields.append((row, set(), set()))
        fields[place][1].add(row["key"])
        fields[place][2].add(row["rx"])
        for mark in marks:
            of_season.setdefault((*mark, row["season"]), place)
            of_any.setdefault(mark, place)
    return fields


def _place_of_build(
    marks: list[tuple[str, str]], season: int | None, of_season: Mapping[tuple[str, str, int | None], int],
    of_any: Mapping[tuple[str, str], int], new: int,
) -> int:  # fmt: skip
    """Which field a build belongs to, by the first mark that is known."""
    known = (of_season[*mark, one] for mark in marks for one in (season, None) if (*mark, one) in of_season)
    of_none = (of_any[mark] for mark in marks if season is None and mark in of_any)
    return next(chain(known, of_none), new)


def _gone(book: BookConnection, on: date | None) -> Callable[[set[str], int | None], bool]:
    """Whether a field, by its keys and season, was retired, or every list that named it has dropped it."""
    retired: dict[tuple[str, int | None], tuple[int, str]] = {}
    lists: dict[str, dict[str, str]] = {}
    for row in book.execute(
        "SELECT id, what, key, season, note FROM event WHERE what IN ('retired', 'returned', 'listed', 'unlisted')"
        " AND recorded_at <= :on ORDER BY id", {"on": end_of(on)},
    ):  # fmt: skip
        if row["what"] in ("retired", "returned"):
            retired[row["key"], row["season"]] = row["id"], row["what"]
        else:
            lists.setdefault(row["key"], {})[row["note"]] = row["what"]

    def gone(keys: set[str], season: int | None) -> bool:
        said = [what for key in keys for what in lists.get(key, {}).values()]
        last = max((retired[key, season] for key in keys if (key, season) in retired), default=(0, ""))
        return (bool(said) and "listed" not in said) or last[1] == "retired"

    return gone


def history(path: AnyBook, parts: Collection[str] = _PARTS) -> tuple[Entry, ...]:
    """Every build that a book remembers, in the order in which they were recorded."""
    names = ", ".join(("id", *_OF_BUILD, *parts))
    with open_book(path, write=False) as book:
        rows = book.execute(f"SELECT {names} FROM build ORDER BY id").fetchall()
    root = root_of(path)
    return tuple(_entry(root, row, {row["key"]}, (), parts) for row in rows)


def _entry(root: str, row: Any, keys: Iterable[str], had: Iterable[str], parts: Collection[str]) -> Entry:
    values = {name: row[name] for name in _OF_BUILD}
    values |= {name: place_of(root, row[name]) for name in ("field_file", "folder")}
    return Entry(**values, **_parts_of(row, parts), row=row["id"], keys=frozenset(keys), had=frozenset(had))


_BUSY_S = 3.0  # a night has no time to wait for a book row by row


def waiting_beside(book: AnyBook, out: Path | None = None) -> Path:
    """The folder of the rows that wait for a book: beside it; for one on a server in ``out``."""
    if isinstance(book, ServerBook):
        return (out or Path()) / "season-waiting"
    return book.with_name(f"{book.name}-waiting")


def record_or_wait(book: AnyBook, *entries: Entry, out: Path | None = None) -> None:
    """Write builds into a book; where it cannot be written, beside it. What waited before goes in first.

    A row that waits is a file of its own, whole from the beginning: others may take it in at the same time, and the
    book takes it once. OutputError if neither can be written.
    """
    folder = waiting_beside(book, out)
    files = sorted(folder.glob("*.json")) if folder.is_dir() else []
    new = [replace(entry, recorded_at=entry.recorded_at or moment()) for entry in entries]
    waiting = (Entry(**json.loads(path.read_text(encoding="utf-8"))) for path in files if path.exists())
    try:
        _record(book, chain(waiting, new), _BUSY_S)
    except OutputError as error:
        try:
            folder.mkdir(exist_ok=True)
            for entry in new:
                said = {name: value for name, value in asdict(entry).items() if name not in _OF_BOOK}
                place = folder / f"{time.time_ns()}-{uuid.uuid4().hex}.json"
                with place.with_suffix(".part").open("w", encoding="utf-8") as file:
                    json.dump(said, file)
                    file.flush()
                    os.fsync(file.fileno())
                move(place.with_suffix(".part"), place)
        except OSError:
            raise error from None
    else:
        for path in files:
            path.unlink(missing_ok=True)
        with suppress(OSError):  # none is there, or another's row has come meanwhile
            folder.rmdir()
