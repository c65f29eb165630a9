"""The season book: one SQLite file that remembers every build of a season and its results."""

import json
import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from dataclasses import field as made_by
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from vrn.errors import InputFileError, OutputError
from vrn.model.season import Outcome

_PAPER = 0x56524E31  # application id of a season book, "VRN1"
_VERSION = 3
FROM_FILE = "file "  # how the note of an outcome begins that a machine's file tells
_BUSY_S, _AGAIN_S = 60.0, 0.02

_TABLES = """
CREATE TABLE IF NOT EXISTS build (
    id INTEGER PRIMARY KEY,
    recorded_at TEXT NOT NULL,            -- UTC
    field_file TEXT NOT NULL,
    folder TEXT NOT NULL,                 -- of the output
    status TEXT NOT NULL CHECK (status IN ('built', 'failed')),
    problem TEXT NOT NULL DEFAULT '',
    remedy TEXT NOT NULL DEFAULT '',
    field TEXT NOT NULL DEFAULT '',
    season INTEGER,
    summary_sha256 TEXT NOT NULL DEFAULT '',
    summary TEXT NOT NULL DEFAULT '{}',   -- summary.json, whole
    crop TEXT NOT NULL DEFAULT '{}',      -- stage, sampling date, application date
    outlines TEXT NOT NULL DEFAULT '[]',  -- features of prescription.geojson
    signature TEXT NOT NULL DEFAULT '{}'  -- signature.json without its lists of files and warnings
);
CREATE INDEX IF NOT EXISTS build_of_field ON build (field_file, id);
CREATE TABLE IF NOT EXISTS outcome (
    id INTEGER PRIMARY KEY,
    recorded_at TEXT NOT NULL,
    field TEXT NOT NULL,
    season INTEGER NOT NULL,
    what TEXT NOT NULL,
    value REAL NOT NULL,
    rate_n_lb_ac REAL,                    -- of a strip
    note TEXT NOT NULL DEFAULT '',
    zone INTEGER                          -- of the prescription, where it is known
);
CREATE INDEX IF NOT EXISTS outcome_of_field ON outcome (season, field);
CREATE TABLE IF NOT EXISTS signing_key (
    fingerprint TEXT PRIMARY KEY,
    revoked_on TEXT                       -- ISO date; NULL for a key that may sign
);
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A field's latest build in a book; ``status`` is ``built`` or ``failed``, with problem and remedy.

    ``summary`` is ``summary.json`` of the output, ``outlines`` are the features of ``prescription.geojson``; ``crop``
    holds ``growth_stage``, ``sampled_on`` and ``application_date``, ``signature`` what ``signature.json`` says but its
    lists. The time is in UTC.
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


@contextmanager
def open_book(path: Path, *, write: bool, new: bool = True) -> Iterator[sqlite3.Connection]:
    """A connection with write-ahead log and patience; a transaction that ends whole or not at all."""
    refuse_stranger(path)
    if not (write and new) and not path.exists():
        problem = f"There is no season book {path}."
        raise InputFileError(problem, "vrn fields MANIFEST --out DIR writes one as DIR/season.db.")
    try:
        with closing(_connection(path, write=write)) as connection:
            connection.row_factory = sqlite3.Row
            if write:
                _write_ahead(connection, path)
            connection.execute("BEGIN IMMEDIATE" if write else "BEGIN")
            try:
                (_prepare if write else _check)(connection, path)
                yield connection
            except BaseException:
                connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")
    except sqlite3.Error as error:
        problem = f"The season book {path} cannot be {'written' if write else 'read'}: {error}."
        remedy = "Check the disk and its permissions; the book itself keeps its last whole state."
        raise OutputError(problem, remedy) from error


def _connection(path: Path, *, write: bool) -> sqlite3.Connection:
    """Where nothing may be written, and no log waits beside it, a book is read as it lies."""
    place = path.absolute()
    log = place.with_name(f"{place.name}-wal")
    lies_still = not write and not os.access(place.parent, os.W_OK) and not log.exists()
    return sqlite3.connect(
        f"{place.as_uri()}?immutable=1" if lies_still else place, timeout=_BUSY_S, isolation_level=None, uri=lies_still
    )


def _write_ahead(connection: sqlite3.Connection, path: Path) -> None:
    """Keep a log ahead of the book. No byte of a stranger changes, and SQLite itself does not wait for others here."""
    until = time.monotonic() + _BUSY_S
    while True:
        try:
            if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                _check(connection, path)
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
            time.sleep(_AGAIN_S)
        else:
            return


def refuse_stranger(path: Path) -> None:
    """InputFileError for a folder, or a file that is no database, where a season book should be; it may be missing."""
    if path.is_dir():
        problem = f"{path} is a folder, not a season book."
        raise InputFileError(problem, f"Give the file, as {path / 'season.db'}.")
    if not path.exists():
        return
    with path.open("rb") as file:
        head = file.read(16)
    if head and head != b"SQLite format 3\x00":
        problem = f"{path} is not a season book."
        raise InputFileError(problem, "Give the season.db that vrn fields wrote.")


def _check(connection: sqlite3.Connection, path: Path) -> None:
    paper, version = (connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version"))
    if paper != _PAPER:
        problem = f"{path} is a database, but not a season book."
        raise InputFileError(problem, "Give the season.db that vrn fields wrote.")
    if version > _VERSION:
        problem = f"The season book {path} was written by a newer vrn (version {version} of the book)."
        raise InputFileError(problem, "Update vrn, or keep another book.")


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Make the tables of a new book; check an old one."""
    empty = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
    if not empty:
        _check(connection, path)
        if "zone" not in _columns_of_outcome(connection):  # a book of version 1
            connection.execute("ALTER TABLE outcome ADD COLUMN zone INTEGER")
        if connection.execute("PRAGMA user_version").fetchone()[0] == _VERSION:
            return
        columns = {row[1] for row in connection.execute("PRAGMA table_info(build)")}
        if "signature" not in columns:  # of version 2
            connection.execute("ALTER TABLE build ADD COLUMN signature TEXT NOT NULL DEFAULT '{}'")
    for statement in _TABLES.split(";\n"):
        connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {_PAPER}")
    connection.execute(f"PRAGMA user_version = {_VERSION}")


