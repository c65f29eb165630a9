"""What a file is, from its first bytes; its name only decides between kinds of text."""

from typing import Literal

from vrn.errors import InputFileError
from vrn.ingest.intake import Source, head_of

Kind = Literal["csv", "excel", "geojson", "kml", "shapefile", "geopackage", "flatgeobuf", "raster", "zip"]

TABLES: tuple[Kind, ...] = ("csv", "excel")
_TEXT_TABLES = {".csv", ".txt", ".tsv", ".dat"}
_SHAPEFILE = b"\x00\x00\x27\x0a"

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


def recognize(source: Source) -> Kind:
    """
    Kind of a file.

    Parameters
    ----------
    source : Source

    Returns
    -------
    kind : str

    Raises
    ------
    InputFileError
        If it is empty, or nothing that vrn reads.
    """
    head = head_of(source)
    if not head.strip():
        problem = f"{source} ({source.key}): the file is empty."
        raise InputFileError(problem, "Export or copy it again.")
    for magic, what, remedy in _STRANGERS:
        if head.startswith(magic):
            problem = f"{source} ({source.key}): this is {what}, whatever its name says."
            raise InputFileError(problem, remedy)
    return _binary(source, head) or _textual(source, head)


def _binary(source: Source, head: bytes) -> Kind | None:
    if head.startswith(b"PK\x03\x04"):
        return "excel" if source.suffix in {".xlsx", ".xlsm"} else "zip"
    if head.startswith(b"SQLite format 3\x00"):
        return "geopackage"
    if source.suffix in {".shx", ".dbf"}:
        problem = f"{source} ({source.key}): this is one part of a shapefile."
        raise InputFileError(problem, "Give the .shp, with its parts beside it.")
    if head.startswith(_SHAPEFILE):
        return "shapefile"
    if head.startswith(b"fgb\x03"):
        return "flatgeobuf"
    if head.startswith((b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")) or source.suffix in {".asc", ".img"}:
        return "raster"
    return None


def _textual(source: Source, head: bytes) -> Kind:
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip().lower()
    if text.startswith((b"<!doctype html", b"<html")):
        problem = f"{source} ({source.key}): this is a web page, whatever its name says."
        raise InputFileError(problem, "Download the file itself; a sign-in page may have come instead.")
    if text.startswith(b"<") or source.suffix == ".kml":
        return "kml"
    if text.startswith((b"{", b"[")) and (source.suffix not in _TEXT_TABLES or b'"type"' in text):
        return "geojson"
    if source.suffix in _TEXT_TABLES:
        return "csv"
    if source.suffix in {".geojson", ".json"}:
        return "geojson"
    problem = f"{source} ({source.key}): this is not a file that vrn reads, whatever its name says."
    remedy = "Give CSV or Excel (.xlsx), GeoJSON, a shapefile, GeoPackage or KML, or a GeoTIFF raster."
    if source.suffix in {".shp", ".gpkg", ".tif", ".tiff", ".xlsx", ".zip", ".kmz"}:
        remedy = "It may be damaged or cut off: export or copy it again."
    raise InputFileError(problem, remedy)
