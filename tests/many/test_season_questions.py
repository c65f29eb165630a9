"""Sums by day, product, grower, signer and state, what changed since a day, and copies and places of the book."""

import csv
import json
import sqlite3
import subprocess
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from vrn.errors import InputFileError
from vrn.many import book_file
from vrn.many.book import Entry, latest, record_build
from vrn.many.questions import sums_by
from vrn.many.season import due

Run = Callable[..., subprocess.CompletedProcess[str]]
TODAY = date(2026, 6, 16)


def _entry(name: str, day: str, *, grower: str = "", signer: str = "", product: str = "UAN 32") -> Entry:
    """160 acres, 4,800 gal in 5 loads, 2.75 h, $8,500."""
    summary = {"approved": bool(signer), "id": name, "acres": 160.0, "total_product": 4800.0, "total_n_lb": 17000.0,
               "product": {"name": product, "unit": "gal"}, "work": {"loads": 5, "hours": 2.75, "cost": 8500.0},
               "mean_rate_n_lb_ac": 106.25, "units": "us"}  # fmt: skip
    return Entry(field_file=f"/v/{name}/field.toml", folder=f"/rx/{name}", status="built", field=name, season=2026,
                 summary=summary, grower=grower, signature={"name": signer, "date": "2026-06-14"} if signer else {},
                 crop={"application_date": day}, recorded_at="2026-06-12T12:00:00+00:00")  # fmt: skip


ENTRIES = (
    _entry("ash", "2026-06-15", grower="Olsen", signer="R. Vance"),
    _entry("elm", "2026-06-18", grower="Olsen"),
    _entry("fir", "2026-06-18", grower="Berg", signer="R. Vance", product="UAN 28"),
    Entry(field_file="/v/x", folder="/rx/x", status="failed", field="x", season=2026, problem="p", remedy="r",
          recorded_at="2026-06-12T12:00:00+00:00"),
)  # fmt: skip


@pytest.mark.parametrize(
    ("by", "groups"),
    [
        ("day", {("2026-06-15", "UAN 32"): 1, ("2026-06-18", "UAN 32"): 1, ("2026-06-18", "UAN 28"): 1}),
        ("product", {("UAN 32", "UAN 32"): 2, ("UAN 28", "UAN 28"): 1}),
        ("grower", {("Olsen", "UAN 32"): 2, ("Berg", "UAN 28"): 1}),
        ("signer", {("R. Vance", "UAN 32"): 1, ("", "UAN 32"): 1, ("R. Vance", "UAN 28"): 1}),
        ("state", {("DRAFT", "UAN 32"): 1, ("approved", "UAN 32"): 1, ("approved", "UAN 28"): 1}),
    ],
)
def test_sums_count_every_field_once(by: str, groups: dict[tuple[str, str], int]) -> None:
    """Each group and product by itself; all groups together are all fields that hold a prescription."""
    sums = sums_by(due(ENTRIES, (), TODAY), by)
    assert {(one.group, one.product): one.fields for one in sums} == groups
    for one in sums:
        assert (one.acres, one.total_product, one.n_lb, one.loads, one.hours, one.cost) == tuple(
            one.fields * value for value in (160.0, 4800.0, 17000.0, 5, 2.75, 8500.0)
        )
    assert sum(one.late for one in sums) == 1


def test_a_sum_of_nothing_known_is_unknown() -> None:
    """No price, no cost; never 0."""
    plain = replace(ENTRIES[0], summary=ENTRIES[0].summary | {"work": {}})
    (one,) = sums_by(due((plain,), (), TODAY), "day")
    assert (one.loads, one.hours, one.cost) == (None, None, None)


def test_the_command_answers_and_writes_the_table(run_vrn: Run, tmp_path: Path) -> None:
    """Sums in the table are those of the JSON; changes name the person and the prescription."""
    book, table = tmp_path / "season.db", tmp_path / "by.csv"
    record_build(book, *ENTRIES)
    asked = ("season", book, "--on", "2026-06-16", "--by", "grower", "--csv", table)
    done = run_vrn(*asked, "--since", "2026-06-13", "--json")
    assert done.returncode == 1, done.stderr  # x failed
    told = json.loads(done.stdout)
    with table.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["group"], float(row["total_product"])) for row in rows] == [("Berg", 4800.0), ("Olsen", 9600.0)]
    assert [(one["group"], one["total_product"]) for one in told["sums"]] == [("Berg", 4800.0), ("Olsen", 9600.0)]
    assert [(one["field"], one["what"], one["by"], one["rx"]) for one in told["changes"]] == [
        ("ash", "signed", "R. Vance", "ash"), ("fir", "signed", "R. Vance", "fir")]  # fmt: skip
    text = run_vrn(*asked, "--since", "2026-06-12")
    assert "R. Vance" in text.stdout
    assert run_vrn("season", book, "--by", "weather").returncode == 2


def test_a_copy_is_whole_while_others_write(run_vrn: Run, tmp_path: Path) -> None:
    """It holds what waits in the log beside the book, needs no log itself, and replaces a copy but nothing else."""
    book, copy = tmp_path / "season.db", tmp_path / "copy.db"
    record_build(book, *ENTRIES[:2])
    reader = sqlite3.connect(book)
    reader.execute("SELECT count(*) FROM build").fetchone()
    record_build(book, ENTRIES[2])
    for _ in range(2):
        assert run_vrn("backup", book, copy).returncode == 0
    reader.close()
    assert [entry.field for entry in latest(copy)] == ["ash", "elm", "fir"]
    mine = tmp_path / "notes.txt"
    mine.write_text("mine", encoding="utf-8")
    assert run_vrn("backup", book, mine).returncode == 2
    assert mine.read_text(encoding="utf-8") == "mine"
    assert run_vrn("backup", tmp_path / "none.db", copy).returncode == 2
    assert not list(tmp_path.glob(".*"))


def test_a_book_on_a_network_drive_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not written, nor read while a log lies beside it; a copy there is read. Other disks below and above are free."""
    book = tmp_path / "my share" / "season.db"
    book.parent.mkdir()
    record_build(book, ENTRIES[0])
    mounts = tmp_path / "mountinfo"
    point = str(book.parent).replace(" ", "\\040")
    mounts.write_text(
        f"1 0 0:1 / / rw - ext4 /dev/a rw\n2 1 0:2 / {point} rw shared:1 - nfs4 host:/x rw\n", encoding="utf-8"
    )
    monkeypatch.setattr(book_file, "_MOUNTS", mounts)
    with pytest.raises(InputFileError, match="nfs4"):
        record_build(book, ENTRIES[1])
    assert [entry.field for entry in latest(book)] == ["ash"]
    assert [path.name for path in book.parent.iterdir()] == ["season.db"]
    book.with_name("season.db-wal").touch()
    with pytest.raises(InputFileError, match="nfs4"):
        latest(book)
    record_build(tmp_path / "season.db", ENTRIES[0])
