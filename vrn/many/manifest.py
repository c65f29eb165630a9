"""The list of fields to build: a CSV or a glob becomes jobs, each with a folder of its own."""

import glob
import os
import re
from dataclasses import dataclass
from pathlib import Path

from vrn.errors import InputFileError

_DEVICE = re.compile(r"(con|prn|aux|nul|(com|lpt)\d)(\..*)?", re.IGNORECASE)  # what Windows keeps for itself


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One field to build: its output folder's name, its absolute field file, and how messages name it, with its row."""

    name: str
    field_file: Path
    shown: str


def read_manifest(manifest: str) -> tuple[Job, ...]:
    """Fields named by a CSV, in its order, or found by a glob as ``"valley/*/field.toml"``, sorted by path.

    In a CSV ``field`` holds paths of field files relative to it, an optional ``folder`` names the folder of the output.
    A field file that is not there is a job like any other: it fails when it is built, and the rest goes on.
    InputFileError if there is no such file, no column ``field``, no field at all, or two fields would write to one
    folder.
    """
    pattern = glob.has_magic(manifest) and not Path(manifest).exists()
    jobs = _found(manifest) if pattern else _listed(Path(manifest))
    _apart(jobs, manifest)
    return jobs


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


def _apart(jobs: tuple[Job, ...], manifest: str) -> None:
    """Refuse two fields that would write to one folder."""
    seen: dict[str, Job] = {}
    for job in jobs:
        other = seen.setdefault(job.name.casefold(), job)
        if other is not job:
            problem = f"{manifest}: {other.shown} and {job.shown} would both write to the folder {job.name}."
            raise InputFileError(problem, "Name each field once; a column folder gives each a folder of its own.")
