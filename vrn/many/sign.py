"""One written field signed; papers and GeoPackage made by a second process, whose libraries load meanwhile."""

import os
import pickle
import struct
import subprocess
import sys
import threading
from contextlib import suppress
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

from vrn.errors import InputFileError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from vrn.audit import Check
    from vrn.many.book_tables import AnyBook
    from vrn.prescription.model import Prescription
    from vrn.words import UnitFormat

_HEAD: Final = struct.Struct("<QQQ")  # bytes of the page, the paper and the ticket, which follow
_CHILD: Final = """
import gc, os, pickle, struct, sys
gc.disable()
ask, tell, sys.stdout = sys.stdin.buffer, sys.stdout.buffer, sys.stderr
sys.path[:] = pickle.load(ask)
from vrn.files.tables import write_geopackage
from vrn.pages.report_page import load_libraries, reports_of
load_libraries()
prescription, folder = pickle.load(ask)
write_geopackage(prescription, folder)
papers = reports_of(prescription)
tell.write(struct.pack("<QQQ", *map(len, papers)) + b"".join(papers))
tell.flush()
os._exit(0)
"""


def usable_processors() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


class ReportBeside:
    """
    A second process that writes the GeoPackage of the prescription it is given, and sets its report.

    Whatever goes wrong with it, both are then made here: what it would say of the prescription is said here too.
    It writes no other file, and ends with the block, or with this process.
    """

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self._asking: threading.Thread | None = None

    def __enter__(self) -> Self:
        """Start it, where there is a second processor to run on."""
        if usable_processors() > 1:
            with suppress(OSError, ValueError):
                self._process = subprocess.Popen(
                    [sys.executable, "-c", _CHILD], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                )  # fmt: skip
                self._ask(pickle.dumps(sys.path))
        return self

    def __exit__(self, *_raised: object) -> None:
        """End it, done or not."""
        if self._process is None:
            return
        self._process.kill()
        if self._asking is not None:
            self._asking.join()
        with suppress(OSError), self._process:
            pass

    def begin(self, prescription: "Prescription", folder: Path) -> None:
        """Hand it a prescription and the folder of its GeoPackage, and go on."""
        if self._process is not None:
            with suppress(pickle.PicklingError, AttributeError, TypeError):
                asked = pickle.dumps((prescription, folder))
                self._asking = threading.Thread(target=self._ask, args=(asked,), daemon=True)
                self._asking.start()

    def finish(self) -> tuple[bytes, bytes, bytes] | None:
        """Wait for page, paper and ticket, and the GeoPackage; None where this process has to make them."""
        if self._process is None or self._asking is None:
            return None
        self._asking.join()
        assert self._process.stdout is not None
        answer = self._process.stdout.read()
        if len(answer) < _HEAD.size:
            return None
        page, paper, ticket = _HEAD.unpack_from(answer)
        if len(answer) != _HEAD.size + page + paper + ticket:
            return None
        rest = answer[_HEAD.size :]
        return rest[:page], rest[page : page + paper], rest[page + paper :]

    def _ask(self, words: bytes) -> None:
        """One write, so that it waits for the other side without holding this one up."""
        assert self._process is not None
        assert self._process.stdin is not None
        with suppress(OSError, ValueError):
            self._process.stdin.write(words)
            self._process.stdin.flush()


def check_lines(checks: "Iterable[Check]", shown: "UnitFormat") -> list[str]:
    """A line for each check: whether it passed, the file, and what was found."""
    from vrn.words import say as worded

    return [
        worded(shown, f"console.check-{'passed' if check.ok else 'failed'}", about=check.about,
               found=worded(shown, check.code, **check.quantities))
        for check in checks
    ]  # fmt: skip


def refuse_unfit(folder: Path, key: Path | None = None, *, approved_only: bool = False) -> None:
    """Refuse a folder whose files do not match its own statement, and a draft where none is wanted."""
    from vrn.audit import verify
    from vrn.words import UnitFormat

    checked = verify(folder, public_key=key)
    if not checked.ok:
        lines = "".join(f"\n  {line}" for line in check_lines(checked.failed, UnitFormat.of(checked.units)))
        problem = f"{folder} does not pass vrn verify; nothing was written.{lines}"
        raise InputFileError(problem, "Build the prescription again, look at it, and sign that.")
    if approved_only and not checked.approved:
        problem = f"{folder} is a draft, and --approved-only was given; nothing was written."
        raise InputFileError(problem, 'Sign it: vrn sign DIR --by "NAME".')


