"""``vrn fields``: many fields, side by side, whatever happens to one of them."""

import json
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vrn.cli.app import FINDINGS, app, complain, say

if TYPE_CHECKING:
    from vrn.many.night import Tally

_STOPPED = 130
_HELP = """Build many fields: a CSV with a column field of paths to field files, or a pattern in quotes.

A field whose inputs and versions are those of the prescription in its folder is left as it is. A field that fails is a
row with its problem and remedy, and the others go on. DIR/fields.csv lists the rows; the season book DIR/season.db
remembers every build.

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
    force: Annotated[bool, typer.Option("--force", help="build unchanged fields too")] = False,
    book: Annotated[Path | None, typer.Option("--book", help="season book; DIR/season.db when not given")] = None,
    json_: Annotated[bool, typer.Option("--json", help="a line of JSON for each field as it is done")] = False,
) -> None:
    """Build, tell, and end with 1 when any field failed."""
    from vrn.many.night import Night

    start = time.perf_counter()
    night = Night(manifest, out, book=book, force=force)
    with _asked_to_stop() as stop, _bar(night.tally) as moved:
        for row in night.rows(workers=workers, scheduler=scheduler, ship=ship, stop=stop):
            moved()
            if json_:
                say(json.dumps(row.as_plain(), ensure_ascii=False))
                sys.stdout.flush()
    if json_:
        say(json.dumps(night.tally.as_plain()))
    else:
        _say_end(night.tally, time.perf_counter() - start, night.book, out)
    if stop():
        from vrn.findings import counted

        left = counted(night.tally.left, "field was", "fields were")
        complain(f"vrn: stopped; {left} not begun. The same command goes on from here.")
        raise typer.Exit(_STOPPED)
    if night.tally.failures:
        raise typer.Exit(FINDINGS)


def _say_end(tally: "Tally", seconds: float, book: Path, out: Path) -> None:
    from vrn.findings import counted

    for row in tally.failures:
        say(f"! {row.name} ({row.field_file}): {row.problem}\n    {row.remedy}")
    if tally.failures:
        say()
    fields = counted(tally.total, "field")
    say(f"{fields}: {tally.built} built, {tally.unchanged} unchanged, {len(tally.failures)} failed, "
        f"in {seconds:,.0f} s.")  # fmt: skip
    say(f"Rows: {out / 'fields.csv'}. What is due, still DRAFT and to order: vrn season {book}")


@contextmanager
def _asked_to_stop() -> Iterator[Callable[[], bool]]:
    """Ctrl-C once: those in work come to their end. Twice: the workers are ended."""
    import multiprocessing

    asked = 0

    def hear(_number: int, _frame: Any) -> None:
        nonlocal asked
        asked += 1
        if asked == 1:
            complain("\nvrn: stopping after the fields in work; once more to end at once.")
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

    columns = (BarColumn(), MofNCompleteColumn(), TextColumn("{task.description}"), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as shown:
        task = shown.add_task("0 failed", total=tally.total)

        def moved() -> None:
            failed = len(tally.failures)
            done = tally.total - tally.left
            shown.update(task, completed=done, description=f"{failed} failed, {tally.left} left, about")

        yield moved
