"""The field file changed key by key, whole or not at all, with a way back; files and readings that a person gives."""

import csv
import hashlib
import io
import os
import re
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from shutil import copyfileobj
from typing import Any, BinaryIO, Final

import tomlkit
from starlette.datastructures import UploadFile
from tomlkit.exceptions import TOMLKitError

from vrn.errors import InputFileError, OutputError, VrnError

_MOST_STEPS: Final = 200  # back, of one field
_HEAD_BYTES: Final = 65_536  # of a table, with its heads and at least one row
Key = tuple[str | int, ...]  # tables by name, one of a list of tables by its place


def digest_of(content: bytes) -> str:
    """What a page remembers of the file that it showed."""
    return hashlib.sha256(content).hexdigest()


def has_rows(path: Path) -> bool:
    """Whether a file is there and, where it is a table of text, holds more than its heads."""
    if path.suffix.lower() != ".csv" or not path.is_file():
        return path.is_file()
    with path.open("rb") as file:
        return b"\n" in file.read(_HEAD_BYTES).strip()  # a long log is asked about whenever the fields are listed


class FieldFile:
    """
    One ``field.toml`` while the desk is open.

    Parameters
    ----------
    path : Path

    ``earlier`` are its texts before each change that was made here, the latest last.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.earlier: list[bytes] = []

    @property
    def content(self) -> bytes:
        """Its bytes as they are on the disk now; InputFileError if it cannot be read."""
        try:
            return self.path.read_bytes()
        except OSError as error:
            problem = f"{self.path.name} cannot be read: {error.strerror or error}."
            raise InputFileError(problem, "Check that it is there, and its permissions.") from None

    def values(self) -> dict[str, Any]:
        """Its tables in plain values."""
        return _parsed(self.content, self.path.name).unwrap()

    def says(self, *way: str) -> Any:
        """Value of a key; None where it says none, or cannot be read."""
        try:
            found: Any = self.values()
            for name in way:
                found = found[name]
        except (VrnError, KeyError, TypeError):
            return None
        return found

    def change(self, changes: Mapping[Key, Any], *, seen: str) -> bool:
        """
        Set keys, or take away those whose value is None; False, and nothing written, if the file is not the one seen.

        Raises
        ------
        InputFileError
            If it is not valid TOML now.
        OutputError
            If it cannot be written.
        """
        before = self.content
        if digest_of(before) != seen:
            return False
        text = tomlkit.dumps(_changed(before, self.path.name, changes)).encode()
        if text != before:
            write_whole(self.path, text)
            self.earlier = [*self.earlier, before][-_MOST_STEPS:]
        return True

    def would_be(self, changes: Mapping[Key, Any]) -> dict[str, Any]:
        """Its tables with keys set or taken away, in plain values; nothing is written."""
        return _changed(self.content, self.path.name, changes).unwrap()

    def undo(self, *, seen: str) -> bool:
        """Put the text before the last change back; False if there is none, or the file is not the one seen."""
        if not self.earlier or digest_of(self.content) != seen:
            return False
        write_whole(self.path, self.earlier[-1])
        self.earlier.pop()
        return True


def _changed(content: bytes, name: str, changes: Mapping[Key, Any]) -> tomlkit.TOMLDocument:
    document = _parsed(content, name)
    for key, value in changes.items():
        _put(document, key, value)
    for way in {key[:at] for key in changes for at, part in enumerate(key) if isinstance(part, int)}:
        _drop_empty(document, way)
    return document


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that it is the old or the new one whenever the power fails; OutputError if it cannot be."""
    part = None
    try:
        handle, part = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".part", dir=path.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        with suppress(OSError):
            Path(part).chmod(path.stat().st_mode & 0o777)
        Path(part).replace(path)
    except OSError as error:
        if part is not None:
            Path(part).unlink(missing_ok=True)
        problem = f"{path.name} cannot be written: {error.strerror or error}. It is as it was."
        raise OutputError(problem, "Make room on the disk, or check the permissions of the folder.") from None


