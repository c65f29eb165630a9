"""The files of one reading: found, also in a zip archive, recognized by their first bytes, hashed, what was noticed."""

import hashlib
import io
import os
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path, PurePosixPath
from typing import Final, Literal, NamedTuple, NoReturn

import shapely

from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity, note, warning

# what a reading library may raise on a damaged file: its own errors are among these, and so are its slips
LIBRARY_ERRORS: Final = (
    ArithmeticError, AttributeError, EOFError, LookupError, MemoryError, NameError, OSError, RuntimeError, SystemError,
    TypeError, ValueError,
)  # fmt: skip
_LARGEST_TEXT = 200_000_000  # bytes read into memory at once: their cells take ten times as much

Kind = Literal["csv", "excel", "geojson", "kml", "shapefile", "geopackage", "flatgeobuf", "raster", "zip"]

TABLES: Final[tuple[Kind, ...]] = ("csv", "excel")
_TEXT_TABLES = {".csv", ".txt", ".tsv", ".dat"}

# first bytes of files that hold no data for us: what they are, and what to do instead
_STRANGERS = (
    (b"%PDF", "a PDF", "Ask for the data itself: CSV, GeoJSON or a shapefile."),
    (b"\xd0\xcf\x11\xe0", "an old Office file", "Save it as .xlsx or .csv."),
    (b"\x1f\x8b", "a gzip archive", "Unpack it first."),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive", "Unpack it first."),
    (b"Rar!", "a RAR archive", "Unpack it first."),
    (b"\x89PNG", "a picture", "Ask for the data itself: CSV, GeoJSON, a shapefile or GeoTIFF."),
    (b"\xff\xd8\xff", "a picture", "Ask for the data itself: CSV, GeoJSON, a shapefile or GeoTIFF."),
)


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

    def refuse(self, problem: str, remedy: str) -> NoReturn:
        """Raise InputFileError with the file, and the key that names it, before the problem."""
        whole = f"{self} ({self.key}): {problem}"
        raise InputFileError(whole, remedy) from None

    def refuse_choice(self, what: str, names: list[str]) -> NoReturn:
        """Refuse a file of several layers or sheets of which none, or one that is not there, is named."""
        shown, example = ", ".join(names) or "none", f"{self.name.split('#')[0]}#{(names or ['June'])[0]}"
        problem = f"there is no {what} {self.part} ({what}s: {shown})."
        if self.part is None:
            problem = f"the file has {len(names)} {what}s ({shown}), and the field file does not say which one to use."
        self.refuse(problem, f'Name one behind a #, as "{example}".')

    def __str__(self) -> str:
        return self.name


class Ground(NamedTuple):
    """The field's outline in its projected system, and the system that the boundary's own file is in."""

    outline: shapely.Geometry
    crs: str
    own_crs: str


