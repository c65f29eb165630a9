"""One run over a manifest: what is skipped, what is built, what the book and the table of rows say of it."""

import csv
import json
import math
import os
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from vrn.errors import OutputError
from vrn.files.staging import move
from vrn.many.book import Entry, latest, record_or_wait, waiting_beside
from vrn.many.book_events import Event
from vrn.many.book_file import place_in, refuse_stranger
from vrn.many.book_tables import AnyBook
from vrn.many.manifest import Job, introduced, is_pattern, note_list, read_manifest, same_id
from vrn.many.pool import Patience, build_many, knock
from vrn.many.sign import usable_processors
from vrn.many.task import Row, sha256_of, staleness, summary_in

_TABLE_S = 5.0  # how often the table is written anew while rows come
_STALE = "Its folder still holds the prescription of an earlier build: do not load that one."


@dataclass(slots=True, kw_only=True)
class Tally:
    """Counts of a run, and its failed rows."""

    total: int
    built: int = 0
    unchanged: int = 0
    warned: int = 0
    failures: list[Row] = field(default_factory=list)

    @property
    def left(self) -> int:
        """Fields without a row yet."""
        return self.total - self.built - self.unchanged - len(self.failures)

    def as_plain(self) -> dict[str, int]:
        """The counts for a machine to read."""
        return {"total": self.total, "built": self.built, "unchanged": self.unchanged, "failed": len(self.failures),
                "warned": self.warned, "not_begun": self.left}  # fmt: skip

    def count(self, row: Row) -> None:
        """Take a row into account."""
        self.warned += row.warnings > 0
        if row.status == "failed":
            self.failures.append(row)
        elif row.status == "built":
            self.built += 1
        else:
            self.unchanged += 1


