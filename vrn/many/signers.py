"""Who may sign, and what was signed: keys that a season book knows, and the chain of a field's prescriptions."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

from vrn.errors import InputFileError
from vrn.many.book import history, open_book

_MARK: Final = re.compile(r"[0-9a-f]{4}(-[0-9a-f]{4}){7}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """One prescription in the chain of a field: its id, the id it took the place of, who signed it and when."""

    id: str
    replaces: str | None
    signed_by: str | None
    signed_on: str | None
    recorded_at: str


def record_key(book: Path, mark: str, *, revoked_on: date | None = None) -> None:
    """Let a key sign from now on, or revoke it: what it signed up to that day stays.

    InputFileError if the fingerprint is none, or the key is revoked already.
    """
    if not _MARK.fullmatch(mark):
        problem = f"“{mark}” is not the fingerprint of a key."
        raise InputFileError(problem, "Give it as vrn key prints it: eight groups of four, with dashes.")
    known = known_keys(book) if book.exists() else {}
    if known.get(mark) is not None:
        problem = f"The key {mark} was revoked on {known[mark]}."
        raise InputFileError(problem, "A revoked key stays so. Make a new one with vrn key.")
    with open_book(book, write=True) as connection:
        connection.execute("INSERT OR REPLACE INTO signing_key (fingerprint, revoked_on) VALUES (?, ?)",
                           (mark, None if revoked_on is None else revoked_on.isoformat()))  # fmt: skip


def known_keys(book: Path) -> dict[str, date | None]:
    """Fingerprint → the day it was revoked, None for a key that may sign."""
    with open_book(book, write=False) as connection:
        if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'signing_key'").fetchone():
            return {}  # a book of an earlier version
        rows = connection.execute("SELECT fingerprint, revoked_on FROM signing_key ORDER BY fingerprint").fetchall()
    return {row["fingerprint"]: date.fromisoformat(row["revoked_on"]) if row["revoked_on"] else None for row in rows}


def chain_of(book: Path, field: str, season: int) -> tuple[Link, ...]:
    """The prescriptions of a field that were signed, and the one it has now, oldest first."""
    return tuple(_links(book, field, season))


def _links(book: Path, field: str, season: int) -> Iterator[Link]:
    mine = [entry for entry in history(book) if (entry.field, entry.season) == (field, season)]
    for number, entry in enumerate(mine):
        signed = entry.signature
        if signed or number == len(mine) - 1:
            yield Link(id=str(entry.summary.get("id")), replaces=signed.get("replaces"), signed_by=signed.get("name"),
                       signed_on=signed.get("date"), recorded_at=entry.recorded_at)  # fmt: skip
