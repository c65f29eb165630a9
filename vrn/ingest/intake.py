"""What one reading of a field file gathers: the files it opened, their hashes, and what it noticed."""

import hashlib
import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from vrn.errors import InputFileError
from vrn.findings import Finding
from vrn.units import FT_M

# what a reading library may raise on a damaged file: its own errors are among these, and so are its slips
LIBRARY_ERRORS: Final = (
    ArithmeticError, AttributeError, EOFError, LookupError, MemoryError, NameError, OSError, RuntimeError, SystemError,
    TypeError, ValueError,
)  # fmt: skip
_LARGEST_TEXT = 512_000_000  # bytes read into memory at once


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """
    One input file, found and readable.

    Parameters
    ----------
    path : Path
        Absolute.
    name : str
        As the user wrote it, for messages.
    key : str
        Key path of the field file that names it.
    part : str or None
        Layer, sheet or member named behind a ``#``.
    data : bytes or None
        Content, where the file is a member of an archive.
    inner : str or None
        Name of that member.
    """

    path: Path
    name: str
    key: str
    part: str | None = None
    data: bytes | None = field(default=None, repr=False)
    inner: str | None = None

    @property
    def suffix(self) -> str:
        """Ending of the name, lower case, as ``.csv``; of the member, where the file is one of an archive."""
        return Path(self.inner).suffix.lower() if self.inner is not None else self.path.suffix.lower()

    def __str__(self) -> str:
        return self.name


class Intake:
    """
    Folder, hashes and findings of one reading.

    Parameters
    ----------
    folder : Path
        Where the field file lies; relative names start here.
    metric : bool, default False
        Whether the field file speaks metric units, and so do the findings.
    """

    def __init__(self, folder: Path, *, metric: bool = False) -> None:
        self.folder = folder
        self.metric = metric
        self.inputs: dict[str, str] = {}
        self.findings: list[Finding] = []

    def note(self, about: object, problem: str, remedy: str) -> None:
        """Something assumed or done, and stated."""
        self.findings.append(Finding(level="note", about=str(about), problem=problem, remedy=remedy))

    def warn(self, about: object, problem: str, remedy: str) -> None:
        """Something a person must decide."""
        self.findings.append(Finding(level="warning", about=str(about), problem=problem, remedy=remedy))

    def length(self, meters: float) -> str:
        """A distance in the units of the field file."""
        if self.metric:
            return f"{meters / 1000:,.1f} km" if meters > 1600 else f"{meters:,.0f} m"
        return f"{meters / 1609.344:,.1f} miles" if meters > 1600 else f"{meters / FT_M:,.0f} ft"

    def source(self, name: str, key: str) -> Source:
        """
        Find a file that the field file names.

        Parameters
        ----------
        name : str
            Path, relative to the field file.
        key : str
            Key path that gave it.

        Returns
        -------
        source : Source

        Raises
        ------
        InputFileError
            If it is an address, a folder, missing, or cannot be opened.
        """
        if "://" in name or name.lower().startswith(("http:", "https:", "ftp:", "/vsi")):
            problem = f"{key}: {name} is an address, and vrn reads files only."
            raise InputFileError(problem, "Save the file beside the field file and give its name.")
        if any(ord(letter) < 32 for letter in name):
            problem = f"{key}: {name!r} holds a control character."
            raise InputFileError(problem, "Write a Windows path with / or in 'single quotes'.")
        try:
            path, part = self._path_and_part(name)
            if path.is_dir():
                problem = f"{key}: {name} is a folder."
                raise InputFileError(problem, "Give one file in it.")
            if path.exists() and not path.is_file():
                problem = f"{key}: {name} is no ordinary file."
                raise InputFileError(problem, "Copy the data into a file and give that.")
            with path.open("rb"):
                pass
        except FileNotFoundError:
            problem = f"{key}: there is no file {name} in {self.folder}."
            raise InputFileError(problem, self._near(name)) from None
        except (OSError, ValueError, RuntimeError) as error:
            reason = getattr(error, "strerror", None) or error
            problem = f"{key}: {name} cannot be opened: {reason}."
            raise InputFileError(problem, "Check the name and the permissions of the file.") from None
        return Source(path=path, name=name, key=key, part=part)

    def _path_and_part(self, name: str) -> tuple[Path, str | None]:
        """``fields.gpkg#west`` is the layer ``west`` of a file, unless a file has that whole name."""
        path = Path(os.path.normpath(self.folder / name))
        if "#" in name and not path.exists():
            before, part = name.rsplit("#", 1)
            return Path(os.path.normpath(self.folder / before)), part
        return path, None

    def _near(self, name: str) -> str:
        """A remedy that names the file probably meant, when there is one."""
        import difflib

        wanted = Path(name).name
        try:
            there = sorted(item.name for item in (self.folder / name).parent.iterdir())[:2000]
        except (OSError, ValueError):
            return "Paths are relative to the field file."
        close = difflib.get_close_matches(wanted, there, n=1)
        return f"Did you mean {close[0]}?" if close else "Paths are relative to the field file."

    def read(self, source: Source) -> bytes:
        """
        Whole content of a file; its hash is that of the bytes returned.

        Raises
        ------
        InputFileError
            If the file is empty, too large, or vanished.
        """
        if source.data is not None:
            return source.data
        data = _content(source)
        self._record(source.path, hashlib.sha256(data).hexdigest())
        return data

    def record(self, source: Source, *paths: Path) -> None:
        """Hash files that a library will open by itself."""
        for path in paths or (source.path,):
            digest = hashlib.sha256()
            try:
                with path.open("rb") as file:
                    while chunk := file.read(1 << 20):
                        digest.update(chunk)
            except OSError as error:
                raise _vanished(source, error) from None
            self._record(path, digest.hexdigest())

    def _record(self, path: Path, digest: str) -> None:
        try:
            name = os.path.relpath(path, self.folder)
        except ValueError:  # another drive
            name = str(path)
        self.inputs[Path(name).as_posix()] = digest


def head_of(source: Source, count: int = 512) -> bytes:
    """First bytes of a file."""
    if source.data is not None:
        return source.data[:count]
    try:
        with source.path.open("rb") as file:
            return file.read(count)
    except OSError as error:
        raise _vanished(source, error) from None


def _content(source: Source) -> bytes:
    try:
        with source.path.open("rb") as file:
            data = file.read(_LARGEST_TEXT + 1)
    except OSError as error:
        raise _vanished(source, error) from None
    if len(data) > _LARGEST_TEXT:
        problem = f"{source}: larger than {_LARGEST_TEXT // 1_000_000} MB."
        raise InputFileError(problem, "Give the part of it that covers this field.")
    if not data:
        problem = f"{source}: the file is empty."
        raise InputFileError(problem, "Export or copy it again.")
    return data


def _vanished(source: Source, error: OSError) -> InputFileError:
    problem = f"{source}: reading it failed: {error.strerror or error}."
    return InputFileError(
        problem, "Check that the file is still there and that its drive is connected, then try again."
    )
