"""``vrn sign``, ``vrn key`` and ``vrn stick``: a written prescription signed; several on a stick for the terminal."""

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from vrn.cli.app import FINDINGS, app, say_json, tell

if TYPE_CHECKING:
    from vrn.many.stick import StickReport
    from vrn.pages.load_sheet import CarriedField
    from vrn.words import UnitFormat
from datetime import date, datetime
from typing import TYPE_CHECKING

from vrn.cli.app import progress
from vrn.errors import InputFileError

_HELP: Final = """Sign a written prescription: the same folder again, approved, with signature.json.

The field is built once more. It is signed only if that gives exactly what is in the folder. Warnings are listed and
must be taken on with --accept-warnings.

Example:  vrn sign cedar_bend_rx --by "A. Marsh" --key marsh.key
"""

_KEY_HELP: Final = """Make a key pair to sign prescriptions with.

Make it once, keep the private key, hand out the public one. A key is never overwritten.

A season book can hold the keys that may sign (--pin). Revoke a lost one there: what it signed before stays.

Example:  vrn key --out marsh.key
"""


@app.command(help=_HELP)
def sign(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder that vrn build wrote")],
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="who signs")],
    on: Annotated[datetime | None, typer.Option("--on", formats=["%Y-%m-%d"], help="day of signing; today")] = None,
    key: Annotated[Path | None, typer.Option("--key", metavar="KEY", help="private key that vrn key made")] = None,
    note: Annotated[str | None, typer.Option("--note", metavar="TEXT", help="a line for the pages")] = None,
    field_file: Annotated[
        Path | None, typer.Option("--field", metavar="FIELD.toml", help="the field file, where it has moved")
    ] = None,
    accept: Annotated[bool, typer.Option("--accept-warnings", help="take on the warnings that are listed")] = False,
    book: Annotated[
        str | None, typer.Option("--book", metavar="BOOK", help="season book that keeps the field's chain")
    ] = None,
) -> None:
    """Check the folder, build it again, sign, write."""
    if not by.strip():
        problem = "--by is empty."
        raise InputFileError(problem, "Give the name of the person who signs.")
    from vrn.files.signature import fingerprint, is_locked, public_hex, read_key
    from vrn.files.staging import source_of
    from vrn.many.sign import ReportBeside, refuse_revoked, sign_folder
    from vrn.model.season import SHORT
    from vrn.pages.report_file import signer_lists
    from vrn.words import UnitFormat
    from vrn.words import say as worded

    secret = typer.prompt("Passphrase", hide_input=True) if key is not None and is_locked(key) else ""
    private = None if key is None else read_key(key, secret)
    from vrn.many.book_tables import book_at

    kept = None if book is None else book_at(book)
    if kept is not None:
        refuse_revoked(kept, private)
    sources: dict[str, Path | None] = {**source_of(folder)}
    if field_file is not None:
        sources["field"] = field_file
    with progress() as show, ReportBeside() as report:
        day = on.date() if on is not None else date.today()
        found = sign_folder(folder, by=by.strip(), on=day, note=note, key=private, sources=sources, accept=accept,
                            report=report, step=show or (lambda _step: None))  # fmt: skip
    shown = UnitFormat.of(found.field.settings.units)
    public = None if private is None else public_hex(private)
    if kept is not None:
        from vrn.many.batch import entry_of
        from vrn.many.book import record_build
        from vrn.many.task import Row

        built_from = (sources["field"] or Path()).absolute()
        row = Row(name=folder.name, field_file=str(built_from), folder=str(folder.absolute()), status="built")
        record_build(kept, entry_of(row))
    how = (
        worded(shown, "review.by-name") if public is None else worded(shown, "review.by-key", mark=fingerprint(public))
    )
    tell(shown, "review.signed", name=by.strip(), id=found.id[:SHORT], on=day, how=how)
    lists = signer_lists(found, shown)
    memory, methods, assumed = (len(lists.get(name, ())) for name in ("memory", "disagree", "assumptions"))
    tell(shown, "review.signed-over", memory=memory, methods=methods, assumed=assumed)


