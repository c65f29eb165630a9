"""``vrn stick``: several written prescriptions on one stick for the terminal; what is on it; one taken off."""

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from vrn.cli.app import FINDINGS, app, say_json, tell

if TYPE_CHECKING:
    from vrn.many.stick import StickReport
    from vrn.pages.load_sheet import CarriedField
    from vrn.words import UnitFormat

_HELP: Final = """Put written prescriptions on a stick: one TASKDATA, a shapefile each, one load sheet of the day.

Fields that are on the stick stay. The same field again takes its own place. Each folder is verified first. Everything
is written, or nothing.

With --check: what is on a stick, what is superseded (by the folders given, or the season book), what is not vrn's. Exit
status 1 when something is superseded, changed or strange.

Example:  vrn stick cedar_bend_rx heron_flat_rx --to /media/stick
"""


@app.command(help=_HELP)
def stick(
    folders: Annotated[
        list[Path] | None, typer.Argument(metavar="[DIR]...", help="folders that vrn build wrote, in driving order")
    ] = None,
    to: Annotated[Path | None, typer.Option("--to", metavar="PATH", help="where the stick is mounted")] = None,
    check: Annotated[Path | None, typer.Option("--check", metavar="PATH", help="say what is on this stick")] = None,
    remove: Annotated[str | None, typer.Option("--remove", metavar="FIELD", help="take this field off")] = None,
    approved_only: Annotated[bool, typer.Option("--approved-only", help="refuse drafts")] = False,
    key: Annotated[
        Path | None, typer.Option("--key", metavar="PUBLIC", help="the public key that must have signed each")
    ] = None,
    book: Annotated[Path | None, typer.Option("--book", metavar="BOOK", help="season book, for --check")] = None,
    json_: Annotated[bool, typer.Option("--json", help="print what is on the stick for a machine")] = False,
) -> None:
    """Check, remove, or verify and write; then say what is on the stick."""
    from vrn.many.sign import refuse_unfit
    from vrn.many.stick import carried, put, stick_report
    from vrn.many.stick import remove as take_off

    if (to is None) == (check is None):
        message = "give --to PATH to write, or --check PATH to look."
        raise typer.BadParameter(message)
    given = folders or []
    if check is not None:
        _say_report(stick_report(check, given, book), check, as_json=json_)
        return
    assert to is not None  # one of the two was given
    if remove is not None:
        fields = take_off(to, remove)
    elif given:
        for folder in given:
            refuse_unfit(folder, key, approved_only=approved_only)
        fields = put(to, [carried(folder) for folder in given])
    else:
        message = "give one folder or more, or --remove FIELD."
        raise typer.BadParameter(message)
    _say_written(fields, to, as_json=json_)


def _say_fields(fields: "tuple[CarriedField, ...]", shown: "UnitFormat") -> None:
    from vrn.files.statement import SHORT
    from vrn.words import say as worded

    for field in fields:
        state = worded(shown, f"sheet.day-state-{'approved' if field.approved else 'draft'}")
        tell(shown, "sheet.day-line", field=field.field, state=state, id=field.id[:SHORT],
             shapefile=f"{field.shapefile}.SHP")  # fmt: skip


def _say_written(fields: "tuple[CarriedField, ...]", folder: Path, *, as_json: bool) -> None:
    from vrn.words import UnitFormat

    if as_json:
        say_json({"fields": [_plain(field) for field in fields]})
        return
    shown = UnitFormat(metric=False)
    _say_fields(fields, shown)
    if fields:
        tell(shown, "sheet.day-written", folder=str(folder), fields=len(fields))
    else:
        tell(shown, "sheet.day-emptied", folder=str(folder))


def _say_report(found: "StickReport", folder: Path, *, as_json: bool) -> None:
    from vrn.files.statement import SHORT
    from vrn.words import UnitFormat

    if as_json:
        say_json({**asdict(found), "fields": [_plain(field) for field in found.fields]})
    else:
        shown = UnitFormat(metric=False)
        if not found.fields:
            tell(shown, "sheet.day-empty", folder=str(folder))
        _say_fields(found.fields, shown)
        for field in found.fields:
            if field.id in found.superseded:
                tell(shown, "sheet.day-superseded", field=field.field, id=found.superseded[field.id][:SHORT])
        for code, files in (("changed", found.changed), ("strange", found.strange)):
            for file in files:
                tell(shown, f"sheet.day-{code}", file=file)
        if found.beside:
            tell(shown, "sheet.day-beside", files=", ".join(found.beside))
    if found.superseded or found.changed or found.strange:
        raise typer.Exit(FINDINGS)


def _plain(field: "CarriedField") -> dict[str, object]:
    """Everything of a field but its sheet."""
    return {name: value for name, value in asdict(field).items() if name != "sheet"}
