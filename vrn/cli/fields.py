"""``vrn fields``: many fields, side by side, whatever happens to one of them."""

import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vrn.cli.app import FINDINGS, app, complain, say, say_findings, say_json, tell

if TYPE_CHECKING:
    from vrn.many.batch import BatchRun, Tally
    from vrn.many.book_tables import AnyBook

_STOPPED = 130
_LEFT = ("stale-not", "stale-refused")  # what a run would not build
_HELP = """Build many fields: a CSV with a column field of paths to field files, or a pattern in quotes.

A field whose inputs and versions are those of the prescription in its folder is left as it is; --dry-run says which
would be built and why. Those to be applied first are built first. A field that fails is a row with its problem and
remedy, and the others go on. DIR/fields.csv lists the rows, DIR/fields.log when each was done; the season book
DIR/season.db remembers every build. Exit status 1 when a field failed or has a warning.

A run always ends: a field may take 900 s (--field-timeout), and a cluster without a worker for 60 s (--worker-timeout)
is given up. Ctrl-C or SIGTERM ends it within 10 s with the table written. Run the same command to go on.

Example:  vrn fields june.csv --out june_rx --workers 4

Example:  vrn fields "valley/*/field.toml" --out june_rx --scheduler tcp://10.0.0.5:8786
"""


@app.command(help=_HELP)
def fields(
    manifest: Annotated[str, typer.Argument(metavar="MANIFEST", help="CSV with a column field, or a pattern")],
    out: Annotated[Path, typer.Option("--out", help="folder of all; each field gets a folder in it")],
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="processes; one per processor when not given")
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option("--scheduler", help="a Dask scheduler, as tcp://10.0.0.5:8786, instead of processes")
    ] = None,
    ship: Annotated[
        bool, typer.Option("--ship", help="send the files along: for workers that do not see this disk")
    ] = False,
    field_timeout: Annotated[
        float, typer.Option("--field-timeout", min=1.0, metavar="SECONDS", help="longest that a field may take")
    ] = 900.0,
    worker_timeout: Annotated[
        float, typer.Option("--worker-timeout", min=1.0, metavar="SECONDS", help="longest without any worker")
    ] = 60.0,
    else_here: Annotated[
        bool, typer.Option("--else-here", help="with --scheduler: build the rest here when the cluster is lost")
    ] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="say what would be built and why; write nothing")] = False,
    force: Annotated[bool, typer.Option("--force", help="build unchanged fields too")] = False,
    book: Annotated[
        str | None, typer.Option("--book", help="season book: a file, or postgresql://…; DIR/season.db when not given")
    ] = None,
    json_: Annotated[bool, typer.Option("--json", help="a line of JSON for each field as it is done")] = False,
) -> None:
    """Build, report, and end with 1 when any field failed or has a warning."""
    from vrn.findings import Quantity, warning
    from vrn.many.batch import BatchRun
    from vrn.many.book_tables import book_at
    from vrn.many.pool import Patience
    from vrn.words import UnitFormat, finding_texts
    from vrn.words import say as worded

    start, shown = time.perf_counter(), UnitFormat(metric=False)
    batch = BatchRun(manifest, out, book=book_at(book) if book else None, force=force)
    if dry_run:
        _say_plan(batch, as_json=json_)
        return
    patience = Patience(field_s=field_timeout, worker_s=worker_timeout, else_here=else_here)
    with _asked_to_stop() as stop, _bar(batch.tally) as moved:
        for row in batch.rows(workers=workers, scheduler=scheduler, ship=ship, stop=stop, patience=patience):
            moved()
            if not json_ and not sys.stderr.isatty():
                seconds = Quantity("number", round(row.seconds))
                tell(shown, "console.field-done", field=row.name, state=row.status, seconds=seconds)
                sys.stdout.flush()
            if json_:
                say_json(row.as_plain(), indent=None)
                sys.stdout.flush()
    spooled = [warning("season.spooled", "book", book=str(batch.book))] if batch.spooled else []
    dropped = [
        *spooled,
        *(warning("season.dropped", one.field, field=one.field, list=one.note) for one in batch.dropped),
    ]
    if json_:
        say_json(batch.tally.as_plain() | {"dropped": [one.field for one in batch.dropped]}, indent=None)
    else:
        say_findings(finding_texts(shown, dropped))
        _say_end(batch.tally, time.perf_counter() - start, batch.book, out)
    if stop():
        complain(worded(shown, "console.stopped", count=batch.tally.left))
        raise typer.Exit(_STOPPED)
    if batch.tally.failures or batch.tally.warned or dropped:
        raise typer.Exit(FINDINGS)


def _say_plan(batch: "BatchRun", *, as_json: bool) -> None:
    """What a run would do with each field, and why."""
    from vrn.words import UnitFormat
    from vrn.words import say as worded

    shown = UnitFormat(metric=False)
    for job, code, places in batch.plan():
        why = worded(shown, f"season.{code}", **places)
        if as_json:
            say_json({"name": job.name, "field_file": str(job.field_file), "build": code not in _LEFT, "why": why},
                     indent=None)  # fmt: skip
        else:
            say(f"{job.name}: {why}")


def _say_end(tally: "Tally", seconds: float, book: "AnyBook", out: Path) -> None:
    from vrn.findings import Quantity
    from vrn.words import UnitFormat

    shown = UnitFormat(metric=False)
    for row in tally.failures:
        tell(shown, "console.field-failed", field=row.name, file=row.field_file, problem=row.problem, remedy=row.remedy)
    if tally.failures:
        say()
    tell(
        shown, "console.fields-done", total=tally.total, built=tally.built, unchanged=tally.unchanged,
        failed=len(tally.failures), seconds=Quantity("number", round(seconds)),
    )  # fmt: skip
    if tally.warned:
        tell(shown, "console.fields-warned", count=tally.warned)
    tell(shown, "console.fields-written", table=str(out / "fields.csv"), book=str(book))


@contextmanager
def _asked_to_stop() -> Iterator[Callable[[], bool]]:
    """Ctrl-C once: those in work have some seconds to come to their end. Twice: the workers are ended."""
    import multiprocessing

    from vrn.words import UnitFormat
    from vrn.words import say as worded

    asked = 0

    def hear(_number: int, _frame: Any) -> None:
        nonlocal asked
        asked += 1
        if asked == 1:
            complain("\n" + worded(UnitFormat(metric=False), "console.stopping"))
        else:
            for child in multiprocessing.active_children():
                child.terminate()

    before = {number: signal.signal(number, hear) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield lambda: asked > 0
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _bar(tally: "Tally") -> Iterator[Callable[[], None]]:
    """Done, failed, left and an estimate, on a terminal only."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield lambda: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from vrn.words import UnitFormat
    from vrn.words import say as worded

    def counts() -> str:
        return worded(UnitFormat(metric=False), "console.bar", failed=len(tally.failures), left=tally.left)

    columns = (BarColumn(), MofNCompleteColumn(), TextColumn("{task.description}"), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task(counts(), total=tally.total)

        def moved() -> None:
            shown.update(task, completed=tally.total - tally.left, description=counts())

        yield moved
