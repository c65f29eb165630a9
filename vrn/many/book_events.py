"""What happened to the fields of a season book: events with day, person and prescription, only ever added."""

import sqlite3
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from vrn.many.book_file import end_of, moment, open_book, person_and_host


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing that happened to a field.

    ``what`` is ``built``, ``failed``, ``superseded`` (``note`` is the id of the prescription that took its place),
    ``signed``, ``loaded`` (``note`` is the stick), ``applied``, ``harvested``, ``learned``, ``retired``, ``returned``,
    ``listed`` or ``unlisted`` (``note`` is the list of fields). ``key`` is the field's, ``rx`` the prescription's id.
    ``on`` is the day it happened, where that is not the day of ``recorded_at`` (UTC). ``by`` and ``host`` are who wrote
    it and where; taken from this computer when they are left empty, as is the time.
    """

    what: str
    key: str
    field: str
    season: int | None = None
    rx: str = ""
    by: str = ""
    host: str = ""
    on: date | None = None
    note: str = ""
    recorded_at: str = ""


_ALL = """
SELECT recorded_at, what, key, field, season, rx, by, host, on_day, note, 1 AS source, id FROM event
UNION ALL SELECT recorded_at, status, key, field, season, rx, '', '', '', problem, 0, id FROM build
UNION ALL SELECT recorded_at, CASE WHEN what LIKE 'applied%' THEN 'applied' ELSE 'harvested' END, key, field, season,
    '', '', '', on_day, what || ' ' || value, 2, id FROM outcome
"""


def record_events(path: Path, *events: Event) -> None:
    """Add events to an existing book."""
    with open_book(path, write=True, new=False) as book:
        add_events(book, *events)


def add_events(book: sqlite3.Connection, *events: Event) -> None:
    """Add events to a book that is open for writing."""
    by, host = person_and_host()
    book.executemany(
        "INSERT INTO event (recorded_at, what, key, field, season, rx, by, host, on_day, note)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (one.recorded_at or moment(), one.what, one.key, one.field, one.season, one.rx, one.by or by,
             one.host or host, one.on.isoformat() if one.on else "", one.note)
            for one in events
        ],
    )  # fmt: skip


def events(path: Path, *, on: date | None = None) -> tuple[Event, ...]:
    """Everything that happened, builds and results too, in the order in which the book learned of it."""
    with open_book(path, write=False) as book:
        rows = book.execute(
            f"SELECT * FROM ({_ALL}) WHERE recorded_at <= ? ORDER BY recorded_at, source, id", (end_of(on),)
        ).fetchall()
    return tuple(
        Event(what=row["what"], key=row["key"], field=row["field"], season=row["season"], rx=row["rx"], by=row["by"],
              host=row["host"], on=date.fromisoformat(row["on_day"]) if row["on_day"] else None, note=row["note"],
              recorded_at=row["recorded_at"])
        for row in rows
    )  # fmt: skip
