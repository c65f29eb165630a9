"""A batch of fields: whatever happens to one of them, the others are built, whole and verified."""

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import psutil
import pytest

from vrn.audit import verify
from vrn.many.batch import _STALE
from vrn.many.book import latest
from vrn.many.manifest import Job
from vrn.many.pool import build_many
from vrn.many.task import Row

Run = Callable[..., subprocess.CompletedProcess[str]]
Tree = Callable[[Path], dict[str, str]]


pytestmark = pytest.mark.usefixtures("quick_elsewhere")


@pytest.fixture(scope="module")
def batch(
    quick_elsewhere: None, write_valley: Callable[..., Path], run_vrn: Run, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """Six small fields, two of them spoiled, built by two workers; the folder of all that."""
    root = tmp_path_factory.mktemp("batch")
    manifest = write_valley(root / "valley", 6, spoiled=2, acres=15.0, samples=16)
    done = run_vrn("fields", manifest, "--out", root / "rx", "--workers", 2, "--json")
    (root / "lines.json").write_text(done.stdout, encoding="utf-8")
    assert done.returncode == 1, done.stderr
    assert done.stderr == ""
    return root


def _counts(done: subprocess.CompletedProcess[str]) -> tuple[int, int, int]:
    """Built, unchanged and failed fields, as the last line of ``--json`` says."""
    total = json.loads(done.stdout.splitlines()[-1])
    return total["built"], total["unchanged"], total["failed"]


def _table(folder: Path) -> list[dict[str, str]]:
    with (folder / "fields.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_spoiled_fields_are_rows_and_the_others_are_built(batch: Path) -> None:
    """Four fields verify, two are rows with problem and remedy and have no folder; table, lines and book agree."""
    rows = _table(batch / "rx")
    assert [row["status"] for row in rows] == ["built"] * 4 + ["failed"] * 2
    for row in rows[:4]:
        assert verify(row["folder"]).ok, row["folder"]
    for row in rows[4:]:
        assert row["problem"]
        assert row["remedy"]
        assert not Path(row["folder"]).exists()
    *lines, total = map(json.loads, (batch / "lines.json").read_text(encoding="utf-8").splitlines())
    assert {line["name"]: line["status"] for line in lines} == {Path(row["folder"]).name: row["status"] for row in rows}
    warned = sum(line["warnings"] > 0 for line in lines)
    assert total == {"total": 6, "built": 4, "unchanged": 0, "failed": 2, "warned": warned, "not_begun": 0,
                     "dropped": []}  # fmt: skip
    entries = latest(batch / "rx" / "season.db")
    assert sorted(entry.status for entry in entries) == ["built"] * 4 + ["failed"] * 2


def test_nothing_is_left_beside_the_outputs(batch: Path) -> None:
    """The folder of all holds the fields' folders, table, log and book, and no scratch."""
    names = {path.name for path in (batch / "rx").iterdir()} - {f"field_{number:03d}" for number in range(4)}
    assert names <= {"fields.csv", "fields.log", "season.db", "season.db-wal", "season.db-shm"}


@pytest.mark.usefixtures("built_here")
def test_second_run_does_nothing(batch: Path, run_vrn: Run) -> None:
    """Unchanged fields are skipped: no byte and no time of theirs changes, and the book gets no second build."""
    before = {path: path.stat().st_mtime_ns for path in (batch / "rx").glob("field_*/**/*")}
    seen = {entry.field_file: entry.recorded_at for entry in latest(batch / "rx" / "season.db") if entry.field}
    done = run_vrn("fields", batch / "valley" / "june.csv", "--out", batch / "rx", "--workers", 1, "--json")
    assert _counts(done) == (0, 4, 2)
    assert {path: path.stat().st_mtime_ns for path in (batch / "rx").glob("field_*/**/*")} == before
    again = latest(batch / "rx" / "season.db")
    assert {entry.field_file: entry.recorded_at for entry in again if entry.status == "built"} == {
        entry.field_file: seen[entry.field_file] for entry in again if entry.status == "built"
    }


@pytest.mark.usefixtures("built_here")
def test_changed_field_alone_is_built_again(batch: Path, run_vrn: Run, tree_of: Tree, tmp_path: Path) -> None:
    """A changed input, a damaged output and a missing folder are each built again; the rest is skipped."""
    shutil.copytree(batch / "valley", tmp_path / "valley")
    shutil.copytree(batch / "rx", tmp_path / "rx")
    pattern = str(tmp_path / "valley" / "field_00[0-3]" / "field.toml")
    first = {name: tree_of(tmp_path / "rx" / name) for name in ("field_000", "field_001", "field_002")}
    samples = tmp_path / "valley" / "field_000" / "samples.csv"
    samples.write_text(samples.read_text(encoding="utf-8").replace(",0,12,1", ",0,12,2", 3), encoding="utf-8")
    with (tmp_path / "rx" / "field_001" / "shapefile" / "RX.DBF").open("r+b") as file:
        file.seek(200)
        file.write(b"9")
    shutil.rmtree(tmp_path / "rx" / "field_002")
    done = run_vrn("fields", pattern, "--out", tmp_path / "rx", "--workers", 1, "--json")
    assert _counts(done) == (3, 1, 0), done.stdout + done.stderr
    assert tree_of(tmp_path / "rx" / "field_000") != first["field_000"]
    assert tree_of(tmp_path / "rx" / "field_001") == first["field_001"]
    assert tree_of(tmp_path / "rx" / "field_002") == first["field_002"]


def test_same_bytes_whoever_builds(batch: Path, run_vrn: Run, tree_of: Tree, tmp_path: Path) -> None:
    """``vrn build``, one worker and two workers write the same bytes."""
    field = batch / "valley" / "field_003" / "field.toml"
    status = run_vrn("build", field, "--out", tmp_path / "alone").returncode
    assert status in (0, 1)  # a reading unlike its neighbours is a warning
    assert run_vrn("fields", str(field), "--out", tmp_path / "x").returncode == 2  # a field file is not a manifest
    pattern = str(batch / "valley" / "field_003" / "*.toml")
    done = run_vrn("fields", pattern, "--out", tmp_path / "one", "--workers", 1, "--force")
    assert done.returncode == status, done.stdout + done.stderr
    (folder,) = [path for path in (tmp_path / "one").iterdir() if path.is_dir()]
    assert tree_of(folder) == tree_of(tmp_path / "alone") == tree_of(batch / "rx" / "field_003")


def test_book_of_another_place_knows_folder_and_dates(batch: Path, run_vrn: Run, tmp_path: Path) -> None:
    """A new book learns where unchanged fields lie and when they were sampled, from whatever folder it is run."""
    pattern = str(batch / "valley" / "field_00[01]" / "field.toml")
    done = run_vrn("fields", pattern, "--out", "rx", "--book", tmp_path / "new.db", "--json", cwd=batch)
    assert _counts(done) == (0, 2, 0), done.stdout + done.stderr
    known = {entry.field: entry for entry in latest(batch / "rx" / "season.db")}
    for entry in latest(tmp_path / "new.db"):
        assert entry.folder == str(batch / "rx" / Path(entry.folder).name)
        assert entry.crop == known[entry.field].crop
        assert entry.crop["sampled_on"]


@pytest.mark.usefixtures("built_here")
def test_failed_field_points_at_its_old_prescription(batch: Path, run_vrn: Run, tmp_path: Path) -> None:
    """When new inputs fail, the old folder stays whole and the row says that it is not to be loaded."""
    shutil.copytree(batch / "valley" / "field_003", tmp_path / "valley" / "field_003")
    shutil.copytree(batch / "rx" / "field_003", tmp_path / "rx" / "field_003")
    (tmp_path / "valley" / "field_003" / "samples.csv").write_text("", encoding="utf-8")
    done = run_vrn("fields", str(tmp_path / "valley" / "*" / "field.toml"), "--out", tmp_path / "rx", "--workers", 1)
    assert done.returncode == 1
    (row,) = _table(tmp_path / "rx")
    assert row["remedy"].endswith(_STALE)
    assert verify(tmp_path / "rx" / "field_003").ok


@pytest.mark.long
def test_two_hundred_fields(write_valley: Callable[..., Path], run_vrn: Run, tmp_path: Path) -> None:
    """Ten of two hundred fields are spoiled: 190 prescriptions verify, ten rows tell why, again does nothing."""
    manifest = write_valley(tmp_path / "valley", 200, spoiled=10)
    arguments = ("fields", manifest, "--out", tmp_path / "rx", "--json")
    assert _counts(run_vrn(*arguments)) == (190, 0, 10)
    rows = _table(tmp_path / "rx")
    assert all(verify(row["folder"]).ok for row in rows if row["status"] == "built")
    assert all(row["problem"] and row["remedy"] for row in rows if row["status"] == "failed")
    assert _counts(run_vrn(*arguments)) == (0, 190, 10)


def test_applied_total_comes_from_the_as_applied_file(batch: Path, run_vrn: Run, tmp_path: Path) -> None:
    """A recorded file that applied exactly what was prescribed gives the prescribed total."""
    book = shutil.copytree(batch / "rx", tmp_path / "rx") / "season.db"
    entry = next(entry for entry in latest(book) if entry.field == "Field 002")
    features = [
        {"type": "Feature", "properties": {"rate_n_lb_ac": zone["properties"]["rate_n_lb_ac"]},
         "geometry": zone["geometry"]}
        for zone in entry.outlines
    ]  # fmt: skip
    driven = {"type": "FeatureCollection", "features": features}
    (tmp_path / "driven.geojson").write_text(json.dumps(driven), encoding="utf-8")
    table = tmp_path / "came.csv"
    table.write_text("field,what,value,file\nField 002,applied_n_lb,,driven.geojson\n", encoding="utf-8")
    done = run_vrn("season", book, "--record", table, "--json")
    assert done.returncode == 1, done.stderr  # two of its fields failed
    (came,) = json.loads(done.stdout)["results"]
    assert Path(entry.folder).is_absolute()
    assert came["applied_n_lb"] == pytest.approx(entry.summary["total_n_lb"], rel=1e-3)


DEADLY = """
import os
from vrn.many.task import Row

def build(name, field_file, folder):
    if name.startswith("deadly"):
        os._exit(9)
    return Row(name=name, field_file=field_file, folder=folder, status="built")
"""


def test_worker_that_dies_takes_one_field_with_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two of nine fields kill the process that builds them: seven are built, two are rows that say so."""
    (tmp_path / "deadly_work.py").write_text(DEADLY, encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    import deadly_work

    monkeypatch.setattr("vrn.many.pool.build_field", deadly_work.build)
    names = [f"deadly{i}" if i in (2, 5) else f"good{i}" for i in range(9)]
    jobs = [Job(name=name, field_file=tmp_path / name, shown=name) for name in names]
    rows = {row.name: row for row in build_many(jobs, tmp_path, workers=2)}
    assert sorted(rows) == sorted(names)
    assert sorted(name for name, row in rows.items() if row.status == "failed") == ["deadly2", "deadly5"]
    assert "worker process died" in rows["deadly2"].problem


FLAKY = """
import pathlib
from vrn.many.task import Row

def build(name, field_file, folder):
    mark = pathlib.Path(field_file)
    tries = len(mark.read_text()) if mark.exists() else 0
    mark.write_text("x" * (tries + 1))
    status = "built" if name == "busy" and tries == 1 else "failed"
    return Row(name=name, field_file=field_file, folder=folder, status=status, may_pass=name != "wrong")
"""


def test_only_what_can_pass_is_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A busy disk is tried twice and passes, one that stays busy fails after two, a wrong input is tried once."""
    (tmp_path / "flaky_work.py").write_text(FLAKY, encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    import flaky_work

    monkeypatch.setattr("vrn.many.pool.build_field", flaky_work.build)
    jobs = [Job(name=name, field_file=tmp_path / name, shown=name) for name in ("busy", "stuck", "wrong")]
    rows = {row.name: row.status for row in build_many(jobs, tmp_path, workers=1)}
    assert rows == {"busy": "built", "stuck": "failed", "wrong": "failed"}
    assert [len((tmp_path / name).read_text(encoding="utf-8")) for name in ("busy", "stuck", "wrong")] == [2, 2, 1]


def _start(manifest: Path, out: Path) -> subprocess.Popen[str]:
    """Begin a batch, and wait until its first field is done."""
    command = [sys.executable, "-m", "vrn", "fields", str(manifest), "--out", str(out), "--workers", "1", "--json"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert json.loads(process.stdout.readline())["status"] == "built"
    return process


@pytest.mark.usefixtures("built_here")
def test_stopping_leaves_whole_fields_and_goes_on(batch: Path, run_vrn: Run, tmp_path: Path) -> None:
    """Ctrl-C ends the run with 130 after the fields in work; the same command then builds only what is left."""
    manifest, out = tmp_path / "four.csv", tmp_path / "rx"
    fields = [str(batch / "valley" / f"field_{number:03d}" / "field.toml") for number in range(4)]
    manifest.write_text(
        "\n".join(["field,folder", *(f"{path},f{i}" for i, path in enumerate(fields))]), encoding="utf-8"
    )
    process = _start(manifest, out)
    process.send_signal(signal.SIGINT)
    told, complaint = process.communicate(timeout=120)
    assert process.returncode == 130
    assert complaint
    total = json.loads(told.splitlines()[-1])
    assert 1 <= total["built"] < 4
    assert total["not_begun"] == 4 - total["built"]
    built = [Path(row["folder"]) for row in _table(out) if row["status"] == "built"]
    assert all(verify(folder).ok for folder in built)
    again = run_vrn("fields", manifest, "--out", out, "--workers", 1, "--json")
    assert _counts(again) == (total["not_begun"], total["built"], 0)


@pytest.mark.usefixtures("built_here")
def test_killed_parent_takes_its_workers_along(batch: Path, run_vrn: Run, tmp_path: Path) -> None:
    """After kill -9 no worker goes on, what was built is whole, and the same command builds the rest."""
    out = tmp_path / "rx"
    process = _start(batch / "valley" / "june.csv", out)
    children = psutil.Process(process.pid).children(recursive=True)
    os.kill(process.pid, signal.SIGKILL)
    process.communicate(timeout=60)
    _, alive = psutil.wait_procs(children, timeout=60)
    assert alive == []
    pattern = str(batch / "valley" / "field_00[01]" / "field.toml")
    again = run_vrn("fields", pattern, "--out", out, "--workers", 1, "--json")
    built, unchanged, failed = _counts(again)
    assert (built + unchanged, failed) == (2, 0), again.stdout + again.stderr
    assert unchanged > 0
    assert all(verify(out / f"field_{number:03d}").ok for number in range(2))
    assert not list(out.glob(".*vrn-*"))


@pytest.mark.usefixtures("built_here")
def test_stranger_in_a_field_folder_fails_that_field_only(batch: Path, run_vrn: Run, tmp_path: Path) -> None:
    """A folder that holds a user's own file is a failed row, the file stays, and the other field is as it was."""
    shutil.copytree(batch / "rx" / "field_000", tmp_path / "rx" / "field_000")
    mine = tmp_path / "rx" / "field_001" / "notes.txt"
    mine.parent.mkdir(parents=True)
    mine.write_text("mine", encoding="utf-8")
    pattern = str(batch / "valley" / "field_00[01]" / "field.toml")
    done = run_vrn("fields", pattern, "--out", tmp_path / "rx", "--workers", 1, "--json")
    assert done.returncode == 1
    assert _counts(done) == (0, 1, 1)
    assert "holds files that vrn did not write: notes.txt" in done.stdout
    assert mine.read_text(encoding="utf-8") == "mine"


def test_refused_before_any_work(batch: Path, run_vrn: Run, tmp_path: Path) -> None:
    """No manifest, no scheduler, a book that is none: exit 2 with problem and remedy, nothing written."""
    manifest = batch / "valley" / "june.csv"
    text = tmp_path / "book.txt"
    text.write_text("no book", encoding="utf-8")
    for arguments, problem in (
        (("fields", tmp_path / "none.csv"), "no file none.csv"),
        (("fields", manifest, "--book", text), "is not a season book"),
        (("fields", manifest, "--scheduler", "tcp://127.0.0.1:9"), "No Dask scheduler answers"),
        (("season", tmp_path / "none.db"), "no season book"),
    ):
        out = () if arguments[0] == "season" else ("--out", tmp_path / "rx")
        done = run_vrn(*arguments, *out)
        assert done.returncode == 2, done.stdout
        assert problem in done.stderr
        assert "Traceback" not in done.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["book.txt"]
    assert text.read_text(encoding="utf-8") == "no book"


def test_row_for_a_machine_holds_no_files() -> None:
    """A row told as JSON is plain: its files and its inner flag stay out."""
    row = Row(name="a", field_file="a.toml", folder="a", status="built", files={"map.html": b"x"})
    assert json.loads(json.dumps(row.as_plain()))["status"] == "built"
    assert "files" not in row.as_plain()


def test_run_asked_to_stop_before_it_began_starts_nobody(tmp_path: Path) -> None:
    """No field is begun, and no worker either."""
    jobs = [Job(name="a", field_file=tmp_path / "a", shown="a")]
    before = psutil.Process().children()
    assert list(build_many(jobs, tmp_path, workers=1, stop=lambda: True)) == []
    assert psutil.Process().children() == before