class InputFiles:
    """
    Folder, hashes and findings of one reading.

    Parameters
    ----------
    folder : Path
        Where the field file lies; relative names start here.
    metric : bool, default False
        Whether the field file is in metric units: what a number without a unit is taken as.
    elsewhere : mapping of str to Path, optional
        Files that will lie in the folder and do not yet: name there, and where each lies now.
    """

    def __init__(self, folder: Path, *, metric: bool = False, elsewhere: Mapping[str, Path] | None = None) -> None:
        self.folder = folder
        self.metric = metric
        self.elsewhere = elsewhere or {}
        self.inputs: dict[str, str] = {}
        self.input_keys: dict[str, str] = {}
        self.findings: list[Finding] = []
        self.ground: Ground | None = None  # once the boundary is read

    def note(self, code: str, about: object, **quantities: Quantity | int | str | date) -> None:
        """Remember something assumed or done."""
        self.findings.append(note(code, about, **quantities))

    def warn(self, code: str, about: object, **quantities: Quantity | int | str | date) -> None:
        """Remember something a person must decide."""
        self.findings.append(warning(code, about, **quantities))

    def source(self, name: str, key: str) -> Source:
        """
        Find a file that the field file names, its folders parted by ``/`` or a backslash.

        Parameters
        ----------
        name : str
            Path, relative to the field file.
        key : str
            Key path that gave it.

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
                raise InputFileError(problem, "Name one file in it.")
            if path.exists() and not path.is_file():
                problem = f"{key}: {name} is not an ordinary file."
                raise InputFileError(problem, "Copy the data into a file and name that.")
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
        path = self.elsewhere.get(name) or Path(os.path.normpath(self.folder / name))
        if path.exists():
            return path, None
        if (moved := self.elsewhere.get(name.rpartition("#")[0])) is not None:
            return moved, name.rpartition("#")[2]
        name = name.replace("\\", "/")  # a field file from Windows
        before, mark, part = name.rpartition("#")
        whole = Path(os.path.normpath(self.folder / name))
        return (Path(os.path.normpath(self.folder / before)), part) if mark and not whole.exists() else (whole, None)

    def _near(self, name: str) -> str:
        """A remedy that names the file probably meant, when there is one."""
        import difflib

        meant = self.folder / name.replace("\\", "/")
        try:
            there = sorted(item.name for item in meant.parent.iterdir())[:2000]
        except (OSError, ValueError):
            return "Paths are relative to the field file."
        close = difflib.get_close_matches(meant.name, there, n=1)
        return f"Did you mean {close[0]}?" if close else "Paths are relative to the field file."

    def read(self, source: Source) -> bytes:
        """Whole content of a file, hashed; InputFileError if it is empty, too large, or vanished."""
        if source.data is not None:
            return source.data
        data = _first_bytes(source, _LARGEST_TEXT + 1)
        if len(data) > _LARGEST_TEXT:
            source.refuse(
                f"larger than {_LARGEST_TEXT // 1_000_000} MB.", "Give the part of it that covers this field."
            )
        if not data:
            source.refuse("the file is empty.", "Export or copy it again.")
        self._record(source.path, source.key, hashlib.sha256(data).hexdigest())
        return data

    def record(self, source: Source, *paths: Path) -> None:
        """Hash files that a library will open by itself."""
        for path in paths or (source.path,):
            try:
                with path.open("rb") as file:
                    self._record(path, source.key, hashlib.file_digest(file, "sha256").hexdigest())
            except OSError as error:
                _vanished(source, error)

    def _record(self, path: Path, key: str, digest: str) -> None:
        try:
            name = os.path.relpath(path, self.folder)
        except ValueError:  # another drive
            name = str(path)
        self.inputs[Path(name).as_posix()] = digest
        self.input_keys[Path(name).as_posix()] = key


def recognize(source: Source) -> Kind:
    """
    Kind of a file, from its first bytes; its name only decides between kinds of text.

    Refuses a file that is empty, or nothing that vrn reads.
    """
    head = _first_bytes(source, 512)
    if not head.strip():
        source.refuse("the file is empty.", "Export or copy it again.")
    for magic, what, remedy in _STRANGERS:
        if head.startswith(magic):
            source.refuse(f"this is {what}, whatever its name says.", remedy)
    return _binary(source, head) or _textual(source, head)


def _binary(source: Source, head: bytes) -> Kind | None:
    if head.startswith(b"PK\x03\x04"):
        return "excel" if source.suffix in {".xlsx", ".xlsm"} else "zip"
    if head.startswith(b"SQLite format 3\x00"):
        return "geopackage"
    if source.suffix in {".shx", ".dbf"}:
        source.refuse("this is one part of a shapefile.", "Give the .shp, with its parts beside it.")
    if head.startswith(b"\x00\x00\x27\x0a"):
        return "shapefile"
    if head.startswith(b"fgb\x03"):
        return "flatgeobuf"
    if head.startswith((b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")) or source.suffix in {".asc", ".img"}:
        return "raster"
    return None


def _textual(source: Source, head: bytes) -> Kind:
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip().lower()
    if text.startswith((b"<!doctype html", b"<html")):
        source.refuse(
            "this is a web page, whatever its name says.",
            "Download the file itself; a sign-in page may have come instead.",
        )
    if text.startswith(b"<") or source.suffix == ".kml":
        return "kml"
    if text.startswith((b"{", b"[")) and (source.suffix not in _TEXT_TABLES or b'"type"' in text):
        return "geojson"
    if source.suffix in _TEXT_TABLES:
        return "csv"
    remedy = "Give CSV or Excel (.xlsx), GeoJSON, a shapefile, GeoPackage or KML, or a GeoTIFF raster."
    if source.suffix in {".shp", ".gpkg", ".tif", ".tiff", ".xlsx", ".zip", ".kmz"}:
        remedy = "It may be damaged or cut off: export or copy it again."
    if source.suffix not in {".geojson", ".json"}:
        source.refuse("this is not a file that vrn reads, whatever its name says.", remedy)
    return "geojson"


def _first_bytes(source: Source, count: int) -> bytes:
    if source.data is not None:
        return source.data[:count]
    try:
        with source.path.open("rb") as file:
            return file.read(count)
    except OSError as error:
        _vanished(source, error)


def _vanished(source: Source, error: OSError) -> NoReturn:
    source.refuse(
        f"reading it failed: {error.strerror or error}.",
        "Check that the file is still there and that its drive is connected, then try again.",
    )


_LARGEST = 200_000_000  # bytes of one member, unpacked
_PADDED, _PADDED_TIMES = (
    20_000_000,
    200,
)  # bytes from which a member that shrinks by so much holds no data: nothing but padding does
_MOST_MEMBERS = 5000
SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
_WANTED = (".shp", ".gpkg", ".geojson", ".json", ".kml", ".csv", ".xlsx", ".tif", ".tiff")


def member_of(files: InputFiles, source: Source) -> Source:
    """
    The one data file in a zip or KMZ archive, or the one named behind a ``#``, with its content in memory.

    Of a shapefile the parts are checked, and it is to be opened where it lies. Refuses an archive that is damaged,
    encrypted or a bomb, one with a name that points outside it, and an open choice.
    """
    data = files.read(source)
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            names = _names(source, archive)
            name = _chosen(source, names)
            if name.lower().endswith(".shp"):
                stem = name[:-4].lower()
                parts = [n for n in names if n[:-4].lower() == stem and n[-4:].lower() in SHAPEFILE_PARTS]
                return _shapefile(source, name, {part[-4:].lower(): _content(source, archive, part) for part in parts})
            content = _content(source, archive, name)
    except InputFileError:
        raise
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, ValueError, RuntimeError, OSError) as error:
        source.refuse(
            f"the archive cannot be read: {str(error) or 'damaged'}.", "Pack or copy it again, without a password."
        )
    shown = f"{source.name.split('#')[0]}#{name}"
    return Source(path=source.path, name=shown, key=source.key, data=content, inner=name)


def _names(source: Source, archive: zipfile.ZipFile) -> list[str]:
    """Files of the archive, after a look at what they claim."""
    infos = archive.infolist()
    if len(infos) > _MOST_MEMBERS:
        source.refuse(f"the archive holds {len(infos)} files.", "Pack only the files of this field.")
    names = []
    for info in infos:
        path = PurePosixPath(info.filename.replace("\\", "/"))
        if path.is_absolute() or ".." in path.parts or ":" in path.parts[0] if path.parts else True:
            source.refuse(
                f"the archive names a file outside itself ({info.filename[:60]}).",
                "Do not trust it; ask the sender for the plain files.",
            )
        if not info.is_dir() and not path.name.startswith(".") and path.parts[0] != "__MACOSX":
            names.append(info.filename)
    return names


def _chosen(source: Source, names: list[str]) -> str:
    wanted = [name for name in names if name.lower().endswith(_WANTED)]
    if "[Content_Types].xml" in names:
        source.refuse("this is an Office file.", "Save it as .xlsx under that ending, or as .csv.")
    if source.part is not None:
        found = [name for name in names if source.part in (name, PurePosixPath(name).name, PurePosixPath(name).stem)]
        wanted = [name for name in found if name in wanted]
    shown = ", ".join(name for name in names if name.lower().endswith(_WANTED))[:200] or "none"
    if source.suffix == ".kmz" and "doc.kml" in wanted:
        return "doc.kml"
    if len(wanted) != 1:
        what = f"it holds no data file {source.part}" if source.part else f"it holds {len(wanted)} data files"
        example = f"{source.name.split('#')[0]}#{wanted[0] if wanted else 'name'}"
        source.refuse(f"{what} (data files: {shown}).", f'Name one behind a #, as "{example}".')
    return wanted[0]


def _content(source: Source, archive: zipfile.ZipFile, name: str) -> bytes:
    """One member, never more of it than is sane; its checksum is tested on the way."""
    refuse_padding(source, archive.getinfo(name))
    content = b""
    if archive.getinfo(name).file_size <= _LARGEST:
        with archive.open(name) as member:
            content = member.read(_LARGEST + 1)
    if max(archive.getinfo(name).file_size, len(content)) > _LARGEST:
        remedy = "Give the part of it that covers this field."
        source.refuse(f"{name} is larger than {_LARGEST // 1_000_000} MB when unpacked.", remedy)
    return content


def refuse_padding(source: Source, info: zipfile.ZipInfo) -> None:
    """Refuse a member that is nearly all padding, by what it says of its size, before it is unpacked."""
    if info.file_size > max(_PADDED, _PADDED_TIMES * info.compress_size):
        source.refuse(
            f"{info.filename} unpacks from {info.compress_size / 1e6:.2g} to {info.file_size / 1e6:,.0f} MB, nearly "
            "all of it padding.",
            "Save the table again without its empty rows.",
        )


def _shapefile(source: Source, name: str, parts: dict[str, bytes]) -> Source:
    missing = [ending for ending in (".shx", ".dbf") if ending not in parts]
    if missing:
        source.refuse(
            f"{name} lacks its part {' and '.join(missing)}.", "Pack the whole shapefile: .shp, .shx, .dbf and .prj."
        )
    return Source(path=source.path, name=source.name, key=source.key, data=parts[".shp"], inner=name)