class BatchRun:
    """A run over many fields into a folder, remembered in a book, ``out / "season.db"`` if none is given."""

    def __init__(self, manifest: str, out: Path, *, book: AnyBook | None = None, force: bool = False) -> None:
        self.jobs = read_manifest(manifest)
        self.out = out.absolute()  # the book is read from other folders than the one it was written in
        self.book, self.force = book or out / "season.db", force
        self.manifest = manifest
        self.tally = Tally(total=len(self.jobs))
        self.dropped: tuple[Event, ...] = ()
        self._written = time.monotonic()

    def rows(
        self, *, workers: int | None = None, scheduler: str | None = None, ship: bool = False,
        stop: Callable[[], bool] = lambda: False, patience: Patience | None = None,
    ) -> Iterator[Row]:  # fmt: skip
        """Every field's row as it is done; each is in the book by then, or beside it where the book is busy.

        The table ``fields.csv`` is written as the rows come, and ``fields.log`` gets a line with the time for each.
        Those that are due first are built first. Once ``stop`` says yes, no other field is begun. VrnError, and nothing
        is written, if the scheduler or the folder cannot be used, or the book is none.
        """
        self._begin(scheduler, else_here=patience is not None and patience.else_here)
        rows: dict[str, Row] = {}
        try:
            for row in self._each(rows, workers, scheduler, stop, patience, ship=ship):
                rows[row.name] = row
                self.tally.count(row)
                self._log(row)
                if time.monotonic() - self._written > _TABLE_S:
                    self._write_table(rows)
                yield row
        finally:
            self._write_table(rows)

    def _each(
        self, rows: dict[str, Row], workers: int | None, scheduler: str | None, stop: Callable[[], bool],
        patience: Patience | None, *, ship: bool,
    ) -> Iterator[Row]:  # fmt: skip
        """Refused lines, then fields that need no work, then those that are built."""
        yield from self._refused()
        yield from self._unchanged(stop)
        waiting = [job for job in self.jobs if job.name not in rows]
        waiting.sort(key=lambda job: (job.due is None, job.due or date.min))
        for row in build_many(waiting, self.out, workers=workers or usable_processors(), scheduler=scheduler, ship=ship,
                              stop=stop, patience=patience):  # fmt: skip
            told = self._with_stale(row)
            record_or_wait(self.book, entry_of(told), out=self.out)
            yield told

    def plan(self) -> Iterator[tuple[Job, str, dict[str, str]]]:
        """What a run would do with each field and why, as a sentence of the season's words; nothing is written."""
        for job in self.jobs:
            if job.refused is not None:
                yield job, "stale-refused", {"problem": job.refused[0], "remedy": job.refused[1]}
            elif self.force:
                yield job, "stale-forced", {}
            else:
                yield job, *(staleness(job.field_file, self.out / job.name) or ("stale-not", {}))

    @property
    def spooled(self) -> bool:
        """Whether rows wait beside the book, which was busy."""
        return waiting_beside(self.book, self.out).exists()

    def _log(self, row: Row) -> None:
        """A line of the log: when, which field, its state, how long it took, and the problem if there is one."""
        parts = (datetime.now().astimezone().isoformat(timespec="seconds"), row.name, row.status,
                 f"{row.seconds:.1f} s", row.problem)  # fmt: skip
        with suppress(OSError), (self.out / "fields.log").open("a", encoding="utf-8") as file:
            file.write("  ".join(filter(None, (" ".join(part.split()) for part in parts))) + "\n")

    def _begin(self, scheduler: str | None, *, else_here: bool = False) -> None:
        """Refuse what cannot work before anything is written, then make the folder of all and the book."""
        refuse_stranger(self.book)
        if scheduler is not None and not else_here:
            knock(scheduler)
        try:
            self.out.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            problem = f"The folder {self.out} cannot be made: {error.strerror or error}."
            raise OutputError(problem, "Give a folder that you may write to.") from error
        for part in self.out.glob(".fields.csv.*.part"):  # what a kill left
            part.unlink(missing_ok=True)
        record_or_wait(self.book, out=self.out)
        try:
            self._note_list()
        except OutputError:  # a busy book: the list is noted by the next run
            if not self.book.exists():
                raise

    def _note_list(self) -> None:
        """Tell the book which fields the manifest names; refuse a field that says it is another one of the book."""
        jobs, keys, files = [], [], set()
        known = latest(self.book, retired=True, parts=())
        by_file = {place_in(self.book, Path(entry.field_file)): entry for entry in known}
        by_id = {(entry.key, entry.season): entry for entry in known if entry.status == "built"}
        for job in self.jobs:
            file = place_in(self.book, job.field_file)
            readable, there = bool(job.field), by_file.get(file)
            keys.append(job.id or (file if readable or there is None else there.key))
            files.add(file)
            other = by_id.get((job.id, job.season))
            if job.id and not job.refused and other is not None and _is_another(job, other):
                job = replace(job, refused=same_id(job.id, other.field_file, job.shown))
            jobs.append(job)
        self.jobs = tuple(jobs)
        pattern = is_pattern(self.manifest)
        name = self.manifest if pattern else place_in(self.book, Path(self.manifest))
        lost = note_list(self.book, name, keys)
        moved = {key for file in files if file in by_file for key in by_file[file].keys}  # given an id since
        self.dropped = tuple(one for one in lost if one.key not in moved)

    def _refused(self) -> Iterator[Row]:
        """Rows of the lines that cannot be built as they stand; the book knows nothing of them."""
        for job in self.jobs:
            if job.refused is not None:
                yield Row(name=job.name, field_file=str(job.field_file), folder=str(self.out / job.name),
                          status="failed", problem=job.refused[0], remedy=job.refused[1])  # fmt: skip

    def _unchanged(self, stop: Callable[[], bool]) -> Iterator[Row]:
        """Rows of the fields that need no work; the book learns of those it does not know."""
        if self.force:
            return
        with ThreadPoolExecutor(usable_processors()) as threads:
            jobs = [job for job in self.jobs if job.refused is None]
            same = list(
                threads.map(lambda job: not stop() and not staleness(job.field_file, self.out / job.name), jobs)
            )
        known = {(os.path.realpath(entry.field_file), entry.summary_sha256)
                 for entry in latest(self.book, retired=True, parts=())}  # fmt: skip
        skipped = [_unchanged_row(job, self.out) for job, unchanged in zip(jobs, same, strict=True) if unchanged]
        entries = [entry_of(row) for row in skipped]
        news = [entry for entry in entries if (os.path.realpath(entry.field_file), entry.summary_sha256) not in known]
        if news:
            record_or_wait(self.book, *news, out=self.out)
        yield from skipped

    def _with_stale(self, row: Row) -> Row:
        """A failed row says so when an older prescription lies in its folder."""
        if row.status != "failed" or summary_in(Path(row.folder)) is None:
            return row
        return replace(row, remedy=f"{row.remedy} {_STALE}")

    def _write_table(self, rows: dict[str, Row]) -> None:
        """``fields.csv``: a line for each field of the manifest, in its order."""
        self._written = time.monotonic()
        part = self.out / f".fields.csv.{os.getpid()}.part"  # another parent may write its own at the same time
        columns = ("field_file", "folder", "status", "warnings", "problem", "remedy")
        try:
            with part.open("w", encoding="utf-8", newline="") as file:
                writer = csv.writer(file, lineterminator="\n")
                writer.writerow(columns)
                for job in self.jobs:
                    row = rows.get(job.name) or _not_begun(job, self.out)
                    writer.writerow([_plain_cell(getattr(row, column)) for column in columns])
            move(part, self.out / "fields.csv")
        except OSError as error:
            part.unlink(missing_ok=True)
            problem = f"The table {self.out / 'fields.csv'} cannot be written: {error.strerror or error}."
            remedy = "Close it in other programs, or make room there. The fields and the season book are whole."
            raise OutputError(problem, remedy) from error


