"""Laboratory files as they come: two header rows, a row of units, merged cells, hidden rows, 1904 dates."""

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest
import sound
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from vrn.errors import InputFileError
from vrn.ingest import read_field
from vrn.model.samples import SoilSamples

Rewrite = Callable[..., Path]
Put = Callable[[str, Any], Path]
ROWS = [line.split(",") for line in sound.samples_csv().splitlines()][1:]
NAMES = ["sample_id", "longitude", "latitude", "top_in", "bottom_in", "nitrate_ppm", "sampled_on"]
AS_MAPPED = {"sample_id": "Lab No", "longitude": "Lon", "latitude": "Lat", "nitrate_ppm": "Nitrate-N", "depth": "Depth"}


def text(*header: list[str], rows: list[list[str]] = ROWS) -> str:
    """A table with such rows above the readings."""
    return "\n".join(",".join(cells) for cells in [*header, *rows]) + "\n"


def readings(path: Path) -> SoilSamples:
    """Samples of the field."""
    return read_field(path).samples


@pytest.mark.parametrize("units", [
    ["", "deg", "deg", "in", "in", "ppm", ""],
    ["", "", "", "in", "in", "mg/kg", ""],
    ["text", "decimal degrees", "decimal degrees", "inches", "inches", "ppm", "date"],
])  # fmt: skip
def test_a_row_of_units_is_part_of_the_header(rewrite: Rewrite, put: Put, units: list[str]) -> None:
    """The same readings, the rows still as the file counts them, and one note."""
    put("samples.csv", text(NAMES, units))
    field = read_field(rewrite())
    assert field.samples.nitrate_ppm.tolist() == sound.READINGS
    assert field.samples.row.tolist() == list(range(3, 15))
    assert sound.one(field, "header-of-two-rows")["last"] == "2"


def test_the_unit_of_that_row_counts(rewrite: Rewrite, put: Put) -> None:
    """Pounds an acre below a header that only says nitrate: 0–12 in at 1.35 g/cm³ are 3.671 lb/ac for a ppm."""
    names = [name.replace("nitrate_ppm", "Nitrate-N") for name in NAMES]
    put("samples.csv", text(["ACME soils"], names, ["", "", "", "in", "in", "lb/ac", ""]))
    path = rewrite(samples__columns={"nitrate_ppm": "Nitrate-N"}, nitrogen={"bulk_density_g_cm3": 1.35})
    np.testing.assert_allclose(readings(path).nitrate_ppm, np.array(sound.READINGS) / (0.226613 * 12 * 1.35), rtol=1e-5)


def test_groups_above_the_names_are_part_of_them(rewrite: Rewrite, put: Put) -> None:
    """Nitrate of two depths under one group: the depth comes from the header, and the other column is left."""
    names = ["Lab No", "Lon", "Lat", "0-12 in", "12-24 in", "pH"]
    rows = [[row[0], row[1], row[2], row[5], "4.0", "6.5"] for row in ROWS]
    put("samples.csv", text(["Report", "5512"], ["", "", "", "Nitrate-N (ppm)", "", "Soil"], names, rows=rows))
    mapping = {"sample_id": "Lab No", "longitude": "Lon", "latitude": "Lat", "nitrate_ppm": "0-12 in"}
    samples = readings(rewrite(samples__columns=mapping))
    assert samples.nitrate_ppm.tolist() == sound.READINGS
    assert set(samples.depths_in()) == {(0.0, 12.0)}


def test_depth_in_one_column_and_readings_below_detection(rewrite: Rewrite, put: Put) -> None:
    """``0-12`` under a row of units, ``<1`` as half of 1; ``ND`` has no number and is refused with what to write."""
    names, units = ["Lab No", "Lon", "Lat", "Depth", "Nitrate-N"], ["", "", "", "in", "ppm"]
    rows = [[row[0], row[1], row[2], "0-12", row[5]] for row in ROWS]
    rows[3][4] = "<1"
    put("samples.csv", text(names, units, rows=rows))
    samples = readings(rewrite(samples__columns=AS_MAPPED))
    assert samples.nitrate_ppm[3] == 0.5
    assert samples.below_detection[3]
    assert set(samples.depths_in()) == {(0.0, 12.0)}
    rows[3][4] = "ND"
    put("samples.csv", text(names, units, rows=rows))
    with pytest.raises(InputFileError, match=r"row 6: .*ND"):
        readings(rewrite(samples__columns=AS_MAPPED))


