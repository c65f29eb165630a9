"""``vrn demo``: copies a demo field out and builds it."""

from pathlib import Path
from typing import Annotated

import typer

from vrn.cli.app import app, say, tell

_HELP = """Copy a demo field out and build its prescription.

Three invented fields: cedar_bend (an ordinary quarter section), heron_flat (rain moved the nitrate down) and mill_race
(two pieces, a pond, a waterway, few samples).

Example:  vrn demo sorrel_valley --field heron_flat
"""


@app.command(help=_HELP)
def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="[DIR]", help="where to put the field and its prescription")
    ] = Path(),
    field: Annotated[str, typer.Option("--field", help="cedar_bend, heron_flat or mill_race")] = "cedar_bend",
) -> None:
    """Copy, then do what ``vrn build`` does."""
    from vrn.cli.build import build
    from vrn.many.demo import copy_demo
    from vrn.words import UnitFormat

    field_file = copy_demo(field, folder)
    tell(UnitFormat(metric=False), "console.demo-copied", folder=str(field_file.parent))
    say()
    build(field_file, out=folder / f"{field}_rx")
