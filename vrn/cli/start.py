"""``vrn start``: a new field folder with a commented field file."""

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from vrn.cli.app import app, say

_HELP = """Make a new field folder: a commented field.toml and a form for the samples.

Nothing that is there is overwritten.

Example:  vrn start ash_hill_3
"""


@app.command(help=_HELP)
def start(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="the folder to make")],
    season: Annotated[int | None, typer.Option("--season", help="year of harvest; this year when not given")] = None,
    metric: Annotated[bool, typer.Option("--metric", help="kilograms, hectares, tonnes and centimetres")] = False,
) -> None:
    """Write the files and say what comes next."""
    from vrn.export.new_folder import write_new_folder
    from vrn.ingest.new_field import new_field_files

    year = season if season is not None else date.today().year
    for path in write_new_folder(folder, new_field_files(year, metric=metric)):
        say(f"wrote {path}")
    say()
    say(f"Fill in the lines of {folder / 'field.toml'} marked <-- and put the boundary beside it, then:")
    say(f"  vrn check {folder / 'field.toml'}")
