"""A manager's questions to a season book; keys it knows; the chain of a field's prescriptions."""

import csv
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import fields, replace
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Final, Literal

from vrn.errors import InputFileError, OutputError
from vrn.files.staging import move
from vrn.many.book import Entry
from vrn.many.book_events import Event
from vrn.many.book_file import open_book
from vrn.many.book_tables import AnyBook, book_at, insertion
from vrn.model.season import Due, Link, Sum
from vrn.model.trials import PastTrial

GROUPS: Final = ("day", "product", "grower", "signer", "state")


def sums_by(fields: Sequence[Due], by: str) -> tuple[Sum, ...]:
    """Sums over fields that hold a prescription, in the order of the groups."""
    groups: dict[tuple[str, str, Literal["gal", "lb"]], list[Due]] = {}
    for item in fields:
        if item.state != "failed":
            groups.setdefault((_group(item, by), item.product, item.product_unit), []).append(item)
    return tuple(
        Sum(
            group=group, product=product, unit=unit, fields=len(items),
            acres=sum(item.acres or 0.0 for item in items),
            total_product=sum(item.total_product or 0.0 for item in items),
            n_lb=sum(item.total_n_lb or 0.0 for item in items),
            loads=_total([item.loads for item in items]), hours=_total([item.hours for item in items]),
            cost=_total([item.cost for item in items]), late=sum(item.late for item in items),
        )
        for (group, product, unit), items in sorted(groups.items())
    )  # fmt: skip


def _group(item: Due, by: str) -> str:
    if by == "day":
        day = item.application_date or item.last_day
        return day.isoformat() if day else ""
    return str({"product": item.product, "grower": item.grower, "signer": item.signed_by, "state": item.state}[by])


def _total(values: Sequence[float | None]) -> float | None:
    """A sum of what is known; None where nothing is."""
    known = [value for value in values if value is not None]
    return sum(known) if known else None


def changed_since(happened: Sequence[Event], day: date, season: int | None) -> tuple[Event, ...]:
    """What happened to the fields of a season from a day on, lists of fields left out."""
    begin = datetime.combine(day, time.min).astimezone(UTC).isoformat(timespec="seconds")
    return tuple(
        one for one in happened
        if (one.on or day) >= day and (one.on is not None or one.recorded_at >= begin)
        and one.season in (season, None) and one.what not in ("listed", "unlisted")
    )  # fmt: skip


def trials_of(book: AnyBook) -> tuple[PastTrial, ...]:
    """Every harvested trial of a season book, by season, field and block."""
    with open_book(book, write=False) as opened:
        if not opened.execute("SELECT 1 FROM trial").fetchone():
            return ()
        from vrn.ingest.season_tables import read_trials

        return read_trials(opened)


def trials_at(address: str) -> tuple[str, tuple[PastTrial, ...]]:
    """The address of a server's book as it may be shown, and its harvested trials; InputFileError for no such book."""
    book = book_at(address)
    return str(book), trials_of(book)


def write_season_table(rows: Sequence[object], path: Path) -> None:
    """Write sums, or fields, as a CSV with a column for each plain value; OutputError if it cannot be written."""
    from vrn.files.names import cell_text

    columns = [item.name for item in fields(rows[0]) if item.name not in ("zones", "bounds")] if rows else []  # type: ignore[arg-type]
    part = path.with_name(f".{path.name}.part")
    try:
        with part.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(columns)
            for row in rows:
                values = (getattr(row, column) for column in columns)
                writer.writerow([cell_text(value) if isinstance(value, str) else value for value in values])
        move(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        problem = f"{path} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Give a file in a folder you may write to.") from error


_MARK: Final = re.compile(r"[0-9a-f]{4}(-[0-9a-f]{4}){7}")


def record_key(book: AnyBook, mark: str, *, revoked_on: date | None = None) -> None:
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
        values = {"fingerprint": mark, "revoked_on": None if revoked_on is None else revoked_on.isoformat()}
        keep = " ON CONFLICT (fingerprint) DO UPDATE SET revoked_on = excluded.revoked_on"
        connection.execute(insertion("signing_key", values) + keep, values)


def known_keys(book: AnyBook) -> dict[str, date | None]:
    """Fingerprint → the day it was revoked, None for a key that may sign."""
    with open_book(book, write=False) as connection:
        rows = connection.execute("SELECT fingerprint, revoked_on FROM signing_key ORDER BY fingerprint").fetchall()
    return {row["fingerprint"]: date.fromisoformat(row["revoked_on"]) if row["revoked_on"] else None for row in rows}


def chains_of(book: AnyBook, entries: Iterable[Entry]) -> dict[str, tuple[Link, ...]]:
    """By key of each field, its prescriptions that were signed, and the one it has now, oldest first."""
    entries = tuple(entries)
    seasons = ", ".join({str(entry.season or 0) for entry in entries}) or "0"
    with open_book(book, write=False) as connection:
        rows = connection.execute(
            "SELECT id, key, season, rx, recorded_at FROM build"
            f" WHERE status = 'built' AND coalesce(season, 0) IN ({seasons}) ORDER BY recorded_at, id"
        ).fetchall()
        signatures = {row["id"]: json.loads(row["signature"]) for row in connection.execute(
            "SELECT id, signature FROM build WHERE signature <> '{}'")}  # fmt: skip
    of_field: dict[tuple[str, int | None], list[int]] = {}
    for place, row in enumerate(rows):
        of_field.setdefault((row["key"], row["season"]), []).append(place)
    chains: dict[str, tuple[Link, ...]] = {}
    for entry in entries:
        links: list[Link] = []
        for row in (rows[k] for k in sorted(k for key in entry.keys for k in of_field.get((key, entry.season), ()))):
            signed = signatures.get(row["id"], {})
            link = Link(id=row["rx"], replaces=signed.get("replaces"), signed_by=signed.get("name"),
                        signed_on=signed.get("date"), recorded_at=row["recorded_at"])  # fmt: skip
            if not links or replace(links[-1], recorded_at=link.recorded_at) != link:  # not the same written again
                links.append(link)
        chains[entry.key] = tuple(link for link in links if link.signed_by or link is links[-1])
    return chains