def append_line(path: Path, line: bytes, *, header: bytes = b"") -> None:
    """Add a line to a file, on the disk when this returns; a half line that a crash left is ended first."""
    try:
        with path.open("a+b") as file:
            size = file.seek(0, os.SEEK_END)
            start = header if not size else b""
            if size:
                file.seek(size - 1)
                start = b"" if file.read(1) == b"\n" else b"\n"
            file.write(start + line.rstrip(b"\n") + b"\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        problem = f"{path.name} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Make room on the disk, or check the permissions of the folder.") from None


def keep_in(folder: Path, upload: UploadFile) -> str:
    """Keep a dropped file in a folder, under a name that nothing there has."""
    name = _kept_name(upload.filename or "")
    stem, suffix, number = Path(name).stem, Path(name).suffix, 1
    while (folder / name).exists() or name == "field.toml":
        number += 1
        name = f"{stem}_{number}{suffix}"
    _keep_upload(upload.file, folder / name)
    return name


def _keep_upload(source: BinaryIO, path: Path) -> None:
    """Keep a dropped file; OutputError, and nothing of it left, if it cannot be."""
    try:
        with path.open("xb") as file:
            copyfileobj(source, file)
    except OSError as error:
        if not isinstance(error, FileExistsError):
            path.unlink(missing_ok=True)
        problem = f"{path.name} cannot be kept: {error.strerror or error}."
        raise OutputError(problem, "Make room on the disk, and give each file a name of its own.") from None


def _kept_name(given: str) -> str:
    r"""Name under which a dropped file is kept: its own last part, without what a path or a hidden file begins with.

    >>> _kept_name("../../etc/passwd"), _kept_name("C:\\data\\lab.csv"), _kept_name(".htaccess")
    ('passwd', 'lab.csv', 'htaccess')
    """
    name = "".join(
        letter for letter in re.split(r"[/\\]", given)[-1] if letter.isprintable() and letter not in '<>:"|?*#'
    )
    return name.lstrip(". ")[:120].strip() or "file"


def _parsed(content: bytes, name: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(content.decode("utf-8-sig"))
    except (TOMLKitError, UnicodeDecodeError, RecursionError, ValueError) as error:
        problem = f"{name} is not valid TOML: {error}."
        raise InputFileError(problem, "Fix that line in a text editor.") from None


def _drop_empty(document: Any, way: Key) -> None:
    """Take away the tables of a list that hold nothing any more, and the list with its last one."""
    *before, name = way
    for part in before:
        document = document.get(part, {})
    tables = document.get(name, [])
    for at in reversed([at for at, table in enumerate(tables) if not table]):
        del tables[at]
    if name in document and not len(tables):
        del document[name]


def _put(document: Any, key: Key, value: Any) -> None:
    """Set one key, making the tables on its way; None takes it away."""
    *way, name = key
    table = document
    for at, part in enumerate(way):
        if isinstance(part, int):
            if part >= len(table):
                if value is None:
                    return
                table.append(tomlkit.table())
                part = len(table) - 1
            table = table[part]
            continue
        missing = part not in table or not isinstance(table[part], (dict, list))
        if missing and value is None:
            return
        if missing:
            table[part] = tomlkit.aot() if isinstance((*way, name)[at + 1], int) else tomlkit.table()
        table = table[part]
    if value is not None:
        table[name] = value
        return
    if (name in table) if isinstance(table, dict) else isinstance(name, int) and name < len(table):
        del table[name]


def lines_of_phones(kept: dict[str, dict[str, Any]]) -> list[list[str]]:
    """Readings of all phones, without the header, by the time they were read."""
    found: dict[object, tuple[str, list[str]]] = {}  # by reading: when it was corrected, its line
    for one in kept.values():
        lines = [row for row in list(csv.reader(io.StringIO(one["text"])))[1:] if row]
        try:  # a phone that opens the page later starts from what others read: the last correction counts
            done = sorted(one["kept"]["done"], key=lambda read: str(read["at"]))  # as the page writes its lines
            marks = [((one["key"], str(read["row"]), str(read["at"]), bool(read.get("again"))),
                      str(read.get("changed", ""))) for read in done]  # fmt: skip
        except (KeyError, TypeError, AttributeError):
            marks = []
        for line, (reading, changed) in zip(
            lines, marks if len(marks) == len(lines) else [(tuple(row), "") for row in lines], strict=True
        ):
            if reading not in found or changed > found[reading][0]:
                found[reading] = changed, line
    return [line for _, line in found.values()]
