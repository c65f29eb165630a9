"""A stick for the terminal: several written prescriptions in one TASKDATA, kept apart, with a load sheet of the day."""

import hashlib
import json
import re
import struct
import xml.etree.ElementTree as ET
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final

from vrn.audit.model import UnreadableError
from vrn.audit.read_grids import read_iso
from vrn.errors import InputFileError, OutputError
from vrn.files.carrier import read_entries, replace_entries
from vrn.files.iso_set import XML, OneTask, boxes_apart, task_files, tasks_in
from vrn.files.names import plain_name, terminal_name
from vrn.files.signature import earlier_in
from vrn.many.book import latest
from vrn.many.book_events import Event
from vrn.many.book_tables import AnyBook
from vrn.many.outcomes import key_of_folder
from vrn.model.season import SHORT
from vrn.pages.load_sheet import CarriedField, day_sheet

LIST: Final = "VRN.JSON"  # what vrn wrote on the stick: fields, and the hash of every file
SHEET: Final = "LOAD_SHEET.TXT"
_TICKET: Final = "load_sheet.pdf"
_FOLDERS: Final = ("TASKDATA", "SHAPEFILE", "SHEETS")
ENTRIES: Final = (*_FOLDERS, SHEET, LIST)
_ENDINGS: Final = ("SHP", "SHX", "DBF", "PRJ")
_STEM: Final = 6  # letters of a field's name in the name of its shapefile


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """A field's files as they go on a stick, or lie there: entry, task, shapefile by ending, job ticket to print."""

    entry: CarriedField
    task: OneTask
    shapefile: dict[str, bytes]
    ticket: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class _Current:
    """The prescription that a field has now: its id, and how to know the field on a stick.

    ``had`` are ids of prescriptions that it took the place of, ``key`` is the field's own id where it has one,
    ``place`` customer, farm and field.
    """

    id: str
    had: frozenset[str]
    season: int | None
    key: str
    place: tuple[str, str, str]

    def takes_place_of(self, entry: CarriedField) -> bool:
        """Whether it is of the field that an entry is of: by prescription, else by the field's id, else by name."""
        if entry.id in self.had:
            return True
        alike = self.key == entry.key if self.key and entry.key else self.place == entry.place
        return alike and self.season == entry.season


@dataclass(frozen=True, slots=True, kw_only=True)
class StickReport:
    """What is on a stick.

    ``changed`` are files that are not as vrn wrote them, or gone; ``strange`` those of another origin in its folders,
    ``beside`` what else lies at the top; ``superseded`` leads from a prescription on it to the id that took its place.
    """

    fields: tuple[CarriedField, ...]
    changed: tuple[str, ...]
    strange: tuple[str, ...]
    beside: tuple[str, ...]
    superseded: dict[str, str]


def carried(folder: Path) -> Carried:
    """A written prescription, read for a stick; its files must be those that its ``summary.json`` lists."""
    try:
        summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
        names = [name for name in summary["files"] if name.startswith(("TASKDATA/", "shapefile/"))]
        files = {name: (folder / name).read_bytes() for name in (*names, "load_sheet.txt", _TICKET)}
        if lost := [name for name, content in files.items() if _sha(content) != summary["files"][name]]:
            problem = f"{folder / lost[0]} is not the file that was built."
            raise InputFileError(problem, "Build the prescription again.")
        (task,) = tasks_in({Path(name).name: files[name] for name in names if name.startswith("TASKDATA/")})
        grower, farm, _ = task.place
        (stem,) = {Path(name).stem for name in names if name.startswith("shapefile/")}
        statement = json.loads((folder / "statement.json").read_text(encoding="utf-8"))
        product = statement["product"]
        entry = CarriedField(
            grower=grower, farm=farm, field=summary["field"], season=summary["season"], id=summary["id"],
            approved=summary["approved"], task=task.task, shapefile=stem, product=product["name"],
            unit=product["unit"] if product["n_pct"] < 100 else "mass",  # nitrogen itself has no tank
            total=summary["total_product"], metric=summary["units"] == "metric",
            sheet=files["load_sheet.txt"].decode("utf-8"), setpoints=_setpoints(folder / "TASKDATA", task.task),
            key=statement["settings"]["field"].get("id", ""),
        )  # fmt: skip
    except (OSError, ValueError, KeyError, TypeError, UnreadableError) as error:
        problem = f"{folder} does not hold a whole prescription ({type(error).__name__}: {error})."
        raise InputFileError(problem, "Give the folder that vrn build wrote (its --out).") from error
    return Carried(entry=entry, task=task, ticket=files[_TICKET],
                   shapefile={end: files[f"shapefile/{stem}.{end}"] for end in _ENDINGS})  # fmt: skip


