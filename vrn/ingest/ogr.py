"""Shapefiles and GeoPackages through GDAL, after a look at what the file really is."""

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.errors import InputFileError
from vrn.ingest.features import Features, cell_text
from vrn.ingest.intake import LIBRARY_ERRORS, Intake, Source
from vrn.ingest.recognize import Kind
from vrn.ingest.table import Table

_SIBLINGS = (".shp", ".shx", ".dbf", ".prj", ".cpg")


def read_with_gdal(intake: Intake, source: Source, kind: Kind) -> Features:
    """
    Read a shapefile, a GeoPackage or a FlatGeobuf file.

    Parameters
    ----------
    intake : Intake
    source : Source
    kind : str
        What it was recognized as.

    Returns
    -------
    features : Features

    Raises
    ------
    InputFileError
        If a part is missing, the file is damaged, or which layer is meant is not said.
    """
    if source.inner is not None:
        return _read(source, f"/vsizip/{{{source.path}}}/{source.inner}", None)
    if kind == "shapefile":
        intake.record(source, *_shapefile_parts(source))
    else:
        intake.record(source)
    return _read(source, str(source.path), source.part)


def _shapefile_parts(source: Source) -> list[Path]:
    stem = source.path.stem.lower()
    try:
        beside = list(source.path.parent.iterdir())
    except OSError:
        beside = [source.path.with_suffix(ending) for ending in _SIBLINGS if source.path.with_suffix(ending).exists()]
    there = {
        item.suffix.lower(): item for item in beside if item.stem.lower() == stem and item.suffix.lower() in _SIBLINGS
    }
    missing = [ending for ending in (".shx", ".dbf") if ending not in there]
    if missing:
        problem = f"{source} ({source.key}): its part {' and '.join(missing)} is missing beside it."
        raise InputFileError(problem, "Copy the whole shapefile: .shp, .shx, .dbf and .prj.")
    return sorted(there.values())


def _read(source: Source, path: str, layer: str | None) -> Features:
    import pyogrio
    from pyogrio.errors import CRSError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what matters of them is checked here by itself
            layers = [str(name) for name, kind in pyogrio.list_layers(path) if kind is not None]
            layer = _layer(source, layers, layer)
            meta, _, wkb, columns = pyogrio.raw.read(path, layer=layer, force_2d=True, datetime_as_string=True)
    except InputFileError:
        raise
    except (
        CRSError,
        UnboundLocalError,
    ) as error:  # the second is a slip of some versions on letters that are not UTF-8
        problem = f"{source} ({source.key}): its coordinate system cannot be understood ({_short(error)})."
        remedy = (
            "Export it in longitude and latitude (WGS 84); or move the .prj away and name its system in the field file."
        )
        raise InputFileError(problem, remedy) from None
    except LIBRARY_ERRORS as error:
        detail = str(error).split(";")[0].replace(path, source.path.name)
        problem = f"{source} ({source.key}): cannot be read: {detail.rstrip('.')}."
        raise InputFileError(problem, "The file may be damaged or cut off; export or copy it again.") from None
    return _features(source, meta, wkb, columns)


def _short(error: Exception) -> str:
    return "broken letters" if isinstance(error, UnboundLocalError) else str(error).rstrip(".")[:80]


def _layer(source: Source, layers: list[str], wanted: str | None) -> str:
    if wanted is not None and wanted in layers:
        return wanted
    if wanted is None and len(layers) == 1:
        return layers[0]
    shown = ", ".join(layers) or "none"
    problem = f"{source} ({source.key}): the file has no layer {wanted} (layers: {shown})."
    if wanted is None:
        problem = (
            f"{source} ({source.key}): the file has {len(layers)} layers ({shown}), and which one is meant is not said."
        )
    if not layers:
        problem = f"{source} ({source.key}): the file holds no layer with geometry."
        raise InputFileError(problem, "Export it again, or check that the right file is named.")
    raise InputFileError(problem, f'Name one behind a #, as "{source.name.split("#")[0]}#{layers[0]}".')


def _features(source: Source, meta: dict[str, Any], wkb: Any, columns: list[Any]) -> Features:
    try:
        with np.errstate(
            invalid="ignore"
        ):  # a coordinate that is no number is refused by check_finite, with its feature
            geometry = shapely.force_2d(shapely.from_wkb(wkb))
    except (shapely.errors.GEOSException, TypeError, ValueError) as error:
        detail = str(error).split("\n")[0].removeprefix("IllegalArgumentException: ")
        problem = f"{source} ({source.key}): an outline is broken: {detail}."
        raise InputFileError(problem, "Draw or export it again; a ring ends where it began.") from None
    geometry = np.asarray(geometry, dtype=object).reshape(-1)
    cells = [[cell_text(value) for value in row] for row in zip(*columns, strict=True)] if columns else []
    count = len(geometry)
    table = Table(
        name=source.name, columns=tuple(str(name).strip() for name in meta["fields"]),
        cells=cells or [[] for _ in range(count)], row=list(range(1, count + 1)), delimiter="", row_word="feature",
    )  # fmt: skip
    return Features(geometry=geometry, table=table, crs=meta.get("crs") or "")
