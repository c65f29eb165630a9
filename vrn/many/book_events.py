"""What happened to the fields of a season book: events, only ever added; who may sign; chains of prescriptions."""

import json
import re
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Final

from vrn.errors import InputFileError
from vrn.many.book import Entry
from vrn.many.book_file import end_of, moment, open_book, person_and_host
from vrn.model.season import Link


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


_MARK: Final = re.compile(r"[0-9a-f]{4}(-[0-9a-f]{4}){7}")


def record_key(book: Path, mark: str, *, revoked_on: date | None = None) -> None:
    """Let a key sign from now on, or revoke it: what it signed up to that day stays.

    InputFileError if the fingerprint is none, or the key is revoked already.
    """
    if not _MARK.fullmatch(mark):
        problem = f"“{mark}” is not the fingerprint of a key."
        raise InputFileError(problem, "Give it as vrn key prints it: eight groups of four, with dashes.")
    known = known_keys(book) if book.exists() else {}
    if known.get(mark) is not None:
        problem = f"The key {mark} was revoked on {known[mark]}."
        raise InputFileError(problem, "A revoked key stays so. Make a new one with vrn key.")
    with open_book(book, write=True) as connection:
        connection.execute("INSERT OR REPLACE INTO signing_key (fingerprint, revoked_on) VALUES (?, ?)",
                           (mark, None if revoked_on is None else revoked_on.isoformat()))  # fmt: skip


def known_keys(book: Path) -> dict[str, date | None]:
    """Fingerprint → the day it was revoked, None for a key that may sign."""
    with open_book(book, write=False) as connection:
        rows = connection.execute("SELECT fingerprint, revoked_on FROM signing_key ORDER BY fingerprint").fetchall()
    return {row["fingerprint"]: date.fromisoformat(row["revoked_on"]) if row["revoked_on"] else None for row in rows}


def chains_of(book: Path, entries: Iterable[Entry]) -> dict[str, tuple[Link, ...]]:
    """By key of each field, its prescriptions that were signed, and the one it has now, oldest first."""
    with open_book(book, write=False) as connection:
        rows = connection.execute(
            "SELECT key, season, rx, signature, recorded_at FROM build WHERE status = 'built' ORDER BY recorded_at, id"
        ).fetchall()
    chains: dict[str, tuple[Link, ...]] = {}
    for entry in entries:
        links: list[Link] = []
        for row in rows:
            if row["key"] in entry.keys and row["season"] == entry.season:
                signed = json.loads(row["signature"])
                link = Link(id=row["rx"], replaces=signed.get("replaces"), signed_by=signed.get("name"),
                            signed_on=signed.get("date"), recorded_at=row["recorded_at"])  # fmt: skip
                if not links or replace(links[-1], recorded_at=link.recorded_at) != link:  # not the same written again
                    links.append(link)
        chains[entry.key] = tuple(link for link in links if link.signed_by or link is links[-1])
    return chains