def put(stick: Path, new: Sequence[Carried]) -> tuple[CarriedField, ...]:
    """Put fields on a stick: one that is there already is replaced, all others stay.

    InputFileError or OutputError, and the stick as it was, where two fields go by one name, something of another origin
    would be replaced, or the stick cannot be written. Returns every field that is then on it.
    """
    there = _read(stick)
    for one in new:
        _refuse_namesakes(one, [other for other in (*there, *new) if other is not one], new)
    coming = {one.entry.place: one for one in new}
    kept = [coming.pop(one.entry.place, one) for one in there]
    stems = {one.entry.place: one.entry.shapefile for one in there}
    fields = []
    for one in (*kept, *coming.values()):
        stem = stems.get(one.entry.place) or _stem(one.entry.field, stems.values())
        stems[one.entry.place] = stem
        fields.append(replace(one, entry=one.entry.renamed(stem)))
    _write(stick, fields)
    return tuple(one.entry for one in fields)


def loaded_on(
    stick: Path, fields: Sequence[Carried], folders: Sequence[Path], book: AnyBook
) -> tuple[Event, ...]:  # fmt: skip
    """What an existing season book is told of fields that go on a stick."""
    known = latest(book, built=True, retired=True, parts=())
    return tuple(
        Event(what="loaded", key=key_of_folder(folder, one.entry.field, known), field=one.entry.field,
              season=one.entry.season, rx=one.entry.id, note=stick.resolve().name)
        for one, folder in zip(fields, folders, strict=True)
    )  # fmt: skip


def remove(stick: Path, field: str) -> tuple[CarriedField, ...]:
    """Take a field off a stick by its name or its prescription's id; InputFileError if it isn't there or not alone."""
    there = _read(stick)
    going = [one for one in there if field in (one.entry.field, one.entry.id, one.entry.id[:SHORT])]
    if len(going) != 1:
        problem = f"{stick} holds {len(going) or 'no'} field{'s' * (len(going) > 1)} called “{field}”."
        names = ", ".join(f"{one.entry.field} ({one.entry.id[:SHORT]})" for one in there) or "none"
        raise InputFileError(problem, f"Fields on it: {names}.")
    fields = [one for one in there if one is not going[0]]
    _write(stick, fields)
    return tuple(one.entry for one in fields)


def _current_of(book: AnyBook) -> tuple[_Current, ...]:
    """The prescription that each field of a season book has now."""
    name = partial(terminal_name, plain=False, instead="")
    return tuple(
        _Current(id=one.rx, had=one.had, season=one.season, key=one.key,
                place=(name(one.grower), name(one.farm), one.field))
        for one in latest(book, built=True, parts=("summary",))
    )  # fmt: skip


def _current_in(folder: Path) -> _Current:
    """The prescription that a written folder holds."""
    entry, lies = carried(folder).entry, earlier_in(folder)
    had = {entry.id, lies.replaces} if lies is not None and lies.replaces else {entry.id}
    return _Current(id=entry.id, had=frozenset(had), season=entry.season, key=entry.key, place=entry.place)


def stick_report(stick: Path, folders: Sequence[Path] = (), book: AnyBook | None = None) -> StickReport:
    """What is on a stick, held against the list on it and what its fields have now: in the folders, else the book."""
    current = (*(() if book is None else _current_of(book)), *(_current_in(folder) for folder in folders))
    found = read_entries(stick, ENTRIES)
    entries, hashes = _listed(stick, found)
    changed = [name for name, digest in hashes.items() if name not in found or _sha(found[name]) != digest]
    strange = sorted(set(found) - set(hashes) - {LIST})
    for entry in entries:
        if entry.setpoints != _setpoints(stick / "TASKDATA", entry.task) and f"TASKDATA/{XML}" not in changed:
            changed.append(f"TASKDATA/{XML}")
    now = {entry.id: one.id for entry in entries for one in current if one.takes_place_of(entry)}
    return StickReport(
        fields=entries, changed=tuple(sorted(changed)), strange=tuple(strange),
        beside=tuple(sorted(path.name for path in stick.iterdir()
                            if path.name not in ENTRIES and not path.name.startswith("."))),
        superseded={there: new for there, new in now.items() if there != new},
    )  # fmt: skip


def refuse_strange_stick(stick: Path) -> None:
    """Refuse a stick that is not there, or on which something of another origin would be replaced.

    A ``TASKDATA`` that a terminal has written to may hold the record of work done: it is never replaced.
    """
    _read(stick)


