"""``vrn show``: opens the map of a written prescription."""

from pathlib import Path
from typing import Annotated

import typer

from vrn.cli.app import app, say, tell
from vrn.errors import InputFileError

_HELP = """Open the map of a written prescription in the browser; it needs no network.

Example:  vrn show cedar_bend_rx
"""


@app.command(help=_HELP)
def show(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder that vrn build wrote")],
    report: Annotated[bool, typer.Option("--report", help="the report instead of the map")] = False,
    path: Annotated[bool, typer.Option("--path", help="only print where it is")] = False,
) -> None:
    """Open the page, or say where it is where no browser can be started."""
    page = (folder / ("report.html" if report else "map.html")).absolute()
    if not page.is_file():
        problem = f"{folder} holds no {page.name}."
        raise InputFileError(problem, "Give the folder that `vrn build FIELD.toml --out DIR` wrote.")
    if path:
        say(str(page))
        return
    import webbrowser

    from vrn.words import UnitFormat

    opened = webbrowser.open(page.as_uri())
    tell(UnitFormat(metric=False), "console.page-opened" if opened else "console.page-not-opened", page=str(page))
