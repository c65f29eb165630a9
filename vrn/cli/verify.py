"""``vrn verify``: what was written, read again by other readers."""

from pathlib import Path
from typing import Annotated

import typer

from vrn.cli.app import FINDINGS, app, say, say_json

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

    found = read_again(folder)
    if json_:
        say_json(found.to_plain())
    else:
        for check in found.checks:
            say(f"{'ok' if check.ok else 'LOOK':<5}{check.name}: {check.detail}")
        say()
        say("Every check passed." if found.ok else f"{len(found.failed)} of {len(found.checks)} checks want a person.")
    if not found.ok:
        raise typer.Exit(FINDINGS)
