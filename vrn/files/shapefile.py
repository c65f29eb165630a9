"""The prescription as a shapefile, field for field what a rate controller expects, and the same zipped."""

import io
import re
import zipfile
from pathlib import Path
from typing import Final

from vrn.errors import InputFileError
from vrn.files.lonlat import dated, drawn_zones, rings
from vrn.files.names import plain_name
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat

COLUMNS: Final = ("RATE", "ZONE", "UNIT")
LABEL: Final = "LABEL"
_NAME: Final = re.compile(r"[A-Z][A-Z0-9_]{0,9}")
_PRJ: Final = (
    'GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137.0,298.257223563]],'
    'PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]]'
)


def column_names(renamed: dict[str, str]) -> dict[str, str]:
    """Names of the columns ``RATE``, ``ZONE``, ``UNIT`` after ``[export] shapefile_columns``.

    InputFileError if a key is not a column, a name does not fit a DBF file, or two are the same.

    >>> column_names({"RATE": "TGT_RATE"})
    {'RATE': 'TGT_RATE', 'ZONE': 'ZONE', 'UNIT': 'UNIT'}
    """
    unknown = sorted(set(renamed) - set(COLUMNS))
    if unknown:
        problem = f"export.shapefile_columns: there is no column {', '.join(unknown)}."
        raise InputFileError(problem, f"Rename {', '.join(COLUMNS)}.")
    names = {column: renamed.get(column, column) for column in COLUMNS}
    for column, name in names.items():
        if not _NAME.fullmatch(name):
            problem = f"export.shapefile_columns.{column}: “{name}” does not fit a shapefile."
            raise InputFileError(problem, "Give up to ten of A–Z, 0–9 and _, a letter first.")
    if len({*names.values(), LABEL}) <= len(names):
        problem = f"export.shapefile_columns: two columns would be named alike ({', '.join(names.values())})."
        raise InputFileError(problem, "Give each column a name of its own.")
    return names


def write_shapefile(prescription: Prescription, folder: Path) -> None:
    """Write ``shapefile/RX.SHP`` (``RXREST.SHP`` of what is left) with its companions, and ``shapefile.zip``.

    InputFileError if columns do not fit.
    """
    files = shapefile_parts(prescription)
    inside = folder / "shapefile"
    inside.mkdir()
    for name, content in files.items():
        (inside / name).write_bytes(content)
    with zipfile.ZipFile(folder / "shapefile.zip", "w") as archive:
        for name, content in files.items():
            entry = zipfile.ZipInfo(name, date_time=(*dated(prescription).timetuple()[:3], 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 0  # the same bytes on every platform
            archive.writestr(entry, content)


def shapefile_parts(prescription: Prescription) -> dict[str, bytes]:
    """Files of the shapefile by name: a record for each single polygon, shells clockwise, WGS 84.

    ``RATE N(10,2)``, ``ZONE N(4,0)``, ``UNIT C(10)``, and ``LABEL C(40)`` where a zone has a label.
    """
    import shapefile  # pyshp: the one writer that keeps the widths

    settings = prescription.field.settings
    names, shown = column_names(settings.export.shapefile_columns), UnitFormat.of(settings.units)
    shp, shx, dbf = io.BytesIO(), io.BytesIO(), io.BytesIO()
    with shapefile.Writer(shp=shp, shx=shx, dbf=dbf, shapeType=shapefile.POLYGON, encoding="ascii") as writer:
        writer.field(names["RATE"], "N", 10, 2)
        writer.field(names["ZONE"], "N", 4, 0)
        writer.field(names["UNIT"], "C", 10)
        labelled = any(rate.label for rate in prescription.rates)
        if labelled:  # check strips are told apart
            writer.field(LABEL, "C", 40)
        for zone in drawn_zones(prescription):
            for part in zone.parts:
                writer.poly(rings(part, clockwise_shell=True))
                label = (plain_name(zone.rate.label, most=40, instead=""),) if labelled else ()
                rate = round(zone.rate.rate_product * shown.factor(prescription.rate_unit), 2)
                writer.record(rate, zone.rate.zone, shown.unit(prescription.rate_unit), *label)
    table = bytearray(dbf.getvalue())
    day = dated(prescription)
    table[1:4] = bytes((day.year - 1900, day.month, day.day))  # not the day it was run
    contents = {"SHP": shp.getvalue(), "SHX": shx.getvalue(), "DBF": bytes(table), "PRJ": _PRJ.encode("ascii")}
    return {f"{stem_of(prescription)}.{ending}": content for ending, content in contents.items()}


def stem_of(prescription: Prescription) -> str:
    """Name of the shapefile: what is left of a field never goes by the name of the whole."""
    return "RX" if prescription.remaining is None else "RXREST"
