"""The stick for the terminal: many fields in one TASKDATA, each as its own folder has it, nothing of another's lost."""

import errno
import functools
import json
import os
import re
import shutil
from collections.abc import Callable
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
import shapefile
import xmlschema
from isoxml.converter.np_grid import to_numpy_array
from isoxml.util.isoxml_io import isoxml_from_path

from vrn.cli import main
from vrn.errors import InputFileError, OutputError, VrnError
from vrn.files import carrier
from vrn.many.book import Entry, record_build
from vrn.many.stick import ENTRIES, carried, put, remove, stick_report
from vrn.model.settings import FieldSection
from vrn.pipeline.order import write_controls
from vrn.prescription.model import Prescription

Maker = Callable[..., Prescription]
SCHEMA = files("isoxml_writer") / "ISOXML_schema" / "ISO11783_TaskFile_V4-3.xsd"
FAR = {"Cedar Bend 7": (-94.6, 42.3), "Cedar Bend 8": (-94.5, 42.3), "Heron Flat": (-94.7, 42.2)}


def tree(folder: Path) -> dict[str, bytes]:
    """Every file by its path."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    """An empty carrier."""
    (tmp_path / "stick").mkdir()
    return tmp_path / "stick"


@pytest.fixture(scope="module")
def written(make: Maker, tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Writes what a terminal reads of a field into a folder, the same field once."""

    @functools.cache
    def write(name: str, place: tuple[float, float] | None = None, rates: tuple[float, ...] | None = None,
              field_id: str | None = None, **export: str) -> Path:  # fmt: skip
        folder = tmp_path_factory.mktemp("rx")
        header = FieldSection(name=name, season=2026, boundary="boundary.geojson", id=field_id)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("vrn.pages.report_page.job_ticket", lambda rx: f"ticket of {rx.id}".encode())
            made = make(name=name, place=place or FAR[name], rates_n_lb_ac=rates, export=export, cell_m=25.0,
                        settings={"header": header})  # fmt: skip
            write_controls(made, folder)
        return folder

    return write


def cells_of(folder: Path) -> dict[str, tuple[np.ndarray, dict[str, str]]]:
    """Task → its grid as PyPI ``isoxml`` reads it, with field, product, unit and setpoints by zone."""
    data, binaries = isoxml_from_path(folder)
    fields = {field.id: field.designator for field in data.partfields}
    products = {product.id: product.designator for product in data.products}
    units = {unit.id: unit.unit_designator for unit in data.value_presentations}
    found = {}
    for task in data.tasks:
        (grid,) = task.grids
        setpoint = task.treatment_zones[0].process_data_variables[0]
        names = {"field": fields[task.partfield_id_ref], "product": products[setpoint.product_id_ref],
                 "unit": units[setpoint.value_presentation_id_ref],
                 "place": f"{grid.minimum_north_position} {grid.minimum_east_position}",
                 "zones": str([(zone.code, zone.process_data_variables[0].process_data_value)
                               for zone in task.treatment_zones])}  # fmt: skip
        found[task.designator] = (to_numpy_array(binaries[grid.filename], grid), names)
    return found


@pytest.mark.parametrize("version", ["3.3", "4.3"])
def test_each_field_reads_as_in_its_own_folder(version: str, written: Callable[..., Path], stick: Path) -> None:
    """Three fields on one stick: valid, and task by task what an outside reader finds in each folder alone."""
    folders = [written("Cedar Bend 7", iso_version=version),
               written("Cedar Bend 8", rates=(40, 50, 60), iso_version=version),
               written("Heron Flat", iso_grid="type-1", iso_version=version)]  # fmt: skip
    put(stick, [carried(folder) for folder in folders])
    xmlschema.XMLSchema(str(SCHEMA)).validate(str(stick / "TASKDATA" / "TASKDATA.XML"))
    together = cells_of(stick / "TASKDATA")
    alone = {task: read for folder in folders for task, read in cells_of(folder / "TASKDATA").items()}
    assert list(together) == list(alone)
    for task, (cells, names) in alone.items():
        np.testing.assert_array_equal(together[task][0], cells)
        assert together[task][1] == names
    data, _ = isoxml_from_path(stick / "TASKDATA")
    assert len(data.products) == len(data.value_presentations) == 1
    for stem, folder in zip(("CEDARB_1", "CEDARB_2", "HERONF_1"), folders, strict=True):
        own = shapefile.Reader(str(folder / "shapefile" / "RX"))
        with shapefile.Reader(str(stick / "SHAPEFILE" / stem)) as read, own:
            assert read.records() == own.records()
            assert read.shapes()[0].points == own.shapes()[0].points


