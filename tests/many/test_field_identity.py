"""A field is the same field wherever its files are, and another one never takes its place in the season book."""

import hashlib
import json
import platform
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from vrn.many import batch
from vrn.many.batch import BatchRun
from vrn.many.book import latest, record_build
from vrn.many.book_events import events
from vrn.many.manifest import Job
from vrn.many.task import Row


def _hash(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _fake_build(jobs: list[Job], out: Path, **_: object) -> Iterator[Row]:
    """Writes what a build writes that the book reads; 100 gal for every field."""
    for job in jobs:
        folder, text = out / job.name, job.field_file.read_bytes()
        folder.mkdir(parents=True, exist_ok=True)
        own = {"id": job.id} if job.id else {}
        (folder / "statement.json").write_text(json.dumps({"settings": {"field": own}}), encoding="utf-8")
        (folder / "prescription.geojson").write_text('{"features": []}', encoding="utf-8")
        files = {path.name: _hash(path.read_bytes()) for path in folder.iterdir() if path.name != "summary.json"}
        summary = {"field": job.field, "season": job.season, "approved": False, "id": _hash(text), "files": files,
                   "inputs": {job.field_file.name: _hash(text)}, "versions": {}, "total_product": 100.0,
                   "product": {"name": "UAN 32", "unit": "gal"}, "findings": []}  # fmt: skip
        (folder / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
        yield Row(name=job.name, field_file=str(job.field_file), folder=str(folder), status="built",
                  crop={"growth_stage": "V8"})  # fmt: skip


@pytest.fixture(autouse=True)
def _no_real_builds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch, "build_many", _fake_build)
    monkeypatch.setattr(batch, "_crop_of", lambda *_: {})


def _valley(root: Path, *names: str, ids: bool = False) -> Path:
    """Fields and a list of them, as ``root/june.csv``."""
    for name in names:
        (root / name).mkdir(parents=True, exist_ok=True)
        own = f'id = "id-{name}"\n' if ids else ""
        (root / name / "field.toml").write_text(f'[field]\nname = "{name}"\n{own}season = 2026\n', encoding="utf-8")
    manifest = root / "june.csv"
    manifest.write_text("\n".join(["field", *(f"{name}/field.toml" for name in names), ""]), encoding="utf-8")
    return manifest


def _why(manifest: Path, out: Path) -> list[tuple[str, str]]:
    return [(job.name, code) for job, code, _ in BatchRun(str(manifest), out).plan()]


def test_a_dry_run_says_what_would_be_built_and_why(tmp_path: Path) -> None:
    """New, a changed input, a changed output, another version; the patch of a library that draws pages is none."""
    manifest, out = _valley(tmp_path / "v", "ash", "elm"), tmp_path / "rx"
    assert _why(manifest, out) == [("ash", "stale-new"), ("elm", "stale-new")]
    assert not out.exists()
    _run(manifest, out)
    assert _why(manifest, out) == [("ash", "stale-not"), ("elm", "stale-not")]
    field, made = tmp_path / "v" / "ash" / "field.toml", out / "elm" / "statement.json"
    kept = field.read_bytes(), made.read_bytes()
    field.write_bytes(kept[0] + b"#\n")
    made.write_bytes(kept[1] + b" ")
    assert _why(manifest, out) == [("ash", "stale-input"), ("elm", "stale-output")]
    field.write_bytes(kept[0])
    made.write_bytes(kept[1])
    for name, was in (("numpy", f"{np.__version__}x"), ("python", ".".join(platform.python_version_tuple()[:2]))):
        path = out / "ash" / "summary.json"
        summary = json.loads(path.read_text(encoding="utf-8"))
        patched = was if name == "numpy" else f"{was}.99"
        path.write_text(json.dumps(summary | {"versions": {name: patched}}), encoding="utf-8")
        assert _why(manifest, out)[0][1] == ("stale-version" if name == "numpy" else "stale-not")


def test_those_due_first_are_built_first(tmp_path: Path) -> None:
    """Fields without a day come last, in the order of the list; the table keeps that order for all."""
    manifest = _valley(tmp_path / "v", "none", "late", "soon")
    for name, day in (("late", "2026-06-20"), ("soon", "2026-06-12")):
        with (tmp_path / "v" / name / "field.toml").open("a", encoding="utf-8") as file:
            file.write(f"[crop]\napplication_date = {day}\n")
    run = _run(manifest, tmp_path / "rx")
    assert list(run.told) == ["soon", "late", "none"]
    table = (tmp_path / "rx" / "fields.csv").read_text(encoding="utf-8").splitlines()
    assert [line.split(",")[1].rpartition("/")[2] for line in table[1:]] == ["none", "late", "soon"]
    log = (tmp_path / "rx" / "fields.log").read_text(encoding="utf-8").splitlines()
    assert [line.split()[1:3] for line in log] == [["soon", "built"], ["late", "built"], ["none", "built"]]


def _run(manifest: Path, out: Path, book: Path | None = None, *, force: bool = False) -> BatchRun:
    run = BatchRun(str(manifest), out, book=book, force=force)
    run.told = {row.name: row.status for row in run.rows()}
    return run


def _gallons(book: Path) -> float:
    return sum(entry.summary["total_product"] for entry in latest(book, built=True))


def test_a_valley_that_moved_with_its_book_is_the_same_valley(tmp_path: Path) -> None:
    """Fields, outputs and book under another mount: nothing is built, and nothing is ordered twice."""
    _run(_valley(tmp_path / "a" / "valley", "ash", "elm"), tmp_path / "a" / "rx")
    shutil.move(tmp_path / "a", tmp_path / "b")
    again = _run(tmp_path / "b" / "valley" / "june.csv", tmp_path / "b" / "rx")
    assert set(again.told.values()) == {"unchanged"}
    book = tmp_path / "b" / "rx" / "season.db"
    assert _gallons(book) == 200.0
    assert {entry.field_file for entry in latest(book)} == {
        str(tmp_path / "b" / "valley" / name / "field.toml") for name in ("ash", "elm")}  # fmt: skip
    _run(tmp_path / "b" / "valley" / "june.csv", tmp_path / "b" / "rx", force=True)
    assert _gallons(book) == 200.0


@pytest.mark.parametrize("ids", [False, True])
def test_the_same_fields_under_another_path_are_ordered_once(tmp_path: Path, ids: bool) -> None:
    """With and without ids, into other output folders: the very same prescriptions are the same fields.

    With ids also after their inputs changed.
    """
    book = tmp_path / "season.db"
    _run(_valley(tmp_path / "share" / "valley", "ash", "elm", ids=ids), tmp_path / "rx1", book)
    shutil.copytree(tmp_path / "share", tmp_path / "mnt")
    if ids:
        field = tmp_path / "mnt" / "valley" / "ash" / "field.toml"
        field.write_text(field.read_text(encoding="utf-8") + "# a new reading\n", encoding="utf-8")
    _run(tmp_path / "mnt" / "valley" / "june.csv", tmp_path / "rx2", book)
    assert [entry.field for entry in latest(book)] == ["ash", "elm"]
    assert _gallons(book) == 200.0


def test_a_field_that_got_an_id_is_the_same_field(tmp_path: Path) -> None:
    """Its earlier builds are its own, and the list that named it by its path has not dropped it."""
    _run(_valley(tmp_path / "v", "ash", "elm"), tmp_path / "rx")
    run = _run(_valley(tmp_path / "v", "ash", "elm", ids=True), tmp_path / "rx")
    assert run.dropped == ()
    entries = latest(run.book)
    assert [entry.key for entry in entries] == ["id-ash", "id-elm"]
    assert entries[0].keys == {"id-ash", "../v/ash/field.toml"}


def test_a_field_off_its_list_leaves_the_order_and_is_told(tmp_path: Path) -> None:
    """Once, with its name; on another list it stays; listed again it is back without a build."""
    out = tmp_path / "rx"
    _run(_valley(tmp_path / "v", "ash", "elm"), out)
    run = _run(_valley(tmp_path / "v", "ash"), out)
    assert [one.field for one in run.dropped] == ["elm"]
    assert [entry.field for entry in latest(run.book)] == ["ash"]
    assert [entry.field for entry in latest(run.book, retired=True)] == ["ash", "elm"]
    assert _run(tmp_path / "v" / "june.csv", out).dropped == ()
    back = _run(_valley(tmp_path / "v", "ash", "elm"), out)
    assert set(back.told.values()) == {"unchanged"}
    assert [entry.field for entry in latest(run.book)] == ["ash", "elm"]
    other = tmp_path / "v" / "other.csv"
    other.write_text("field\nelm/field.toml\n", encoding="utf-8")
    _run(other, out)
    assert [one.field for one in _run(_valley(tmp_path / "v", "ash"), out).dropped] == ["elm"]
    assert [entry.field for entry in latest(run.book)] == ["ash", "elm"]


def test_a_field_whose_file_is_gone_fails_and_stays_listed(tmp_path: Path) -> None:
    """A lost share is not a field that was dropped: with and without its file it is one field of the book."""
    _run(_valley(tmp_path / "v", "ash", "elm", ids=True), tmp_path / "rx")
    (tmp_path / "v" / "elm" / "field.toml").unlink()
    run = BatchRun(str(tmp_path / "v" / "june.csv"), tmp_path / "rx")
    run._begin(None)
    assert run.dropped == ()
    entry = batch.entry_of(Row(name="elm", field_file=str(tmp_path / "v" / "elm" / "field.toml"),
                             folder=str(tmp_path / "rx" / "elm"), status="failed", problem="lost"))  # fmt: skip
    record_build(run.book, entry)
    assert [(one.field, one.status) for one in latest(run.book)] == [("ash", "built"), ("elm", "failed")]


def test_a_copied_id_never_hides_the_first_field(tmp_path: Path) -> None:
    """A field file copied for another field with its id still in it is refused; the first stays in the book."""
    book = tmp_path / "season.db"
    _run(_valley(tmp_path / "v", "ash", ids=True), tmp_path / "rx", book)
    other = _valley(tmp_path / "w", "elm", ids=True)
    field = tmp_path / "w" / "elm" / "field.toml"
    field.write_text(field.read_text(encoding="utf-8").replace("id-elm", "id-ash"), encoding="utf-8")
    run = _run(other, tmp_path / "rx", book)
    assert run.told == {"elm": "failed"}
    assert "id-ash" in run.tally.failures[0].problem
    assert [entry.field for entry in latest(book)] == ["ash"]


def test_a_new_build_supersedes_the_last_one(tmp_path: Path) -> None:
    """The event names both prescriptions; nothing of it is said of a build that gives the same."""
    manifest = _valley(tmp_path / "v", "ash")
    _run(manifest, tmp_path / "rx")
    run = _run(manifest, tmp_path / "rx", force=True)
    assert sorted(one.what for one in events(run.book)) == ["built", "built", "listed"]
    field = tmp_path / "v" / "ash" / "field.toml"
    old = _hash(field.read_bytes())
    field.write_text(field.read_text(encoding="utf-8") + "#\n", encoding="utf-8")
    _run(manifest, tmp_path / "rx")
    (event,) = [one for one in events(run.book) if one.what == "superseded"]
    assert (event.rx, event.note) == (old, _hash(field.read_bytes()))
    assert event.host
