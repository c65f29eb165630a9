"""A season book opened, file or server: who is refused, how an older one is raised, how it is copied."""

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
from vrn.many.book_tables import (
    ADDED_ONLY,
    COLUMNS,
    EVENTS,
    PAPER,
    TABLES,
    VERSION,
    AnyBook,
    BookConnection,
    ServerBook,
    insertion,
    open_server,
    root_of,
)  # fmt: skip

_WITH_KEYS = 4  # the first version in which builds had keys
_BUSY_S, _AGAIN_S = 60.0, 0.02
_MOUNTS = Path("/proc/self/mountinfo")
_NETWORK = ("nfs", "nfs4", "cifs", "smb3", "smbfs", "afs", "ncpfs", "davfs", "glusterfs", "ceph", "lustre",
            "fuse.sshfs", "fuse.glusterfs", "fuse.ceph", "fuse.davfs2", "fuse.rclone", "fuse.s3fs")  # fmt: skip


@contextmanager
def open_book(
    place: AnyBook, *, write: bool, new: bool = True, busy_s: float = _BUSY_S
) -> Iterator[BookConnection]:  # fmt: skip
    """A transaction on a book, that ends whole or not at all; waits for another writer.

    A file of an older version is raised when it is written; to be read it is raised in memory, and stays as it is.
    """
    if isinstance(place, ServerBook):
        with open_server(place, write=write, new=new, busy_s=busy_s) as book:
            yield book
    else:
        with _open_file(place, write=write, new=new, busy_s=busy_s) as connection:
            yield connection


@contextmanager
def _open_file(path: Path, *, write: bool, new: bool = True, busy_s: float = _BUSY_S) -> Iterator[sqlite3.Connection]:
    """A connection with write-ahead log and patience."""
    refuse_stranger(path)
    log = path.with_name(f"{path.name}-wal")
    if (system := _network_system(path)) and (write or log.exists()):
        problem = f"The season book {path} lies on a network drive ({system}), where two computers would spoil it."
        remedy = ("Keep it on this computer's own disk (--book) and copy it there: vrn backup BOOK FILE. Several"
                  " computers share one on a server: --book postgresql://USER@HOST/DATABASE.")  # fmt: skip
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
                elif _check(connection, path) == VERSION:
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


def refuse_stranger(path: AnyBook) -> None:
    """InputFileError for a folder, or a file that is no database, where a season book should be; it may be missing.

    A server is asked: it must answer, and let a book be written.
    """
    if isinstance(path, ServerBook):
        with open_server(path, write=True):
            return
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


def copy_book(source: AnyBook, target: AnyBook) -> None:
    """Write a whole copy of a book, also while others write it, from file or server to file or server.

    A file that is an earlier copy is replaced; a server takes a copy only where its book is empty.

    OutputError if another file stands there, or it cannot be written.
    """
    if isinstance(target, ServerBook):
        with open_book(source, write=False) as book, open_book(target, write=True) as copy:
            _copy_rows(book, source, copy, target)
        return
    if target.exists():
        with open_book(target, write=False):
            pass
    part = target.with_name(f".{target.name}.part")
    part.unlink(missing_ok=True)
    try:
        with open_book(source, write=False) as book:
            if isinstance(book, sqlite3.Connection):
                with closing(sqlite3.connect(part)) as whole:
                    book.commit()
                    book.backup(whole)
                    book.execute("BEGIN")
            else:
                with open_book(part, write=True) as copy:
                    _copy_rows(book, source, copy, part)
        with closing(sqlite3.connect(part)) as copied:
            copied.execute("PRAGMA journal_mode = DELETE")
            sound = copied.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        if not sound:
            problem = f"The season book {source} is damaged; it was not copied."
            raise OutputError(problem, "Take the last copy that is whole.")
        move(part, target)
    except OSError as error:
        problem = f"{target} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Give a file in a folder you may write to, on a disk with room.") from error
    finally:
        part.unlink(missing_ok=True)


