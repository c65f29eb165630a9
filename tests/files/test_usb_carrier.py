"""The stick for the terminal: only what it reads, where it reads it, and nothing of another's is replaced."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from vrn.errors import OutputError
from vrn.pipeline.order import write
from vrn.prescription.model import Prescription

Maker = Callable[..., Prescription]
pytestmark = pytest.mark.usefixtures("quick_pages")


def files_of(folder: Path) -> set[str]:
    """Relative paths of all files."""
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}


CARRIED = {
    "TASKDATA/TASKDATA.XML", "TASKDATA/GRD00001.BIN", "SHAPEFILE/RX.SHP", "SHAPEFILE/RX.SHX", "SHAPEFILE/RX.DBF",
    "SHAPEFILE/RX.PRJ", "LOAD_SHEET.TXT",
}  # fmt: skip


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    """An empty carrier."""
    (tmp_path / "stick").mkdir()
    return tmp_path / "stick"


def test_only_what_a_terminal_reads(made: Prescription, stick: Path, tmp_path: Path) -> None:
    """TASKDATA at the top, the shapefile in its folder, the load sheet; byte for byte those of the folder."""
    out = write(made, tmp_path / "rx", usb=stick)
    assert files_of(stick) == CARRIED
    for name in ("TASKDATA.XML", "GRD00001.BIN"):
        assert (stick / "TASKDATA" / name).read_bytes() == (out / "TASKDATA" / name).read_bytes()
    assert (stick / "SHAPEFILE" / "RX.DBF").read_bytes() == (out / "shapefile" / "RX.DBF").read_bytes()


def test_the_sheet_names_no_file_that_is_not_on_the_stick(made: Prescription, stick: Path, tmp_path: Path) -> None:
    """Every file that the carried sheet speaks of is carried with it."""
    write(made, tmp_path / "rx", usb=stick)
    sheet = (stick / "LOAD_SHEET.TXT").read_text(encoding="utf-8")
    named = set(re.findall(r"\b\w+\.(?:shp|shx|dbf|prj|zip|xml|bin)\b", sheet, flags=re.IGNORECASE))
    assert named
    assert named <= {Path(name).name for name in CARRIED}


def test_other_files_on_the_stick_stay(made: Prescription, stick: Path, tmp_path: Path) -> None:
    """Pictures and other folders are left alone."""
    (stick / "photo.jpg").write_bytes(b"x")
    write(made, tmp_path / "rx", usb=stick)
    assert files_of(stick) == CARRIED | {"photo.jpg"}


def test_own_prescription_is_replaced(made: Prescription, make: Maker, stick: Path, tmp_path: Path) -> None:
    """A stick that carries an earlier prescription of vrn gets the new one whole."""
    write(made, tmp_path / "rx", usb=stick)
    write(make(export={"iso_grid": "polygons"}), tmp_path / "rx", usb=stick)
    assert files_of(stick) == CARRIED - {"TASKDATA/GRD00001.BIN"}


@pytest.mark.parametrize("what", ["other software", "a terminal's log"])
def test_record_of_work_is_never_replaced(what: str, made: Prescription, stick: Path, tmp_path: Path) -> None:
    """A TASKDATA folder of other software, or one that a terminal wrote to, is refused and left as it is."""
    write(made, tmp_path / "first", usb=stick)
    xml = stick / "TASKDATA" / "TASKDATA.XML"
    if what == "other software":
        xml.write_text(
            xml.read_text(encoding="utf-8").replace('Manufacturer="vrn"', 'Manufacturer="other"'), encoding="utf-8"
        )
    else:
        (stick / "TASKDATA" / "TLG00001.BIN").write_bytes(b"hours of work")
    before = {name: (stick / name).read_bytes() for name in files_of(stick)}
    with pytest.raises(OutputError, match="TASKDATA") as caught:
        write(made, tmp_path / "second", usb=stick)
    assert "safe place" in caught.value.remedy
    assert {name: (stick / name).read_bytes() for name in files_of(stick)} == before
    assert not (tmp_path / "second").exists()


def test_terminal_that_took_the_task_over(made: Prescription, stick: Path, tmp_path: Path) -> None:
    """A task file that a terminal wrote back (origin 2) is not ours any more."""
    write(made, tmp_path / "rx", usb=stick)
    xml = stick / "TASKDATA" / "TASKDATA.XML"
    text = xml.read_text(encoding="utf-8").replace('DataTransferOrigin="1"', 'DataTransferOrigin="2"')
    xml.write_text(text, encoding="utf-8")
    with pytest.raises(OutputError, match="by a terminal"):
        write(made, tmp_path / "rx", usb=stick)


def test_stick_that_is_not_there(made: Prescription, tmp_path: Path) -> None:
    """A carrier that is not mounted is refused before anything is written."""
    with pytest.raises(OutputError, match="not a folder that is there"):
        write(made, tmp_path / "rx", usb=tmp_path / "nowhere")
    assert list(tmp_path.iterdir()) == []


def test_half_written_stick_is_mended(made: Prescription, stick: Path, tmp_path: Path) -> None:
    """What an interrupted copy left goes away with the next."""
    (stick / ".vrn-new" / "TASKDATA").mkdir(parents=True)
    (stick / ".vrn-new" / "TASKDATA" / "GRD00001.BIN").write_bytes(b"half")
    write(made, tmp_path / "rx", usb=stick)
    assert files_of(stick) == CARRIED
