"""Three fields from the signature to the machine's own log, and the season book that knows all of it."""

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from isoxml.converter.np_grid import to_numpy_array
from isoxml.util.isoxml_io import isoxml_from_path
from log_writer import GAL_AC, Det, Record, device, records_of, write_task_data

from vrn.cli import main
from vrn.many.batch import entry_of
from vrn.many.book import latest, record_build
from vrn.many.book_events import events
from vrn.many.task import build_field
from vrn.model.field import Field
from vrn.model.grid import transformer
from vrn.prescription.drive import Drive, drive
from vrn.prescription.model import Prescription

DEMO_FIELDS = Path(__file__).resolve().parents[2] / "demo_fields"
NAMES = ("cedar_bend", "heron_flat", "mill_race")
SECTIONS, SWATH_M = 6, 18.288  # 60 ft
BOOM = [
    Det("DET-1", 1, 0),
    Det("DET-2", 2, 1, "DET-1"),
    *(Det(f"DET-{3 + k}", 4, 2 + k, "DET-2", {67: 3048, 134: 0, 135: round((k - 2.5) * 3048)}) for k in range(6)),
    Det("DET-9", 3, 20, "DET-2"),
]
LINES = [(2, "DET-9"), (161, "DET-2"), (351, "DET-9")]


@pytest.fixture
def built(monkeypatch: pytest.MonkeyPatch) -> dict[str, Prescription]:
    """Each field's prescription, built once: that signing builds the same again is tried on a small field."""
    import vrn.pipeline

    kept: dict[str, Prescription] = {}
    real = vrn.pipeline.build

    def build(field: Field, **given: Any) -> Prescription:
        if field.name not in kept:
            kept[field.name] = real(field, **given)
        return kept[field.name]

    monkeypatch.setattr(vrn.pipeline, "build", build)
    return kept


def on_the_stick(stick: Path, made: Prescription, short: str) -> np.ndarray:
    """Rate of each zone in the middle of its largest part, as PyPI ``isoxml`` reads the task of that id. [lb N/ac]"""
    data, binaries = isoxml_from_path(stick / "TASKDATA")
    (task,) = [task for task in data.tasks if task.designator.endswith(short)]
    (grid,) = task.grids
    cells = to_numpy_array(binaries[grid.filename], grid)
    rates = [0.0]
    for rate in made.rates:
        place = max(shapely.get_parts(rate.outline), key=shapely.area).buffer(-12).representative_point()
        longitude, latitude = transformer(made.grid.crs, "EPSG:4326").transform(place.x, place.y)
        row = int((latitude - float(grid.minimum_north_position)) / grid.cell_north_size)
        col = int((longitude - float(grid.minimum_east_position)) / grid.cell_east_size)
        rates.append(cells[row, col] / GAL_AC * made.product.n_lb_per_unit)
    return np.array(rates)


def on_change(records: list[Record]) -> list[Record]:
    """Records where rate or sections change, and one every 5 s: what a terminal leaves out of a long straight run."""
    kept = records[:1]
    for before, one, after in zip(records, records[1:], [*records[2:], None], strict=False):
        turn = after is None or after.second - one.second > 10 or one.second - before.second > 10
        if turn or one.values[:2] != before.values[:2] or one.second - kept[-1].second > 5:
            kept.append(one)
    return kept


def driven_from(stick: Path, made: Prescription, short: str, folder: Path) -> Drive:
    """The simulated machine drives what the stick says, and logs it into a folder."""
    rates = on_the_stick(stick, made, short)
    np.testing.assert_allclose(rates[1:], [rate.rate_n_lb_ac for rate in made.rates], atol=1e-3)
    machine = replace(made.field.settings.machine, swath_ft=60.0, sections=SECTIONS, headland_rounds=0)
    ground = shapely.union_all([rate.outline for rate in made.rates])
    driven = drive(made.zones.labels, rates, grid=made.grid, treated=ground, machine=machine)
    records = records_of(driven, made.grid.crs, sections=SECTIONS, swath_m=SWATH_M, speed_m_s=3.576,
                         raw_per_n=GAL_AC / made.product.n_lb_per_unit)  # fmt: skip
    write_task_data(folder, [on_change(records)], LINES, [device("DVC-1", BOOM)])
    return driven


