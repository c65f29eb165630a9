"""The plan's own form as people send it back: rows left empty, rows half filled in, rows struck out."""

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import sound

from vrn.cli import main
from vrn.errors import InputFileError
from vrn.ingest.read import read_field, read_ground

Lines = list[dict[str, str]]
Rewrite = Callable[..., Path]


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a plan of ten places at both depths, as `vrn plan` writes it for the sound field."""
    folder = sound.write_field(tmp_path_factory.mktemp("planned") / "field")
    (folder / "samples.csv").unlink()
    plan = ["plan", str(folder / "field.toml"), "--samples", "10", "--second-foot", "all", "--out", str(folder / "out")]
    assert main(plan) == 0
    return folder / "out"


@pytest.fixture
def form(planned: Path) -> Lines:
    """Its form."""
    with (planned / "samples_form.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def _read(line: dict[str, str], ppm: float) -> None:
    """Write one reading into the form as a person does."""
    line["nitrate_ppm"], line["sampled_on"] = f"{ppm:.1f}", "2026-06-12"
    if line["kind"] == "standard":
        line["nominal_ppm"] = "20"


def _filled(form: Lines) -> Lines:
    for number, line in enumerate(form):
        _read(line, 20.0 if line["kind"] == "standard" else 0.2 if line["kind"] == "blank" else 9.0 + number % 7)
    return form


def _save(folder: Path, lines: Lines) -> None:
    with (folder / "samples.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(lines[0]))
        writer.writeheader()
        writer.writerows(lines)


def _codes(field: Any) -> set[str]:
    return {one.code for one in field.findings if "rows" in one.code}


def _soil(form: Lines) -> list[int]:
    return [i for i, line in enumerate(form) if line["kind"] == "field"]


def test_rows_left_empty_are_one_note(form: Lines, rewrite: Rewrite, field_folder: Path) -> None:
    """Places not reached, standards not run and the blank: passed over with one note, whatever their number."""
    filled = _filled(form)
    left = [i for i, line in enumerate(filled) if line["kind"] != "field"] + _soil(filled)[-4:]
    for i in left:
        filled[i] |= {"nitrate_ppm": "", "sampled_on": "", "nominal_ppm": ""}
    _save(field_folder, filled)
    field = read_field(rewrite())
    assert sound.one(field, "form-rows-empty") == {
        "level": "note", "about": "samples.csv", "rows": len(left)
    }  # fmt: skip
    assert _codes(field) == {"ingest.form-rows-empty"}
    assert len(field.samples) == len(filled) - len(left)


HALF: dict[str, dict[str, str]] = {
    "pulled and not read": {"nitrate_ppm": ""},
    "read when, and not what": {"nitrate_ppm": "", "sampled_on": "", "read_at": "2026-06-12T14:30"},
    "kept, and not read": {"nitrate_ppm": "", "sampled_on": "", "stored": "cool"},
    "the meter named, and no reading": {"nitrate_ppm": "n/a", "sampled_on": "", "instrument": "B"},
    "no depth": {"top_in": "", "bottom_in": ""},
    "no top": {"top_in": ""},
    "no bottom": {"bottom_in": "-"},
    "no place": {"longitude": "", "latitude": ""},
    "a dash for the reading": {"nitrate_ppm": "-"},
    "not tested": {"nitrate_ppm": "not tested"},
}


@pytest.mark.parametrize("case", HALF)
def test_half_filled_rows_are_asked_about_by_row(form: Lines, rewrite: Rewrite, field_folder: Path, case: str) -> None:
    """Two such rows: left out, never 0, and a warning with both rows; the others are read as they are."""
    filled = _filled(form)
    first, other = _soil(filled)[1], _soil(filled)[5]
    for i in (first, other):
        filled[i] |= HALF[case]
    _save(field_folder, filled)
    field = read_field(rewrite())
    found = sound.one(field, "rows-half-filled")
    assert found == {"level": "warning", "about": f"samples.csv rows {first + 2}, {other + 2}", "rows": 2}
    assert {first + 2, other + 2}.isdisjoint(field.samples.row.tolist())
    assert len(field.samples) == len(filled) - 2


def test_a_standard_that_was_not_read_is_asked_about(form: Lines, rewrite: Rewrite, field_folder: Path) -> None:
    """Its known value is written down and its reading is not."""
    filled = _filled(form)
    filled[0]["nitrate_ppm"] = ""
    _save(field_folder, filled)
    assert sound.one(read_field(rewrite()), "rows-half-filled")["about"] == "samples.csv row 2"


def test_a_form_that_is_mostly_without_depths_is_refused(form: Lines, rewrite: Rewrite, field_folder: Path) -> None:
    """Where most rows are spoiled the same way the file is, and its rows are named."""
    filled = _filled(form)
    for i in _soil(filled):
        filled[i] |= {"top_in": "", "bottom_in": ""}
    _save(field_folder, filled)
    with pytest.raises(InputFileError, match="row 4: a depth is not given"):
        read_field(rewrite())


def test_a_form_on_which_nobody_wrote_is_no_sampling(form: Lines, rewrite: Rewrite, field_folder: Path) -> None:
    """A build refuses it; a plan goes on without readings."""
    _save(field_folder, form)
    with pytest.raises(InputFileError, match="no row has a reading"):
        read_field(rewrite())
    assert len(read_ground(rewrite()).samples) == 0


def test_the_plans_points_with_readings_added(planned: Path, rewrite: Rewrite, field_folder: Path) -> None:
    """plan.geojson with readings typed into its attributes: the points without one are asked about."""
    plan = json.loads((planned / "plan.geojson").read_text(encoding="utf-8"))
    for number, feature in enumerate(plan["features"]):
        feature["properties"] |= {"nitrate_ppm": None if number in (2, 7) else 10.0 + number, "depth": "0-12 in"}
    (field_folder / "samples.geojson").write_text(json.dumps(plan), encoding="utf-8")
    field = read_field(rewrite(samples__file="samples.geojson"))
    assert sound.one(field, "rows-half-filled")["about"] == "samples.geojson rows 3, 8"
    assert len(field.samples) == len(plan["features"]) - 2


def test_composites_nobody_pulled_are_passed_over(form: Lines, rewrite: Rewrite, field_folder: Path) -> None:
    """A form of areas has their ids printed on every row: an id alone is nothing that a person wrote."""
    middle = (sound.WEST + sound.EAST) / 2
    halves = {"west": sound.box(sound.WEST, sound.SOUTH, middle, sound.NORTH),
              "east": sound.box(middle, sound.SOUTH, sound.EAST, sound.NORTH)}  # fmt: skip
    areas = sound.collection(*(sound.polygon(ring, area_id=name) for name, ring in halves.items()))
    (field_folder / "areas.geojson").write_text(json.dumps(areas), encoding="utf-8")
    lines = [{**form[_soil(form)[0]], "sample_id": name, "area_id": name} for name in halves]
    for line in lines:
        del line["longitude"], line["latitude"]
    _read(lines[0], 11.0)
    _save(field_folder, lines)
    field = read_field(rewrite(samples__areas={"file": "areas.geojson"}))
    assert sound.one(field, "form-rows-empty")["rows"] == 1
    assert field.samples.area_id == ("west",)


def test_what_is_the_same_on_every_row_is_written_once(planned: Path, form: Lines) -> None:
    """Day, meter, keeping and standard in the first row, readings in all: as if on every row; a change counts."""
    filled, once, changed = _filled([*map(dict, form)]), _filled([*map(dict, form)]), len(form) // 2
    for number, (line, short) in enumerate(zip(filled, once, strict=True)):
        line |= {"instrument": "B" if number >= changed else "A", "stored": "cool"}
        if number:
            short |= {"sampled_on": "", "nominal_ppm": "", "instrument": "B" if number == changed else "", "stored": ""}
        else:
            short |= {"instrument": "A", "stored": "cool"}
    read = []
    for lines in (filled, once):
        _save(planned.parent, lines)
        read.append(read_field(planned.parent / "field.toml").samples)
    full, short_one = read
    assert short_one.sampled_on == full.sampled_on
    assert short_one.handling == full.handling
    assert short_one.nominal_ppm == pytest.approx(full.nominal_ppm, nan_ok=True)
    assert {one.instrument for one in full.handling} == {"A", "B"}
