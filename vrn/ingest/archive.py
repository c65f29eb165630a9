"""Zip archives opened with care: nothing is unpacked onto the disk, and nothing is read that is not asked for."""

import io
import zipfile
import zlib
from pathlib import PurePosixPath

from vrn.errors import InputFileError
from vrn.ingest.input_files import InputFiles, Source

_LARGEST = 400_000_000  # bytes of one member, unpacked
_MOST_MEMBERS = 5000
_SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
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
                parts = [n for n in names if n[:-4].lower() == stem and n[-4:].lower() in _SHAPEFILE_PARTS]
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


def zipped(files: dict[str, bytes]) -> bytes:
    """Files, content by name, as one zip archive; the same bytes whenever it is made."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED)
    return packed.getvalue()


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
    content = b""
    claimed = archive.getinfo(name).file_size
    if claimed <= _LARGEST:
        with archive.open(name) as member:
            content = member.read(_LARGEST + 1)
    if max(claimed, len(content)) > _LARGEST:
        source.refuse(
            f"{name} is larger than {_LARGEST // 1_000_000} MB when unpacked.",
            "Give the part of it that covers this field.",
        )
    return content


def _shapefile(source: Source, name: str, parts: dict[str, bytes]) -> Source:
    missing = [ending for ending in (".shx", ".dbf") if ending not in parts]
    if missing:
        source.refuse(
            f"{name} lacks its part {' and '.join(missing)}.", "Pack the whole shapefile: .shp, .shx, .dbf and .prj."
        )
    return Source(path=source.path, name=source.name, key=source.key, data=parts[".shp"], inner=name)
