"""A field's files elsewhere: sent to a worker that does not see this disk, and back; a demo field copied out."""

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from importlib.resources import as_file
from importlib.resources import files as files_of
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

from vrn.errors import InputFileError, OutputError, VrnError
from vrn.many.task import Row, build_field, sha256_of, summary_in

_LARGEST = 500_000_000  # bytes in one shipment
_NAMES_FILES = ("boundary", "file", "table", "files", "response_trial", "book")


def pack(field_file: Path) -> dict[str, bytes]:
    """Every file of a field's folder; InputFileError if it names one outside, or is too large to send."""
    from vrn.ingest import read_settings
    from vrn.model.settings import as_plain

    for name in _named(as_plain(read_settings(field_file))):
        named = PurePosixPath(name.replace("\\", "/"))
        if named.is_absolute() or PureWindowsPath(name).drive or ".." in named.parts:
            problem = f"{field_file.name} names {name}, outside the field's folder, which is all that is sent along."
            raise InputFileError(problem, "Copy that file into the folder, or let the workers see this disk.")
    files: dict[str, bytes] = {}
    size = 0
    for path in _inside(field_file.parent):
        size += path.stat().st_size
        if size > _LARGEST:
            problem = f"The folder {field_file.parent} holds more than {_LARGEST // 1_000_000} MB."
            raise InputFileError(problem, "Leave only the field's own files in it, or let the workers see this disk.")
        files[path.relative_to(field_file.parent).as_posix()] = path.read_bytes()
    return files


def _named(value: Any, key: str = "") -> Iterator[str]:
    """Names of files in plain settings."""
    if isinstance(value, dict):
        for inner, item in value.items():
            yield from _named(item, inner)
    elif isinstance(value, list):
        for item in value:
            yield from _named(item, key)
    elif isinstance(value, str) and key in _NAMES_FILES:
        yield value


def _inside(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.iterdir()):
        if path.name.startswith("."):
            continue
        if path.is_dir():
            if not (path / "summary.json").exists():
                yield from _inside(path)
        elif path.is_file():
            yield path


def build_shipped(name: str, field_file: str, folder: str, files: dict[str, bytes]) -> Row:
    """Build a field from its shipped files on this machine, and send the outputs back in the row.

    The paths in the row are those of the machine that sent the files.
    """
    with tempfile.TemporaryDirectory(prefix="vrn-") as scratch:
        here, out = Path(scratch) / "field", Path(scratch) / "out"
        for path, content in files.items():
            target = here / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
        row = build_field(name, str(here / Path(field_file).name), str(out))
        made = {
            path.relative_to(out).as_posix(): path.read_bytes() for path in sorted(out.rglob("*")) if path.is_file()
        }
    # the worker's folders mean nothing to the reader
    problem = row.problem.replace(str(here), str(Path(field_file).parent)).replace(str(out), folder)
    return replace(row, field_file=field_file, folder=folder, problem=problem, files=made)


def unpack(row: Row) -> Row:
    """Put the outputs that came back into their folder, all or nothing; the row failed when it cannot be written."""
    from vrn.files.signature import earlier_in
    from vrn.files.staging import note_source, write_files

    if row.status != "built" or not row.files:
        return row
    folder = Path(row.folder)
    earlier = earlier_in(folder)

    def check(staged: Path) -> None:
        _arrived(staged)
        new_id = str((summary_in(staged) or {}).get("id"))
        replaces = None if earlier is None else earlier.replaced_by(new_id)
        note_source(staged, folder, {"field": Path(row.field_file)}, replaces)

    try:
        write_files(row.files, folder, check=check)
    except VrnError as error:
        return replace(row, status="failed", problem=error.problem, remedy=error.remedy, files={})
    return replace(row, files={})


def _arrived(staged: Path) -> None:
    """Refuse outputs that are not what the worker verified and hashed."""
    files = (summary_in(staged) or {}).get("files", {})
    if not files or any(sha256_of(staged / name) != was for name, was in files.items()):
        problem = "The outputs that came back are not those the worker wrote."
        raise OutputError(problem, "Run the same command again.")


DEMO_FIELDS = ("cedar_bend", "heron_flat", "mill_race")


def copy_demo(name: str, into: Path) -> Path:
    """Copy a demo field's folder into another; returns its field file.

    OutputError if a file of the same name with other content stands there, or nothing can be written.
    """
    if name not in DEMO_FIELDS:
        problem = f"There is no demo field {name!r}."
        raise InputFileError(problem, f"Take one of {', '.join(DEMO_FIELDS)}.")
    target = into / name
    package = files_of("vrn")
    # a wheel carries the fields inside the package; a checkout has them beside it
    source = package / "demo_fields" / name
    if not source.is_dir():
        source = package / ".." / "demo_fields" / name
    with as_file(source) as folder:
        originals = {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.is_file()}
    for file_name, content in originals.items():
        copy = target / file_name
        if copy.exists() and (not copy.is_file() or copy.read_bytes() != content):
            problem = f"{copy} is there already and is not the demo's own."
            raise OutputError(problem, "Give another folder, or move yours away.")
    try:
        target.mkdir(parents=True, exist_ok=True)
        for file_name, content in originals.items():
            (target / file_name).write_bytes(content)
    except OSError as error:
        problem = f"The demo field cannot be copied to {target}: {error.strerror or error}."
        raise OutputError(problem, "Give a folder that you may write to.") from error
    return target / "field.toml"
