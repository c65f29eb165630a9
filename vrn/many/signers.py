"""Who may sign, and what was signed: keys that a season book knows, and the chain of a field's prescriptions."""

import json
import re
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

from vrn.errors import InputFileError
from vrn.many.book_file import open_book

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
        rows = connection.execute("SELECT fingerprint, revoked_on FROM signing_key ORDER BY fingerprint").fetchall()
    return {row["fingerprint"]: date.fromisoformat(row["revoked_on"]) if row["revoked_on"] else None for row in rows}


def chains_of(book: Path) -> dict[tuple[str, int], tuple[Link, ...]]:
    """By key and season of each field, its prescriptions that were signed, and the one it has now, oldest first."""
    with open_book(book, write=False) as connection:
        rows = connection.execute(
            "SELECT key, season, rx, signature, recorded_at, id = max(id) OVER (PARTITION BY key, season) AS now"
            " FROM build WHERE status = 'built' ORDER BY id"
        ).fetchall()
    chains: dict[tuple[str, int], tuple[Link, ...]] = {}
    for row in rows:
        signed = json.loads(row["signature"])
        if signed or row["now"]:
            link = Link(id=row["rx"], replaces=signed.get("replaces"), signed_by=signed.get("name"),
                        signed_on=signed.get("date"), recorded_at=row["recorded_at"])  # fmt: skip
            field = row["key"], row["season"]
            chains[field] = (*chains.get(field, ()), link)
    return chains
