"""Rasters, warped north-up into the field's system and cut to its surroundings."""

import math
import warnings
from typing import Any

import numpy as np
import rasterio
import shapely
from rasterio.errors import RasterioError
from rasterio.transform import Affine
from rasterio.warp import Resampling, reproject
from rasterio.windows import Window

from vrn.errors import InputFileError
from vrn.ingest.input_files import LIBRARY_ERRORS, InputFiles, Source
from vrn.ingest.place import system_of
from vrn.model.grid import Grid
from vrn.model.grid import reproject as reproject_shape
from vrn.model.layers import RasterLayer

_DRIVERS = {".asc": "AAIGrid", ".img": "HFA"}  # anything else must be a TIFF; no format that points elsewhere
_MOST_CELLS = 25_000_000
_MARGIN_CELLS = 2
_LARGEST_BLOCK = 500_000_000  # bytes


def read_raster(
    files: InputFiles,
    source: Source,
    name: str,
    boundary: shapely.Geometry,
    crs: str,
    *,
    band: str | None = None,
    given_crs: str | None = None,
) -> tuple[RasterLayer, str]:
    """
    One band of a raster over the field, on square cells, north up, nodata NaN; and what its description and unit say.

    Parameters
    ----------
    source : Source
        GeoTIFF, ASCII grid or IMG.
    name : str
        Of the layer.
    boundary : shapely.Geometry
        In ``crs``, the field's projected system.
    band : str, optional
        Number or description of the band; the first when not given.
    given_crs : str, optional
        What the field file says of its system.

    Raises
    ------
    InputFileError
        If it cannot be read, has no place, or does not cover any of the field.
    """
    files.record(source)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a missing georeference is checked below
            with (
                rasterio.Env(GDAL_PAM_ENABLED="NO"),
                rasterio.open(source.path, driver=_DRIVERS.get(source.suffix, "GTiff")) as raster,
            ):
                return _layer(files, source, raster, name, boundary, crs, band, given_crs)
    except InputFileError:
        raise
    except (RasterioError, *LIBRARY_ERRORS) as error:
        detail = str(error).replace(str(source.path), source.path.name).rstrip(".")
        source.refuse(
            f"this raster cannot be read: {detail or 'damaged'}.",
            "Give a GeoTIFF, complete and with its coordinate system.",
        )


def _layer(
    files: InputFiles, source: Source, raster: Any, name: str, boundary: shapely.Geometry, crs: str,
    band: str | None, given_crs: str | None,
) -> tuple[RasterLayer, str]:  # fmt: skip
    number = _band(files, source, raster, band)
    if raster.transform.is_identity and raster.crs is None:
        source.refuse("the raster has no place on the ground.", "Export it with georeference (GeoTIFF).")
    found = _name_of(raster.crs)
    system = system_of(files, source, found, given_crs, tuple(raster.bounds))
    window = _window(source, raster, boundary, system, crs)
    refuse_large_blocks(source, raster, number)
    values = raster.read(number, window=window, masked=True).astype(float).filled(np.nan)
    values = values * raster.scales[number - 1] + raster.offsets[number - 1]
    values[~np.isfinite(values)] = np.nan
    transform = raster.window_transform(window)
    plain = transform.b == 0 and transform.d == 0 and transform.e < 0 and transform.a > 0
    if not (system == crs and plain and math.isclose(transform.a, -transform.e, rel_tol=1e-9)):
        values, transform = _warped(values, transform, boundary, system, crs)
    grid = Grid(
        crs=crs, west_m=transform.c, north_m=transform.f, cell_m=transform.a, rows=values.shape[0], cols=values.shape[1]
    )
    if not np.isfinite(values).any():
        source.refuse(
            "it holds no value in the field.", "Check that it is of this field and that its nodata value is right."
        )
    said = f"{raster.descriptions[number - 1] or ''} {raster.units[number - 1] or ''}".strip()
    return RasterLayer(name=name, grid=grid, values=values, source=source.name), said


def _name_of(system: Any) -> str:
    if system is None:
        return ""
    code = system.to_epsg()
    return f"EPSG:{code}" if code is not None else str(system.to_wkt())


