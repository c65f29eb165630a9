"""The season book keeps what it was told, whoever else writes, and is never half written."""

import os
import signal
import sqlite3
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from pathlib import Path

import pytest

from vrn.errors import InputFileError
from vrn.many.book import Entry, history, latest, record_build, with_parts
from vrn.many.book_events import Event, events, outcomes, record_events, record_outcome
from vrn.model.season import Outcome


def _entry(name: str, **more: object) -> Entry:
    known = {"field_file": f"/valley/{name}/field.toml", "folder": f"/out/{name}", "status": "built", "season": 2026}
    return Entry(field=name, **(known | more))


def test_book_gives_back_what_was_written(tmp_path: Path) -> None:
    """An entry comes back as it was, and a later build of the same field file takes its place."""
    book = tmp_path / "season.db"
    first = _entry("Ash", summary={"total_n_lb": 100.5, "name": "Ëlm — ش"}, crop={"growth_stage": "V8"})
    record_build(book, first, _entry("Birch"))
    record_build(book, _entry("Ash", summary={"total_n_lb": 90.0}))
    ash, birch = latest(book)
    assert (ash.field, ash.summary, birch.field) == ("Ash", {"total_n_lb": 90.0}, "Birch")
    record_build(book, first)
    assert latest(book)[0].summary == first.summary


def test_a_files_outcomes_replace_all_that_it_told_before(tmp_path: Path) -> None:
    """Zones that are gone go, another file's and typed ones stay: nothing counts twice."""
    book = tmp_path / "season.db"
    record_build(book, _entry("Ash"))

    def told(note: str, *zones: int) -> list[Outcome]:
        return [
            Outcome(field="Ash", season=2026, what="applied_n_lb", value=9.0, zone=zone, note=note) for zone in zones
        ]

    record_outcome(book, *told("file log.zip", 1, 2, 3), *told("file other.zip", 1), *told("by hand", 1, 2))
    record_outcome(book, *told("file log.zip", 1, 4))
    found = sorted((one.note, one.zone) for one in outcomes(book))
    assert found == [("by hand", 1), ("by hand", 2), ("file log.zip", 1), ("file log.zip", 4), ("file other.zip", 1)]


def test_same_outcome_again_replaces_the_first(tmp_path: Path) -> None:
    """Recording a table twice does not double what was applied."""
    book = tmp_path / "season.db"
    record_build(book, _entry("Ash"))
    for value in (5000.0, 5100.0):
        record_outcome(book, Outcome(field="Ash", season=2026, what="applied_n_lb", value=value))
    assert [item.value for item in outcomes(book)] == [5100.0]


WRITER = """
import sys
from vrn.many.book import Entry, record_build
book, name, count = sys.argv[1:]
for i in range(int(count)):
    record_build(book := __import__("pathlib").Path(book), Entry(
        field_file=f"{name}{i}", folder=f"x/{name}{i}", status="built", field=name, season=2026,
        summary={"text": "x" * 2000}))
    print(i, flush=True)
"""


def test_two_parents_at_once_lose_nothing(tmp_path: Path) -> None:
    """Two processes that make and write one book at the same time both find all their builds in it."""
    book = tmp_path / "season.db"
    writers = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(book), name, "40"], stdout=subprocess.DEVNULL)
        for name in ("a", "b")
    ]
    assert [writer.wait(timeout=60) for writer in writers] == [0, 0]
    assert len(latest(book)) == 80


