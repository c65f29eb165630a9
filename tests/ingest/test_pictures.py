"""Pictures of pages: placed where they belong, small enough, or refused; they move no rate."""

import io
from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from PIL import Image
from rasterio.transform import Affine

from vrn.errors import InputFileError
from vrn.ingest.input_files import InputFiles
from vrn.ingest.pictures import read_logo, read_photo
from vrn.model.grid import reproject

CRS = "EPSG:32615"
FIELD = shapely.box(500_000, 4_600_000, 500_800, 4_600_400)


def _photo(path: Path, *, east: float = 0.0, dtype: str = "uint8", crs: str | None = CRS) -> None:
    """Noise of 800 × 400 pixels around the field, its west half red, moved east by some metres."""
    colors = np.random.default_rng(1).integers(0, 90, (3, 400, 800)).astype(dtype)
    colors[0, :, :400] = 250
    place = Affine(1.25, 0.0, 499_900 + east, 0.0, -1.5, 4_600_500)
    with rasterio.open(
        path, "w", driver="GTiff", width=800, height=400, count=3, dtype=dtype, crs=crs, transform=place
    ) as file:
        file.write(colors)


def test_a_photo_is_placed_and_small(tmp_path: Path) -> None:
    """Noise fits under 600 kB as base64; the red half lies west of the middle, which is 400 m from the west edge."""
    _photo(tmp_path / "photo.tif")
    files = InputFiles(tmp_path)
    photo = read_photo(files, "photo.tif", FIELD, CRS)
    assert len(photo.jpeg) * 4 / 3 <= 600_000
    assert list(files.inputs) == ["photo.tif"]
    picture = np.asarray(Image.open(io.BytesIO(photo.jpeg)))
    west, south, east, north = photo.bounds_lonlat
    field = reproject(FIELD, CRS, "EPSG:4326").bounds
    assert west < field[0] < field[2] < east
    assert south < field[1] < field[3] < north
    red = picture[picture.shape[0] // 2, :, 0] > 170
    assert red.mean() == pytest.approx(0.5, abs=0.02)
    assert red[: red.size // 2 - 20].mean() > 0.95


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"east": 5000.0}, "does not show the field"),
        ({"dtype": "uint16"}, "no photo in color"),
        ({"crs": None}, "no place"),
    ],
)
def test_what_is_no_photo_of_the_field_is_refused(tmp_path: Path, change: dict[str, object], match: str) -> None:
    """Elsewhere, in 16 bits, or without a place: refused by name, with a remedy."""
    _photo(tmp_path / "photo.tif", **change)
    with pytest.raises(InputFileError, match=match) as refused:
        read_photo(InputFiles(tmp_path), "photo.tif", FIELD, CRS)
    assert refused.value.remedy


def test_a_logo_is_made_small_or_refused(tmp_path: Path) -> None:
    """A large PNG becomes at most 480 × 160; text by that name is refused."""
    Image.new("RGB", (1600, 400), "navy").save(tmp_path / "logo.png")
    mark = Image.open(io.BytesIO(read_logo(InputFiles(tmp_path), "logo.png")))
    assert mark.size == (480, 120)
    (tmp_path / "logo.png").write_text("<svg/>", encoding="utf-8")
    with pytest.raises(InputFileError, match="cannot be read"):
        read_logo(InputFiles(tmp_path), "logo.png")
