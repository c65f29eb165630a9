"""``vrn sign``, ``vrn key``: a written prescription taken on by a person, with a key where there is one."""

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from vrn.cli.app import app, progress, tell
from vrn.errors import InputFileError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey


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
        Path | None, typer.Option("--book", metavar="BOOK", help="season book that keeps the field's chain")
    ] = None,
) -> None:
    """Check the folder, build it again, sign, write."""
    if not by.strip():
        problem = "--by is empty."
        raise InputFileError(problem, "Give the name of the person who signs.")
    from vrn.files.signature import fingerprint, is_locked, public_hex, read_key
    from vrn.files.staging import source_of
    from vrn.files.statement import SHORT
    from vrn.many.beside import ReportBeside
    from vrn.many.sign import sign_folder
    from vrn.words import UnitFormat
    from vrn.words import say as worded

    secret = typer.prompt("Passphrase", hide_input=True) if key is not None and is_locked(key) else ""
    private = None if key is None else read_key(key, secret)
    if book is not None:
        _refuse_revoked(book, private)
    sources: dict[str, Path | None] = {**source_of(folder)}
    if field_file is not None:
        sources["field"] = field_file
    with progress() as show, ReportBeside() as report:
        day = on.date() if on is not None else date.today()
        found = sign_folder(folder, by=by.strip(), on=day, note=note, key=private, sources=sources, accept=accept,
                            report=report, step=show or (lambda _step: None))  # fmt: skip
    shown = UnitFormat.of(found.field.settings.units)
    public = None if private is None else public_hex(private)
    if book is not None:
        from vrn.many.batch import entry_of
        from vrn.many.book import record_build
        from vrn.many.task import Row

        built_from = (sources["field"] or Path()).absolute()
        row = Row(name=folder.name, field_file=str(built_from), folder=str(folder.absolute()), status="built")
        record_build(book, entry_of(row))
    how = (
        worded(shown, "review.by-name") if public is None else worded(shown, "review.by-key", mark=fingerprint(public))
    )
    tell(shown, "review.signed", name=by.strip(), id=found.id[:SHORT], on=day, how=how)


def _refuse_revoked(book: Path, private: "Ed25519PrivateKey | None") -> None:
    """Refuse a key that the book says is revoked; a book that is none is refused before anything is written."""
    from vrn.files.signature import fingerprint, public_hex
    from vrn.many.questions import known_keys

    keys = known_keys(book) if book.exists() else {}
    mark = "" if private is None else fingerprint(public_hex(private))
    if keys.get(mark) is not None:
        problem = f"The key {mark} was revoked on {keys[mark]}."
        raise InputFileError(problem, "Make a new one with vrn key.")


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
    book: Annotated[Path | None, typer.Option("--book", metavar="BOOK", help="season book that keeps it")] = None,
) -> None:
    """Make it, and print where it is and its fingerprint; or tell the book of one."""
    from vrn.files.signature import fingerprint, make_key
    from vrn.words import UnitFormat

    if (pin is None and revoke is None) != (book is None) or (pin is not None and revoke is not None):
        message = "--book goes with one of --pin and --revoke."
        raise typer.BadParameter(message)
    if book is not None:
        from vrn.audit.signature_checks import read_public_key
        from vrn.many.questions import record_key

        today = date.today()
        mark = revoke if revoke is not None else fingerprint(read_public_key(pin or Path()))
        record_key(book, mark, revoked_on=None if revoke is None else today)
        code = "review.key-pinned" if revoke is None else "review.key-revoked"
        tell(UnitFormat(metric=False), code, mark=mark, on=today, book=str(book))
        return
    secret = typer.prompt("Passphrase", hide_input=True, confirmation_prompt=True) if passphrase else ""
    shown, mark = UnitFormat(metric=False), make_key(out, secret)
    tell(shown, "review.key-made", private=str(out), public=f"{out}.pub")
    tell(shown, "review.fingerprint", mark=mark)