def _plain_cell(value: object) -> object:
    """A cell that no spreadsheet takes for a formula."""
    return f"'{value}" if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r") else value


def _unchanged_row(job: Job, out: Path) -> Row:
    folder = out / job.name
    summary = summary_in(folder) or {}
    warnings = sum(found["level"] == "warning" for found in summary.get("findings", ()))
    return Row(name=job.name, field_file=str(job.field_file), folder=str(folder), status="unchanged", warnings=warnings)


def _not_begun(job: Job, out: Path) -> Row:
    remedy = "Run the same command again."
    return Row(name=job.name, field_file=str(job.field_file), folder=str(out / job.name), status="not begun",
               problem="The run was stopped before this field.", remedy=remedy)  # fmt: skip


def _is_another(job: Job, other: Entry) -> bool:
    """Whether the field that the book knows by a job's id is another one: its file is there still, and says so."""
    file = Path(other.field_file)
    if other.field == job.field or os.path.realpath(file) == os.path.realpath(job.field_file):
        return False
    there = introduced(Job(name="", field_file=file, shown=""))
    return there.id == job.id and there.season == job.season and there.field != job.field


def entry_of(row: Row) -> Entry:
    """What a book keeps of a row; what was written is read back from its folder."""
    if row.status == "failed":
        said = introduced(Job(name=row.name, field_file=Path(row.field_file), shown=""))
        return Entry(field_file=row.field_file, folder=row.folder, status="failed", problem=row.problem, key=said.id,
                     remedy=row.remedy, field=said.field or row.name, season=said.season)  # fmt: skip
    folder = Path(row.folder)
    summary = summary_in(folder) or {}
    drawn = json.loads((folder / "prescription.geojson").read_text(encoding="utf-8"))
    settings = _in_folder(folder, "statement.json").get("settings", {})
    farm = settings.get("farm", {})
    return Entry(
        field_file=row.field_file, folder=row.folder, status="built", field=summary["field"],
        season=summary["season"], summary_sha256=sha256_of(folder / "summary.json"),
        summary=summary | {"work": _work(summary, settings)},
        crop=row.crop or _crop_of(Path(row.field_file), folder), outlines=drawn["features"],
        key=settings.get("field", {}).get("id") or "", grower=farm.get("grower") or "", farm=farm.get("farm") or "",
        signature=_signed(folder),
    )  # fmt: skip


def _signed(folder: Path) -> dict[str, Any]:
    """Who signed what lies in a folder, and what it took the place of; empty for a draft."""
    told = _in_folder(folder, "signature.json")
    return {name: value for name, value in told.items() if name not in ("files", "warnings", "summary", "signature")}


def _work(summary: dict[str, Any], settings: dict[str, Any]) -> dict[str, float | None]:
    """Loads, hours of driving and cost of a prescription, where its settings say enough.

    Acres an hour are mph × ft ÷ 8.25 (43,560 sq ft in an acre, 5,280 ft in a mile), without turns and refills.

    >>> plain = {"acres": 160.0, "total_product": 4800.0, "total_n_lb": 17000.0, "product": {"unit": "gal"}}
    >>> _work(plain, {"machine": {"tank_gal": 1000.0, "swath_ft": 60.0, "speed_mph": 8.0}, "prices": {"n_per_lb": 0.5}})
    {'loads': 5, 'hours': 2.75, 'cost': 8500.0}
    """
    machine, price = settings.get("machine", {}), settings.get("prices", {}).get("n_per_lb")
    total, unit = summary.get("total_product"), summary.get("product", {}).get("unit")
    tank, acres = machine.get(f"tank_{unit}"), summary.get("acres")
    pace = machine.get("swath_ft", 0.0) * machine.get("speed_mph", 0.0) / 8.25
    return {"loads": math.ceil(total / tank - 1e-9) if tank and total else None,
            "hours": acres / pace if acres and pace else None,
            "cost": None if price is None else summary["total_n_lb"] * price}  # fmt: skip


def _in_folder(folder: Path, name: str) -> dict[str, Any]:
    """A JSON file of an output; empty where it is not there, as in a folder of an older version."""
    try:
        found = json.loads((folder / name).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def _crop_of(field_file: Path, folder: Path) -> dict[str, str | None]:
    """Stage and dates of a field that was not built in this run; the sampling date stands in its output."""
    import sqlite3
    from contextlib import closing, suppress

    from vrn.ingest import read_settings

    crop = read_settings(field_file).crop
    planned, sampled_on = crop.application_date, None
    layers = (folder / "layers.gpkg").absolute().as_uri()
    with suppress(sqlite3.Error), closing(sqlite3.connect(f"{layers}?immutable=1", uri=True)) as written:
        sampled_on = written.execute("SELECT max(sampled_on) FROM samples").fetchone()[0] or None
    return {"growth_stage": crop.growth_stage, "sampled_on": sampled_on,
            "application_date": planned.isoformat() if planned else None}  # fmt: skip