def told(words: list[str], capsys: pytest.CaptureFixture[str]) -> Any:
    """What a command prints with ``--json``."""
    capsys.readouterr()
    assert main([*words, "--json"]) in (0, 1)
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize("names", [("mill_race",), pytest.param(NAMES, marks=pytest.mark.long)], ids=len)
def test_signed_loaded_driven_compared_and_remembered(
    names: tuple[str, ...], tmp_path: Path, quick_pages: None, capsys: pytest.CaptureFixture[str],
    built: dict[str, Prescription],
) -> None:  # fmt: skip
    """What was signed is on the stick, what was on the stick was driven, what was driven is in the book."""
    book, key, stick = tmp_path / "season.db", tmp_path / "marsh.key", tmp_path / "stick"
    stick.mkdir()
    assert main(["key", "--out", str(key)]) == 0
    assert main(["key", "--pin", f"{key}.pub", "--book", str(book)]) == 0
    folders = [tmp_path / "rx" / name for name in names]
    for name, folder in zip(names, folders, strict=True):
        shutil.copytree(DEMO_FIELDS / name, tmp_path / name)
        row = build_field(name, str(tmp_path / name / "field.toml"), str(folder))  # as vrn fields builds
        assert row.status == "built", row.problem
        record_build(book, entry_of(row))
    assert main(["stick", str(folders[-1]), "--to", str(stick), "--approved-only"]) == 2
    for folder in folders:
        assert main(["sign", str(folder), "--by", "A. Marsh", "--key", str(key), "--book", str(book),
                     "--accept-warnings"]) == 0  # fmt: skip
    assert main(["stick", *map(str, folders), "--to", str(stick), "--approved-only", "--key", f"{key}.pub",
                 "--book", str(book)]) == 0  # fmt: skip
    loaded = {(one.field, one.rx, one.note) for one in events(book) if one.what == "loaded"}
    assert loaded == {(one.field, one.rx, "stick") for one in latest(book)}
    assert main(["stick", "--check", str(stick), "--book", str(book)]) == 0

    applied = {}
    for name, folder in zip(names, folders, strict=True):
        summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
        driven = driven_from(stick, built[summary["field"]], summary["id"][:10], tmp_path / f"{name}_log" / "TASKDATA")
        log = shutil.make_archive(str(tmp_path / f"{name}_log"), "zip", tmp_path / f"{name}_log")
        found = told(["compare", str(folder), log, "--book", str(book)], capsys)
        assert found["approved"] is True
        truth = float(driven.applied_n_lb_ac.sum()) * driven.piece_m2 / 4046.8564224
        assert found["applied_n_lb"] == pytest.approx(truth + driven.spilled.outside_n_lb, rel=0.02)
        assert found["meter_factor"] == pytest.approx(1.0, abs=0.02)  # the log's own counter
        for zone in found["zones"]:
            here = driven.zone == zone["zone"]
            if zone["acres"] > 2 and here.any():
                assert zone["mean_n_lb_ac"] == pytest.approx(float(driven.applied_n_lb_ac[here].mean()), rel=0.03)
        applied[summary["field"]] = (found["applied_n_lb"], summary["id"])

    season = told(["season", str(book)], capsys)
    assert {item["state"] for item in season["fields"]} == {"applied"}
    assert season["to_order"] == []
    assert {one["field"]: one["applied_n_lb"] for one in season["results"]} == {
        name: pytest.approx(n_lb, rel=1e-3) for name, (n_lb, _) in applied.items()
    }
    assert {name: [(link["id"], link["signed_by"]) for link in chain] for name, chain in season["chains"].items()} == {
        name: [(id_, "A. Marsh")] for name, (_, id_) in applied.items()
    }
    assert main(["verify", str(folders[-1]), "--book", str(book)]) == 0
