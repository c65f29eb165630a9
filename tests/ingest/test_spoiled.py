"""Spoiled inputs: refused with problem and remedy, or read with a finding; no traceback, inputs untouched."""

import errno
import hashlib
import json
import re
import zipfile
from pathlib import Path
from typing import Any

import geopandas
import pytest
import shapely
import sound
import spoiled
from spoiled import CASES, Spoiled

from vrn.cli import main
from vrn.ingest import read_field
from vrn.ingest.input_files import InputFiles, Source

pytestmark = pytest.mark.usefixtures("quick_module")  # reports have tests of their own


def _tree(folder: Path) -> dict[str, str]:
    """Every file under a folder with its hash; links and pipes by what they are."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        ordinary = path.is_file() and not path.is_symlink()
        found[name] = hashlib.sha256(path.read_bytes()).hexdigest() if ordinary else "no ordinary file"
    return found


def _code(case: Spoiled) -> str:
    return case.says if "." in case.says else f"ingest.{case.says}"


def test_corpus_is_large_and_its_names_are_unique() -> None:
    """At least 120 inputs, across every kind."""
    names = [case.name for case in CASES]
    assert len(names) == len(set(names)) >= 120
    assert len({name.split("-")[0] for name in names}) >= 12


_KINDS = {
    "samples.csv": "samples__file", "june.xlsx": "samples__file", "boundary.geojson": "field__boundary",
    "north.shp": "field__boundary", "home.gpkg": "field__boundary", "home.kml": "field__boundary",
    "north.zip": "field__boundary", "yp.tif": "layers__yield_potential__file", "w.csv": "weather__file",
}  # fmt: skip


def _one_of_each(folder: Path) -> None:
    """A sound file of every kind that vrn reads."""
    frame = geopandas.GeoDataFrame({"a": [1]}, geometry=[shapely.Polygon(sound.RING)], crs=4326)
    frame.to_file(folder / "north.shp")
    frame.to_file(folder / "home.gpkg")
    with zipfile.ZipFile(folder / "north.zip", "w") as archive:
        for ending in ("shp", "shx", "dbf", "prj"):
            archive.write(folder / f"north.{ending}", f"north.{ending}")
    ring = " ".join(f"{lon},{lat}" for lon, lat in sound.RING)
    (folder / "home.kml").write_text(spoiled._kml(spoiled._kml_ring(ring)), encoding="utf-8")
    spoiled._workbook(lambda table: table)(folder)
    spoiled._raster(folder / "yp.tif")
    (folder / "w.csv").write_text("date,tmin_f,tmax_f,rain_in\n2026-06-01,50,70,0\n", encoding="utf-8")


@pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")  # rasterio's, writing the test's raster
@pytest.mark.parametrize("name", _KINDS)
def test_sound_file_of_every_kind_is_left_as_it_was(name: str, field_folder: Path) -> None:
    """Reading changes no byte and leaves nothing behind, whatever library opens the file."""
    _one_of_each(field_folder)
    path = sound.write_toml(field_folder, {_KINDS[name]: name})
    before = _tree(field_folder)
    assert name in read_field(path).inputs
    assert _tree(field_folder) == before


@pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")  # rasterio's, writing the test's raster
@pytest.mark.parametrize("name", _KINDS)
def test_file_that_vanishes_while_it_is_read(
    name: str, field_folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A drive pulled out between finding a file and reading it is told as such."""
    _one_of_each(field_folder)
    path = sound.write_toml(field_folder, {_KINDS[name]: name})
    find = InputFiles.source

    def find_and_lose(self: InputFiles, wanted: str, key: str) -> Source:
        source = find(self, wanted, key)
        if wanted == name:
            source.path.unlink()
        return source

    monkeypatch.setattr(InputFiles, "source", find_and_lose)
    assert main(["check", str(path)]) == 2
    said = capsys.readouterr().err
    assert re.search(rf"{name}.*(reading it failed|is missing beside it)", said), said
    assert "still there" in said or "Copy the whole" in said


@pytest.mark.parametrize("name", ["field.toml", "samples.csv", "boundary.geojson"])
def test_file_that_may_not_be_read(
    name: str, field_folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file without permission names the permission."""
    opened = Path.open

    def refuse(self: Path, *args: Any, **kwargs: Any) -> Any:
        if self.name == name:
            raise PermissionError(errno.EACCES, "Permission denied", str(self))
        return opened(self, *args, **kwargs)

    monkeypatch.setattr(Path, "open", refuse)
    assert main(["check", str(field_folder / "field.toml")]) == 2
    said = capsys.readouterr().err
    assert f"{name} cannot be" in said
    assert "Permission denied" in said
    assert "permissions" in said


@pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")  # rasterio's, writing the test's raster
@pytest.mark.parametrize("case", [
    pytest.param(case, id=case.name, marks=pytest.mark.long if k % 3 else ()) for k, case in enumerate(CASES)
])  # fmt: skip
def test_spoiled_input(case: Spoiled, field_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2 with problem and remedy, or a finding; the folder is the same byte for byte afterwards."""
    case.spoil(field_folder)
    before = _tree(field_folder)
    status = main(["check", str(field_folder / "field.toml"), "--json"])
    said = capsys.readouterr()
    assert "Traceback" not in said.out + said.err
    assert _tree(field_folder) == before
    if case.outcome == spoiled.REFUSED:
        assert status == 2
        assert said.out == ""
        problem, _, remedy = said.err.rstrip().rpartition("\n")
        assert problem.startswith("vrn: ")
        assert re.search(case.says, problem, re.DOTALL), said.err
        assert re.search(case.remedy, said.err), said.err
        assert remedy.strip()
        out = field_folder.parent / "rx"
        assert main(["build", str(field_folder / "field.toml"), "--out", str(out)]) == 2
        assert capsys.readouterr().err == said.err
        assert not out.exists()
        assert _tree(field_folder) == before
    else:
        assert (status == 2) is bool(said.err)  # a method may refuse what was read with a finding
        found = [f for f in json.loads(said.out)["findings"] if f["code"] == _code(case)]
        assert [f["about"] for f in found] == [case.remedy], said.out
        assert found[0]["problem"]
        assert found[0]["remedy"]


@pytest.mark.long
@pytest.mark.parametrize(
    "case", [case for case in CASES if case.outcome == spoiled.FINDING], ids=lambda case: case.name
)
def test_doubtful_input_builds_with_its_finding(
    case: Spoiled, field_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What can be used builds, and the finding stands in summary.json; inputs are the same byte for byte."""
    case.spoil(field_folder)
    before = _tree(field_folder)
    out = field_folder.parent / "rx"
    status = main(["build", str(field_folder / "field.toml"), "--out", str(out)])
    said = capsys.readouterr()
    assert "Traceback" not in said.out + said.err
    assert _tree(field_folder) == before
    if status == 2:  # what reading lets through, a method may still refuse
        assert not out.exists()
        assert re.search(r"vrn: .+\n +.+", said.err)
        return
    assert status in (0, 1)
    found = json.loads((out / "summary.json").read_text(encoding="utf-8"))["findings"]
    assert _code(case) in {finding["code"] for finding in found}
