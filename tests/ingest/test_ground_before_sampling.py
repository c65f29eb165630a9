"""A field file half filled in is enough to plan from; what it names must still be usable."""

import json
import math
from pathlib import Path

import pytest

from vrn.errors import InputFileError
from vrn.ingest.new_field import new_field_files
from vrn.ingest.read import read_avoided, read_ground

BOUNDARY = {"type": "Polygon", "coordinates": [[[-94.63, 42.30], [-94.62, 42.30], [-94.62, 42.31], [-94.63, 42.31],
                                                [-94.63, 42.30]]]}  # fmt: skip


def _new_folder(folder: Path, **changes: str) -> Path:
    for name, text in new_field_files(2026).items():
        for old, new in changes.items():
            text = text.replace(old, new)
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "boundary.geojson").write_text(json.dumps(BOUNDARY), encoding="utf-8")
    return folder / "field.toml"


def test_an_untouched_form_and_a_boundary_are_enough(tmp_path: Path) -> None:
    """Straight after vrn start, with a boundary beside it, the ground can be read; there are no readings yet."""
    field = read_ground(_new_folder(tmp_path))
    assert field.name == tmp_path.name
    assert len(field.samples) == 0
    assert field.organic_matter is None
    assert field.boundary.area == pytest.approx(826 * 1111, rel=0.02)
    assert field.settings.crop.growth_stage is None


def test_a_metric_form_too(tmp_path: Path) -> None:
    """The same with metric keys."""
    path = _new_folder(tmp_path, **{'units = "us"': 'units = "metric"', "yield_goal_bu_ac": "yield_goal_t_ha",
                                    "swath_ft": "swath_m", "_n_lb_ac": "_n_kg_ha"})  # fmt: skip
    assert read_ground(path).settings.units == "metric"


def test_a_missing_samples_file_is_no_fault(tmp_path: Path) -> None:
    """The plan comes before the samples."""
    path = _new_folder(tmp_path)
    (tmp_path / "samples.csv").unlink()
    assert len(read_ground(path).samples) == 0


def test_samples_in_hand_are_read(tmp_path: Path) -> None:
    """Readings that are there already are read with their place."""
    path = _new_folder(tmp_path)
    with (tmp_path / "samples.csv").open("a") as file:
        file.write("1,-94.625,42.305,0,12,14.5,field,2026-06-16,\n")
    samples = read_ground(path).samples
    assert samples.nitrate_ppm.tolist() == [14.5]


def test_what_is_named_must_be_there(tmp_path: Path) -> None:
    """A boundary that is not there is refused as ever, and so is a key nobody knows."""
    path = _new_folder(tmp_path)
    (tmp_path / "boundary.geojson").unlink()
    with pytest.raises(InputFileError, match=r"there is no file boundary\.geojson"):
        read_ground(path)
    with pytest.raises(InputFileError, match="not a known key"):
        read_ground(_new_folder(tmp_path, season="seasons"))


def test_odd_spots_are_widened(tmp_path: Path) -> None:
    """A line to avoid keeps the asked distance on either side; no file keeps nothing."""
    field = read_ground(_new_folder(tmp_path))
    spot = tmp_path / "band.geojson"
    spot.write_text(json.dumps({"type": "LineString", "coordinates": [[-94.628, 42.302], [-94.622, 42.302]]}))
    avoided, findings = read_avoided((spot,), field, keep_off_ft=15.0)
    assert not findings
    radius_m = 15 * 0.3048
    assert avoided.area == pytest.approx(495 * 2 * radius_m + math.pi * radius_m**2, rel=0.02)
    assert read_avoided((), field, keep_off_ft=15.0)[0].is_empty
    with pytest.raises(InputFileError, match="--avoid-by is 0") as refused:
        read_avoided((spot,), field, keep_off_ft=0.0)
    assert "no_apply" not in refused.value.problem + refused.value.remedy
    spot.write_text(json.dumps({"type": "LineString", "coordinates": [[-94.728, 42.302], [-94.722, 42.302]]}))
    (away,) = read_avoided((spot,), field, keep_off_ft=15.0)[1]
    assert (away.code, away.level) == ("ingest.avoid-outside", "warning")