def test_a_field_alone_is_byte_for_byte_its_folders(written: Callable[..., Path], stick: Path) -> None:
    """One field: its task file, grid and shapefile unchanged; other files on the stick stay."""
    (stick / "photo.jpg").write_bytes(b"x")
    folder = written("Cedar Bend 7")
    put(stick, [carried(folder)])
    found = tree(stick)
    for name in ("TASKDATA/TASKDATA.XML", "TASKDATA/GRD00001.BIN"):
        assert found[name] == (folder / name).read_bytes()
    assert found["SHAPEFILE/CEDARB_1.DBF"] == (folder / "shapefile" / "RX.DBF").read_bytes()
    assert found["SHEETS/CEDARB_1.PDF"] == (folder / "load_sheet.pdf").read_bytes()
    assert found["photo.jpg"] == b"x"


def test_adding_keeps_the_others_and_the_same_field_takes_its_own_place(
    written: Callable[..., Path], stick: Path
) -> None:
    """Put on one by one it is the stick of all at once; built anew, a field keeps its name and its place."""
    first, second = written("Cedar Bend 7"), written("Cedar Bend 8")
    put(stick, [carried(first)])
    put(stick, [carried(second)])
    one_by_one = tree(stick)
    for name in ENTRIES:
        if (stick / name).is_file():
            (stick / name).unlink()
    for folder in ("TASKDATA", "SHAPEFILE", "SHEETS"):
        for path in (stick / folder).iterdir():
            path.unlink()
    put(stick, [carried(first), carried(second)])
    assert tree(stick) == one_by_one
    again = written("Cedar Bend 7", rates=(45, 55, 65))
    fields = put(stick, [carried(again)])
    assert [field.shapefile for field in fields] == ["CEDARB_1", "CEDARB_2"]
    assert fields[0].id == carried(again).entry.id != carried(first).entry.id
    assert tree(stick)["SHAPEFILE/CEDARB_2.DBF"] == one_by_one["SHAPEFILE/CEDARB_2.DBF"]
    assert remove(stick, "Cedar Bend 7") == (fields[1],)
    assert "SHAPEFILE/CEDARB_1.SHP" not in tree(stick)
    with pytest.raises(InputFileError):
        remove(stick, "Cedar Bend 7")
    assert remove(stick, "Cedar Bend 8") == ()
    assert tree(stick) == {}


def test_the_sheet_of_the_day(written: Callable[..., Path], stick: Path) -> None:
    """Fields in the order given, the total of each product, and no file named that is not on the stick."""
    entries = put(stick, [carried(written("Heron Flat")), carried(written("Cedar Bend 7", rates=(40, 40, 40)))])
    sheet = (stick / "LOAD_SHEET.TXT").read_text(encoding="utf-8")
    assert sheet.index(entries[0].task) < sheet.index(entries[1].task)
    assert f"{sum(entry.total for entry in entries):,.0f} gal" in sheet
    named = set(re.findall(r"\b\w+\.(?:shp|shx|dbf|prj|zip|xml|bin|pdf)\b", sheet, flags=re.IGNORECASE))
    assert {"HERONF_1.SHP", "CEDARB_1.DBF", "HERONF_1.PDF", "CEDARB_1.PDF"} <= named
    assert named <= {Path(name).name for name in tree(stick)}


