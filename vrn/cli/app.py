"""The one Typer application and what every command shares: consoles, progress, JSON, exit status."""

import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from vrn.findings import Finding, Quantity
    from vrn.words import FindingText, UnitFormat

app = typer.Typer(
    name="vrn",
    help="From in-season soil nitrate samples to a nitrogen prescription an applicator can load.",
    no_args_is_help=True,
    add_completion=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

DONE, FINDINGS, REFUSED = 0, 1, 2


def _say_version(asked: bool) -> None:
    if asked:
        from vrn import __version__

        say(f"vrn {__version__}")
        raise typer.Exit


@app.callback()
def _of_many(
    version: Annotated[
        bool, typer.Option("--version", callback=_say_version, is_eager=True, help="say the version and end")
    ] = False,
) -> None:  # with it, an application of which one command is loaded is still one of many commands
    pass


def say(text: str = "") -> None:
    """Print a line of the answer on standard output."""
    sys.stdout.write(text + "\n")


def tell(shown: "UnitFormat", code: str, /, **quantities: "Quantity | str | int | date") -> None:
    """Print a sentence of the catalogue."""
    from vrn import words

    say(words.say(shown, code, **quantities))


def say_json(value: Any, *, indent: int | None = 2) -> None:
    """Print a machine's answer, in plain ASCII where the console is not UTF-8; NaN and infinity are refused."""
    whole = (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"
    sys.stdout.write(json.dumps(value, indent=indent, ensure_ascii=not whole, allow_nan=False) + "\n")


def complain(text: str) -> None:
    """Print a line on standard error."""
    sys.stderr.write(text + "\n")


def say_table(rows: Sequence[Sequence[str]], *, left: int = 1) -> None:
    """Print rows of cells in columns, the first ``left`` of them set to the left, the others to the right."""
    widths = [max(len(cell) for cell in column) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = (cell.ljust(width) if place < left else cell.rjust(width)
                 for place, (cell, width) in enumerate(zip(row, widths, strict=True)))  # fmt: skip
        say("  ".join(cells).rstrip())


def say_findings(findings: Iterable["FindingText"]) -> None:
    """Print findings, those a person must decide first."""
    ordered = sorted(findings, key=lambda finding: finding.level != "warning")
    for finding in ordered:
        mark = "!" if finding.level == "warning" else "·"
        say(f"{mark} {finding.place}: {finding.problem}\n    {finding.remedy} {finding.paste}".rstrip())


def leave_if_warned(findings: Iterable["Finding"]) -> None:
    """End with status 1 when a person must look."""
    if any(finding.level == "warning" for finding in findings):
        raise typer.Exit(FINDINGS)


@contextmanager
def progress() -> Iterator[Callable[[str], None] | None]:
    """A spinner that names the step, on a terminal only; yields None elsewhere."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield None
        return
    from rich.console import Console

    with Console(stderr=True).status("reading") as status:
        yield status.update
