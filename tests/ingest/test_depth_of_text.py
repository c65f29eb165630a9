"""One column of depths as text: read in its unit, refused row by row, never guessed from a date."""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import sound

from vrn.errors import InputFileError
from vrn.ingest import read_field
from vrn.ingest.depth import depth_range

Rewrite = Callable[..., Path]
Put = Callable[[str, Any], Path]

# NIST Handbook 44 (2024), Appendix C: an inch is 2.54 cm and a foot 12 in, exactly
CM_IN = 1 / 2.54
# how laboratories and spreadsheets write the same top foot: common practice, no source
TOP_FOOT = ["0-12", "0 - 12", "0–12", "0 to 12", "00-12", "0.0-12.0", "0,0-12,0", "0-12 in", "0-12in.", "0-12 inches",
            '0-12"', '0"-12"', "0” – 12”", "0''-12''", '="0-12"', "0-1 ft", "0-1'", "0-30.48 cm",
            "0 cm to 30,48 CM"]  # fmt: skip


def with_depths(*cells: str, header: str = "depth", separator: str = ";") -> str:
    """The sound samples with one column of depths, the cells in turn."""
    lines = [separator.join(("sample_id", "longitude", "latitude", header, "nitrate_ppm"))]
    for i, (lon, lat) in enumerate(sound.places()):
        lines.append(separator.join((f"S{i + 1}", str(lon), str(lat), cells[i % len(cells)], str(sound.READINGS[i]))))
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize("text", TOP_FOOT)
def test_the_top_foot_however_it_is_written(rewrite: Rewrite, put: Put, text: str) -> None:
    """Every way of writing 0 to 12 inches in a field file of inches is that core."""
    put("samples.csv", with_depths(text))
    samples = read_field(rewrite()).samples
    assert samples.depths_in() == ((0.0, 12.0),)
    assert samples.nitrate_ppm.tolist() == sound.READINGS


def test_two_depths_of_one_core(rewrite: Rewrite, put: Put) -> None:
    """Rows of one column can be of several depths, and what was assumed of their unit is told once."""
    put("samples.csv", with_depths("0-12", "12-24", separator=","))
    field = read_field(rewrite())
    assert field.samples.depths_in() == ((0.0, 12.0), (12.0, 24.0))
    assert sound.one(field, "depth-unit-assumed") == {
        "level": "note",
        "about": "samples.csv",
        "column": "depth",
        "depth": 12,
    }


def test_a_metric_field_file_means_centimeters(rewrite: Rewrite, put: Put) -> None:
    """0-30 is 0 to 30 / 2.54 in under units = "metric"; a written unit goes before."""
    put("samples.csv", with_depths("0-30", "0-12 in", separator=","))
    keys: dict[str, Any] = {"units": "metric", "crop__yield_goal_bu_ac": None, "crop__yield_goal_t_ha": 13}
    field = read_field(rewrite(**keys))
    assert field.samples.bottom_in[:2].tolist() == pytest.approx([30 * CM_IN, 12.0], abs=1e-6)
    assert sound.found(field, "depth-unit-assumed")


@pytest.mark.parametrize("name", ["Depth (cm)", "depth_cm", "Sample depth, cm", "DEPTH [cm.]"])
def test_the_unit_of_the_columns_name_goes_before_the_field_files(rewrite: Rewrite, put: Put, name: str) -> None:
    """A mapped column that says cm is in centimeters in a field file of inches, and nothing was assumed."""
    put("samples.csv", with_depths("0-30", header=name))
    field = read_field(mapped(rewrite, name))
    assert field.samples.bottom_in[0] == pytest.approx(30 * CM_IN, abs=1e-6)
    assert not sound.found(field, "depth-unit-assumed")


def mapped(rewrite: Rewrite, name: str) -> Path:
    """A field file whose ``[samples.columns]`` names the column of depths."""
    path = rewrite()
    path.write_text(sound.toml_text(sound.KEYS) + f"\n[samples.columns]\ndepth = '{name}'\n", encoding="utf-8")
    return path


def test_two_columns_go_before_one_of_text(rewrite: Rewrite, put: Put) -> None:
    """A file with top_in and bottom_in may hold a column depth of anything."""
    text = sound.samples_csv(header="sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm,depth")
    put("samples.csv", text.replace("2026-06-12", "one foot"))
    assert read_field(rewrite()).samples.depths_in() == ((0.0, 12.0),)


def test_a_mapping_beside_two_columns_is_refused(rewrite: Rewrite, put: Put) -> None:
    """Which of the two is meant is not guessed."""
    put("samples.csv", sound.samples_csv(header="sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm,Zone"))
    with pytest.raises(InputFileError, match="depths are in Zone and in top_in too") as raised:
        read_field(mapped(rewrite, "Zone"))
    assert raised.value.remedy == "Remove depth under [samples.columns], or those columns."


