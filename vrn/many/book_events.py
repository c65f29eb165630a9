"""What happened to the fields of a season book, harvested trials too: rows that are only ever added."""

import hashlib
import json
from dataclasses import asdict, dataclass
from datetime import date
from typing import Any

from vrn.errors import InputFileError
from vrn.many.book_file import end_of, moment, open_book, person_and_host
from vrn.many.book_tables import AnyBook, BookConnection, insertion
from vrn.model.season import Outcome
from vrn.model.trials import PastTrial

FROM_FILE = "file "  # how the note of an outcome begins that a machine's file tells
_OF_OUTCOME = ("field", "season", "what", "value", "rate_n_lb_ac", "note", "zone", "key")


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One thing that happened to a field.

    ``what`` is ``built``, ``failed``, ``superseded`` (``note`` is the id of the prescription that took its place),
    ``signed``, ``loaded`` (``note`` is the stick), ``applied``, ``harvested``, ``learned``, ``retired``, ``returned``,
    ``listed`` or ``unlisted`` (``note`` is the list of fields). ``key`` is the field's, ``rx`` the prescription's id;
    of what was applied and harvested, the one that the field had when the book learned of it. ``on`` is the day it
    happened, where that is not the day of ``recorded_at`` (UTC). ``by`` and ``host`` are who wrote it and where; taken
    from this computer when they are left empty, as is the time.
    """

    what: str
    key: str
    field: str
    season: int | None = None
    rx: str = ""
    by: str = ""
    host: str = ""
    on: date | None = None
    note: str = ""
    recorded_at: str = ""


_ALL = """
SELECT recorded_at, what, key, field, season, rx, by, host, on_day, note,
    CAST(NULL AS DOUBLE PRECISION) AS value, 1 AS source, id FROM event
UNION ALL SELECT recorded_at, status, key, field, season, rx, '', '', '', problem, NULL, 0, id FROM build
UNION ALL SELECT recorded_at, CASE WHEN what LIKE 'applied%' THEN 'applied' ELSE 'harvested' END, key, field, season,
    coalesce((SELECT rx FROM build WHERE build.key = outcome.key AND build.season = outcome.season
        AND status = 'built' AND build.recorded_at <= outcome.recorded_at ORDER BY build.id DESC LIMIT 1), ''),
    '', '', on_day, what, value, 2, id FROM outcome