def _read(stick: Path) -> list[Carried]:
    """The fields on a stick; refused where a file in vrn's places is not as vrn wrote it."""
    found = read_entries(stick, ENTRIES)
    entries, hashes = _listed(stick, found)
    found.pop(LIST, None)
    for name in sorted({*found, *hashes}):
        if name not in hashes or name not in found or _sha(found[name]) != hashes[name]:
            state = "was not written by vrn" if name not in hashes else "is not as vrn wrote it"
            problem = f"{stick / name} {state}. A terminal may have put the record of work done there."
            remedy = f"Copy {', '.join(_FOLDERS)} and {LIST} to a safe place, and take them off the stick."
            raise OutputError(problem, remedy)
    tasks = {}
    if entries:
        tasks = {one.task: one for one in tasks_in({Path(name).name: content for name, content in found.items()
                                                    if name.startswith("TASKDATA/")})}  # fmt: skip
    return [
        Carried(entry=entry, task=tasks[entry.task], ticket=found[f"SHEETS/{entry.shapefile}.PDF"],
                shapefile={end: found[f"SHAPEFILE/{entry.shapefile}.{end}"] for end in _ENDINGS})
        for entry in entries
    ]  # fmt: skip


def _listed(stick: Path, found: Mapping[str, bytes]) -> tuple[tuple[CarriedField, ...], dict[str, str]]:
    """Fields and hashes that the list on a stick gives; none where vrn wrote nothing yet."""
    if LIST not in found:
        return (), {}
    try:
        listed: dict[str, Any] = json.loads(found[LIST])
        return tuple(CarriedField(**entry) for entry in listed["fields"]), dict(listed["files"])
    except (ValueError, KeyError, TypeError) as error:
        problem = f"{stick / LIST} cannot be read ({type(error).__name__})."
        remedy = f"Copy {', '.join(_FOLDERS)} and {LIST} to a safe place, and take them off the stick."
        raise OutputError(problem, remedy) from error


def _refuse_namesakes(one: Carried, others: Iterable[Carried], new: Sequence[Carried]) -> None:
    """Two fields that an operator could not tell apart, or of which one would take the other's place."""
    mine = one.entry
    for other in others:
        theirs = other.entry
        alike = one.task.place == other.task.place
        again = mine.place == theirs.place and other not in new and not boxes_apart(one.task, other.task)
        if alike and not again:
            where = "in the same command" if other in new else "on the stick, on other ground or under a longer name"
            problem = f"Two fields would be called “{one.task.place[2]}” on the terminal: {mine.field} and one {where}."
            raise InputFileError(problem, "Give each field a name of its own, and build again.")


def _stem(field: str, taken: Iterable[str]) -> str:
    """Name of a field's shapefile: 8.3, upper case, kept apart by a number.

    >>> _stem("Cedar Bend 7", ["CEDARB_1"]), _stem("麦田", [])
    ('CEDARB_2', 'FIELD_1')
    """
    letters = re.sub(r"[^A-Z0-9]", "", plain_name(field).upper()) or "FIELD"
    used, number = set(taken), 1
    while (stem := f"{letters[: _STEM + 1 - len(str(number))]}_{number}") in used:
        number += 1
    return stem


def _write(stick: Path, fields: Sequence[Carried]) -> None:
    """Write the whole stick anew: all of it or nothing, read again before it takes the old one's place."""
    files: dict[str, bytes] = {}
    if fields:
        files = {f"TASKDATA/{name}": content for name, content in task_files([one.task for one in fields]).items()}
        for one in fields:
            files |= {f"SHAPEFILE/{one.entry.shapefile}.{end}": one.shapefile[end] for end in _ENDINGS}
            files[f"SHEETS/{one.entry.shapefile}.PDF"] = one.ticket
        files[SHEET] = day_sheet([one.entry for one in fields]).encode()
        listed = {"fields": [asdict(one.entry) for one in fields],
                  "files": {name: _sha(content) for name, content in files.items()}}  # fmt: skip
        files[LIST] = (json.dumps(listed, indent=1, ensure_ascii=False) + "\n").encode()

    def check(staged: Path) -> None:
        for one in fields:
            if _setpoints(staged / "TASKDATA", one.entry.task) != one.entry.setpoints:
                problem = f"The task of {one.entry.field} reads differently on {stick} than in its own folder."
                raise OutputError(problem, "Nothing was changed. Report this; it is a fault in vrn.")

    replace_entries(stick, files, ENTRIES, check=check)


def _setpoints(folder: Path, task: str) -> str:
    """Hash of where a task puts what, as the audit's own reader finds it."""
    try:
        read = read_iso(folder, task)
    except (UnreadableError, ET.ParseError):
        return ""
    digest = hashlib.sha256(struct.pack("<4d", *read.corner))
    if read.values is not None:
        digest.update(read.values.astype("<i8").tobytes())
    parts = [(polygon.wkt, value) for polygon, value in read.polygons]
    digest.update(repr((read.entity, read.fixed, read.area_m2, sorted(read.names.items()), parts)).encode())
    return digest.hexdigest()


def _sha(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
