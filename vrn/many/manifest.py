"""The list of fields to build: a CSV or a glob becomes jobs, each with a folder of its own."""

import glob
import os
import re
import tomllib
from collections.abc import Collection, Iterable
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from vrn.errors import InputFileError
from vrn.many.book_events import Event, add_events
from vrn.many.book_file import open_book
from vrn.many.book_tables import AnyBook

_DEVICE = re.compile(r"(con|prn|aux|nul|(com|lpt)\d)(\..*)?", re.IGNORECASE)  # what Windows keeps for itself


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One field to build: its output folder's name, its absolute field file, and how messages name it, with its row.

    ``refused`` is problem and remedy of a line that cannot be built. ``id``, ``field`` and ``season`` are as the field
    file says, empty where it cannot be read.
    """

    name: str
    field_file: Path
    shown: str
    refused: tuple[str, str] | None = None
    id: str = ""
    field: str = ""
    season: int | None = None
    due: date | None = None  # planned day of application


def read_manifest(manifest: str) -> tuple[Job, ...]:
    """Fields named by a CSV, in its order, or found by a glob as ``"valley/*/field.toml"``, sorted by path.

    In a CSV ``field`` holds paths of field files relative to it, an optional ``folder`` names the folder of the output.
    A field file that is not there is a job like any other: it fails when it is built, and the rest goes on. So does a
    field that is listed twice, or has the id of another, or would write to another's folder: it is refused by itself.
    InputFileError if there is no such file, no column ``field``, or no field at all.
    """
    pattern = is_pattern(manifest)
    return _apart(map(introduced, _found(manifest) if pattern else _listed(Path(manifest))))


def is_pattern(manifest: str) -> bool:
    """Whether a manifest is a pattern of field files, and no file."""
    return glob.has_magic(manifest) and not Path(manifest).exists()


def introduced(job: Job) -> Job:
    """A job with what its field file says of itself; what is wrong with the file is told when it is built."""
    with suppress(OSError, ValueError):
        whole = tomllib.loads(job.field_file.read_text(encoding="utf-8-sig"))
        said, crop = whole.get("field"), whole.get("crop")
        if isinstance(said, dict):
            day = crop.get("application_date") if isinstance(crop, dict) else None
            name, own, season = said.get("name"), said.get("id"), said.get("season")
            return replace(job, field=name if isinstance(name, str) else "", id=own if isinstance(own, str) else "",
                           season=season if isinstance(season, int) else None,
                           due=day if type(day) is date else None)  # fmt: skip
    return job


def _found(pattern: str) -> tuple[Job, ...]:
    paths = sorted(glob.glob(pattern, recursive=True))  # noqa: PTH207 - a whole pattern, absolute ones too
    if not paths:
        problem = f"{pattern}: no file is called so."
        raise InputFileError(problem, 'Check the pattern; it names field files, as "valley/*/field.toml".')
    fixed = Path(re.split(r"[*?\[]", pattern)[0] + "x").parent
    return tuple(
        Job(name=_folder_name(os.path.relpath(path, fixed)), field_file=Path(path).absolute(), shown=path)
        for path in paths
    )


def _listed(path: Path) -> tuple[Job, ...]:
    from vrn.ingest.input_files import InputFiles
    from vrn.ingest.tables import read_csv_table

    if path.suffix.lower() == ".toml":
        problem = f"{path} is a field file, not a list of fields."
        raise InputFileError(problem, f"Build it with: vrn build {path} --out DIR")
    base = path.absolute().parent
    files = InputFiles(base)
    table = read_csv_table(files, files.source(path.name, "manifest"))
    field_column, column = table.find("field"), table.find("folder")
    if field_column is None:
        problem = f"{path.name}: there is no column field (columns: {', '.join(table.columns)})."
        raise InputFileError(problem, "Name the column that holds the paths of the field files: field.")
    fields = table.column(field_column)
    folders = table.column(column) if column else [""] * len(fields)
    jobs = []
    for row, field, folder in zip(table.row, fields, folders, strict=True):
        shown = f"{path.name} row {row}"
        if not field.strip():
            problem = f"{shown} names no field file."
            raise InputFileError(problem, "Fill in the column field, or remove the row.")
        target = (base / field.strip()).absolute()
        name = _safe(folder.strip()) or _folder_name(field.strip())
        jobs.append(Job(name=name, field_file=target, shown=f"{field.strip()} ({shown})"))
    return tuple(jobs)


def _folder_name(relative: str) -> str:
    """``north/cedar/field.toml`` → ``north_cedar``; ``north/cedar.toml`` → ``north_cedar``."""
    path = Path(relative)
    parts = [part for part in path.parent.parts if part not in (path.anchor, "..", ".")]
    if path.is_absolute():
        parts = parts[-1:]
    if path.stem != "field" or not parts:
        parts.append(path.stem)
    return _safe("_".join(parts))


def _safe(name: str) -> str:
    r"""A name that every file system takes.

    >>> _safe("north 40."), _safe("Con"), _safe("lpt1.x"), _safe(r"c:\valley")
    ('north_40', 'field_Con', 'field_lpt1.x', 'c_valley')
    """
    plain = re.sub(r"[^\w.-]+", "_", name).strip("._")
    return f"field_{plain}" if _DEVICE.fullmatch(plain) else plain


def _apart(jobs: Iterable[Job]) -> tuple[Job, ...]:
    """Refuse each field that is listed again, and both where one is meant and nobody can say which."""
    folders: dict[str, Job] = {}
    ids: dict[tuple[str, int | None], Job] = {}
    apart: list[Job] = []
    for job in jobs:
        other = folders.setdefault(job.name.casefold(), job)
        if other is not job:
            again = os.path.realpath(other.field_file) == os.path.realpath(job.field_file)
            problem = f"{job.shown} is listed twice: {other.shown} is the same field." if again else (
                f"{other.shown} and {job.shown} would both write to the folder {job.name}.")  # fmt: skip
            remedy = "Remove one line." if again else "Add a column folder, and give each a folder of its own."
            number = 2
            while (name := f"{job.name}_{number}").casefold() in folders:
                number += 1
            job = folders[name.casefold()] = replace(job, name=name, refused=(problem, remedy))
        elif job.id:
            other = ids.setdefault((job.id, job.season), job)
            if other is not job:
                refused = same_id(job.id, other.shown, job.shown)
                apart = [replace(one, refused=refused) if one.name == other.name else one for one in apart]
                job = replace(job, refused=refused)
        apart.append(job)
    return tuple(apart)


def same_id(own: str, first: str, second: str) -> tuple[str, str]:
    """Problem and remedy of two fields that say they are one."""
    problem = f"{first} and {second} have the same id in [field], {own!r}."
    return problem, "Give each field an id of its own: the season book would take one for the other."


def note_list(path: AnyBook, manifest: str, keys: Collection[str]) -> tuple[Event, ...]:
    """Note which fields a list names now; the events of those that it named before and has dropped."""
    with open_book(path, write=True, busy_s=3.0) as book:
        rows = book.execute(
            "SELECT key, what FROM event WHERE what IN ('listed', 'unlisted') AND note = :note ORDER BY id",
            {"note": manifest},
        )
        before = {row["key"]: row["what"] for row in rows}
        named = {row["key"]: row["field"] for row in book.execute("SELECT key, field FROM build ORDER BY id")}
        says = Event(what="listed", key="", field="", note=manifest)
        new = [replace(says, key=key, field=named.get(key, "")) for key in keys if before.get(key) != "listed"]
        lost = [
            replace(says, what="unlisted", key=key, field=named.get(key, key))
            for key, what in before.items()
            if what == "listed" and key not in keys
        ]
        add_events(book, *new, *lost)
    return tuple(lost)