@pytest.mark.parametrize(
    ("cell", "problem", "remedy"),
    [
        ("24-Dec", 'row 4: depth is "24-Dec", a date that a spreadsheet has made', "format of text .* 0-12 in"),
        ("Dec-24", "a date that a spreadsheet has made", "format of text"),
        ("2026-06-12", "a date that a spreadsheet has made", "format of text"),
        ("6/12/2026", "a date that a spreadsheet has made", "format of text"),
        ("46185", "a date that a spreadsheet has made", "format of text"),
        ("12", 'row 4: depth is "12", which is no top and bottom', "begins and ends, as 0-12 in"),
        ("0-12-24", "which is no top and bottom", "begins and ends"),
        ("top foot", "which is no top and bottom", "begins and ends"),
        ("0 in - 30 cm", "which is no top and bottom", "begins and ends"),
        ("-6-6", "which is no top and bottom", "begins and ends"),
        ("12-0", "row 4: a core from 12 to 0 in", "from 0 down"),
        ("0-400 cm", "row 4: a core down to 400 cm", "depth and its unit"),
    ],
)
def test_what_is_no_depth_is_told_with_its_row(
    rewrite: Rewrite, put: Put, cell: str, problem: str, remedy: str
) -> None:
    """Dates of a spreadsheet, single numbers, two units in a cell and cores upside down are refused."""
    put("samples.csv", with_depths("0-12", "0-12", cell, *["0-12"] * 9))
    with pytest.raises(InputFileError, match=re.escape(problem)) as raised:
        read_field(rewrite())
    assert re.search(remedy, raised.value.remedy)
    assert "row 3" not in raised.value.problem


def test_a_cell_against_its_columns_name_is_refused(rewrite: Rewrite, put: Put) -> None:
    """Inches in a column of centimeters: one of the two is wrong."""
    put("samples.csv", with_depths("0-12 in", *["0-30"] * 11, header="depth_cm"))
    with pytest.raises(InputFileError, match='row 2: depth_cm is "0-12 in", and the column is in cm'):
        read_field(rewrite())


def test_days_that_a_workbook_holds_are_refused(rewrite: Rewrite, field_folder: Path) -> None:
    """A workbook in which 6-12 became the 12th of June says so with the row that Excel shows."""
    rows = [line.split(";") for line in with_depths("0-6", pd.Timestamp("2026-06-12").isoformat()).splitlines()]
    frame = pd.DataFrame(rows[1:], columns=rows[0])
    frame["depth"] = [pd.Timestamp(cell) if "T" in cell else cell for cell in frame["depth"]]
    frame.to_excel(field_folder / "lab.xlsx", index=False)
    with pytest.raises(InputFileError, match=r"lab\.xlsx: row 3: depth is \"2026-06-12.*a date"):
        read_field(rewrite(samples__file="lab.xlsx"))


def test_standards_need_no_depth(rewrite: Rewrite, put: Put) -> None:
    """A check standard is a solution, whatever its cell of depth says."""
    text = with_depths("0-12", separator=",").replace("nitrate_ppm", "nitrate_ppm,kind,nominal_ppm")
    put("samples.csv", text + "STD,,,,20.2,standard,20\nSTD,,,solution,20.4,standard,20\n")
    samples = read_field(rewrite()).samples
    assert samples.kind[-2:] == ("standard", "standard")
    assert len(samples.field_readings()) == 12


@pytest.mark.parametrize(
    ("name", "remedy"),
    [("Sample Depth", 'If "Sample Depth" holds depths as 0-12, set depth = "Sample Depth" under [samples.columns].'),
     ("Horizon", "One column depth with text as 0-12 will do, too.")],
)  # fmt: skip
def test_without_any_depth_the_remedy_names_the_way(rewrite: Rewrite, put: Put, name: str, remedy: str) -> None:
    """The column that looks like it is named; otherwise both ways are."""
    put("samples.csv", with_depths("0-12", header=name))
    with pytest.raises(InputFileError, match="there is no column top_in") as raised:
        read_field(rewrite())
    assert remedy in raised.value.remedy


def test_a_metric_field_is_asked_for_centimeters(rewrite: Rewrite, put: Put) -> None:
    """The remedy speaks the units of the field file."""
    put("samples.csv", with_depths("0-30", header="Horizon"))
    keys: dict[str, Any] = {"units": "metric", "crop__yield_goal_bu_ac": None, "crop__yield_goal_t_ha": 13}
    with pytest.raises(InputFileError, match="there is no column top_cm"):
        read_field(rewrite(**keys))


@pytest.mark.parametrize("text", ["", "-", "a-b", "1e2-3", "0--12", "0-12 m", "0-12 cm in", "0-12\n12-24"])
def test_what_is_no_range_is_none(text: str) -> None:
    """Only two plain numbers with a known unit are a range."""
    assert depth_range(text) is None
