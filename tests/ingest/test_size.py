"""Large inputs: read in part, read as small ones are, or refused by what they say of their size."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import sound
from hypothesis import given, settings
from hypothesis import strategies as st
from rasterio.transform import Affine
from rasterio.windows import Window

from vrn.errors import InputFileError
from vrn.ingest import cells, read_field
from vrn.ingest.cells import RowFaults, numbers
from vrn.ingest.table import CellTable
from vrn.model.layers import RasterLayer

Rewrite = Callable[..., Path]
Put = Callable[[str, Any], Path]
CELL = st.sampled_from(["", "3", "4.5", "-1e3", " 7 ", "1_000", "nan", "inf", "1e200", "<2", "n/a", "12,5"])


def _raster(path: Path, **options: Any) -> None:
    """100,000 by 100,000 cells of 20 cm, 40 GB unpacked, of which only some over the field are written."""
    with rasterio.open(
        path, "w", driver="GTiff", width=100_000, height=100_000, count=1, dtype="float32", crs="EPSG:32615",
        transform=Affine(0.2, 0.0, 440_000, 0.0, -0.2, 4_670_000),
        compress="deflate", SPARSE_OK=True, BIGTIFF="YES", **options,
    ) as raster:  # fmt: skip
        if options.get("tiled"):
            raster.write(np.full((256, 256), 3.25, "float32"), 1, window=Window(51_200, 43_520, 256, 256))


def test_a_raster_larger_than_memory_is_read_in_part(rewrite: Rewrite, field_folder: Path) -> None:
    """Only the cells about the field: 827 m by 445 m and a margin, 20 cm each."""
    _raster(field_folder / "om.tif", tiled=True, blockxsize=256, blockysize=256)
    layer = read_field(rewrite(layers__organic_matter={"file": "om.tif"})).organic_matter
    assert isinstance(layer, RasterLayer)
    assert layer.values.size < 15e6
    assert np.nanmax(layer.values) == 3.25


def test_a_raster_stored_in_one_piece_is_refused(rewrite: Rewrite, field_folder: Path) -> None:
    """A part of it cannot be read without the whole: told before it is tried."""
    _raster(field_folder / "om.tif", tiled=False, blockysize=100_000)
    with pytest.raises(InputFileError, match="pieces of 40,000 MB"):
        read_field(rewrite(layers__organic_matter={"file": "om.tif"}))


def test_twenty_thousand_columns(rewrite: Rewrite, put: Put) -> None:
    """The one that is named is read; where it is not there, the message stays short."""
    wide = ",".join(f"band_{i}" for i in range(20_000))
    rows = sound.organic_matter_csv().splitlines()
    extra = "," + ",".join("1" for _ in range(20_000))
    put("organic_matter.csv", f"{rows[0]},{wide}\n" + "".join(f"{row}{extra}\n" for row in rows[1:]))
    assert read_field(rewrite()).organic_matter.values.tolist() == pytest.approx([2.0 + 0.1 * i for i in range(12)])
    with pytest.raises(InputFileError) as raised:
        read_field(rewrite(layers__organic_matter__column="humus"))
    assert len(raised.value.problem + raised.value.remedy) < 1000


@settings(max_examples=50)
@given(column=st.lists(CELL, min_size=1, max_size=12))
def test_a_long_column_is_read_as_a_short_one(column: list[str]) -> None:
    """Whole at once or cell by cell: the same numbers, the same faults."""
    table = CellTable(
        name="t.csv", columns=("x",), cells=[[cell] for cell in column], row=list(range(2, 2 + len(column)))
    )
    slow = RowFaults(table)
    expected = numbers(table, "x", slow)
    quick = cells._plain_numbers(column)
    if quick is not None:
        assert not slow.faults
        np.testing.assert_array_equal(quick, expected)
    plain = all(cell == "" or (cell.strip() not in ("nan", "inf") and _finite(cell)) for cell in column)
    assert (quick is not None) == plain


def _finite(cell: str) -> bool:
    try:
        return "_" not in cell and math.isfinite(float(cell)) and abs(float(cell)) < 1e100
    except ValueError:
        return False


def test_thousands_of_readings_become_means_of_squares(rewrite: Rewrite, put: Put) -> None:
    """Of 3,000 readings of one depth at most some 1,300 means stand, that keep the field's mean; 2,000 stand alone."""
    rng = np.random.default_rng(4)
    for count in (2000, 3000):
        places = rng.uniform(
            (sound.WEST + 1e-4, sound.SOUTH + 1e-4), (sound.EAST - 1e-4, sound.NORTH - 1e-4), (count, 2)
        )
        rows = [f"S{i},{x:.7f},{y:.7f},0,12,{10 + i % 7}" for i, (x, y) in enumerate(places)]
        put("samples.csv", "\n".join(["sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm", *rows]))
        field = read_field(rewrite())
        if count == 2000:
            assert len(field.samples) == count
            continue
        told = sound.one(field, "readings-averaged")
        assert (told["readings"], told["level"]) == (count, "note")
        assert told["squares"] == len(field.samples) < 1400
        assert field.samples.nitrate_ppm.mean() == pytest.approx(13.0, abs=0.1)
        assert np.ptp(field.samples.coordinates_m, axis=0) == pytest.approx([812, 430], abs=20)