"""


def record_events(path: AnyBook, *events: Event) -> None:
    """Add events to an existing book."""
    with open_book(path, write=True, new=False) as book:
        add_events(book, *events)


def add_events(book: BookConnection, *events: Event) -> None:
    """Add events to a book that is open for writing."""
    by, host = person_and_host()
    for one in events:
        values = {name: getattr(one, name) for name in ("what", "key", "field", "season", "rx", "note")} | {
            "recorded_at": one.recorded_at or moment(), "by": one.by or by, "host": one.host or host,
            "on_day": one.on.isoformat() if one.on else ""}  # fmt: skip
        book.execute(insertion("event", values), values)


def events(path: AnyBook, *, on: date | None = None) -> tuple[Event, ...]:
    """Everything that happened, builds and results too, in the order in which the book learned of it."""
    with open_book(path, write=False) as book:
        rows = book.execute(
            f"SELECT * FROM ({_ALL}) AS happened WHERE recorded_at <= :on ORDER BY recorded_at, source, id",
            {"on": end_of(on)},
        ).fetchall()
    return tuple(
        Event(what=row["what"], key=row["key"], field=row["field"], season=row["season"], rx=row["rx"], by=row["by"],
              host=row["host"], on=date.fromisoformat(row["on_day"]) if row["on_day"] else None,
              note=row["note"] if row["value"] is None else f"{row['note']} {row['value']:g}",
              recorded_at=row["recorded_at"])
        for row in rows
    )  # fmt: skip


def record_outcome(path: AnyBook, *outcomes: Outcome) -> None:
    """Write what came of fields into an existing book; the same thing again takes the place of what stood there.

    What came from a file takes the place of all that the book had from that file.
    """
    with open_book(path, write=True, new=False) as book:
        taken = book.execute("SELECT coalesce(max(taken), 0) + 1 AS next FROM outcome").fetchone()["next"]
        rows = [
            {name: getattr(one, name) for name in _OF_OUTCOME}
            | {"recorded_at": moment(), "on_day": one.on.isoformat() if one.on else "", "taken": taken}
            for one in outcomes
        ]
        if rows:
            book.executemany(insertion("outcome", rows[0]), rows)


def outcomes(path: AnyBook, *, on: date | None = None) -> tuple[Outcome, ...]:
    """All that came of the fields of a book, in the order of field, kind and rate; ``on`` leaves out what was later."""
    with open_book(path, write=False) as book:
        rows = book.execute(
            "SELECT * FROM outcome WHERE CASE on_day WHEN '' THEN recorded_at <= :end ELSE on_day <= :day END"
            " ORDER BY season, field, what, rate_n_lb_ac, id",
            {"end": end_of(on), "day": on.isoformat() if on else "9999"},
        ).fetchall()
    found: dict[tuple[object, ...], Any] = {}
    last: dict[tuple[object, ...], int] = {}
    for row in rows:
        source = (row["key"] or row["field"], row["season"], row["what"], row["note"])
        last[source] = max(last.get(source, 0), row["taken"])
        place = (*source, row["rate_n_lb_ac"], row["zone"])
        if place not in found or found[place]["id"] < row["id"]:
            found[place] = row
    return tuple(
        Outcome(**{name: row[name] for name in _OF_OUTCOME},
                on=date.fromisoformat(row["on_day"]) if row["on_day"] else None)
        for place, row in found.items()
        if not row["note"].startswith(FROM_FILE) or row["taken"] == last[place[:4]]
    )  # fmt: skip


def record_trials(path: AnyBook, key: str, *trials: PastTrial) -> None:
    """Write harvested trials with their plots and likelihoods into a book, made when it is not there.

    InputFileError if the book has one of them already, or the same harvest under another prescription: a block is
    harvested once.
    """
    from vrn.pipeline.learning import learned_of
    from vrn.response.trial import KINKED, SMOOTH, STEPS, TOPS_LB_AC, likelihood_of

    learned = {trial.name: likelihood_of(learned_of([trial]).trials[0]) for trial in trials}
    with open_book(path, write=True) as book:
        for trial in trials:
            plots = (plain := asdict(trial)).pop("plots")
            if book.execute("SELECT 1 FROM trial WHERE field = :field AND season = :season AND block = :block",
                            plain).fetchone():  # fmt: skip
                problem = f"The book {path} has the harvest of {trial.name} already."
                raise InputFileError(problem, "A block is harvested once. To read it anew, use another book.")
            twice = book.execute(
                "SELECT field, season, block FROM trial WHERE harvest_sha256 = :harvest_sha256 AND rx <> :rx", plain
            ).fetchone()
            if twice:
                known = f"{twice['field']} {twice['season']} {twice['block']}"
                problem = f"The book {path} has this yield log already, for {known}."
                raise InputFileError(problem, f"Give the yield log of {trial.field} in {trial.season}.")
            row = plain | {"recorded_at": moment(), "key": key, "approved": int(trial.approved)}
            row |= {name: json.dumps(plain[name], sort_keys=True) for name in ("supplies", "typical")}
            number = book.execute(f"{insertion('trial', row)} RETURNING id", row).fetchone()["id"]
            for plot in plots:
                book.execute(insertion("plot", (*plot, "trial")), plot | {"trial": number})
            for form, values, shape in (("smooth", learned[trial.name].smooth, SMOOTH),
                                        ("kinked", learned[trial.name].kinked, KINKED)):  # fmt: skip
                data = values.astype("<f8").tobytes()
                grid = {
                    "trial": number, "form": form, "top_start": float(TOPS_LB_AC[0]), "top_count": len(TOPS_LB_AC),
                    "top_step": float(TOPS_LB_AC[1] - TOPS_LB_AC[0]), "log_step": shape[1] * float(STEPS[1] - STEPS[0]),
                    "log_start": shape[0] + shape[1] * float(STEPS[0]), "log_count": len(STEPS),
                    "log_likelihood": data, "sha256": hashlib.sha256(data).hexdigest(),
                }  # fmt: skip
                book.execute(insertion("likelihood", grid), grid)
            add_events(book, Event(what="learned", key=key, field=trial.field, season=trial.season, rx=trial.rx,
                                   note=trial.block))  # fmt: skip