def _band(files: InputFiles, source: Source, raster: Any, wanted: str | None) -> int:
    if wanted is not None:
        if wanted in raster.descriptions:
            return int(raster.descriptions.index(wanted)) + 1
        if wanted.isdigit() and 1 <= int(wanted) <= raster.count:
            return int(wanted)
        shown = ", ".join(filter(None, raster.descriptions)) or f"1 to {raster.count}"
        source.refuse(f"there is no band {wanted}.", f"Name one of its bands by column: {shown}.")
    if raster.count > 1:
        files.warn("ingest.several-bands", source, bands=int(raster.count))
    return 1


def _window(source: Source, raster: Any, boundary: shapely.Geometry, system: str, crs: str) -> Window:
    """Cells that cover the field with a margin."""
    outline = reproject_shape(shapely.segmentize(boundary, 200.0), crs, system)
    corners = shapely.get_coordinates(shapely.envelope(outline))
    col, row = _through(~raster.transform, corners[:, 0], corners[:, 1])
    left, right = math.floor(min(col)) - _MARGIN_CELLS, math.ceil(max(col)) + _MARGIN_CELLS
    top, bottom = math.floor(min(row)) - _MARGIN_CELLS, math.ceil(max(row)) + _MARGIN_CELLS
    left, top = max(left, 0), max(top, 0)
    right, bottom = min(right, raster.width), min(bottom, raster.height)
    if left >= right or top >= bottom:
        source.refuse(
            "none of the raster lies in the field.", "Check that it is of this field, and its coordinate system."
        )
    if (right - left) * (bottom - top) > _MOST_CELLS:
        source.refuse(
            f"the raster has more than {_MOST_CELLS:,} cells over the field.",
            "Resample it to cells of a metre or more.",
        )
    return Window(left, top, right - left, bottom - top)


def refuse_large_blocks(source: Source, raster: Any, number: int) -> None:
    """Refuse a raster of which one block, the least that can be read of it, is more than memory should hold."""
    rows, cols = raster.block_shapes[number - 1]
    bands = raster.count if raster.interleaving == rasterio.enums.Interleaving.pixel else 1
    size = rows * cols * bands * np.dtype(raster.dtypes[number - 1]).itemsize
    if size > _LARGEST_BLOCK:
        source.refuse(
            f"the raster is stored in pieces of {size / 1e6:,.0f} MB, and all of one is needed to read a part.",
            "Save it in tiles (a GeoTIFF with TILED=YES), or give the part of it that covers this field.",
        )


def _through(transform: Any, x: Any, y: Any) -> tuple[Any, Any]:
    """An affine transform applied to arrays; written out because its operator differs between versions of affine."""
    return transform.a * x + transform.b * y + transform.c, transform.d * x + transform.e * y + transform.f


def _warped(values: Any, transform: Any, boundary: shapely.Geometry, system: str, crs: str) -> tuple[Any, Any]:
    """Values on square cells of the same mean area, north up; bilinear, as for a quantity that varies smoothly."""
    rows, cols = values.shape
    rim = shapely.segmentize(shapely.box(0, 0, cols, rows), max(rows, cols) / 20)
    ground = shapely.transform(rim, lambda xy: np.column_stack(_through(transform, xy[:, 0], xy[:, 1])))
    ground = reproject_shape(ground, system, crs)
    cell = math.sqrt(shapely.area(ground) / (rows * cols))
    margin = _MARGIN_CELLS * cell
    west, south, east, north = shapely.bounds(shapely.intersection(ground, shapely.buffer(boundary, margin)))
    height, width = max(1, math.ceil((north - south) / cell)), max(1, math.ceil((east - west) / cell))
    target = Affine(cell, 0.0, west, 0.0, -cell, north)
    warped = np.full((height, width), np.nan)
    reproject(
        values, warped, src_transform=transform, src_crs=system, dst_transform=target, dst_crs=crs,
        src_nodata=np.nan, dst_nodata=np.nan, resampling=Resampling.bilinear,
    )  # fmt: skip
    return warped, target