SPOILED = [
    (["", "", "", "in", "in", "lb/ac", ""], "lb/ac"),  # against the ppm of the name
    (["", "", "", "in", "in", "NH4-N", ""], "ammonium"),
    (["", "", "", "in", "in", "mg/L", ""], "mg/L"),
    (["", "", "", "cm", "cm", "ppm", ""], "cm"),
    (["S0", "-93.60", "42.10", "0", "12", "ppm", ""], "ppm"),  # a row of data with a word is no second header
    (["West", "west", "south", "top", "bottom", "high", ""], "which is not"),  # words without a unit are data
    (["S0", "n/a", "n/a", "n/a", "n/a", "n/a", ""], "half-filled"),
]


@pytest.mark.parametrize(("below", "named"), SPOILED, ids=[str(case[0]) for case in SPOILED])
def test_what_a_second_row_says_is_not_passed_over(rewrite: Rewrite, put: Put, below: list[str], named: str) -> None:
    """Another unit or substance is refused; a row that is data stays data."""
    put("samples.csv", text(NAMES, below))
    if named == "half-filled":
        assert len(readings(rewrite())) == 12
        return
    with pytest.raises(InputFileError, match=named):
        readings(rewrite())


def workbook(path: Path, spoil: Callable[[openpyxl.Workbook, Any], None]) -> None:
    """The sound samples as a sheet below a title over all columns."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Valley soil laboratory"])
    sheet.merge_cells("A1:G1")
    sheet.append(NAMES)
    for row in ROWS:
        sheet.append([row[0], *(float(cell) for cell in row[1:6]), date.fromisoformat(row[6])])
    spoil(book, sheet)
    book.save(path)


def test_merged_cells_hold_for_every_row_they_cover(rewrite: Rewrite, field_folder: Path) -> None:
    """Depths that are written once over six rows; the merged title is no header."""

    def merge(_: openpyxl.Workbook, sheet: Any) -> None:
        for column in "DEG":
            for top in (3, 9):
                sheet.merge_cells(f"{column}{top}:{column}{top + 5}")

    workbook(field_folder / "june.xlsx", merge)
    samples = readings(rewrite(samples__file="june.xlsx"))
    assert samples.nitrate_ppm.tolist() == sound.READINGS
    assert set(samples.depths_in()) == {(0.0, 12.0)}
    assert set(samples.sampled_on) == {date(2026, 6, 12)}


def test_hidden_rows_are_a_warning(rewrite: Rewrite, field_folder: Path) -> None:
    """They are read, and a person hears of them."""

    def hide(_: openpyxl.Workbook, sheet: Any) -> None:
        sheet.row_dimensions[5].hidden = sheet.row_dimensions[6].hidden = True

    workbook(field_folder / "june.xlsx", hide)
    field = read_field(rewrite(samples__file="june.xlsx"))
    finding = sound.one(field, "hidden-rows")
    assert (finding["level"], finding["rows"], finding["first"], len(field.samples)) == ("warning", 2, "5", 12)


def test_days_counted_from_1904_are_the_same_days(rewrite: Rewrite, field_folder: Path) -> None:
    """1,462 days apart; a day that is text stays as it is written."""

    def count(book: openpyxl.Workbook, sheet: Any) -> None:
        book.epoch = CALENDAR_MAC_1904
        sheet["G3"] = "2026-06-11"

    workbook(field_folder / "june.xlsx", count)
    days = readings(rewrite(samples__file="june.xlsx")).sampled_on
    assert days[0] == date(2026, 6, 11)
    assert set(days[1:]) == {date(2026, 6, 12)}