def _columns_of_outcome(connection: sqlite3.Connection) -> set[str]:
    return {row[1] for row in connection.execute("PRAGMA table_info(outcome)")}


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def record_build(path: Path, *entries: Entry) -> None:
    """Write builds into a book, made when it is not there. Safe beside another process that writes."""
    with open_book(path, write=True) as book:
        book.executemany(
            "INSERT INTO build (recorded_at, field_file, folder, status, problem, remedy, field, season,"
            " summary_sha256, summary, crop, outlines, signature) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (entry.recorded_at or _now(), entry.field_file, entry.folder, entry.status, entry.problem, entry.remedy,
                 entry.field, entry.season, entry.summary_sha256, json.dumps(entry.summary), json.dumps(entry.crop),
                 json.dumps(entry.outlines), json.dumps(entry.signature))
                for entry in entries
            ],
        )  # fmt: skip


def latest(path: Path, *, built: bool = False) -> tuple[Entry, ...]:
    """The latest build of each field file, by field name; with ``built`` the latest that wrote a prescription."""
    of = "FROM build WHERE status = 'built'" if built else "FROM build"
    return _entries(
        path,
        f"WHERE id IN (SELECT max(id) {of} GROUP BY field_file) AND id IN (SELECT max(id) {of} GROUP BY folder)"
        " ORDER BY field, field_file",
    )


def history(path: Path) -> tuple[Entry, ...]:
    """Every build that a book remembers, in the order in which they were recorded."""
    return _entries(path, "ORDER BY id")


def _entries(path: Path, which: str) -> tuple[Entry, ...]:
    with open_book(path, write=False) as book:
        rows = book.execute(f"SELECT * FROM build {which}").fetchall()
    return tuple(
        Entry(
            **{name: row[name] for name in ("field_file", "folder", "status", "problem", "remedy", "field", "season",
                                            "summary_sha256", "recorded_at")},
            summary=json.loads(row["summary"]), crop=json.loads(row["crop"]), outlines=json.loads(row["outlines"]),
            signature=json.loads(row["signature"]) if "signature" in row.keys() else {},  # noqa: SIM118 - of a row
        )
        for row in rows
    )  # fmt: skip


def record_outcome(path: Path, *outcomes: Outcome) -> None:
    """Write what came of fields into an existing book; the same thing again replaces what stood there.

    What came from a file replaces all that the book had from that file.
    """
    with open_book(path, write=True, new=False) as book:
        for field, season, what, note in {(one.field, one.season, one.what, one.note) for one in outcomes}:
            if note.startswith(FROM_FILE):
                book.execute("DELETE FROM outcome WHERE field = ? AND season = ? AND what = ? AND note = ?",
                             (field, season, what, note))  # fmt: skip
        for outcome in outcomes:
            book.execute(
                "DELETE FROM outcome WHERE field = ? AND season = ? AND what = ? AND rate_n_lb_ac IS ? AND note = ?"
                " AND zone IS ?",
                (outcome.field, outcome.season, outcome.what, outcome.rate_n_lb_ac, outcome.note, outcome.zone),
            )
            book.execute(
                "INSERT INTO outcome (recorded_at, field, season, what, value, rate_n_lb_ac, note, zone)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (_now(), outcome.field, outcome.season, outcome.what, outcome.value, outcome.rate_n_lb_ac,
                 outcome.note, outcome.zone),
            )  # fmt: skip


def outcomes(path: Path) -> tuple[Outcome, ...]:
    """All that came of the fields of a book, in the order of field, kind and rate."""
    with open_book(path, write=False) as book:
        zone = "zone" if "zone" in _columns_of_outcome(book) else "NULL AS zone"
        rows = book.execute(
            f"SELECT field, season, what, value, rate_n_lb_ac, note, {zone} FROM outcome"
            " ORDER BY season, field, what, rate_n_lb_ac, id"
        ).fetchall()
    return tuple(Outcome(**dict(row)) for row in rows)
