"""Pictures that only go on pages: a photo of the ground, made small, and the preparer's mark."""

import io
import warnings
from typing import Final

import numpy as np
import rasterio
import shapely
from PIL import Image, UnidentifiedImageError
from rasterio.enums import Resampling
from rasterio.errors import RasterioError
from rasterio.transform import Affine
from rasterio.vrt import WarpedVRT

from vrn.errors import InputFileError
from vrn.ingest.input_files import LIBRARY_ERRORS, InputFiles
from vrn.ingest.raster import refuse_large_blocks
from vrn.model.field import Photo
from vrn.model.grid import reproject

_MOST_JPEG: Final = 440_000  # bytes: base64 makes 590 kB of it
_LONGEST_SIDE: Final = 1400  # pixels
_MARK_PIXELS: Final = (480, 160)
_MARGIN: Final = 0.05  # of the field's width and height, seen around it
_MOST_PIXELS: Final = 40_000_000  # of a mark, which is decoded whole


def read_photo(files: InputFiles, name: str, boundary: shapely.Geometry, crs: str) -> Photo:
    """
    The photo around the field, north up, no larger than a page can carry.

    Raises
    ------
    InputFileError
        If it is no 8-bit GeoTIFF in color or grey with a place, or does not show the field.
    """
    source = files.source(name, "export.photo")
    files.record(source)
    west, south, east, north = reproject(boundary, crs, "EPSG:4326").bounds
    wide, high = _MARGIN * (east - west), _MARGIN * (north - south)
    bounds = (west - wide, south - high, east + wide, north + high)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a missing georeference is checked below
            with rasterio.Env(GDAL_PAM_ENABLED="NO"), rasterio.open(source.path, driver="GTiff") as raster:
                if raster.crs is None or raster.transform.is_identity:
                    source.refuse("the photo has no place on the ground.", "Export it with georeference (GeoTIFF).")
                if raster.dtypes[0] != "uint8" or raster.count not in (1, 3, 4):
                    source.refuse("this is no photo in color or grey.", "Export it as an 8-bit RGB GeoTIFF.")
                refuse_large_blocks(source, raster, 1)
                west_m, south_m, east_m, north_m = boundary.bounds
                share = _LONGEST_SIDE / max(east_m - west_m, north_m - south_m)
                size = max(1, round((east_m - west_m) * share)), max(1, round((north_m - south_m) * share))
                per_pixel = (bounds[2] - bounds[0]) / size[0], (bounds[3] - bounds[1]) / size[1]
                place = Affine(per_pixel[0], 0.0, bounds[0], 0.0, -per_pixel[1], bounds[3])
                bands = (1, 2, 3) if raster.count > 1 else (1, 1, 1)
                with WarpedVRT(raster, crs="EPSG:4326", transform=place, width=size[0], height=size[1],
                               resampling=Resampling.bilinear, add_alpha=raster.count != 4) as warped:  # fmt: skip
                    colors, seen = warped.read(bands), warped.dataset_mask() > 0
    except InputFileError:
        raise
    except (RasterioError, *LIBRARY_ERRORS) as error:
        detail = str(error).replace(str(source.path), source.path.name).rstrip(".")
        source.refuse(f"this photo cannot be read: {detail or 'damaged'}.", "Give a complete GeoTIFF.")
    if not seen.any():
        source.refuse("the photo does not show the field.", "Check that it is of this field.")
    colors[:, ~seen] = 255
    return Photo(jpeg=_small_jpeg(Image.fromarray(np.moveaxis(colors, 0, -1))), bounds_lonlat=bounds)


def _small_jpeg(picture: Image.Image) -> bytes:
    """As good as fits: first less quality, then fewer pixels."""
    while True:
        for quality in (85, 70, 55):
            buffer = io.BytesIO()
            picture.save(buffer, "JPEG", quality=quality, optimize=True)
            if buffer.tell() <= _MOST_JPEG:
                return buffer.getvalue()
        picture = picture.resize((max(1, picture.width * 4 // 5), max(1, picture.height * 4 // 5)))


def read_logo(files: InputFiles, name: str) -> bytes:
    """The preparer's mark as a small PNG; InputFileError if it is no PNG or JPEG."""
    source = files.source(name, "farm.logo")
    data = files.read(source)
    try:
        with Image.open(io.BytesIO(data), formats=("PNG", "JPEG")) as picture:
            if picture.width * picture.height > _MOST_PIXELS:
                source.refuse("the logo is larger than any page needs.", "Make it smaller.")
            mark = picture.convert("RGBA")
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError):
        source.refuse("this logo cannot be read.", "Give a PNG or JPEG.")
    mark.thumbnail(_MARK_PIXELS)
    buffer = io.BytesIO()
    mark.save(buffer, "PNG", optimize=True)
    return buffer.getvalue()
