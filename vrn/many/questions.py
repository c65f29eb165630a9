"""A manager's questions to a season book; keys it knows; the chain of a field's prescriptions."""

import csv
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Final, Literal

from vrn.errors import InputFileError, OutputError
from vrn.files.staging import move
from vrn.many.book import Entry
from vrn.many.book_events import Event
from vrn.many.book_file import open_book
from vrn.model.season import Due, Link

GROUPS: Final = ("day", "product", "grower", "signer", "state")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sum:
    """What the fields of one group come to, each product by itself; None where no field of it says.

    ``group`` is empty for fields without a day, a grower or a signer. Hours are driving at the speed and width entered,
    without turns and refills. ``late`` fields are past their day and not applied.
    """

    group: str
    product: str
    unit: Literal["gal", "lb"]
    fields: int
    acres: float
    total_product: float
    n_lb: float
    loads: float | None
    hours: float | None
    cost: float | None
    late: int


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
            cost=_total([item.cost for item in items]), late=sum(is_late(item) for item in items),
        )
        for (group, product, unit), items in sorted(groups.items())
    )  # fmt: skip


def is_late(item: Due) -> bool:
    """Whether a field's day has passed and nothing says that it was applied."""
    return item.state not in ("applied", "failed") and item.days_left is not None and item.days_left < 0


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


def write_season_table(rows: Sequence[object], path: Path) -> None:
    """Write sums, or fields, as a CSV with a column for each plain value; OutputError if it cannot be written."""
    from vrn.files.names import cell_text

    columns = [item.name for item in fields(rows[0]) if item.name != "zones"] if rows else []  # type: ignore[arg-type]
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
