"""Writing a folder: everything or nothing, never over a stranger's file, the same bytes each time."""

import hashlib
import json
import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from vrn.errors import OutputError
from vrn.pipeline.order import write
from vrn.prescription.model import Prescription

Maker = Callable[..., Prescription]

EXPECTED = {
    "prescription.geojson",
    "shapefile/RX.SHP", "shapefile/RX.SHX", "shapefile/RX.DBF", "shapefile/RX.PRJ", "shapefile.zip",
    "TASKDATA/TASKDATA.XML", "TASKDATA/GRD00001.BIN", "layers.gpkg", "rasters/nitrate.tif", "rasters/error.tif",
    "rasters/need.tif", "rasters/rate.tif", "map.html",
    "report.html", "report.pdf", "load_sheet.txt", "load_sheet.pdf", "ledger.csv", "zones.csv", "field.gpx",
}  # fmt: skip


def files_of(folder: Path) -> dict[str, str]:
    """Relative path → SHA-256 of every file."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_every_output_is_there_and_hashed(made: Prescription, tmp_path: Path) -> None:
    """The contract's files are written; summary.json lists the hash of every other file and of nothing else."""
    out = write(made, tmp_path / "rx")
    found = files_of(out)
    assert set(found) >= EXPECTED
    listed = json.loads((out / "summary.json").read_text(encoding="utf-8"))["files"]
    del found["summary.json"]
    assert listed == found


def test_same_prescription_same_bytes(made: Prescription, tmp_path: Path) -> None:
    """Two runs write the same bytes, whatever the clock says."""
    first, second = write(made, tmp_path / "one"), write(made, tmp_path / "two")
    assert files_of(first) == files_of(second)


@pytest.mark.usefixtures("quick_pages")
def test_rewriting_replaces_the_whole_folder(made: Prescription, make: Maker, tmp_path: Path) -> None:
    """A second prescription leaves nothing of the first, and no staging folder behind."""
    out = write(made, tmp_path / "rx")
    write(make(export={"iso_grid": "polygons"}), out)
    assert not (out / "TASKDATA" / "GRD00001.BIN").exists()
    assert [path.name for path in tmp_path.iterdir()] == ["rx"]


@pytest.mark.usefixtures("quick_pages")
def test_strangers_are_refused(made: Prescription, tmp_path: Path) -> None:
    """A folder that holds a file of another origin is left exactly as it was."""
    out = write(made, tmp_path / "rx")
    (out / "notes.txt").write_text("do not lose me", encoding="utf-8")
    before = files_of(out)
    with pytest.raises(OutputError, match=r"files that vrn did not write: notes\.txt"):
        write(made, out)
    assert files_of(out) == before


@pytest.mark.usefixtures("quick_pages")
def test_folder_without_summary_is_a_stranger(made: Prescription, tmp_path: Path) -> None:
    """Nothing is known of a folder without a summary: its files are not replaced."""
    (tmp_path / "rx").mkdir()
    (tmp_path / "rx" / "prescription.geojson").write_text("{}", encoding="utf-8")
    with pytest.raises(OutputError, match=r"did not write: prescription\.geojson"):
        write(made, tmp_path / "rx")


@pytest.mark.usefixtures("quick_pages")
def test_what_a_desktop_leaves_is_no_stranger(made: Prescription, tmp_path: Path) -> None:
    """Thumbnails and viewers' sidecars do not stand in the way."""
    out = write(made, tmp_path / "rx")
    (out / ".DS_Store").write_bytes(b"")
    (out / "rasters" / "rate.tif.aux.xml").write_text("<x/>", encoding="utf-8")
    write(made, out)
    assert not (out / ".DS_Store").exists()


@pytest.mark.usefixtures("quick_pages")
def test_file_in_the_way_is_refused(made: Prescription, tmp_path: Path) -> None:
    """A file of the folder's name is not replaced."""
    (tmp_path / "rx").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="is a file"):
        write(made, tmp_path / "rx")
    assert (tmp_path / "rx").read_text(encoding="utf-8") == "mine"