def test_book_that_another_is_just_making_is_waited_for(tmp_path: Path) -> None:
    """While another process holds a book that keeps no log yet, a build waits for it and is then in the book."""
    book = tmp_path / "season.db"
    other = sqlite3.connect(book, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with ThreadPoolExecutor(1) as threads:
        waiting = threads.submit(record_build, book, _entry("Ash"))
        time.sleep(0.3)
        assert not waiting.done()
        other.execute("ROLLBACK")
        waiting.result(timeout=30)
    other.close()
    assert [entry.field for entry in latest(book)] == ["Ash"]


def test_book_is_read_where_nothing_may_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a share that is only read, the book tells its builds and nothing appears beside it."""
    book = tmp_path / "a b#c" / "season.db"
    book.parent.mkdir()
    record_build(book, _entry("Ash"))
    monkeypatch.setattr(os, "access", lambda *_: False)
    opened = []
    connect = sqlite3.connect

    def watch(place: object, **more: object) -> sqlite3.Connection:
        opened.append(str(place))
        return connect(place, **more)

    monkeypatch.setattr(sqlite3, "connect", watch)
    assert [entry.field for entry in latest(book)] == ["Ash"]
    assert opened[0].endswith("immutable=1")
    assert [path.name for path in book.parent.iterdir()] == ["season.db"]


def test_moved_fields_stand_once(tmp_path: Path) -> None:
    """A valley copied elsewhere and built into the same folders takes the place of what stood there."""
    book = tmp_path / "season.db"
    record_build(book, _entry("Ash"), _entry("Birch"))
    moved = Entry(field_file="/elsewhere/Ash/field.toml", folder="/out/Ash", status="built", field="Ash", season=2026)
    record_build(book, moved)
    assert [entry.field_file for entry in latest(book)] == ["/elsewhere/Ash/field.toml", "/valley/Birch/field.toml"]


def test_a_failure_does_not_hide_what_was_built(tmp_path: Path) -> None:
    """The latest entry is the failure; the latest built one is still there for what came of it; history holds both."""
    book = tmp_path / "season.db"
    built = _entry("Ash", summary={"total_n_lb": 90.0})
    record_build(book, built)
    record_build(book, Entry(field_file=built.field_file, folder=built.folder, status="failed", field="Ash"))
    assert [entry.status for entry in latest(book)] == ["failed"]
    assert [entry.summary for entry in latest(book, built=True)] == [{"total_n_lb": 90.0}]
    assert [entry.status for entry in history(book)] == ["built", "failed"]


def test_book_is_whole_after_its_writer_was_killed(tmp_path: Path) -> None:
    """A writer killed in the middle leaves a book that reads, holds what was committed, and takes new builds."""
    book = tmp_path / "season.db"
    with subprocess.Popen([sys.executable, "-c", WRITER, str(book), "a", "100000"], stdout=subprocess.PIPE) as writer:
        told = [int(writer.stdout.readline()) for _ in range(5)][-1]
        time.sleep(0.05)
        os.kill(writer.pid, signal.SIGKILL)
    assert len(latest(book)) > told
    record_build(book, _entry("Ash"))
    assert any(entry.field == "Ash" for entry in latest(book))
    with sqlite3.connect(book) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()


def test_strangers_are_refused_and_left_alone(tmp_path: Path) -> None:
    """A missing book, a folder, a text file, another database and a newer book are each told; none is changed."""
    with pytest.raises(InputFileError, match="no season book"):
        latest(tmp_path / "none.db")
    with pytest.raises(InputFileError, match="is a folder"):
        latest(tmp_path)
    text = tmp_path / "notes.txt"
    text.write_text("not a book at all", encoding="utf-8")
    with pytest.raises(InputFileError, match="is not a season book"):
        record_build(text, _entry("Ash"))
    assert text.read_text(encoding="utf-8") == "not a book at all"
    other = tmp_path / "other.db"
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE thing (x)")
    connection.commit()
    before = other.read_bytes()
    with pytest.raises(InputFileError, match="a database, but not a season book"):
        record_build(other, _entry("Ash"))
    with pytest.raises(InputFileError, match="a database, but not a season book"):
        latest(other)
    assert other.read_bytes() == before
    assert connection.execute("SELECT name FROM sqlite_master").fetchall() == [("thing",)]
    connection.close()
    newer = tmp_path / "newer.db"
    record_build(newer, _entry("Ash"))
    connection = sqlite3.connect(newer)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(InputFileError, match="newer vrn"):
        latest(newer)


VERSION_2 = """
CREATE TABLE build (id INTEGER PRIMARY KEY, recorded_at TEXT NOT NULL, field_file TEXT NOT NULL, folder TEXT NOT NULL,
    status TEXT NOT NULL, problem TEXT NOT NULL DEFAULT '', remedy TEXT NOT NULL DEFAULT '',
    field TEXT NOT NULL DEFAULT '', season INTEGER, summary_sha256 TEXT NOT NULL DEFAULT '',
    summary TEXT NOT NULL DEFAULT '{}', crop TEXT NOT NULL DEFAULT '{}', outlines TEXT NOT NULL DEFAULT '[]');
CREATE INDEX build_of_field ON build (field_file, id);
CREATE TABLE outcome (id INTEGER PRIMARY KEY, recorded_at TEXT NOT NULL, field TEXT NOT NULL, season INTEGER NOT NULL,
    what TEXT NOT NULL, value REAL NOT NULL, rate_n_lb_ac REAL, note TEXT NOT NULL DEFAULT ''%s);
CREATE INDEX outcome_of_field ON outcome (season, field);
INSERT INTO build (recorded_at, field_file, folder, status, field, season, summary) VALUES
    ('2026-06-10T04:00:00+00:00', '/far/Ash/field.toml', '/far/rx/Ash', 'built', 'Ash', 2026, '{"id": "a1"}');
INSERT INTO outcome (recorded_at, field, season, what, value) VALUES
    ('2026-06-20T04:00:00+00:00', 'Ash', 2026, 'applied_n_lb', 500);
PRAGMA application_id = 1448234545;
PRAGMA user_version = %d;
"""


@pytest.mark.parametrize(("zone", "version"), [("", 1), (", zone INTEGER", 2)])
def test_an_older_book_is_read_as_it_lies_and_raised_when_it_is_written(
    tmp_path: Path, zone: str, version: int
) -> None:
    """Reading changes no byte; a build raises it and nothing is lost; its field is known wherever it is now."""
    book = tmp_path / "season.db"
    with sqlite3.connect(book) as connection:
        connection.executescript(VERSION_2 % (zone, version))
    connection.close()
    before = book.read_bytes()

    def holds_ash() -> None:
        (ash,) = [entry for entry in latest(book) if entry.field == "Ash"]
        assert (ash.rx, ash.field_file) == ("a1", "/far/Ash/field.toml")
        assert [one.value for one in outcomes(book) if ash.has(one)] == [500.0]

    holds_ash()
    assert book.read_bytes() == before
    record_build(book, _entry("Birch"))
    holds_ash()
    record_build(book, _entry("Ash", summary={"id": "a1"}))
    assert [entry.field_file for entry in latest(book)] == ["/valley/Ash/field.toml", "/valley/Birch/field.toml"]
    assert [one.what for one in events(book)] == ["built", "applied", "built", "built"]


def test_the_bounds_of_a_field_are_its_outlines_also_in_a_row_of_an_older_book(tmp_path: Path) -> None:
    """They are kept, so that a question reads no map; a row from before has them from its map; a failure has none."""
    corners = [[[-94.0, 42.0], [-93.9, 42.01], [-93.95, 42.2]]], [[[-94.1, 42.1], [-93.99, 42.1], [-94.0, 42.15]]]
    outlines = [{"type": "Feature", "geometry": {"type": "Polygon", "coordinates": corners[0]}},
                {"type": "Feature", "geometry": {"type": "MultiPolygon", "coordinates": [corners[1]]}}]  # fmt: skip
    book = tmp_path / "season.db"
    record_build(book, _entry("Ash", outlines=outlines), _entry("Birch", status="failed"))
    for _ in range(2):
        ash, birch = with_parts(book, latest(book, parts=()), ("bounds",))
        assert (ash.outlines, ash.bounds, birch.bounds) == ([], (-94.1, 42.0, -93.9, 42.2), ())
        with sqlite3.connect(book) as connection:  # as it was before
            connection.execute("DROP TRIGGER build_no_update")
            connection.execute("UPDATE build SET bounds = ''")
            connection.execute("CREATE TRIGGER build_no_update BEFORE UPDATE ON build BEGIN SELECT 1; END")
        connection.close()


def test_nothing_in_a_book_is_changed_or_taken_away(tmp_path: Path) -> None:
    """Builds, results and events are only added, even by hand."""
    book = tmp_path / "season.db"
    record_build(book, _entry("Ash", summary={"id": "a1"}, signature={"name": "R. Vance", "date": "2026-06-12"}))
    for value in (5000.0, 5100.0):
        record_outcome(book, Outcome(field="Ash", season=2026, what="applied_n_lb", value=value, key="k"))
    (signed,) = [one for one in events(book) if one.what == "signed"]
    assert (signed.by, signed.rx, signed.on) == ("R. Vance", "a1", date(2026, 6, 12))
    assert sum(one.what == "applied" for one in events(book)) == 2
    connection = sqlite3.connect(book)
    for table in ("build", "outcome", "event"):
        for deed in (f"DELETE FROM {table}", f"UPDATE {table} SET field = 'x'"):
            with pytest.raises(sqlite3.IntegrityError, match="only added to"):
                connection.execute(deed)
    connection.close()


def test_a_book_speaks_as_of_a_day(tmp_path: Path) -> None:
    """On each day: the build of then, what had been applied by then, and who had been retired by then."""
    book = tmp_path / "season.db"
    at = "2026-06-{:02d}T12:00:00+00:00"
    record_build(book, _entry("Ash", summary={"id": "a1"}, recorded_at=at.format(10)),
                 _entry("Ash", summary={"id": "a2"}, recorded_at=at.format(14)))  # fmt: skip
    record_outcome(book, *(Outcome(field="Ash", season=2026, what="applied_n_lb", value=value, on=date(2026, 6, day))
                           for day, value in ((16, 400.0), (18, 500.0))))  # fmt: skip
    key = latest(book)[0].key
    retired = Event(what="retired", key=key, field="Ash", season=2026, recorded_at=at.format(20))
    record_events(book, retired)
    told = {}
    for day in (8, 10, 14, 16, 18, 20):
        on = date(2026, 6, day)
        told[day] = [entry.rx for entry in latest(book, on=on)], [one.value for one in outcomes(book, on=on)]
    assert told == {8: ([], []), 10: (["a1"], []), 14: (["a2"], []), 16: (["a2"], [400.0]), 18: (["a2"], [500.0]),
                    20: ([], [500.0])}  # fmt: skip
    record_events(book, Event(what="returned", key=key, field="Ash", season=2026))
    assert [entry.rx for entry in latest(book)] == ["a2"]
