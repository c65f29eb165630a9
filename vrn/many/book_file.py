"""The file of a season book: its tables, how it is opened, who is refused, and how an older one is raised."""

import getpass
import json
import os
import socket
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, date, datetime
from datetime import time as time_of_day
from pathlib import Path

from vrn.errors import InputFileError, OutputError
from vrn.files.staging import move

_PAPER = 0x56524E31  # application id of a season book, "VRN1"
_VERSION, _WITH_KEYS = 5, 4  # the first in which builds had keys
_BUSY_S, _AGAIN_S = 60.0, 0.02
_MOUNTS = Path("/proc/self/mountinfo")
_NETWORK = ("nfs", "nfs4", "cifs", "smb3", "smbfs", "afs", "ncpfs", "davfs", "glusterfs", "ceph", "lustre",
            "fuse.sshfs", "fuse.glusterfs", "fuse.ceph", "fuse.davfs2", "fuse.rclone", "fuse.s3fs")  # fmt: skip

_TABLES = """
CREATE TABLE build (
    id INTEGER PRIMARY KEY,
    recorded_at TEXT NOT NULL,            -- UTC
    field_file TEXT NOT NULL,             -- relative to the book's folder
    folder TEXT NOT NULL,                 -- of the output, likewise
    status TEXT NOT NULL CHECK (status IN ('built', 'failed')),
    problem TEXT NOT NULL DEFAULT '',
    remedy TEXT NOT NULL DEFAULT '',
    field TEXT NOT NULL DEFAULT '',
    season INTEGER,
    summary_sha256 TEXT NOT NULL DEFAULT '',
    summary TEXT NOT NULL DEFAULT '{}',   -- summary.json, whole
    crop TEXT NOT NULL DEFAULT '{}',      -- stage, sampling date, application date
    outlines TEXT NOT NULL DEFAULT '[]',  -- features of prescription.geojson
    signature TEXT NOT NULL DEFAULT '{}', -- signature.json without its lists of files and warnings
    key TEXT NOT NULL DEFAULT '',         -- the field's id, or its field file where it has none
    rx TEXT NOT NULL DEFAULT '',          -- id of the prescription
    grower TEXT NOT NULL DEFAULT '',
    farm TEXT NOT NULL DEFAULT ''
);
CREATE TABLE outcome (
    id INTEGER PRIMARY KEY,
    recorded_at TEXT NOT NULL,
    field TEXT NOT NULL,
    season INTEGER NOT NULL,
    what TEXT NOT NULL,
    value REAL NOT NULL,
    rate_n_lb_ac REAL,                    -- of a strip
    note TEXT NOT NULL DEFAULT '',
    zone INTEGER,                         -- of the prescription, where it is known
    key TEXT NOT NULL DEFAULT '',         -- of the field; empty in results taken in before fields had one
    on_day TEXT NOT NULL DEFAULT '',      -- when it was; the day it was recorded where nobody said
    taken INTEGER NOT NULL DEFAULT 0      -- number of the taking-in: what came from a file counts from the last one
);
"""
# what older books lack, with its type
_TEXT = "TEXT NOT NULL DEFAULT ''"
_COLUMNS = {
    "build": {"signature": "TEXT NOT NULL DEFAULT '{}'", "key": _TEXT, "rx": _TEXT, "grower": _TEXT, "farm": _TEXT},
    "outcome": {"zone": "INTEGER", "key": _TEXT, "on_day": _TEXT, "taken": "INTEGER NOT NULL DEFAULT 0"},
}
_EVENTS = """
CREATE TABLE IF NOT EXISTS event (
    id INTEGER PRIMARY KEY,
    recorded_at TEXT NOT NULL,
    what TEXT NOT NULL,                   -- signed, superseded, loaded, applied, harvested, learned, retired, …
    key TEXT NOT NULL,
    field TEXT NOT NULL,
    season INTEGER,
    rx TEXT NOT NULL DEFAULT '',          -- id of the prescription
    by TEXT NOT NULL DEFAULT '',          -- person
    host TEXT NOT NULL DEFAULT '',        -- computer
    on_day TEXT NOT NULL DEFAULT '',      -- when it was, where that is not the day it was recorded
    note TEXT NOT NULL DEFAULT ''
);
CREATE TABLE IF NOT EXISTS signing_key (
    fingerprint TEXT PRIMARY KEY,
    revoked_on TEXT                       -- ISO date; NULL for a key that may sign
);
CREATE TABLE IF NOT EXISTS trial (
    id INTEGER PRIMARY KEY,
    recorded_at TEXT NOT NULL,
    key TEXT NOT NULL DEFAULT '',         -- of the field, where the book knows it
    field TEXT NOT NULL,
    season INTEGER NOT NULL,
    block TEXT NOT NULL,
    rx TEXT NOT NULL,                     -- id of the prescription that it was laid in
    method TEXT NOT NULL,                 -- whose need it is: trials of another method are left out
    approved INTEGER NOT NULL,
    need_lb_ac REAL NOT NULL,             -- nothing learned in it
    supplies TEXT NOT NULL,               -- pounds that each source took off the need there
    typical TEXT NOT NULL,                -- the same over the whole field
    acres REAL NOT NULL,                  -- of the field
    harvest_sha256 TEXT NOT NULL,
    applied_sha256 TEXT NOT NULL DEFAULT '' -- empty where the plan was taken for what was applied
);
CREATE TABLE IF NOT EXISTS plot (
    trial INTEGER NOT NULL REFERENCES trial (id),
    label TEXT NOT NULL,
    planned_n_lb_ac REAL,
    n_lb_ac REAL,                         -- as applied; NULL where unknown
    sd_n_lb_ac REAL,
    yield_bu_ac REAL,
    points INTEGER NOT NULL,
    x_ft REAL,
    y_ft REAL,
    why TEXT NOT NULL DEFAULT '',         -- it was left out; empty where it counts
    outline TEXT NOT NULL DEFAULT ''      -- WKT, longitude and latitude
);
CREATE TABLE IF NOT EXISTS likelihood (
    trial INTEGER NOT NULL REFERENCES trial (id),
    form TEXT NOT NULL,                   -- smooth, kinked
    top_start REAL NOT NULL, top_step REAL NOT NULL, top_count INTEGER NOT NULL,
    log_start REAL NOT NULL, log_step REAL NOT NULL, log_count INTEGER NOT NULL,
    log_likelihood BLOB NOT NULL,         -- float64, little-endian, by top, then by log of the shape
    sha256 TEXT NOT NULL
);
CREATE INDEX IF NOT EXISTS event_of_field ON event (key, season);
CREATE INDEX IF NOT EXISTS build_at_a_glance ON build (recorded_at, key, field_file, folder, rx, season, status);
CREATE INDEX IF NOT EXISTS build_of_key ON build (key, season, id);
CREATE INDEX IF NOT EXISTS build_of_field ON build (field_file, id);
CREATE INDEX IF NOT EXISTS outcome_of_field ON outcome (season, field)
"""