def _copy_rows(book: BookConnection, source: AnyBook, copy: BookConnection, target: AnyBook) -> None:
    """Every row into an empty book, paths as that book keeps them."""
    if copy.execute("SELECT 1 FROM build UNION ALL SELECT 1 FROM event").fetchone():
        problem = f"The season book {target} is not empty."
        raise OutputError(problem, "Copy into a new one: a book is never written over another.")
    root = root_of(source)
    for table in (*ADDED_ONLY, "signing_key"):
        names = None
        for row in book.execute(
            f"SELECT * FROM {table} ORDER BY {'rowid' if table in ('plot', 'likelihood') else '1'}"
        ):
            values = dict(row)
            if table == "build":
                values |= {name: place_in(target, Path(place_of(root, row[name]))) for name in ("field_file", "folder")}
            names = names or [name for name in values if name != "rowid"]
            copy.execute(insertion(table, names), {name: values[name] for name in names})
        if names and "id" in names and isinstance(target, ServerBook):
            copy.execute(f"SELECT setval(pg_get_serial_sequence('{table}', 'id'), (SELECT max(id) FROM {table}))")


def _check(connection: sqlite3.Connection, path: Path) -> int:
    """Version of a book; strangers and newer ones are refused."""
    paper, version = (connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("application_id", "user_version"))
    if paper != PAPER:
        problem = f"{path} is a database, but not a season book."
        raise InputFileError(problem, "Give the season.db that vrn fields wrote.")
    if version > VERSION:
        problem = f"The season book {path} was written by a newer vrn (version {version} of the book)."
        raise InputFileError(problem, "Update vrn, or keep another book.")
    return int(version)


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    """Make the tables of a new book; check an old one, and raise it."""
    if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
        if _check(connection, path) < VERSION:
            _raise(connection, path)
        return
    for statement in (TABLES + EVENTS).split(";\n"):
        connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {PAPER}")
    _close_rows(connection)


def _raise(connection: sqlite3.Connection, path: Path) -> None:
    """Bring an older book to this version; up to 3: paths from its folder, a key and a prescription for each build."""
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    for table, columns in COLUMNS.items():
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
    for statement in EVENTS.split(";\n"):
        connection.execute(statement)
    _close_rows(connection)


def _close_rows(connection: sqlite3.Connection) -> None:
    """From here on what is written stays: a row is neither changed nor taken away."""
    for table in ADDED_ONLY:
        for deed in ("UPDATE", "DELETE"):
            connection.execute(f"CREATE TRIGGER IF NOT EXISTS {table}_no_{deed.lower()} BEFORE {deed} ON {table}"
                               " BEGIN SELECT RAISE(ABORT, 'a season book is only added to'); END")  # fmt: skip
    connection.execute(f"PRAGMA user_version = {VERSION}")


def place_in(book: AnyBook, path: Path) -> str:
    """A path as the book keeps it."""
    there = os.path.realpath(path)
    try:
        return Path(os.path.relpath(there, root_of(book))).as_posix()
    except ValueError:  # another drive
        return Path(there).as_posix()


def place_of(root: str, kept: str) -> str:
    """The path that a book keeps, from where its root lies now."""
    return os.path.normpath(os.path.join(root, kept))  # noqa: PTH118 - thousands of them


def moment() -> str:
    """Now, as a book writes it: UTC."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


def end_of(day: date | None) -> str:
    """The last moment of a day on this computer's calendar, as a book writes it; after everything without a day."""
    if day is None:
        return "9999"
    return datetime.combine(day, time_of_day.max).astimezone(UTC).isoformat(timespec="microseconds")


def person_and_host() -> tuple[str, str]:
    """Who works here, and on which computer."""
    try:
        return getpass.getuser(), socket.gethostname()
    except (OSError, KeyError, ImportError):
        return "", socket.gethostname()
