"""Rows that wait beside a season book which was busy, until they can be taken in."""

import json
import os
from dataclasses import asdict, replace
from pathlib import Path

from vrn.errors import OutputError
from vrn.many.book import Entry, record_build
from vrn.many.book_file import moment

_BUSY_S = 3.0  # a night has no time to wait for a book row by row


def waiting_beside(book: Path) -> Path:
    """The file of the rows that wait for a book."""
    return book.with_name(f"{book.name}-waiting.jsonl")


def record_or_wait(book: Path, *entries: Entry) -> None:
    """Write builds into a book; where it cannot be written, beside it. What waited before goes in first.

    OutputError if neither can be written.
    """
    path = waiting_beside(book)
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    waiting = [Entry(**{**json.loads(line), "keys": frozenset()}) for line in lines if line.endswith("}")]
    try:
        record_build(book, *waiting, *entries, busy_s=_BUSY_S)
    except OutputError as error:
        try:
            with path.open("a", encoding="utf-8") as file:
                for entry in entries:
                    now = replace(entry, recorded_at=entry.recorded_at or moment(), keys=frozenset())
                    file.write(json.dumps(asdict(now) | {"keys": []}) + "\n")
                file.flush()
                os.fsync(file.fileno())
        except OSError:
            raise error from None
    else:
        path.unlink(missing_ok=True)
