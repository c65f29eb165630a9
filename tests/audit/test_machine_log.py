"""The machine's own log (ISO 11783-10) against simulated drives, an independent reader, and every way to spoil one."""

import dataclasses
import json
import math
import shutil
import zipfile
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import shapely
from isoxml.util.isoxml_io import isoxml_from_path
from log_writer import (
    GAL_AC,
    LB_AC,
    Det,
    Record,
    condensed,
    device,
    read_by_struct,
    records_of,
    strip,
    template,
    write_task_data,
)

from vrn.audit import compare
from vrn.audit.machine_log import read_machine_log
from vrn.audit.time_log import read_task_data
from vrn.cli import main
from vrn.errors import InputFileError
from vrn.many.task import _rest_of
from vrn.model.applied import Comparison
from vrn.model.grid import transformer
from vrn.model.settings import MachineSection
from vrn.pipeline.order import write
from vrn.prescription.drive import Drive, drive
from vrn.prescription.model import Prescription

pytestmark = pytest.mark.usefixtures("quick_module")  # reports have tests of their own

CRS = "EPSG:32615"
SECTIONS, SWATH_FT, SWATH_M = 6, 60.0, 18.288
N_PER_GAL = 3.5392  # UAN 32: 32 % of 11.06 lb/gal
BOOM = [
    Det("DET-1", 1, 0),
    Det("DET-2", 2, 1, "DET-1"),
    *(Det(f"DET-{3 + k}", 4, 2 + k, "DET-2", {67: 3048, 134: -2000, 135: round((k - 2.5) * 3048)}) for k in range(6)),
    Det("DET-9", 3, 20, "DET-2"),
]
TRACTOR = [Det("DET-20", 1, 0), Det("DET-21", 7, 1, "DET-20", {134: 1500, 135: 400}),
           Det("DET-22", 6, 2, "DET-20", {134: -1000, 135: 0})]  # fmt: skip
COUPLED = '<CNN A="DVC-2" B="DET-22" C="DVC-1" D="DET-1"/>'
LINES = [(2, "DET-9"), (161, "DET-2"), (351, "DET-9")]


@pytest.fixture(scope="module")
def made(maker: ModuleType) -> Prescription:
    """Three zones with slanting edges at 60, 95 and 130 lb N/ac."""
    whole = shapely.Polygon([(0, 0), (165, 10), (180, 125), (85, 150), (10, 115)])
    cuts = [shapely.box(-10, -10, 60, 200), shapely.box(60, -10, 120, 200), shapely.box(120, -10, 200, 200)]
    made: Prescription = maker.make_prescription([whole & cut for cut in cuts])
    return made