def test_what_is_refused_leaves_the_stick_as_it_was(written: Callable[..., Path], stick: Path) -> None:
    """Two fields of one name, the same name on other ground, two versions, a spoiled folder, no prescription."""
    put(stick, [carried(written("Cedar Bend 7"))])
    before = tree(stick)
    spoiled = Path(shutil.copytree(written("Heron Flat"), stick.parent / "spoiled"))
    (spoiled / "TASKDATA" / "GRD00001.BIN").write_bytes(b"\x01" + (spoiled / "TASKDATA/GRD00001.BIN").read_bytes()[1:])
    for attempt in (
        lambda: put(stick, [carried(written("Heron Flat")), carried(written("Heron Flat", place=(-94.2, 42.0)))]),
        lambda: put(stick, [carried(written("Cedar Bend 7", place=(-94.2, 42.0)))]),
        lambda: put(stick, [carried(written("Heron Flat", iso_version="4.3"))]),
        lambda: put(stick, [carried(spoiled)]),
        lambda: put(stick, [carried(stick)]),
    ):
        with pytest.raises(VrnError):
            attempt()
        assert tree(stick) == before
    with pytest.raises(OutputError):
        put(stick / "nowhere", [])


@pytest.mark.parametrize("what", ["other software", "terminal's log", "rate", "no list", "spoiled list", "RX.SHP"])
def test_a_strangers_files_are_never_replaced(what: str, written: Callable[..., Path], stick: Path) -> None:
    """Anything in vrn's places that is not as vrn wrote it is refused and left."""
    folder = written("Cedar Bend 7")
    put(stick, [carried(folder)])
    xml, listed = stick / "TASKDATA" / "TASKDATA.XML", stick / "VRN.JSON"
    text = xml.read_text(encoding="utf-8")
    if what == "other software":
        xml.write_text(text.replace('Manufacturer="vrn"', 'Manufacturer="other"'), encoding="utf-8")
    elif what == "rate":
        grid = stick / "TASKDATA" / "GRD00001.BIN"
        grid.write_bytes(grid.read_bytes()[:-4] + b"\x01\0\0\0")
    elif what == "no list":
        listed.unlink()
    elif what == "spoiled list":
        listed.write_bytes(listed.read_bytes()[:100])
    else:
        name = "TASKDATA/TLG00001.BIN" if "log" in what else "SHAPEFILE/RX.SHP"
        (stick / name).write_bytes(b"hours of work")
    before = tree(stick)
    for attempt in (lambda: put(stick, [carried(folder)]), lambda: remove(stick, "Cedar Bend 7")):
        with pytest.raises(OutputError) as caught:
            attempt()
        assert "safe place" in caught.value.remedy
        assert tree(stick) == before