@pytest.mark.usefixtures("quick_pages")
def test_failed_check_leaves_the_old_folder(made: Prescription, make: Maker, tmp_path: Path) -> None:
    """When the check of the staged folder raises, the folder of before stands untouched and nothing else is left."""
    out = write(made, tmp_path / "rx")
    before = files_of(out)

    def refuse(staged: Path) -> None:
        assert set(files_of(staged)) >= EXPECTED | {"summary.json"}
        problem = "not good enough"
        raise OutputError(problem, "do better")

    with pytest.raises(OutputError, match="not good enough"):
        write(make(rates_n_lb_ac=(10.0, 20.0, 30.0)), out, check=refuse)
    assert files_of(out) == before
    assert [path.name for path in tmp_path.iterdir()] == ["rx"]


@pytest.mark.usefixtures("quick_pages")
def test_run_cut_off_while_staging_is_mended(made: Prescription, tmp_path: Path) -> None:
    """What a killed run staged goes away at the next start."""
    staged = tmp_path / ".rx.vrn-new"
    staged.mkdir()
    (staged / "half.tif").write_bytes(b"half")
    write(made, tmp_path / "rx")
    assert [path.name for path in tmp_path.iterdir()] == ["rx"]


@pytest.mark.usefixtures("quick_pages")
def test_run_cut_off_between_renames_is_mended(made: Prescription, tmp_path: Path) -> None:
    """The old folder comes back when a run died after putting it aside, even if the next run is refused."""
    out = write(made, tmp_path / "rx")
    (out / "notes.txt").write_text("mine", encoding="utf-8")
    before = files_of(out)
    out.rename(tmp_path / ".rx.vrn-old")
    with pytest.raises(OutputError, match="did not write"):
        write(made, out)
    assert files_of(out) == before


@pytest.mark.skipif(os.name == "nt", reason="open files guard the folder there")
@pytest.mark.usefixtures("quick_pages")
def test_two_runs_at_once(made: Prescription, tmp_path: Path) -> None:
    """A second run into the same folder is refused while the first is at work."""

    def again(_staged: Path) -> None:
        with pytest.raises(OutputError, match="Another run is writing"):
            write(made, tmp_path / "rx")

    write(made, tmp_path / "rx", check=again)


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root may write anywhere")
@pytest.mark.usefixtures("quick_pages")
def test_folder_that_cannot_be_written(made: Prescription, tmp_path: Path) -> None:
    """A folder without write permission gives one error that says so."""
    (tmp_path / "locked").mkdir(mode=0o500)
    with pytest.raises(OutputError, match="cannot be written"):
        write(made, tmp_path / "locked" / "rx")


@pytest.mark.usefixtures("quick_pages")
def test_parent_that_is_a_file(made: Prescription, tmp_path: Path) -> None:
    """A path through a file gives one error that says so."""
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match="cannot be written"):
        write(made, tmp_path / "file" / "rx")


@pytest.mark.parametrize("rate", [float("nan"), float("inf"), -1.0, 251.0])
@pytest.mark.usefixtures("quick_pages")
def test_bad_rate_never_reaches_a_file(made: Prescription, rate: float, tmp_path: Path) -> None:
    """An unknown, infinite, negative or too high rate stops the writing."""
    zone = replace(made.rates[1], rate_n_lb_ac=rate, product_per_ac=rate / made.product.n_lb_per_unit,
                   rate_product=rate / made.product.n_lb_per_unit)  # fmt: skip
    with pytest.raises(OutputError, match="Zone 2"):
        write(replace(made, rates=(made.rates[0], zone, made.rates[2])), tmp_path / "rx")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("quick_pages")
def test_rate_and_product_must_agree(made: Prescription, tmp_path: Path) -> None:
    """Pounds of nitrogen written as gallons of product are stopped."""
    zone = replace(made.rates[0], rate_product=made.rates[0].rate_n_lb_ac)
    with pytest.raises(OutputError, match="differ"):
        write(replace(made, rates=(zone, *made.rates[1:])), tmp_path / "rx")


@pytest.mark.usefixtures("quick_pages")
def test_totals_must_add_up(made: Prescription, tmp_path: Path) -> None:
    """A total that is not the sum of the zones is stopped."""
    with pytest.raises(OutputError, match="add up"):
        write(replace(made, total_product=made.total_product * 1.01), tmp_path / "rx")