@pytest.fixture(scope="module")
def written(made: Prescription, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The prescription's folder."""
    return write(made, tmp_path_factory.mktemp("log") / "rx")


@pytest.fixture(scope="module")
def driven(made: Prescription) -> Drive:
    """The prescription as the simulated machine drives it, 20° from north."""
    machine = MachineSection(swath_ft=SWATH_FT, sections=SECTIONS, heading_deg=20.0, headland_rounds=0)
    rates = np.array([0.0, *(rate.rate_n_lb_ac for rate in made.rates)])
    treated = shapely.union_all([rate.outline for rate in made.rates])
    return drive(made.zones.labels, rates, grid=made.grid, treated=treated, machine=machine)


@pytest.fixture(scope="module")
def records(driven: Drive) -> list[Record]:
    """That drive as a terminal logs it: the antenna 4.5 m ahead of the boom and 0.4 m to the right."""
    return records_of(driven, CRS, sections=SECTIONS, swath_m=SWATH_M, speed_m_s=3.576,
                      raw_per_n=GAL_AC / N_PER_GAL, ahead_m=4.5, right_m=0.4)  # fmt: skip


@pytest.fixture(scope="module")
def log(records: list[Record], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its folder, device and task in files of their own."""
    folder = tmp_path_factory.mktemp("stick") / "TASKDATA"
    return write_task_data(folder, [records], LINES, [device("DVC-1", BOOM), device("DVC-2", TRACTOR, 50)],
                           external=True, inside=COUPLED)  # fmt: skip


def codes_of(found: Comparison) -> set[str]:
    """Codes of everything that was noticed of the log."""
    return {finding.code for finding in found.findings if finding.code.startswith("audit.log")}


def test_simulated_drive_is_read_as_it_was_driven(written: Path, log: Path, driven: Drive) -> None:
    """Total and zones of the simulated drive within 1 %, its own counter within 2 %; both antenna and boom in place."""
    found = compare(written, log)
    piece_ac = driven.piece_m2 / 4046.8564224
    inside = float(driven.applied_n_lb_ac.sum()) * piece_ac
    assert found.applied_product * N_PER_GAL == pytest.approx(inside + driven.spilled.outside_n_lb, rel=0.01)
    for zone in found.zones:
        if zone.zone:
            here = driven.zone == zone.zone
            assert zone.mean_n_lb_ac == pytest.approx(float(driven.applied_n_lb_ac[here].mean()), rel=0.015)
    assert found.meter_factor == pytest.approx(1.0, abs=0.005)
    assert codes_of(found) == set()
    never = float((driven.applied_n_lb_ac == 0).sum()) * piece_ac
    planned = sum(zone.acres for zone in found.zones if zone.zone)
    assert found.covered_acres == pytest.approx(planned - never, rel=0.01)
    assert found.overlapped_acres < 0.01 * planned


def test_two_readers_read_alike(log: Path) -> None:
    """A reader by struct finds every record, place and value that ours does; isoxml the same task and devices."""
    ours = read_task_data(log)
    (task,) = ours.tasks
    theirs = read_by_struct((log / "TLG00001.BIN").read_bytes(), "ABD", len(LINES))
    mine = task.logs[0]
    np.testing.assert_allclose(mine.time_s, [ms / 1000 + days * 86_400 for ms, days, _, _ in theirs])
    np.testing.assert_allclose(mine.latitude, [place["A"] / 1e7 for _, _, place, _ in theirs], rtol=1e-15)
    np.testing.assert_allclose(mine.longitude, [place["B"] / 1e7 for _, _, place, _ in theirs], rtol=1e-15)
    for k, (entity, name) in enumerate(LINES):
        assert mine.values[name, entity].tolist() == [values[k] for _, _, _, values in theirs]
    whole, _ = isoxml_from_path(log)
    assert [one.filename for one in whole.tasks[0].time_logs] == [mine.name]
    found = {}
    for device_read in whole.devices:
        constant = {one.object_id: (int.from_bytes(one.ddi, "big"), one.value) for one in device_read.properties}
        for one in device_read.elements:
            properties = dict(constant[ref.device_object_id] for ref in one.device_object_references)
            found[one.id] = (int(one.type.value), one.number, device_read.id, properties)
    assert found == {one.name: (one.kind, one.number, one.device, one.properties) for one in ours.elements.values()}


# First three records and template of the public sample of npm isoxml 1.11.2 (data/2021-04-09T15_33_26_taskdata.zip,
# Apache-2.0, dev4Agriculture): a terminal's own bytes. The whole sample was read by hand: 207 records.
SAMPLE = bytes.fromhex(
    "a98e3203e23adefb221b4a74b5054ea70200020b00060018d7aa5103e23a00498f3203e23ae2fb221b5874b50537a70200020b00060018a0ab51"
    "03e23a0010903203e23ae7fb221b6874b50531a70200020b0006001868ac5103e23a040057060100012d01000002dafeffff0353020000"
)


def test_bytes_of_a_real_terminal(tmp_path: Path) -> None:
    """A real terminal's first records: 2021-04-09 14:54:04.969, at its published box's corner, four values."""
    lines = [(entity, "DET-1") for entity in (0x90, 0x91, 0x92, 0x18D)]
    folder = write_task_data(tmp_path / "TASKDATA", [[]], lines, [device("DVC-1", [Det("DET-1", 1, 0)])],
                             ptn="ABCDEFGHI", external=True)  # fmt: skip
    (folder / "TLG00001.BIN").write_bytes(SAMPLE)
    read = read_task_data(folder).tasks[0].logs[0]
    assert datetime(1980, 1, 1) + timedelta(seconds=read.time_s[0]) == datetime(2021, 4, 9, 14, 54, 4, 969_000)
    assert round(read.latitude[0], 7) == 45.5277534
    assert round(read.longitude[0], 7) == 9.5777866
    assert len(read.time_s) == 3
    theirs = read_by_struct(SAMPLE, "ABCDEFGHI", 4)
    assert [float(read.values["DET-1", entity][2]) for entity, _ in lines] == theirs[2][3]
    assert all(np.isnan(read.values["DET-1", entity][1]) for entity, _ in lines)


# --- what a log may hold: one short pass whose ground is known -------------------------------------------------------

WEST, NORTH = 500_000.0, 4_650_000.0
FIELD = shapely.box(WEST - 500, NORTH - 500, WEST + 500, NORTH + 500)
Row = tuple[float, float, float, list[int | None]]


def lay(folder: Path, rows: list[Row], lines: list[tuple[int, str]], elements: list[Det], **how: object) -> Path:
    """A log of records given as second, metres east and north of the field's middle, and values."""
    to_degrees = transformer(CRS, "EPSG:4326").transform
    records = [Record(second, to_degrees(WEST + east, NORTH + north), values) for second, east, north, values in rows]
    return write_task_data(folder, [records], lines, [device("DVC-1", elements)], **how)  # type: ignore[arg-type]


def ground(folder: Path, **how: object) -> tuple[shapely.Geometry, float, set[str]]:
    """Ground with a rate, metres from the middle; litres on it; codes that were noticed."""
    found = read_machine_log(folder, boundary=FIELD, crs=CRS, unit="gal", **how)  # type: ignore[arg-type]
    there = found.rate > 0
    moved = shapely.transform(found.shapes[there], lambda xy: xy - [WEST, NORTH])
    litres = float((found.rate[there] * shapely.area(moved)).sum()) / 10_000
    return shapely.union_all(moved, grid_size=1e-6), litres, {finding.code for finding in found.findings}


def straight(way: float, values: list[int | None], count: int = 11) -> list[Row]:
    """One record a second, 4 m apart, in a direction given in degrees from north."""
    sine, cosine = math.sin(math.radians(way)), math.cos(math.radians(way))
    return [(float(k), 4 * k * sine, 4 * k * cosine, values) for k in range(count)]


@pytest.mark.parametrize("way", [0.0, 90.0, 200.0, 315.0])
def test_offsets_are_turned_by_the_heading(way: float, tmp_path: Path) -> None:
    """
    A 4 m section 6 m behind the antenna and 5 m to its right covers 40 × 4 m there, whichever way the machine goes.

    By hand for north: from 3 to 7 m east, from −6 to 34 m north; turned clockwise by the heading.
    """
    antenna = Det("DET-3", 7, 2, "DET-1", {134: 1000, 135: -1000})
    section = Det("DET-2", 4, 1, "DET-1", {67: 4000, 134: -5000, 135: 4000})
    folder = lay(tmp_path / "t", straight(way, [100_000]), [(2, "DET-1")], [Det("DET-1", 1, 0), section, antenna])
    found, litres, _ = ground(folder)
    turn = np.deg2rad(-way)
    corners = np.array([(3, -6), (7, -6), (7, 34), (3, 34)])
    east = corners @ [np.cos(turn), -np.sin(turn)]
    north = corners @ [np.sin(turn), np.cos(turn)]
    wanted = shapely.Polygon(np.column_stack([east, north]))
    assert found.symmetric_difference(wanted).area < 1.0  # positions are rounded to 1e-7°, about 1 cm
    assert litres == pytest.approx(0.16, rel=0.005)  # 10 L/ha on 160 m²


def test_sections_stand_left_to_right_and_switch_one_by_one(tmp_path: Path) -> None:
    """Of three 2 m sections the left one goes off after 5 of 10 steps, the right one never is on: 20 + 40 m of 2 m."""
    sections = [Det(f"DET-{3 + k}", 4, 2 + k, "DET-2") for k in range(3)]
    elements = [Det("DET-1", 1, 0), Det("DET-2", 2, 1, "DET-1"), *sections]
    width = [6000, *[4000] * 4, *[2000] * 6]  # as used: it shrinks with sections off
    rows: list[Row] = [
        (s, e, n, [100_000, condensed([s < 5, True, False]), width[int(s)]]) for s, e, n, _ in straight(0.0, [])
    ]
    found, litres, _ = ground(lay(tmp_path / "t", rows, [(2, "DET-2"), (161, "DET-2"), (67, "DET-2")], elements))
    wanted = shapely.box(-3, 0, -1, 20) | shapely.box(-1, 0, 1, 40)
    assert found.symmetric_difference(wanted).area < 1.0
    assert litres == pytest.approx(0.12, rel=0.005)


@pytest.mark.parametrize("described", [True, False])
def test_sections_beyond_the_sixteenth(described: bool, tmp_path: Path) -> None:
    """Twenty sections of 1 m: the second word counts 17 to 20; only the last is on, 9 to 10 m right of the middle."""
    sections = [Det(f"DET-{10 + k}", 4, 2 + k, "DET-2", {67: 1000}) for k in range(20)] if described else []
    elements = [Det("DET-1", 1, 0), Det("DET-2", 2, 1, "DET-1", {67: 20_000}), *sections]
    on = [False] * 19 + [True]
    values: list[int | None] = [100_000, condensed(on, 0), condensed(on, 1)]
    lines = [(2, "DET-2"), (161, "DET-2"), (162, "DET-2")]
    found, _, _ = ground(lay(tmp_path / "t", straight(0.0, values), lines, elements))
    assert found.symmetric_difference(shapely.box(9, 0, 10, 40)).area < 0.5


def test_work_state_of_the_boom_and_of_a_section(tmp_path: Path) -> None:
    """A section is off when it or its boom is: the boom is on for steps 2 to 6, it for 5 to 10: 5 and 6."""
    elements = [Det("DET-1", 1, 0), Det("DET-2", 2, 1, "DET-1"), Det("DET-3", 4, 2, "DET-2", {67: 5000})]
    rows: list[Row] = [(s, e, n, [100_000, int(1 <= s < 6), int(s >= 4)]) for s, e, n, _ in straight(0.0, [])]
    found, _, codes = ground(lay(tmp_path / "t", rows, [(2, "DET-2"), (141, "DET-2"), (141, "DET-3")], elements))
    assert found.symmetric_difference(shapely.box(-2.5, 16, 2.5, 24)).area < 0.5
    assert "audit.log-states-assumed" not in codes


def test_state_that_is_missing_is_assumed_and_told(tmp_path: Path) -> None:
    """Without a work state ground counts where the rate is above 0; an error or "not there" is off."""
    elements = [Det("DET-1", 1, 0, None, {67: 5000})]
    rows: list[Row] = [(s, e, n, [100_000 if s < 5 else 0]) for s, e, n, _ in straight(0.0, [])]
    found, _, codes = ground(lay(tmp_path / "a", rows, [(2, "DET-1")], elements))
    assert found.area == pytest.approx(100.0, rel=0.005)
    assert codes == {"audit.log-states-assumed", "audit.log-antenna-assumed"}
    rows = [(s, e, n, [100_000, 1 if s < 5 else 2 if s < 7 else 3]) for s, e, n, _ in straight(0.0, [])]
    found, _, codes = ground(lay(tmp_path / "b", rows, [(2, "DET-1"), (141, "DET-1")], elements))
    assert found.area == pytest.approx(100.0, rel=0.005)
    assert codes == {"audit.log-antenna-assumed"}


def test_setpoints_are_read_only_where_nothing_else_is_and_told(tmp_path: Path) -> None:
    """Setpoint 100 and actual 80 L/ha count as 80; setpoints alone as 100, with a warning."""
    elements = [Det("DET-1", 1, 0, None, {67: 5000})]
    both = lay(tmp_path / "a", straight(0.0, [1_000_000, 800_000]), [(1, "DET-1"), (2, "DET-1")], elements)
    alone = lay(tmp_path / "b", straight(0.0, [1_000_000]), [(1, "DET-1")], elements)
    assert ground(both)[1] == pytest.approx(1.6, rel=0.005)
    _, litres, codes = ground(alone)
    assert litres == pytest.approx(2.0, rel=0.005)
    assert "audit.log-setpoints" in codes
    assert "audit.log-setpoints" not in ground(both)[2]


def test_standstill_lost_fix_and_breaks(tmp_path: Path) -> None:
    """
    No ground before the first fix, none while standing (the boom does not swing), none over a gap of a minute.

    By hand: 5 steps of 4 m, a stop of 20 s that scatters by a centimetre, 5 more, a minute without records, 5 more:
    15 steps of 4 m × 5 m = 300 m².
    """
    elements = [Det("DET-1", 1, 0, None, {67: 5000, 134: -8000})]
    rows: list[Row] = [(3.0 + k, 0.0, 4.0 * k, [100_000]) for k in range(6)]
    rows += [(9.0 + k, 0.01 * (k % 2), 20.0 - 0.01 * (k % 3), [100_000]) for k in range(20)]
    rows += [(29.0 + k, 0.0, 24.0 + 4 * k, [100_000]) for k in range(5)]
    rows += [(93.0 + k, 0.0, 240.0 + 4 * k, [100_000]) for k in range(6)]
    to_degrees = transformer(CRS, "EPSG:4326").transform
    records = [Record(t, to_degrees(WEST + e, NORTH + n), values) for t, e, n, values in rows]
    records[4] = Record(records[4].second, None, [100_000])  # one fix lost on the way
    lost = [Record(float(k), None, [100_000]) for k in range(3)]
    folder = write_task_data(tmp_path / "t", [lost + records], [(2, "DET-1")], [device("DVC-1", elements)])
    assert np.isnan(read_task_data(folder).tasks[0].logs[0].longitude).sum() == 4
    found, litres, _ = ground(folder)
    assert found.symmetric_difference(shapely.box(-2.5, -8, 2.5, 32) | shapely.box(-2.5, 232, 2.5, 252)).area < 2.0
    assert litres == pytest.approx(0.3, rel=0.02)


def test_rate_and_width_that_change_every_metre(tmp_path: Path) -> None:
    """Ten steps of 1 m at 10, 20 … 100 L/ha and 1, 2 … 10 m: 10 · 1 + 20 · 2 + … = 3,850 L/ha·m², 0.385 L."""
    rows: list[Row] = [(k / 3, 0.0, float(k), [100_000 * (k + 1), 1000 * (k + 1)]) for k in range(11)]
    folder = lay(tmp_path / "t", rows, [(2, "DET-1"), (67, "DET-1")], [Det("DET-1", 1, 0)])
    assert ground(folder)[1] == pytest.approx(0.385, rel=0.01)


def test_two_booms_each_at_its_own_rate(tmp_path: Path) -> None:
    """Booms of 3 m left and right at 10 and 20 L/ha: 0.12 + 0.24 L; the machine's own mean rate is not added."""
    elements = [Det("DET-1", 1, 0), Det("DET-2", 2, 1, "DET-1", {67: 3000, 135: -1500}),
                Det("DET-3", 2, 2, "DET-1", {67: 3000, 135: 1500})]  # fmt: skip
    lines = [(2, "DET-1"), (2, "DET-2"), (2, "DET-3")]
    found, litres, _ = ground(lay(tmp_path / "t", straight(0.0, [150_000, 100_000, 200_000]), lines, elements))
    assert found.symmetric_difference(shapely.box(-3, 0, 3, 40)).area < 0.5
    assert litres == pytest.approx(0.36, rel=0.005)


def test_two_tanks_on_the_same_ground_are_asked_about(tmp_path: Path) -> None:
    """Two tanks with a rate by volume under one boom: refused, until one is named."""
    elements = [Det("DET-1", 1, 0, None, {67: 5000}), Det("DET-2", 3, 1, "DET-1"), Det("DET-3", 3, 2, "DET-1")]
    folder = lay(tmp_path / "t", straight(0.0, [100_000, 300_000]), [(2, "DET-2"), (2, "DET-3")], elements)
    with pytest.raises(InputFileError) as refused:
        ground(folder)
    assert "DET-2" in refused.value.remedy
    assert ground(folder, element="DET-3")[1] == pytest.approx(0.6, rel=0.005)
    with pytest.raises(InputFileError):
        ground(folder, element="DET-1")


def test_several_tasks_on_the_field_are_told(tmp_path: Path) -> None:
    """Two tasks at 10 L/ha on the same 40 × 5 m add up to 0.4 L; one without such a rate does not count; both told."""
    elements, another = [Det("DET-1", 1, 0, None, {67: 5000})], '</TSK><TSK A="TSK-2" B="again" G="4">'
    to_degrees = transformer(CRS, "EPSG:4326").transform
    logs = [[Record(t, to_degrees(WEST + e, NORTH + n), [100_000]) for t, e, n, _ in straight(0.0, [])]] * 2
    folder = write_task_data(tmp_path / "t", logs, [(2, "DET-1")], [device("DVC-1", elements)], beside_each=another)
    found = read_machine_log(folder, boundary=FIELD, crs=CRS, unit="gal")
    assert shapely.area(found.shapes) @ found.rate / 10_000 == pytest.approx(0.4, rel=0.005)
    assert "audit.log-tasks" in {one.code for one in found.findings if one.level == "warning"}
    (folder / "TLG00002.XML").write_text(template([(7, "DET-1")]))
    found = read_machine_log(folder, boundary=FIELD, crs=CRS, unit="gal")
    assert shapely.area(found.shapes) @ found.rate / 10_000 == pytest.approx(0.2, rel=0.005)
    assert "audit.log-tasks-left-out" in {one.code for one in found.findings if one.level == "warning"}


@pytest.mark.parametrize(("entity", "size"), [(80, 1.0), (351, 1000.0)])
@pytest.mark.parametrize("where", ["log", "task"])
def test_totals_in_both_forms(entity: int, size: float, where: str, tmp_path: Path) -> None:
    """A counter of 10 L (in L or in ml, in the records or beside them) is held against 20 L on 200 m² at 1,000 L/ha."""
    elements = [Det("DET-1", 1, 0, None, {67: 5000})]
    counted = [round(k * size) for k in range(11)] if where == "log" else [None] * 11
    rows: list[Row] = [(s, e, n, [10_000_000, counted[int(s)]]) for s, e, n, _ in straight(0.0, [])]
    beside = f'<TIM A="2026-06-16T13:05:00" D="4"><DLV A="{entity:04X}" B="{round(10 * size)}" C="DET-1"/></TIM>'
    lines = [(2, "DET-1"), (entity, "DET-1")]
    folder = lay(tmp_path / "t", rows, lines, elements, inside="" if where == "log" else beside)
    found = read_machine_log(folder, boundary=FIELD, crs=CRS, unit="gal")
    assert found.meter_factor == pytest.approx(0.5, rel=0.005)
    (told,) = [one for one in found.findings if one.code == "audit.log-total-off"]
    assert told.level == "warning"
    assert told.quantities["counter"].value == pytest.approx(10 / 3.785411784)
    assert told.quantities["share"].value == pytest.approx(2.0, rel=0.005)


def test_mass_of_a_dry_product(tmp_path: Path) -> None:
    """150 lb/ac as mg/m² are 168.128 kg/ha (1 lb/ac = 1.1208512 kg/ha); the same rates by volume are refused."""
    elements = [Det("DET-1", 1, 0, None, {67: 10_000})]
    mass = lay(tmp_path / "mass", straight(0.0, [round(150 * LB_AC)]), [(7, "DET-1")], elements)
    found = read_machine_log(mass, boundary=FIELD, crs=CRS, unit="lb")
    assert found.unit == "kg/ha"
    assert found.rate == pytest.approx(168.128, rel=1e-4)
    with pytest.raises(InputFileError):
        ground(mass)


def test_zip_and_stick_hold_the_same_log(made: Prescription, log: Path, tmp_path: Path) -> None:
    """The folder, the stick it is on, its TASKDATA.XML and a zip with names in small letters give the same ground."""
    packed = tmp_path / "log.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        for one in log.iterdir():
            archive.write(one, f"backup/taskdata/{one.name.lower()}")
    ways = (log, log.parent, log / "TASKDATA.XML", packed)
    found = [read_machine_log(one, boundary=made.field.boundary, crs=CRS, unit="gal") for one in ways]
    assert len(found[0].rate) > 1000
    for other in found[1:]:
        assert other.rate.tolist() == found[0].rate.tolist()
        assert shapely.equals(other.shapes, found[0].shapes).all()


def test_several_logs_add_up(made: Prescription, records: list[Record], log: Path, tmp_path: Path) -> None:
    """A task paused half-way has two logs: the same ground at the same rates, and the counter goes on."""
    half = len(records) // 2
    folder = write_task_data(tmp_path / "t", [records[: half + 1], records[half:]], LINES,
                             [device("DVC-1", BOOM), device("DVC-2", TRACTOR, 50)], inside=COUPLED)  # fmt: skip
    whole, parted = (read_machine_log(one, boundary=made.field.boundary, crs=CRS, unit="gal") for one in (log, folder))
    assert shapely.area(parted.shapes) @ parted.rate == pytest.approx(shapely.area(whole.shapes) @ whole.rate, rel=1e-6)
    assert parted.meter_factor == pytest.approx(whole.meter_factor, rel=1e-3)


def test_width_of_the_command_line(written: Path, records: list[Record], tmp_path: Path) -> None:
    """A log without any width is refused; with --width-ft it is read, one boom about the antenna."""
    plain = [Det("DET-9", 1, 0)]
    folder = write_task_data(tmp_path / "t", [strip(records, 0)], [(2, "DET-9")], [device("DVC-1", plain)])
    with pytest.raises(InputFileError):
        compare(written, folder)
    found = compare(written, folder, width_ft=SWATH_FT)
    assert found.applied_product > 0
    assert "audit.log-states-assumed" in codes_of(found)


Spoil = Callable[[Path], object]


def _cut(folder: Path, count: int) -> None:
    path = folder / "TLG00001.BIN"
    path.write_bytes(path.read_bytes()[:-count])


SPOILED: dict[str, tuple[Spoil, str]] = {
    "cut off inside a value": (lambda f: _cut(f, 3), "TLG00001.BIN"),
    "cut off inside a head": (lambda f: (f / "TLG00001.BIN").write_bytes(b"\x01\x02\x03"), "TLG00001.BIN"),
    "shorter than the task says": (
        lambda f: (f / "TSK00000.XML").write_text(
            (f / "TSK00000.XML").read_text().replace('A="TLG00001"', 'A="TLG00001" B="99999999"')
        ),
        "99999999",
    ),
    "index beyond the template": (lambda f: (f / "TLG00001.XML").write_text(template(LINES[:1])), "template"),
    "no binary": (lambda f: (f / "TLG00001.BIN").unlink(), "TLG00001.BIN"),
    "no template": (lambda f: (f / "TLG00001.XML").unlink(), "TLG00001.XML"),
    "empty binary": (lambda f: (f / "TLG00001.BIN").write_bytes(b""), "records"),
    "no device file": (lambda f: (f / "DVC00000.XML").unlink(), "DVC00000.XML"),
    "no task file": (lambda f: (f / "TSK00000.XML").unlink(), "TSK00000.XML"),
    "broken XML": (lambda f: (f / "TSK00000.XML").write_text("<XFC><TSK"), "TSK00000.XML"),
    "entities": (lambda f: (f / "TSK00000.XML").write_text('<!DOCTYPE x [<!ENTITY a "a">]><XFC/>'), "TSK00000.XML"),
    "no positions": (
        lambda f: (f / "TLG00001.XML").write_text('<TIM A=""><DLV A="0002" B="" C="DET-9"/></TIM>'), "TLG00001.XML"
    ),
    "no tasks": (lambda f: (f / "TSK00000.XML").write_text("<XFC/>"), "no task"),
    "no TASKDATA.XML": (lambda f: (f / "TASKDATA.XML").unlink(), "TASKDATA.XML"),
    "an encoding nobody knows": (
        lambda f: (f / "TSK00000.XML").write_text('<?xml version="1.0" encoding="UT"?><XFC/>'), "TSK00000.XML"
    ),
    "a number that is none": (
        lambda f: (f / "DVC00000.XML").write_text((f / "DVC00000.XML").read_text().replace('C="-2000"', 'C="x"')),
        "TASKDATA.XML",
    ),
}  # fmt: skip


@pytest.mark.parametrize("kind", SPOILED)
def test_spoiled_log_is_refused(
    kind: str, written: Path, log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit status 2, the problem with what it is about, a remedy, and nothing written."""
    spoil, word = SPOILED[kind]
    folder = shutil.copytree(log, tmp_path / "TASKDATA")
    spoil(folder)
    out = tmp_path / "out"
    assert main(["compare", str(written), str(folder), "--out", str(out)]) == 2
    assert word in capsys.readouterr().err
    assert not out.exists()


def test_logs_that_do_not_fit(written: Path, log: Path, tmp_path: Path) -> None:
    """The log of another field, one without a rate, a unit given beside it, a zip of two logs: refused."""
    elements = [Det("DET-1", 1, 0, None, {67: 5000})]
    away = lay(tmp_path / "away", straight(0.0, [100_000]), [(2, "DET-1")], elements)
    bare = write_task_data(tmp_path / "bare", [[Record(0.0, (-94.6, 42.3), [1]), Record(1.0, (-94.6, 42.3), [1])]],
                           [(141, "DET-1")], [])  # fmt: skip
    packed = tmp_path / "two.zip"
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("a/TASKDATA.XML", "<x/>")
        archive.writestr("b/TASKDATA.XML", "<x/>")
    for given, unit in ((away, None), (bare, None), (log, "gal/ac"), (packed, None), (tmp_path / "nothing", None)):
        with pytest.raises(InputFileError):
            compare(written, given, unit=unit)


def test_command_and_its_numbers(written: Path, log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """``vrn compare RX LOG --json`` gives the names of the contract; without --json page and layer are written."""
    assert main(["compare", str(written), str(log), "--json"]) == 1  # a DRAFT was driven
    plain = json.loads(capsys.readouterr().out)
    assert plain["applied_n_lb"] == pytest.approx(plain["applied_product"] * N_PER_GAL, rel=1e-9)
    assert plain["meter_factor"] == pytest.approx(1.0, abs=0.005)
    assert 0 < plain["covered_ac"] <= sum(zone["acres"] for zone in plain["zones"] if zone["zone"]) + 1e-9
    assert [zone["zone"] for zone in plain["zones"] if zone["zone"]] == [1, 2, 3]
    assert main(["compare", str(written), str(log), "--out", str(tmp_path / "out")]) == 1
    assert {one.name for one in (tmp_path / "out").iterdir()} == {"compared.html", "compared.gpkg", "summary.json"}


def test_rest_of_a_field_by_its_log(made: Prescription, records: list[Record], tmp_path: Path) -> None:
    """Half the passes logged: ``--remaining`` takes their ground off and names every file of the log as an input."""
    folder = write_task_data(tmp_path / "t", [records[: len(records) // 2]], LINES,
                             [device("DVC-1", BOOM), device("DVC-2", TRACTOR, 50)], inside=COUPLED)  # fmt: skip
    field = dataclasses.replace(made.field, folder=tmp_path)
    laid = read_machine_log(folder, boundary=field.boundary, crs=field.crs, unit="gal")
    driven = shapely.union_all(laid.shapes[laid.rate > 0]) & field.boundary
    rest = _rest_of(made, field, folder, top_up=False)
    assert rest.remaining is not None
    assert rest.remaining.covered_ac == pytest.approx(driven.area / 4046.8564224, rel=0.02)
    assert 0.3 < rest.acres / made.acres < 0.7
    assert {"t/TASKDATA.XML", "t/TLG00001.XML", "t/TLG00001.BIN"} <= set(rest.field.inputs)