def sign_folder(
    folder: Path, *, by: str, on: date, note: str | None = None, key: "Ed25519PrivateKey | None" = None,
    sources: dict[str, Path | None], accept: bool, report: "ReportBeside | None", step: "Callable[[str], None]",
) -> "Prescription":  # fmt: skip
    """Build what a folder was built from again, sign it where that gives the same, and write the folder anew.

    InputFileError if the folder is not whole, the field has changed since, or a warning stands that was not accepted.
    """
    from vrn.files.signature import public_hex
    from vrn.many.task import write_checked
    from vrn.prescription.model import Signed
    from vrn.words import UnitFormat

    found = _same_again(folder, sources, step)
    settings = found.field.settings
    _refuse_warnings(found, UnitFormat.of(settings.units), accept=accept)
    review = replace(settings.review, approved_by=by, approved_on=on, approved_id=found.id,
                     note=settings.review.note if note is None else note)  # fmt: skip
    signed = replace(
        found, field=replace(found.field, settings=replace(settings, review=review)),
        signed=Signed(entered_on=date.today(), public_key=None if key is None else public_hex(key)),
    )  # fmt: skip
    write_checked(signed, folder, None, report, sources=sources, key=key)
    return signed


def _same_again(folder: Path, sources: dict[str, Path | None], step: "Callable[[str], None]") -> "Prescription":
    """What the folder was built from, built again; refused unless the folder is whole and this gives the same."""
    from vrn.audit import verify
    from vrn.files.approval import difference_lines, differences, digest_of
    from vrn.files.signature import earlier_in
    from vrn.files.statement import statement_of
    from vrn.many.task import built_from
    from vrn.model.season import SHORT
    from vrn.words import UnitFormat

    checked, earlier = verify(folder), earlier_in(folder)
    shown = UnitFormat.of(checked.units)
    if earlier is None or not checked.ok:
        lines = "".join(f"\n  {line}" for line in check_lines(checked.failed, shown))
        problem = f"The files in {folder} do not match its own statement.{lines}"
        raise InputFileError(problem, "Build the prescription again, look at it, and sign that.")
    field_file = sources.get("field")
    if field_file is None or not field_file.is_file():
        problem = f"The field file of {folder} is not where it was ({field_file or 'not noted'})."
        raise InputFileError(problem, "Say where it is: --field FIELD.toml.")
    rest = sources.get("top_up") or sources.get("remaining")
    found = built_from(field_file, sources.get("review"), rest, top_up="top_up" in sources, earlier=earlier, step=step)
    if found.id != earlier.id:
        lines = difference_lines(shown, differences(digest_of(earlier.statement), digest_of(statement_of(found))))
        problem = (
            f"The field has changed since {folder} was built ({earlier.id[:SHORT]}, now {found.id[:SHORT]}):\n{lines}"
        )
        raise InputFileError(problem, "Build it again, look at it, and sign that.")
    return found


def _refuse_warnings(found: "Prescription", shown: "UnitFormat", *, accept: bool) -> None:
    """Refuse to sign over warnings that nobody has taken on."""
    from vrn.files.statement import APPROVAL
    from vrn.words import finding_texts
    from vrn.words import say as worded

    standing = [one for one in found.findings if one.level == "warning" and not one.code.startswith(APPROVAL)]
    if standing and not accept:
        lines = "\n".join(worded(shown, "review.sign-warning", place=text.place, problem=text.problem)
                          for text in finding_texts(shown, standing))  # fmt: skip
        problem = f"{worded(shown, 'review.sign-warnings')}\n{lines}"
        raise InputFileError(problem, "Settle them, or take them on with --accept-warnings.")


def refuse_revoked(book: "AnyBook", private: "Ed25519PrivateKey | None") -> None:
    """Refuse a key that the book says is revoked; a book that is none is refused before anything is written."""
    from vrn.files.signature import fingerprint, public_hex
    from vrn.many.questions import known_keys

    keys = known_keys(book) if book.exists() else {}
    mark = "" if private is None else fingerprint(public_hex(private))
    if keys.get(mark) is not None:
        problem = f"The key {mark} was revoked on {keys[mark]}."
        raise InputFileError(problem, "Make a new one with vrn key.")
