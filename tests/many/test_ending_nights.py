"""A night always ends: a field that hangs, workers that are gone, a busy book, a user who stops; nothing is lost."""

import json
import multiprocessing
import sqlite3
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from pathlib import Path

import pytest

from vrn.errors import OutputError
from vrn.many import pool
from vrn.many.book import Entry, latest, record_or_wait, waiting_beside
from vrn.many.manifest import Job, read_manifest
from vrn.many.pool import Patience, build_many
from vrn.many.task import Row


class _Held(Executor):
    """Workers from whom nothing is ever heard again, but of the fields that begin with ``done``."""

    def submit(self, _build: Callable[..., Row], name: str, field_file: str, folder: str) -> Future[Row]:
        future: Future[Row] = Future()
        if name.startswith("done"):
            future.set_result(Row(name=name, field_file=field_file, folder=folder, status="built"))
        else:
            future.set_running_or_notify_cancel()
        return future


def _jobs(*names: str) -> list[Job]:
    return [Job(name=name, field_file=Path(name), shown=name) for name in names]


def _shift(
    names: str, *, patience: Patience, stop: bool = False, idle_s: float = 0.0, local: bool = True
) -> tuple[dict[str, str], list[str]]:
    """What became of each field of a night with one worker, and the fields that are left."""
    workers = pool._WorkerPool(executor=_Held(), size=1, local=local, idle_s=lambda: idle_s)
    queue = deque(_jobs(*names.split()))
    shift = pool._Shift(workers, queue, Path("out"), lambda: stop, patience, ship=False)
    return {row.name: row.status for row in shift.rows()}, [job.name for job in queue]


def test_a_field_that_takes_too_long_is_a_row_and_the_others_go_on() -> None:
    """Here its worker is ended, and what waited behind it comes first with the next; a cluster goes on by itself."""
    patience = Patience(field_s=0.1)
    assert _shift("hangs b c", patience=patience) == ({"hangs": "failed"}, ["b", "c"])
    assert _shift("hangs done hung", patience=patience, local=False) == (
        {"hangs": "failed", "done": "built", "hung": "failed"}, [])  # fmt: skip


def test_a_cluster_without_workers_is_given_up() -> None:
    """What was in work is a row, the rest is not begun; or all of it is built here."""
    told, left = _shift("done a b c", patience=Patience(worker_s=5.0), idle_s=6.0, local=False)
    assert told == {"done": "built", "a": "failed"}
    assert left == ["b", "c"]
    told, left = _shift("done a b c", patience=Patience(worker_s=5.0, else_here=True), idle_s=6.0, local=False)
    assert told == {"done": "built"}
    assert left == ["a", "b", "c"]


def test_a_cluster_that_takes_no_more_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """A scheduler that is lost refuses the next field: no traceback, and the field is not lost with it."""
    monkeypatch.setattr(_Held, "submit", lambda *_: (_ for _ in ()).throw(RuntimeError("closed")))
    assert _shift("a b", patience=Patience(), local=False) == ({}, ["a", "b"])


def test_a_user_who_stops_does_not_wait_for_a_field_that_hangs(monkeypatch: pytest.MonkeyPatch) -> None:
    """Here and on a cluster, after a little grace."""
    monkeypatch.setattr(pool, "_GRACE_S", 0.1)
    patience = Patience(field_s=1e6)
    asked: Iterator[bool] = iter([False, False])
    for local in (True, False):
        workers = pool._WorkerPool(executor=_Held(), size=1, local=local)
        asked = iter([False] * 3)
        shift = pool._Shift(workers, deque(_jobs("a", "b", "c")), Path("out"),
                            lambda asked=asked: next(asked, True), patience, ship=False)  # fmt: skip
        assert list(shift.rows()) == []


SLOW = """
import time

def build(name, field_file, folder):
    time.sleep(3600)
"""


def test_the_worker_of_a_field_that_hangs_is_ended(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The run ends with the field's row, and no process is left behind."""
    (tmp_path / "slow_work.py").write_text(SLOW, encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    import slow_work

    monkeypatch.setattr("vrn.many.pool.build_field", slow_work.build)
    rows = {row.name: row for row in build_many(_jobs("a"), tmp_path, workers=1, patience=Patience(field_s=0.5))}
    assert rows["a"].status == "failed"
    assert "longer than" in rows["a"].problem
    assert multiprocessing.active_children() == []


def _entry(name: str) -> Entry:
    return Entry(field=name, field_file=f"/v/{name}.toml", folder=f"/rx/{name}", status="built", season=2026,
                 summary={"id": name})  # fmt: skip


def test_rows_wait_beside_a_busy_book_and_are_taken_in_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """While another holds the book the night goes on; later each row is in the book once, even if that is repeated."""
    monkeypatch.setattr("vrn.many.book._BUSY_S", 0.05)
    book = tmp_path / "season.db"
    record_or_wait(book, _entry("ash"))
    other = sqlite3.connect(book, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    record_or_wait(book, _entry("birch"))
    record_or_wait(book, _entry("cedar"))
    assert [entry.field for entry in latest(book)] == ["ash"]
    other.execute("ROLLBACK")
    kept = {path.name: path.read_bytes() for path in waiting_beside(book).iterdir()}
    assert len(kept) == 2
    record_or_wait(book, _entry("elm"))
    assert not waiting_beside(book).exists()
    waiting_beside(book).mkdir()  # killed before they were taken away
    for name, content in (kept | {"half.part": b'{"field": "half a li'}).items():
        (waiting_beside(book) / name).write_bytes(content)
    record_or_wait(book)
    assert [entry.field for entry in latest(book)] == ["ash", "birch", "cedar", "elm"]
    assert other.execute("SELECT count(*) FROM build").fetchone() == (4,)
    other.close()


def test_where_neither_book_nor_its_folder_can_be_written_the_night_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What cannot be kept is not passed over."""

    def refuse(*_: object, **__: object) -> None:
        raise OutputError("The season book cannot be written.", "Check the disk.")

    monkeypatch.setattr("vrn.many.book._record", refuse)
    with pytest.raises(OutputError, match="cannot be written"):
        record_or_wait(tmp_path / "gone" / "season.db", _entry("ash"))


def test_what_is_due_first_is_known_before_it_is_read(tmp_path: Path) -> None:
    """The day of application comes from the field file; one that cannot be read has none."""
    for name, day in (("a", "application_date = 2026-06-20"), ("b", ""), ("c", "application_date = ")):
        (tmp_path / name).mkdir()
        text = f'[field]\nname = "{name}"\nseason = 2026\n[crop]\n{day}\n'
        (tmp_path / name / "field.toml").write_text(text, encoding="utf-8")
    jobs = read_manifest(str(tmp_path / "*" / "field.toml"))
    assert [job.due and job.due.isoformat() for job in jobs] == ["2026-06-20", None, None]
    assert json.dumps([job.field for job in jobs]) == '["a", "b", ""]'
