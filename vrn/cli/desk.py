"""``vrn desk``: the whole job in the browser, served from this computer to this computer."""

from pathlib import Path
from typing import Annotated

import typer

from vrn.cli.app import app, say, tell

_HELP = """Open the whole job in your browser, from this computer, with no network and no account.

FOLDER holds a folder for each field, as vrn start makes them. Close it with Ctrl-C: everything is in the files.

Example:  vrn desk my_farm
"""


@app.command(help=_HELP)
def desk(
    folder: Annotated[Path, typer.Argument(metavar="[FOLDER]", help="folder that holds the fields' folders")] = Path(),
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0 takes a free one")] = 0,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="open the browser")] = True,
    lan: Annotated[
        bool, typer.Option("--lan", help="also for a phone on your network: it may read the plan and add readings")
    ] = False,
) -> None:
    """Print the address, open it, and serve until Ctrl-C."""
    from vrn.desk.app import open_desk

    with open_desk(folder, port=port, lan=lan) as opened:
        from vrn.words import UnitFormat

        say(opened.address)
        shown = UnitFormat(metric=False)
        if opened.phone_address:
            tell(shown, "desk.lan-warning")
            say(opened.phone_code)
            say(opened.phone_address)
        tell(shown, "desk.close-with")
        import sys

        sys.stdout.flush()
        if browser:
            import webbrowser

            webbrowser.open(opened.address)
        opened.serve()
