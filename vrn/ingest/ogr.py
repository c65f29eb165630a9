"""Shapefiles and GeoPackages through GDAL, after a look at what the file really is."""

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.errors import InputFileError
from vrn.ingest.features import Features, cell_text
from vrn.ingest.intake import Intake, Source
from vrn.ingest.table import Table

_SHAPEFILE_MAGIC = b"\x00\x00\x27\x0a"
_SIBLINGS = (".shp", ".shx", ".dbf", ".prj", ".cpg")


def read_with_gdal(intake: Intake, source: Source, head: bytes) -> Features:
    """
    Read a shapefile or a GeoPackage.

    Parameters
    ----------
    intake : Intake
    source : Source
    head : bytes
        First bytes of the file.

    Returns
    -------
    features : Features

    Raises
    ------
    InputFileError
        If a part is missing, the file is damaged, or which layer is meant is not said.
    """
    path = source.path
    if source.suffix in {".dbf", ".shx"}:
        problem = f"{source}: this is one part of a shapefile."
        raise InputFileError(problem, f"Give {path.with_suffix('.shp').name}, with its parts beside it.")
    if source.suffix == ".shp":
        parts = _shapefile_parts(source, head)
        intake.record(source, *parts)
    elif head.startswith(b"SQLite format 3") or (source.suffix == ".fgb" and head.startswith(b"fgb")):
        intake.record(source)
    else:
        problem = f"{source}: this is no {source.suffix.removeprefix('.')} file, whatever its name says."
        raise InputFileError(problem, "Export or copy it again.")
    return _read(source, str(path), source.part)


def _shapefile_parts(source: Source, head: bytes) -> list[Path]:
    if not head.startswith(_SHAPEFILE_MAGIC):
        problem = f"{source}: this is no shapefile, whatever its name says."
        raise InputFileError(problem, "Export or copy it again.")
    stem = source.path.stem.lower()
    there = {
        item.suffix.lower(): item
        for item in source.path.parent.iterdir()
        if item.stem.lower() == stem and item.suffix.lower() in _SIBLINGS
    }
    missing = [ending for ending in (".shx", ".dbf") if ending not in there]
    if missing:
        problem = f"{source}: its part {' and '.join(missing)} is missing beside it."
        raise InputFileError(problem, "Copy the whole shapefile: .shp, .shx, .dbf and .prj.")
    return sorted(there.values())


def _read(source: Source, path: str, layer: str | None) -> Features:
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError, FieldError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what matters of them is checked here by itself
            layers = [str(name) for name, kind in pyogrio.list_layers(path) if kind is not None]
            layer = _layer(source, layers, layer)
            meta, _, wkb, columns = pyogrio.raw.read(path, layer=layer, force_2d=True, datetime_as_string=True)
    except (DataSourceError, DataLayerError, FieldError, UnicodeError, ValueError, RuntimeError) as error:
        detail = str(error).split(";")[0].replace(path, source.path.name)
        problem = f"{source}: cannot be read: {detail.rstrip('.')}."
        raise InputFileError(problem, "The file may be damaged or cut off; export or copy it again.") from None
    return _features(source, meta, wkb, columns)


def _layer(source: Source, layers: list[str], wanted: str | None) -> str:
    if wanted is not None and wanted in layers:
        return wanted
    if wanted is None and len(layers) == 1:
        return layers[0]
    shown = ", ".join(layers) or "none"
    problem = f"{source}: the file has no layer {wanted} (layers: {shown})."
    if wanted is None:
        problem = f"{source}: the file has {len(layers)} layers ({shown}), and which one is meant is not said."
    if not layers:
        problem = f"{source}: the file holds no layer with geometry."
        raise InputFileError(problem, "Export it again, or check that the right file is named.")
    raise InputFileError(problem, f'Name one behind a #, as "{source.name.split("#")[0]}#{layers[0]}".')


def _features(source: Source, meta: dict[str, Any], wkb: Any, columns: list[Any]) -> Features:
    try:
        geometry = shapely.force_2d(shapely.from_wkb(wkb))
    except (shapely.errors.GEOSException, TypeError, ValueError) as error:
        detail = str(error).split("\n")[0].removeprefix("IllegalArgumentException: ")
        problem = f"{source}: an outline is broken: {detail}."
        raise InputFileError(problem, "Draw or export it again; a ring ends where it began.") from None
    geometry = np.asarray(geometry, dtype=object).reshape(-1)
    cells = [[cell_text(value) for value in row] for row in zip(*columns, strict=True)] if columns else []
    count = len(geometry)
    table = Table(
        name=source.name, columns=tuple(str(name).strip() for name in meta["fields"]),
        cells=cells or [[] for _ in range(count)], row=list(range(1, count + 1)), delimiter="", row_word="feature",
    )  # fmt: skip
    return Features(geometry=geometry, table=table, crs=meta.get("crs") or "")
