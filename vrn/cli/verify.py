"""``vrn verify``: what was written, read again by other readers."""

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vrn.cli.app import FINDINGS, app, say, say_json, tell

if TYPE_CHECKING:
    from vrn.audit import Check
    from vrn.words import UnitFormat

_HELP = """Read a written prescription again, with other readers, and check it.

Example:  vrn verify cedar_bend_rx
"""


@app.command(help=_HELP)
def verify(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder that vrn build wrote")],
    json_: Annotated[bool, typer.Option("--json", help="print the checks for a machine")] = False,
) -> None:
    """Check, print each outcome, and leave with 1 when a person must look."""
    from vrn.audit import verify as read_again
    from vrn.words import UnitFormat
    from vrn.words import say as worded

    found = read_again(folder)
    shown = UnitFormat.of(found.units)
    if json_:
        checks = [
            {"code": check.code, "name": check.about, "ok": check.ok, "level": check.level,
             "detail": worded(shown, check.code, **check.quantities)} for check in found.checks
        ]  # fmt: skip
        say_json({"ok": found.ok, "checks": checks})
    else:
        for line in check_lines(found.checks, shown):
            say(line)
        say()
        if found.ok:
            tell(shown, "console.all-passed")
        else:
            tell(shown, "console.some-failed", failed=str(len(found.failed)), checks=len(found.checks))
    if not found.ok:
        raise typer.Exit(FINDINGS)


def check_lines(checks: "Iterable[Check]", shown: "UnitFormat") -> list[str]:
    """A line for each check: whether it passed, the file, and what was found."""
    from vrn.words import say as worded

    return [
        worded(shown, f"console.check-{'passed' if check.ok else 'failed'}", about=check.about,
               found=worded(shown, check.code, **check.quantities))
        for check in checks
    ]  # fmt: skip