@pytest.mark.parametrize("step", range(1, 15))
def test_a_write_that_fails_anywhere_changes_nothing(
    step: int, written: Callable[..., Path], stick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A full stick while staging, or an error at any renaming: the old entries are there, whole."""
    put(stick, [carried(written("Cedar Bend 7"))])
    before, calls = tree(stick), 0
    new = carried(written("Heron Flat"))

    def counted(work: Callable[..., None]) -> Callable[..., None]:
        def call(*args: object) -> None:
            nonlocal calls
            calls += 1
            if calls == step:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            work(*args)

        return call

    monkeypatch.setattr(carrier.os, "fsync", counted(lambda _handle: None))
    monkeypatch.setattr(carrier, "move", counted(carrier.move))
    with pytest.raises(OutputError):
        put(stick, [new])
    assert calls >= step
    assert tree(stick) == before


def test_a_run_that_was_killed_is_undone(written: Callable[..., Path], stick: Path) -> None:
    """Killed between two renames: the next command finds the old entries, whole."""
    put(stick, [carried(written("Cedar Bend 7"))])
    before = tree(stick)
    new = carried(written("Heron Flat"))
    moves = 0
    real = carrier.move

    def killed(source: Path, target: Path) -> None:
        nonlocal moves
        moves += 1
        if moves > 6:
            raise KeyboardInterrupt
        real(source, target)

    patch = pytest.MonkeyPatch()
    patch.setattr(carrier, "move", killed)
    with pytest.raises(KeyboardInterrupt):
        put(stick, [new])
    patch.undo()
    assert tree(stick) != before
    assert [field.field for field in stick_report(stick).fields] == ["Cedar Bend 7"]
    assert tree(stick) == before


def test_the_command(written: Callable[..., Path], stick: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Drafts refused where asked; what is superseded, changed or strange named with exit status 1; one taken off."""
    first, second = written("Cedar Bend 7"), written("Cedar Bend 8")
    assert main(["stick", str(first), "--to", str(stick), "--approved-only"]) == 2
    assert tree(stick) == {}
    assert main(["stick", str(first), str(second), "--to", str(stick)]) == 0
    assert main(["stick", "--check", str(stick), str(first)]) == 0
    newer = written("Cedar Bend 8", rates=(45, 55, 65))
    capsys.readouterr()
    assert main(["stick", "--check", str(stick), str(newer), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["superseded"] == {carried(second).entry.id: carried(newer).entry.id}
    grid = stick / "TASKDATA" / "GRD00002.BIN"
    grid.write_bytes(grid.read_bytes()[:-4] + b"\x01\0\0\0")
    (stick / "SHAPEFILE" / "X.TXT").write_bytes(b"")
    (stick / "notes").mkdir()
    assert main(["stick", "--check", str(stick), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert set(told["changed"]) == {"TASKDATA/GRD00002.BIN", "TASKDATA/TASKDATA.XML"}
    assert (told["strange"], told["beside"]) == (["SHAPEFILE/X.TXT"], ["notes"])
    grid.write_bytes((second / "TASKDATA" / "GRD00001.BIN").read_bytes())
    (stick / "SHAPEFILE" / "X.TXT").unlink()
    assert main(["stick", "--to", str(stick), "--remove", "Cedar Bend 8"]) == 0
    assert main(["stick", "--check", str(stick), str(first)]) == 0
    for bad in (["stick", "--to", str(stick)], ["stick", str(first)], ["stick", str(stick), "--to", str(stick)]):
        assert main(bad) == 2


def test_superseded_goes_by_the_prescription_not_by_the_name(
    written: Callable[..., Path], stick: Path, tmp_path: Path
) -> None:
    """A field that was built again is superseded under any name; a namesake of another farm or season is not."""
    put(stick, [carried(written("Cedar Bend 7"))])
    (entry,) = stick_report(stick).fields
    grower, farm, name = entry.place
    here = Entry(field_file=str(tmp_path / "f.toml"), folder=str(tmp_path / "rx"), status="built", field=name,
                 season=entry.season, grower=grower, farm=farm, summary={"id": "b" * 64})  # fmt: skip
    first = replace(here, summary={"id": entry.id})
    renamed = replace(here, field="Cedar Bend East", farm="Elsewhere", summary={"id": "c" * 64})
    for number, (builds, new) in enumerate((
        ([here], "b" * 64), ([replace(here, farm="Elsewhere")], None), ([replace(here, season=2020)], None),
        ([first], None), ([first, renamed], "c" * 64), ([replace(first, field="Another"), here], "b" * 64),
    )):  # fmt: skip
        book = tmp_path / f"{number}.db"
        record_build(book, *builds)
        assert stick_report(stick, book=book).superseded == ({entry.id: new} if new else {})
    newer = written("Cedar Bend 7", rates=(45, 55, 65))
    assert stick_report(stick, [newer], book).superseded == {entry.id: carried(newer).entry.id}


def test_a_field_with_an_id_is_known_by_it(written: Callable[..., Path], stick: Path, tmp_path: Path) -> None:
    """Built again under another name it is superseded; another id is another field, and so is another season's."""
    put(stick, [carried(written("Cedar Bend 7", field_id="N40"))])
    (entry,) = stick_report(stick).fields
    renamed = written("Heron Flat", field_id="N40")
    assert stick_report(stick, [renamed]).superseded == {entry.id: carried(renamed).entry.id}
    namesake = written("Cedar Bend 7", rates=(45, 55, 65), field_id="S40")
    assert stick_report(stick, [namesake]).superseded == {}
    here = Entry(field_file=str(tmp_path / "f.toml"), folder=str(tmp_path / "rx"), status="built", field="Renamed",
                 season=entry.season, key="N40", summary={"id": "b" * 64})  # fmt: skip
    for number, (build, new) in enumerate(
        ((here, "b" * 64), (replace(here, key="S40"), None), (replace(here, season=2020), None))
    ):
        record_build(tmp_path / f"{number}.db", build)
        assert stick_report(stick, book=tmp_path / f"{number}.db").superseded == ({entry.id: new} if new else {})
