"""``vrn check`` and ``vrn start``: what they print, what they write, and how they end."""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas
import pytest
import shapely
import sound

from vrn.cli import main
from vrn.ingest.read import read_ground

Rewrite = Callable[..., Path]
Put = Callable[[str, Any], Path]


def test_check_of_a_sound_field_ends_with_0(rewrite: Rewrite, capsys: pytest.CaptureFixture[str]) -> None:
    """The report names acres, readings and layers, and nothing needs a person."""
    assert main(["check", str(rewrite())]) == 0
    said = capsys.readouterr().out
    field, readings, _, organic_matter, *_ = said.splitlines()
    assert re.search(r"Wren Hollow.* 2026.* 90\.8 ac", field)
    assert re.search(r"12 .*0–12 in.* 8\.7 .*18\.5 ppm.* 13\.3", readings)
    assert re.search(r"organic matter.* 12 points.* organic_matter\.csv.* 2\.0 .*3\.1%.* 2\.\d", organic_matter)
    assert "\n! " not in said


def test_check_ends_with_1_when_a_person_must_look(rewrite: Rewrite, capsys: pytest.CaptureFixture[str]) -> None:
    """A question stands first, marked, with its remedy below it."""
    assert main(["check", str(rewrite(samples__reported_as=None))]) == 1
    said = capsys.readouterr().out
    assert "\n! " in said
    assert said.index("\n! ") < said.index("\n· ")


def test_check_speaks_to_machines(rewrite: Rewrite, capsys: pytest.CaptureFixture[str]) -> None:
    """One JSON object with readings, layers, hashes and findings."""
    assert main(["check", str(rewrite()), "--json"]) == 0
    report = json.loads(capsys.readouterr().out, parse_constant=pytest.fail)
    assert report["readings"] == [
        {"top_in": 0.0, "bottom_in": 12.0, "readings": 12, "least_ppm": 8.7, "median_ppm": 13.3, "most_ppm": 18.5}
    ]
    assert set(report["inputs"]) == {"field.toml", "boundary.geojson", "samples.csv", "organic_matter.csv"}
    assert all(set(finding) == {"code", "level", "about", "problem", "remedy"} for finding in report["findings"])


def test_check_of_a_metric_field_speaks_metric(field_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Hectares and centimeters: 90.8 ac are 36.75 ha, 12 in are 30 cm."""
    keys = {**sound.KEYS, "units": "metric", "crop": {"yield_goal_t_ha": 13, "growth_stage": "V7"}}
    (field_folder / "field.toml").write_text(sound.toml_text(keys), encoding="utf-8")
    assert main(["check", str(field_folder / "field.toml")]) == 0
    said = capsys.readouterr().out
    assert "36.75 ha" in said
    assert "0–30 cm" in said


def test_check_builds_and_writes_nothing(rewrite: Rewrite, field_folder: Path) -> None:
    """The folder holds the same files afterwards."""
    path = rewrite()
    before = sorted(field_folder.rglob("*"))
    assert main(["check", str(path)]) == 0
    assert sorted(field_folder.rglob("*")) == before


def test_start_makes_a_folder_that_check_leads_through(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The new field file is refused with its marked keys, the samples form has every column."""
    folder = tmp_path / "ash hill 3"
    assert main(["start", str(folder), "--season", "2027"]) == 0
    assert "season = 2027" in (folder / "field.toml").read_text(encoding="utf-8")
    columns = (folder / "samples.csv").read_text(encoding="utf-8").splitlines()[0].split(",")
    assert {"sample_id", "longitude", "latitude", "top_in", "bottom_in", "nitrate_ppm"} <= set(columns)
    capsys.readouterr()
    assert main(["check", str(folder / "field.toml")]) == 2
    said = capsys.readouterr().err
    for key in (
        "field.name",
        "crop.yield_goal_bu_ac",
        "crop.growth_stage",
        "samples.reported_as",
        "samples.moisture_basis",
    ):
        assert key in said


def test_start_never_overwrites(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A folder that holds a field file is refused and stays as it is."""
    (tmp_path / "field.toml").write_text("mine", encoding="utf-8")
    assert main(["start", str(tmp_path)]) == 2
    assert "already holds field.toml" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["field.toml"]
    assert (tmp_path / "field.toml").read_text(encoding="utf-8") == "mine"


def test_start_where_no_folder_can_be_made_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file in the way is told, and nothing is written."""
    (tmp_path / "here").write_text("a file", encoding="utf-8")
    assert main(["start", str(tmp_path / "here" / "field")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_start_takes_the_parts_of_a_shapefile_along(tmp_path: Path) -> None:
    """A shapefile in feet of a state plane (EPSG:3417) becomes one archive, read to the same outline; twice alike."""
    ring = geopandas.GeoSeries([shapely.Polygon(sound.RING)], crs=4326)
    (tmp_path / "given").mkdir()
    ring.to_crs(3417).to_file(tmp_path / "given" / "North 40.shp")
    for folder in ("one", "other"):
        assert main(["start", str(tmp_path / folder), "--boundary", str(tmp_path / "given" / "North 40.shp")]) == 0
    assert 'boundary = "boundary.zip"' in (tmp_path / "one" / "field.toml").read_text(encoding="utf-8")
    assert (tmp_path / "one" / "boundary.zip").read_bytes() == (tmp_path / "other" / "boundary.zip").read_bytes()
    ground = read_ground(tmp_path / "one" / "field.toml")
    assert ground.boundary.area == pytest.approx(ring.to_crs(ground.crs)[0].area, rel=1e-6)