@contextmanager
def open_book(path: Path, *, write: bool, new: bool = True, busy_s: float = _BUSY_S) -> Iterator[sqlite3.Connection]:
    """A connection with write-ahead log and patience; a transaction that ends whole or not at all.

    A book of an older version is raised when it is written; to be read it is raised in memory, and stays as it is.
    """
    refuse_stranger(path)
    log = path.with_name(f"{path.name}-wal")
    if (system := _network_system(path)) and (write or log.exists()):
        problem = f"The season book {path} lies on a network drive ({system}), where two computers would spoil it."
        remedy = "Keep it on this computer's own disk (--book), and copy it to the share: vrn backup BOOK FILE."
        raise InputFileError(problem, remedy)
    if not (write and new) and not path.exists():
        problem = f"There is no season book {path}."
        raise InputFileError(problem, "vrn fields MANIFEST --out DIR writes one as DIR/season.db.")
    try:
        with closing(_connection(path, busy_s, write=write)) as connection:
            connection.row_factory = sqlite3.Row
            if write:
                _write_ahead(connection, path, busy_s)
            connection.execute("BEGIN IMMEDIATE" if write else "BEGIN")
            try:
                if write:
                    _prepare(connection, path)
                    yield connection
                elif _check(connection, path) == _VERSION:
                    yield connection
                else:
                    with closing(sqlite3.connect(":memory:", isolation_level=None)) as copy:
                        connection.execute("COMMIT")
                        connection.backup(copy)
                        copy.row_factory = sqlite3.Row
                        _raise(copy, path)
                        yield copy
                    return
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")
    except sqlite3.Error as error:
        problem = f"The season book {path} cannot be {'written' if write else 'read'}: {error}."
        remedy = "Check the disk and its permissions; the book itself keeps its last whole state."
        raise OutputError(problem, remedy) from error


def _connection(path: Path, busy_s: float, *, write: bool) -> sqlite3.Connection:
    """Where nothing may be written, and no log waits beside it, a book is read as it lies."""
    place = path.absolute()
    log = place.with_name(f"{place.name}-wal")
    fixed = not os.access(place.parent, os.W_OK) or bool(_network_system(path))
    lies_still = not write and fixed and not log.exists()
    return sqlite3.connect(
        f"{place.as_uri()}?immutable=1" if lies_still else place, timeout=busy_s, isolation_level=None, uri=lies_still
    )


def _write_ahead(connection: sqlite3.Connection, path: Path, busy_s: float) -> None:
    """Keep a log ahead of the book. No byte of a stranger changes, and SQLite itself does not wait for others here."""
    until = time.monotonic() + busy_s
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


def _network_system(path: Path) -> str:
    """Name of the network file system that a path lies on; empty on a disk of this computer, or where nobody can say.

    A book's log is shared by memory, which computers do not have in common (sqlite.org/wal.html).
    """
    there = os.path.realpath(path)
    if there.startswith("\\\\") and not there.startswith("\\\\?\\"):
        return "UNC"
    try:
        lines = [line.split() for line in _MOUNTS.read_text(encoding="utf-8", errors="replace").splitlines()]
    except OSError:
        return ""
    mounts = [(_unescaped(parts[4]), parts[parts.index("-") + 1]) for parts in lines]
    over = [(len(point), kind) for point, kind in mounts if Path(there).is_relative_to(point)]
    kind = over[max(range(len(over)), key=lambda place: (over[place][0], place))][1] if over else ""
    return kind if kind in _NETWORK else ""


