"""Who may sign, and what was signed: keys that a season book knows, and the chain of a field's prescriptions."""

import json
import re
from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Final

from vrn.errors import InputFileError
from vrn.many.book import Entry
from vrn.many.book_file import open_book
from vrn.model.season import Link

_MARK: Final = re.compile(r"[0-9a-f]{4}(-[0-9a-f]{4}){7}")


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


def chains_of(book: Path, entries: Iterable[Entry]) -> dict[str, tuple[Link, ...]]:
    """By key of each field, its prescriptions that were signed, and the one it has now, oldest first."""
    with open_book(book, write=False) as connection:
        rows = connection.execute(
            "SELECT key, season, rx, signature, recorded_at FROM build WHERE status = 'built' ORDER BY recorded_at, id"
        ).fetchall()
    chains: dict[str, tuple[Link, ...]] = {}
    for entry in entries:
        links: list[Link] = []
        for row in rows:
            if row["key"] in entry.keys and row["season"] == entry.season:
                signed = json.loads(row["signature"])
                link = Link(id=row["rx"], replaces=signed.get("replaces"), signed_by=signed.get("name"),
                            signed_on=signed.get("date"), recorded_at=row["recorded_at"])  # fmt: skip
                if not links or replace(links[-1], recorded_at=link.recorded_at) != link:  # not the same written again
                    links.append(link)
        chains[entry.key] = tuple(link for link in links if link.signed_by or link is links[-1])
    return chains
