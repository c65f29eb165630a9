"""Shapefiles and GeoPackages through GDAL, after a look at what the file really is."""

import warnings
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.errors import InputFileError
from vrn.ingest.input_files import LIBRARY_ERRORS, InputFiles, Kind, Source
from vrn.ingest.table import Features, attributes, cell_text

_SIBLINGS = (".shp", ".shx", ".dbf", ".prj", ".cpg")


def read_with_gdal(files: InputFiles, source: Source, kind: Kind) -> Features:
    """
    Read a shapefile, a GeoPackage or a FlatGeobuf file.

    Refuses one of which a part is missing, that is damaged, or does not say which layer is meant.
    """
    if source.inner is not None:
        return _read(source, f"/vsizip/{{{source.path}}}/{source.inner}", None)
    if kind == "shapefile":
        files.record(source, *_shapefile_parts(source))
    else:
        files.record(source)
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
        source.refuse(
            f"its part {' and '.join(missing)} is missing beside it.",
            "Copy the whole shapefile: .shp, .shx, .dbf and .prj.",
        )
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
    except (CRSError, UnboundLocalError) as error:  # the second is a slip of some versions on letters not in UTF-8
        short = "broken letters" if isinstance(error, UnboundLocalError) else str(error).rstrip(".")[:80]
        source.refuse(
            f"its coordinate system cannot be understood ({short}).",
            "Export it in longitude and latitude (WGS 84); or name its system in the field file instead of the .prj.",
        )
    except LIBRARY_ERRORS as error:
        detail = str(error).split(";")[0].replace(path, source.path.name)
        source.refuse(
            f"cannot be read: {detail.rstrip('.')}.", "The file may be damaged or cut off; export or copy it again."
        )
    return _features(source, meta, wkb, columns)


def _layer(source: Source, layers: list[str], wanted: str | None) -> str:
    if wanted not in layers:
        if not layers:
            source.refuse("it holds no layer with geometry.", "Export it again, or check that the right file is named.")
        if wanted is not None or len(layers) > 1:
            source.refuse_choice("layer", layers)
    return wanted if wanted in layers else layers[0]


def _features(source: Source, meta: dict[str, Any], wkb: Any, columns: list[Any]) -> Features:
    try:
        with np.errstate(
            invalid="ignore"
        ):  # a coordinate that is not a number is refused by check_finite, with its feature
            geometry = shapely.force_2d(shapely.from_wkb(wkb))
    except (shapely.errors.GEOSException, TypeError, ValueError) as error:
        detail = str(error).split("\n")[0].removeprefix("IllegalArgumentException: ")
        source.refuse(f"an outline is broken: {detail}.", "Draw or export it again; a ring ends where it began.")
    geometry = np.asarray(geometry, dtype=object).reshape(-1)
    cells = [[cell_text(value) for value in row] for row in zip(*columns, strict=True)] if columns else []
    table = attributes(source.name, [str(name).strip() for name in meta["fields"]], cells or [[] for _ in geometry])
    return Features(geometry=geometry, table=table, crs=meta.get("crs") or "")