def _unescaped(text: str) -> str:
    r"""A mount point as it is: the kernel writes a space as ``\040``."""
    for code, letter in (("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")):
        text = text.replace(code, letter)
    return text


def copy_book(path: Path, target: Path) -> None:
    """Write a whole copy of a book, also while others write it; an earlier copy is replaced.

    OutputError if another file stands there, or it cannot be written.
    """
    if target.exists():
        with open_book(target, write=False):
            pass
    part = target.with_name(f".{target.name}.part")
    part.unlink(missing_ok=True)
    try:
        with open_book(path, write=False) as book, closing(sqlite3.connect(part)) as copy:
            book.commit()
            book.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
            sound = copy.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
            book.execute("BEGIN")
        if not sound:
            problem = f"The season book {path} is damaged; it was not copied."
            raise OutputError(problem, "Take the last copy that is whole.")
        move(part, target)
    except OSError as error:
        problem = f"{target} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Give a file in a folder you may write to, on a disk with room.") from error
    finally:
        part.unlink(missing_ok=True)


def _check(connection: sqlite3.Connection, path: Path) -> int:
    """Version of a book; strangers and newer ones are refused."""
    paper, version = (connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version"))
    if paper != _PAPER:
        problem = f"{path} is a database, but not a season book."
        raise InputFileError(problem, "Give the season.db that vrn fields wrote.")
    if version > _VERSION:
        problem = f"The season book {path} was written by a newer vrn (version {version} of the book)."
        raise InputFileError(problem, "Update vrn, or keep another book.")
    return int(version)


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Make the tables of a new book; check an old one, and raise it."""
    if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        if _check(connection, path) < _VERSION:
            _raise(connection, path)
        return
    for statement in (_TABLES + _EVENTS).split(";\n"):
        connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {_PAPER}")
    _close_rows(connection)


def _raise(connection: sqlite3.Connection, path: Path) -> None:
    """Bring an older book to this version; up to 3: paths from its folder, a key and a prescription for each build."""
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    for table, columns in _COLUMNS.items():
        there = {row[1] for row in connection.execute(f"PRAGMA table_info({table})")}
        for column, kind in columns.items():
            if column not in there:
                connection.execute(f"ALTER TABLE {table} ADD COLUMN {column} {kind}")
    old = connection.execute("PRAGMA user_version").fetchone()[0] < _WITH_KEYS
    for row in connection.execute("SELECT id, field_file, folder, summary FROM build").fetchall() if old else ():
        file, folder = (place_in(path, Path(row[name])) for name in ("field_file", "folder"))
        rx = str(json.loads(row["summary"]).get("id") or "")
        connection.execute("UPDATE build SET field_file = ?, folder = ?, key = ?, rx = ? WHERE id = ?",
                           (file, folder, file, rx, row["id"]))  # fmt: skip
    for statement in _EVENTS.split(";\n"):
        connection.execute(statement)
    _close_rows(connection)


def _close_rows(connection: sqlite3.Connection) -> None:
    """From here on what is written stays: a row is neither changed nor taken away."""
    for table in ("build", "outcome", "event", "trial", "plot", "likelihood"):
        for deed in ("UPDATE", "DELETE"):
            connection.execute(f"CREATE TRIGGER IF NOT EXISTS {table}_no_{deed.lower()} BEFORE {deed} ON {table}"
                               " BEGIN SELECT RAISE(ABORT, 'a season book is only added to'); END")  # fmt: skip
    connection.execute(f"PRAGMA user_version = {_VERSION}")


def place_in(book: Path, path: Path) -> str:
    """A path as the book keeps it: from its own folder, so that both may move together."""
    there = os.path.realpath(path)
    try:
        return Path(os.path.relpath(there, os.path.realpath(book.absolute().parent))).as_posix()
    except ValueError:  # another drive
        return Path(there).as_posix()


def place_of(book: Path, kept: str) -> str:
    """The path that a book keeps, from where the book lies now."""
    return os.path.normpath(Path(os.path.realpath(book.absolute().parent), kept))


def moment() -> str:
    """Now, as a book writes it: UTC."""
    return datetime.now(UTC).isoformat(timespec="seconds")


def end_of(day: date | None) -> str:
    """The last moment of a day on this computer's calendar, as a book writes it; after everything without a day."""
    if day is None:
        return "9999"
    return datetime.combine(day, time_of_day.max).astimezone(UTC).isoformat(timespec="seconds")


def person_and_host() -> tuple[str, str]:
    """Who works here, and on which computer."""
    try:
        return getpass.getuser(), socket.gethostname()
    except (OSError, KeyError, ImportError):
        return "", socket.gethostname()