@app.command(help=_KEY_HELP)
def key(
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="private key; the public key gets the same name with .pub")
    ] = Path("vrn.key"),
    passphrase: Annotated[bool, typer.Option("--passphrase", help="ask for a passphrase that locks the key")] = False,
    pin: Annotated[
        Path | None, typer.Option("--pin", metavar="PUBLIC", help="a public key that may sign, for --book")
    ] = None,
    revoke: Annotated[
        str | None, typer.Option("--revoke", metavar="FINGERPRINT", help="a key that may sign no more, for --book")
    ] = None,
    book: Annotated[str | None, typer.Option("--book", metavar="BOOK", help="season book that keeps it")] = None,
) -> None:
    """Make it, and print where it is and its fingerprint; or tell the book of one."""
    from vrn.files.signature import fingerprint, make_key
    from vrn.words import UnitFormat

    if (pin is None and revoke is None) != (book is None) or (pin is not None and revoke is not None):
        message = "--book goes with one of --pin and --revoke."
        raise typer.BadParameter(message)
    if book is not None:
        from vrn.audit.signature_checks import read_public_key
        from vrn.many.book_tables import book_at
        from vrn.many.questions import record_key

        today = date.today()
        mark = revoke if revoke is not None else fingerprint(read_public_key(pin or Path()))
        record_key(book_at(book), mark, revoked_on=None if revoke is None else today)
        code = "review.key-pinned" if revoke is None else "review.key-revoked"
        tell(UnitFormat(metric=False), code, mark=mark, on=today, book=str(book_at(book)))
        return
    secret = typer.prompt("Passphrase", hide_input=True, confirmation_prompt=True) if passphrase else ""
    shown, mark = UnitFormat(metric=False), make_key(out, secret)
    tell(shown, "review.key-made", private=str(out), public=f"{out}.pub")
    tell(shown, "review.fingerprint", mark=mark)


_STICK_HELP: Final = """Put written prescriptions on a stick: one TASKDATA, a shapefile each, one load sheet of the day.

Fields that are on the stick stay. The same field again takes its own place. Each folder is verified first. Everything
is written, or nothing.

With --book, the season book notes what was loaded, on which stick and by whom.

With --check: what is on a stick, what is superseded (by the folders given, or the season book), what is not vrn's. Exit
status 1 when something is superseded, changed or strange.

Example:  vrn stick cedar_bend_rx heron_flat_rx --to /media/stick
"""


@app.command(help=_STICK_HELP)
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
    book: Annotated[
        str | None, typer.Option("--book", metavar="BOOK", help="season book: for --check, or to note what was loaded")
    ] = None,
    json_: Annotated[bool, typer.Option("--json", help="print what is on the stick for a machine")] = False,
) -> None:
    """Check, remove, or verify and write; then say what is on the stick."""
    from vrn.many.book_events import record_events
    from vrn.many.book_tables import book_at
    from vrn.many.sign import refuse_unfit
    from vrn.many.stick import carried, loaded_on, put, stick_report
    from vrn.many.stick import remove as take_off

    if (to is None) == (check is None):
        message = "give --to PATH to write, or --check PATH to look."
        raise typer.BadParameter(message)
    given, kept = folders or [], None if book is None else book_at(book)
    if check is not None:
        _say_report(stick_report(check, given, kept), check, as_json=json_)
        return
    assert to is not None  # one of the two was given
    if remove is not None:
        fields = take_off(to, remove)
    elif given:
        for folder in given:
            refuse_unfit(folder, key, approved_only=approved_only)
        loaded = [carried(folder) for folder in given]
        told = () if kept is None else loaded_on(to, loaded, given, kept)
        fields = put(to, loaded)
        if kept is not None:
            record_events(kept, *told)
    else:
        message = "give one folder or more, or --remove FIELD."
        raise typer.BadParameter(message)
    _say_written(fields, to, as_json=json_)


def _say_fields(fields: "tuple[CarriedField, ...]", shown: "UnitFormat") -> None:
    from vrn.model.season import SHORT
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
    from vrn.model.season import SHORT
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
