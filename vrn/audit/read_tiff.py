"""GeoTIFF read tag by tag, with no raster library: enough for single-band float32, tiled or in strips."""

import re
import struct
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vrn.audit.model import UnreadableError

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 12: 8}
_CODES = {1: "B", 3: "H", 4: "I", 12: "d"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Raster:
    """Values (north up, row 0 in the north), outer corner, cell, system, unit and nodata of a raster."""

    values: NDArray[np.float64]
    west_m: float
    north_m: float
    cell_m: float
    north_step_m: float
    crs: str
    unit: str
    nodata: str
    tiled: bool

    def at(self, easting_m: NDArray[np.float64], northing_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Values of the cells that hold points; NaN off the raster."""
        placed = np.isfinite(easting_m) & np.isfinite(northing_m)
        easting_m, northing_m = np.where(placed, easting_m, -1e9), np.where(placed, northing_m, -1e9)
        col = np.floor((easting_m - self.west_m) / self.cell_m).astype(int)
        row = np.floor((self.north_m - northing_m) / self.north_step_m).astype(int)
        rows, cols = self.values.shape
        inside = (row >= 0) & (row < rows) & (col >= 0) & (col < cols)
        found = self.values[np.clip(row, 0, rows - 1), np.clip(col, 0, cols - 1)]
        return np.where(inside, found, np.nan)


def read_tiff(path: Path) -> Raster:
    """
    Read one raster.

    Parameters
    ----------
    path : Path

    Returns
    -------
    raster : Raster

    Raises
    ------
    UnreadableError
        If it is missing, cut short, or of a kind this small reader does not know.

    References
    ----------
    TIFF 6.0 (1992), §§ 2, 8, 15; OGC 19-008r4, GeoTIFF 1.1 (tags 33550, 33922, 34735); tags 42112 and 42113 hold
    unit and nodata by the convention of GDAL.
    """
    if not path.is_file():
        problem = f"{path.name} is missing"
        raise UnreadableError(problem)
    data = path.read_bytes()
    try:
        return _raster(data, _tags(data))
    except (struct.error, IndexError, KeyError, ValueError, zlib.error) as error:
        problem = f"it cannot be read ({type(error).__name__}: {error})"
        raise UnreadableError(problem) from error


def _tags(data: bytes) -> dict[int, Any]:
    """Tags of the first directory by number."""
    if data[:4] != b"II*\0":
        problem = "no little-endian TIFF"
        raise ValueError(problem)
    (at,) = struct.unpack("<I", data[4:8])
    (count,) = struct.unpack("<H", data[at : at + 2])
    tags: dict[int, Any] = {}
    for number in range(count):
        entry = data[at + 2 + 12 * number : at + 14 + 12 * number]
        tag, kind, length = struct.unpack("<HHI", entry[:8])
        size = _SIZES[kind] * length
        raw = entry[8 : 8 + size] if size <= 4 else data[(p := struct.unpack("<I", entry[8:])[0]) : p + size]
        tags[tag] = raw.rstrip(b"\0").decode("utf-8") if kind == 2 else struct.unpack(f"<{length}{_CODES[kind]}", raw)
    return tags


def _raster(data: bytes, tags: dict[int, Any]) -> Raster:
    width, height = tags[256][0], tags[257][0]
    if (tags[258], tags.get(339, (1,)), tags.get(277, (1,)), tags.get(317, (1,))) != ((32,), (3,), (1,), (1,)):
        problem = "not one band of float32 without predictor"
        raise ValueError(problem)
    tiled = 322 in tags
    wide, tall = (tags[322][0], tags[323][0]) if tiled else (width, tags[278][0])
    offsets, lengths = (tags[324], tags[325]) if tiled else (tags[273], tags[279])
    across = -(-width // wide)
    values = np.full((-(-height // tall) * tall, across * wide), np.nan)
    for number, (offset, length) in enumerate(zip(offsets, lengths, strict=True)):
        if length == 0:
            continue  # an empty block is nodata
        block = data[offset : offset + length]
        if len(block) < length:
            problem = "it is cut short"
            raise ValueError(problem)
        pixels = np.frombuffer(zlib.decompress(block) if tags[259][0] in (8, 32946) else block, dtype="<f4")
        row, col = divmod(number, across)
        rows = len(pixels) // wide
        values[row * tall : row * tall + rows, col * wide : (col + 1) * wide] = pixels.reshape(rows, wide)
    scale, tie = tags[33550], tags[33922]
    if tie[:2] != (0.0, 0.0):
        problem = "its tie point is not the first cell's corner"
        raise ValueError(problem)
    metadata = str(tags.get(42112, ""))
    unit = re.search(r'name="UNITTYPE"[^>]*>([^<]*)<', metadata)
    return Raster(
        values=values[:height, :width], west_m=tie[3], north_m=tie[4], cell_m=scale[0], north_step_m=scale[1],
        crs=f"EPSG:{_projected_code(tags[34735])}", unit=unit.group(1) if unit else "",
        nodata=str(tags.get(42113, "")).strip(), tiled=tiled,
    )  # fmt: skip


def _projected_code(keys: tuple[int, ...]) -> int:
    """ProjectedCSTypeGeoKey of a key directory."""
    for place in range(4, len(keys), 4):
        if keys[place] == 3072:
            return keys[place + 3]
    problem = "it names no projected system"
    raise ValueError(problem)
