"""What was applied against the prescription: passes driven on paper, with faults whose size is known."""

import json
import shutil
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from vrn.audit import Sold, compare, covered, verify
from vrn.cli import main
from vrn.errors import InputFileError
from vrn.many.task import _rest_of
from vrn.model.applied import Comparison
from vrn.model.grid import transformer
from vrn.pages.compared import write_comparison
from vrn.pipeline.order import write
from vrn.prescription.model import Prescription

pytestmark = pytest.mark.usefixtures("quick_module")  # reports have tests of their own

STEP_M, WIDTH_M = 5.0, 20.0
GAL_PER_N = 1 / 3.5392  # UAN 32: 32 % of 11.06 lb/gal


@pytest.fixture(scope="module")
def made(maker: ModuleType) -> Prescription:
    """400 × 300 m in three zones at 60, 95 and 130 lb N/ac, approved nowhere."""
    made: Prescription = maker.make_prescription()
    return replace(made, rates=tuple(replace(rate, allowed_n_lb_ac=(20.0, 250.0)) for rate in made.rates))


@pytest.fixture(scope="module")
def written(made: Prescription, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The prescription's folder."""
    return write(made, tmp_path_factory.mktemp("compare") / "rx")


def drive(made: Prescription) -> pd.DataFrame:
    """Twenty passes of 20 m, back and forth, a point every 5 m, each at the rate of its zone in gal/ac."""
    west, south, _, _ = made.field.boundary.bounds
    rows = []
    for number in range(20):
        north = np.arange(STEP_M / 2, 300, STEP_M)
        easting = west + (number + 0.5) * WIDTH_M
        rows += [(number, easting, south + y) for y in (north if number % 2 == 0 else north[::-1])]
    table = pd.DataFrame(rows, columns=["pass", "x", "y"])
    points = shapely.points(table["x"], table["y"])
    table["rate"] = 0.0
    for rate in made.rates:
        table.loc[shapely.intersects(rate.outline, points), "rate"] = rate.rate_n_lb_ac * GAL_PER_N
    table["longitude"], table["latitude"] = transformer(made.grid.crs, "EPSG:4326").transform(table["x"], table["y"])
    table["swath_m"], table["speed_m_s"] = WIDTH_M, 3.0
    return table


def save(table: pd.DataFrame, path: Path, rate: str = "rate_gal_ac") -> Path:
    """CSV as a machine's office software would export it."""
    table.rename(columns={"rate": rate})[["longitude", "latitude", rate, "swath_m", "speed_m_s"]].to_csv(
        path, index=False
    )
    return path


def warnings_of(found: Comparison) -> set[str]:
    """Codes of what a person must look at."""
    return {finding.code for finding in found.findings if finding.level == "warning"}


def values_of(found: Comparison, code: str) -> dict[str, object]:
    """Quantities of the one finding of a code."""
    (finding,) = [finding for finding in found.findings if finding.code == code]
    return {name: quantity.value for name, quantity in finding.quantities.items()}


def test_perfect_work_is_found_perfect(made: Prescription, written: Path, tmp_path: Path) -> None:
    """Passes that tile the field at its rates give the prescribed total, all of it within 10 %, no skip, no overlap."""
    found = compare(written, save(drive(made), tmp_path / "a.csv"))
    # plane area 120 000 m² against geodesic acres: the grid's scale here differs by 4e-4
    assert found.applied_product == pytest.approx(found.prescribed_product, rel=1e-3)
    assert found.within_share == 1.0
    assert found.skipped_acres == pytest.approx(0.0, abs=0.01)
    assert found.overlapped_acres == pytest.approx(0.0, abs=0.01)
    assert [zone.mean_n_lb_ac for zone in found.zones] == pytest.approx([60.0, 95.0, 130.0])
    assert warnings_of(found) == {"audit.draft-applied"}  # it was driven as a DRAFT


def test_half_rate_in_one_zone(made: Prescription, written: Path, tmp_path: Path) -> None:
    """Zone 3 at half its rate: its share within 10 % is 0, the field's two thirds (zone 3 is a third of the ground)."""
    table = drive(made)
    table.loc[np.isclose(table["rate"], 130 * GAL_PER_N), "rate"] /= 2
    found = compare(written, save(table, tmp_path / "a.csv"))
    assert [round(zone.within_share, 6) for zone in found.zones] == [1.0, 1.0, 0.0]
    assert found.within_share == pytest.approx(2 / 3, abs=1e-3)
    # (200·300·60 + 200·100·95 + 200·200·65) / (… 130) m²·lb/ac
    assert found.applied_product / found.prescribed_product == pytest.approx(8.1 / 10.7, rel=1e-3)
    assert {"audit.applied-total-off", "audit.few-within"} <= warnings_of(found)


def test_skipped_pass_has_its_acres(made: Prescription, written: Path, tmp_path: Path) -> None:
    """A pass left out is 20 × 300 m = 1.483 ac without product."""
    table = drive(made)
    found = compare(written, save(table[table["pass"] != 7], tmp_path / "a.csv"))
    assert found.skipped_acres == pytest.approx(6000 / 4046.8564224, rel=0.01)
    assert found.overlapped_acres == pytest.approx(0.0, abs=0.01)
    assert "audit.skips" in warnings_of(found)


def test_boom_off_is_a_skip_and_not_covered(made: Prescription, written: Path, tmp_path: Path) -> None:
    """A pass driven at rate 0 is ground not covered."""
    table = drive(made)
    table.loc[table["pass"] == 7, "rate"] = 0.0
    found = compare(written, save(table, tmp_path / "a.csv"))
    assert found.skipped_acres == pytest.approx(1.483, rel=0.01)


def test_pass_driven_twice_is_an_overlap(made: Prescription, written: Path, tmp_path: Path) -> None:
    """A pass recorded twice covers 1.483 ac twice."""
    table = drive(made)
    twice = pd.concat([table, table[table["pass"] == 3]])
    found = compare(written, save(twice, tmp_path / "a.csv"))
    assert found.overlapped_acres == pytest.approx(1.483, rel=0.01)
    assert "audit.overlaps" in warnings_of(found)


def test_records_that_do_not_speak_are_counted(made: Prescription, written: Path, tmp_path: Path) -> None:
    """Points outside, stopped, at zero width or without a rate are left out, each counted once under its reason."""
    table = drive(made)
    for column, value in (("longitude", -94.7), ("speed_m_s", 0.0), ("swath_m", 0.0), ("rate", np.nan)):
        row = table.iloc[[10]].copy()
        row[column] = value
        table = pd.concat([table.iloc[:600], row, table.iloc[600:]], ignore_index=True)
    found = compare(written, save(table, tmp_path / "a.csv"))
    assert {why: count for why, count in found.dropped.items() if count} == {
        "no_rate": 1, "outside": 1, "no_width": 1, "stopped": 1
    }  # fmt: skip
    assert len(found.footprints) == 1200


@pytest.mark.parametrize(
    ("column", "factor"),
    [
        ("rate_l_ha", GAL_PER_N * 9.353956),
        ("rate_n_lb_ac", 1.0),
        ("rate_n_kg_ha", 1.120851),
        ("Rate (gal/ac)", GAL_PER_N),
    ],
)
def test_unit_in_the_columns_name(
    column: str, factor: float, made: Prescription, written: Path, tmp_path: Path
) -> None:
    """A rate in L/ha, lb N/ac or kg N/ha is taken for what its name says (1 gal/ac = 9.353956 L/ha)."""
    table = drive(made)
    table["rate"] *= factor / GAL_PER_N
    found = compare(written, save(table, tmp_path / "a.csv", rate=column))
    assert found.applied_product == pytest.approx(found.prescribed_product, rel=1e-3)


def test_excel_is_read_as_the_same_csv(made: Prescription, written: Path, tmp_path: Path) -> None:
    """By compare and for the remainder: same columns, same numbers; with titles above; two sheets are refused."""
    table = drive(made)
    path = save(table[table["pass"] < 12], tmp_path / "a.csv")
    book, text = tmp_path / "a.xlsx", pd.read_csv(path)
    text.to_excel(book, index=False, startrow=2, engine="openpyxl")
    one, two = compare(written, path), compare(written, book)
    assert two.applied_product == pytest.approx(one.applied_product, rel=1e-9)
    assert two.to_plain()["zones"] == one.to_plain()["zones"]
    csv, sheet = (covered(name, made.field, SOLD, zones_of(made)) for name in (path, book))
    assert shapely.symmetric_difference(sheet.ground, csv.ground).area < 1.0  # m²
    assert sheet.n_lb == pytest.approx(csv.n_lb, rel=1e-9)
    with pd.ExcelWriter(book, engine="openpyxl") as both:
        text.to_excel(both, sheet_name="a", index=False)
        text.to_excel(both, sheet_name="b", index=False)
    with pytest.raises(InputFileError):
        compare(written, book)
    book.write_bytes(book.read_bytes()[:900])
    with pytest.raises(InputFileError):
        covered(book, made.field, SOLD, zones_of(made))


def test_unit_that_is_not_said_is_told(made: Prescription, written: Path, tmp_path: Path) -> None:
    """A column ``rate`` alone is taken for the prescription's unit, and a note says so."""
    found = compare(written, save(drive(made), tmp_path / "a.csv", rate="rate"))
    assert values_of(found, "audit.unit-assumed") == {"column": "rate", "unit": "gal/ac"}
    assert found.within_share == 1.0


@pytest.mark.parametrize(
    ("column", "times", "told"),
    [("rate_n_lb_ac", 1.0, False), ("rate_n_lb_ac", 1.2, True), ("rate_lb_ac", 1.0, True), ("rate_l_ha", 9.35, True)],
)  # fmt: skip
def test_a_second_column_of_rates_is_told(
    made: Prescription, written: Path, tmp_path: Path, column: str, times: float, told: bool
) -> None:
    """Gallons beside the same pounds of nitrogen say nothing new; other pounds, or a dry product's, want a choice."""
    table = drive(made)
    factor = SOLD.n_lb_per_unit if column == "rate_n_lb_ac" else 1.0 if column == "rate_lb_ac" else 2.0
    table[column] = table["rate"] * factor * times
    path = tmp_path / "a.csv"
    table.rename(columns={"rate": "rate_gal_ac"})[
        ["longitude", "latitude", "rate_gal_ac", column, "swath_m", "speed_m_s"]
    ].to_csv(path, index=False)
    found = compare(written, path)
    assert ("audit.other-rate" in warnings_of(found)) is told
    if told:
        assert values_of(found, "audit.other-rate")["other"] == column
    assert "audit.other-rate" not in warnings_of(compare(written, path, rate_column="rate_gal_ac"))


def test_mix_up_of_units_is_named(made: Prescription, written: Path, tmp_path: Path) -> None:
    """Litres per hectare read as gallons per acre, and the reverse, are recognised by their ratio of 9.354."""
    table = drive(made)
    table["rate"] *= 9.353956
    found = compare(written, save(table, tmp_path / "a.csv"))
    mixed = {"ratio": 9.35, "written": "L/ha", "meant": "gal/ac"}
    assert values_of(found, "audit.applied-units-mixed") == mixed
    table["rate"] /= 9.353956**2
    found = compare(written, save(table, tmp_path / "b.csv"))
    assert values_of(found, "audit.applied-units-mixed") == {"ratio": 0.107, "written": "gal/ac", "meant": "L/ha"}


def test_width_that_is_not_known(made: Prescription, written: Path, tmp_path: Path) -> None:
    """Without a width every point counts alike and skips are not known; with --width-ft they are."""
    path = tmp_path / "a.csv"
    drive(made).rename(columns={"rate": "rate_gal_ac"})[["longitude", "latitude", "rate_gal_ac"]].to_csv(
        path, index=False
    )
    found = compare(written, path)
    assert np.isnan(found.skipped_acres)
    assert found.applied_product == pytest.approx(found.prescribed_product, rel=1e-3)
    assert found.to_plain()["skipped_acres"] is None
    known = compare(written, path, width_ft=WIDTH_M / 0.3048)
    assert known.skipped_acres == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("ending", ["shp", "gpkg", "geojson"])
def test_polygons_of_any_vector_file(ending: str, made: Prescription, written: Path, tmp_path: Path) -> None:
    """Polygons with a rate are compared by their own ground."""
    path = tmp_path / f"applied.{ending}"
    shapes = np.array([shapely.to_wkb(rate.outline) for rate in made.rates], dtype=object)
    rates = np.array([rate.product_per_ac * 1.05 for rate in made.rates])
    if ending == "geojson":
        change = transformer(made.grid.crs, "EPSG:4326")
        moved = [shapely.transform(rate.outline, change.transform, interleaved=False) for rate in made.rates]
        shapes = np.array([shapely.to_wkb(shape) for shape in moved], dtype=object)
    crs = "EPSG:4326" if ending == "geojson" else made.grid.crs
    pyogrio.raw.write(path, shapes, [rates], ["gal_ac"], geometry_type="Polygon", crs=crs)
    found = compare(written, path)
    assert found.applied_product / found.prescribed_product == pytest.approx(1.05, rel=1e-3)
    assert found.within_share == 1.0
    assert found.skipped_acres == pytest.approx(0.0, abs=0.02)


def test_points_of_a_geopackage_equal_those_of_a_csv(made: Prescription, written: Path, tmp_path: Path) -> None:
    """The same records from a GeoPackage in the projected system and from a CSV in degrees give the same numbers."""
    table = drive(made)
    by_csv = compare(written, save(table, tmp_path / "a.csv"))
    shapes = np.array(shapely.to_wkb(shapely.points(table["x"], table["y"])), dtype=object)
    columns = {"rate_gal_ac": table["rate"], "swath_m": table["swath_m"], "speed_m_s": table["speed_m_s"]}
    pyogrio.raw.write(tmp_path / "a.gpkg", shapes, [column.to_numpy() for column in columns.values()], list(columns),
                      geometry_type="Point", crs=made.grid.crs)  # fmt: skip
    by_gpkg = compare(written, tmp_path / "a.gpkg")
    assert by_gpkg.applied_product == pytest.approx(by_csv.applied_product, rel=1e-6)
    assert by_gpkg.within_share == by_csv.within_share


def test_product_on_no_apply_ground_is_a_warning(maker: ModuleType, tmp_path: Path) -> None:
    """Nitrogen recorded on ground that gets none is told with its pounds."""
    made = maker.make_prescription(no_apply=shapely.box(400, 0, 420, 300))
    out = write(made, tmp_path / "rx")
    table = drive(made)
    extra = table[table["pass"] == 19].copy()
    extra["x"] += WIDTH_M
    extra["longitude"], extra["latitude"] = transformer(made.grid.crs, "EPSG:4326").transform(extra["x"], extra["y"])
    extra["rate"] = 100 * GAL_PER_N
    found = compare(out, save(pd.concat([table, extra]), tmp_path / "a.csv"))
    # 20 × 300 m = 1.4826 ac at 100 lb/ac
    assert values_of(found, "audit.applied-off-ground")["nitrogen"] == pytest.approx(148.26, abs=0.05)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "holds no records"),
        ("longitude,latitude,speed\n-94.6,42.3,3\n", "no column of rates"),
        ("a,b,rate\n1,2,3\n", "no columns longitude and latitude"),
        ("longitude,latitude,rate\n42.3,-94.6,10\n", "outside ± 180° and ± 90°"),
        ("longitude,latitude,rate\n-93.0,42.3,10\n", "none of its 1 records lies on the field"),
        ("longitude,latitude,kg_ha\n-94.598,42.301,10\n", "do not go with UAN 32"),
    ],
)
def test_spoiled_file_is_refused(text: str, words: str, written: Path, tmp_path: Path) -> None:
    """One clear error says what is wrong with the file."""
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputFileError, match=words):
        compare(written, tmp_path / "a.csv")


def test_files_that_are_no_records(written: Path, tmp_path: Path) -> None:
    """A file that is missing, or no vector file, or lines, is refused."""
    with pytest.raises(InputFileError, match="not a file that is there"):
        compare(written, tmp_path / "none.csv")
    (tmp_path / "a.gpkg").write_bytes(b"<html>not here</html>")
    with pytest.raises(InputFileError, match="cannot be read"):
        compare(written, tmp_path / "a.gpkg")
    shape = np.array([shapely.to_wkb(shapely.LineString([(0, 0), (1, 1)]))], dtype=object)
    pyogrio.raw.write(
        tmp_path / "b.gpkg", shape, [np.array([1.0])], ["rate"], geometry_type="LineString", crs="EPSG:4326"
    )
    with pytest.raises(InputFileError, match="points or polygons alone"):
        compare(written, tmp_path / "b.gpkg")


def test_semicolons_and_decimal_commas(made: Prescription, written: Path, tmp_path: Path) -> None:
    """A table saved with ; and decimal commas is read the same."""
    table = drive(made).rename(columns={"rate": "rate_gal_ac"})
    columns = ["longitude", "latitude", "rate_gal_ac", "swath_m", "speed_m_s"]
    table[columns].to_csv(tmp_path / "a.csv", index=False, sep=";", decimal=",")
    assert compare(written, tmp_path / "a.csv").within_share == 1.0


def test_command_writes_page_and_layer(
    made: Prescription, written: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The command prints the total, writes page, layer and numbers beside the folder, and leaves with 1 for a DRAFT."""
    folder = Path(shutil.copytree(written, tmp_path / "rx"))
    path = save(drive(made), tmp_path / "a.csv")
    assert main(["compare", str(folder), str(path)]) == 1
    assert str(tmp_path / "rx_applied") in capsys.readouterr().out
    out = tmp_path / "rx_applied"
    assert {entry.name for entry in out.iterdir()} == {"compared.html", "compared.gpkg", "summary.json"}
    page = (out / "compared.html").read_text(encoding="utf-8")
    assert "Zone" in page
    assert "http" not in page.split("</style>")[1]
    assert set(pyogrio.list_layers(out / "compared.gpkg")[:, 0]) >= {"applied", "zones"}
    assert main(["compare", str(folder), str(path), "--json"]) == 1
    assert json.loads(capsys.readouterr().out)["within_10_pct_share"] == 1.0


def test_page_escapes_names(made: Prescription, written: Path, tmp_path: Path) -> None:
    """A file name with markup is text on the page."""
    path = save(drive(made), tmp_path / "<b>a.csv")
    write_comparison(compare(written, path), tmp_path / "out")
    assert "<b>a.csv" not in (tmp_path / "out" / "compared.html").read_text(encoding="utf-8")


def test_comparison_is_the_same_every_time(made: Prescription, written: Path, tmp_path: Path) -> None:
    """Two runs write the same bytes."""
    found = compare(written, save(drive(made), tmp_path / "a.csv"))
    one, two = write_comparison(found, tmp_path / "one"), write_comparison(found, tmp_path / "two")
    for path in one.iterdir():
        assert path.read_bytes() == (two / path.name).read_bytes(), path.name


SOLD = Sold(name="UAN 32", unit="gal", n_lb_per_unit=3.5392, rate_unit="gal/ac")
ACRE_M2 = 4046.8564224


def zones_of(made: Prescription) -> dict[int, tuple[shapely.Geometry, float]]:
    """Outline and rate of each zone by its number."""
    return {rate.zone: (rate.outline, rate.rate_n_lb_ac) for rate in made.rates}


def with_sections(table: pd.DataFrame, off: pd.Series, path: Path, *, columns: bool) -> Path:
    """Four sections, the two on the right off where ``off`` says so: four columns, or one word."""
    table = table.rename(columns={"rate": "rate_gal_ac"})
    if columns:
        for k in range(1, 5):
            table[f"section_{k}"] = np.where(off & (k > 2), 0, 1)
    else:
        table["sections"] = np.where(off, "1100", "1111")
    table.drop(columns=["x", "y", "pass"]).to_csv(path, index=False)
    return path


@pytest.mark.parametrize("columns", [True, False])
def test_half_the_boom_off_is_half_a_pass_left(
    columns: bool, made: Prescription, written: Path, tmp_path: Path
) -> None:
    """A pass of 300 m with its right 10 m off leaves 3000 m² to both commands, on the side that was off."""
    table = drive(made)
    path = with_sections(table, table["pass"] == 6, tmp_path / "a.csv", columns=columns)
    found = compare(written, path)
    assert found.skipped_acres == pytest.approx(3000 / ACRE_M2, rel=0.01)
    rest = _rest_of(made, made.field, path, top_up=False)
    assert rest.acres == pytest.approx(3000 / ACRE_M2, rel=0.02)
    west = made.field.boundary.bounds[0]  # pass 6 is driven north: its right is east
    assert rest.outline().bounds[0] == pytest.approx(west + 6 * WIDTH_M + 10, abs=0.1)


def test_part_of_a_boom_of_unknown_side_is_told(made: Prescription, written: Path, tmp_path: Path) -> None:
    """A width of half the machine's with no sections and no offset: nobody knows which half; an offset says it."""
    table = drive(made)
    table.loc[table["pass"] == 6, "swath_m"] = WIDTH_M / 2
    found = compare(written, save(table, tmp_path / "a.csv"))
    assert values_of(found, "audit.side-unknown")["area"] == pytest.approx(3000 / ACRE_M2, rel=0.01)
    table["right_m"] = np.where(table["pass"] == 6, -WIDTH_M / 4, 0.0)
    table.rename(columns={"rate": "rate_gal_ac"}).to_csv(tmp_path / "b.csv", index=False)
    told = compare(written, tmp_path / "b.csv")
    assert "audit.side-unknown" not in warnings_of(told)
    assert told.skips.bounds[0] == pytest.approx(made.field.boundary.bounds[0] + 6 * WIDTH_M + 10, abs=0.6)


def test_a_fifth_of_the_rate_is_not_covered(made: Prescription, tmp_path: Path) -> None:
    """Four passes at a fifth of the rate: told with acres and pounds, and topped up on request by three quarters."""
    table = drive(made)
    low = table["pass"].isin([2, 3, 4, 5])
    table.loc[low, "rate"] /= 5
    table = table[table["pass"] < 15]
    path = save(table, tmp_path / "a.csv")
    found = covered(path, made.field, SOLD, zones_of(made))
    told = values_of(found, "audit.short-ground")
    assert told["area"] == pytest.approx(4 * 6000 / ACRE_M2, rel=0.01)
    targets = table.loc[low, "rate"] * 5 / GAL_PER_N
    assert told["missing"] == pytest.approx(0.8 * targets.mean() * 4 * 6000 / ACRE_M2, rel=0.01)
    plain = _rest_of(made, made.field, path, top_up=False)
    more = _rest_of(made, made.field, path, top_up=True)
    left_ac = 5 * 6000 / ACRE_M2
    assert plain.acres == pytest.approx(left_ac, rel=0.01)
    assert more.acres == pytest.approx(left_ac + told["area"], rel=0.01)
    step = 5.0
    by_zone = {rate.zone: rate.rate_n_lb_ac for rate in made.rates}
    for rate in more.rates:
        if rate.topped_up:
            assert rate.zone_before is not None
            whole = by_zone[rate.zone_before]
            assert rate.rate_n_lb_ac == np.floor(0.75 * whole / step) * step
            assert rate.rate_n_lb_ac + whole / 5 <= whole
    assert any(rate.topped_up for rate in more.rates)


@pytest.mark.parametrize("top_up", [False, True])
def test_acres_of_every_class_add_up(top_up: bool, made: Prescription, written: Path, tmp_path: Path) -> None:
    """Skips, short, right and over are each zone; left, full, short and narrow are the field."""
    table = drive(made)
    table.loc[table["pass"] == 4, "rate"] *= 0.3
    table.loc[table["pass"] == 9, "rate"] *= 1.4
    path = save(table[~table["pass"].isin([7, 12, 13])], tmp_path / "a.csv")
    found = compare(written, path)
    for zone in found.zones:
        classes = (zone.missed_acres, zone.short_acres, zone.right_acres, zone.over_acres)
        assert min(classes) >= 0
        assert sum(classes) == pytest.approx(zone.acres, rel=1e-9)
    assert sum(zone.short_acres for zone in found.zones) == pytest.approx(6000 / ACRE_M2, rel=0.01)
    assert sum(zone.over_acres for zone in found.zones) == pytest.approx(6000 / ACRE_M2, rel=0.01)
    built = _rest_of(made, made.field, path, top_up=top_up)
    rest, codes = built.remaining, {one.code for one in built.findings}
    assert rest is not None
    assert ("audit.short-ground" in codes) is not top_up
    assert ("audit.short-left" in codes) is (top_up and rest.short_ac >= 0.1)
    assert rest.left_ac + rest.full_ac + rest.short_ac + rest.narrow_ac == pytest.approx(made.acres, rel=1e-6)
    assert rest.short_ac + rest.topped_up_ac == pytest.approx(6000 / ACRE_M2, rel=0.02)
    assert (rest.topped_up_ac > 0) is top_up


def test_meter_is_told_apart_from_skips_and_overlaps(made: Prescription, written: Path, tmp_path: Path) -> None:
    """A rate 8 % high everywhere, a pass left out and a pass driven twice each have their own pounds; they add up."""
    table = drive(made)
    table["rate"] *= 1.08
    found = compare(written, save(table, tmp_path / "a.csv"))
    assert found.difference is not None
    assert found.difference.rate_factor == pytest.approx(1.08, abs=1e-3)
    assert (found.difference.missed_n_lb, found.difference.twice_n_lb) == (0.0, pytest.approx(0.0, abs=0.5))
    assert "audit.rate-off" in warnings_of(found)
    table["rate"] /= 1.08
    table = pd.concat([table[table["pass"] != 7], table[table["pass"] == 3]])
    found = compare(written, save(table, tmp_path / "b.csv"))
    parts = found.difference
    assert parts is not None
    assert parts.rate_factor == pytest.approx(1.0, abs=1e-3)
    assert "audit.rate-off" not in warnings_of(found)
    mean = 6000 / ACRE_M2 * 95.0
    assert parts.missed_n_lb == pytest.approx(-mean, rel=0.4)
    assert parts.twice_n_lb == pytest.approx(mean, rel=0.4)
    planned = found.prescribed_product * found.n_lb_per_unit
    total = sum((parts.missed_n_lb, parts.twice_n_lb, parts.rate_n_lb, parts.no_apply_n_lb, parts.outside_n_lb))
    assert planned + total == pytest.approx(found.applied_product * found.n_lb_per_unit, rel=1e-9)
    assert parts.outside_n_lb == pytest.approx(0.0, abs=2e-3 * planned)


def test_a_pass_driven_twice_raises_its_zones_mean(made: Prescription, written: Path, tmp_path: Path) -> None:
    """Pass 19 lies in one zone: driven twice, the zone's mean over its driven ground is that much higher."""
    table = drive(made)
    twice = pd.concat([table, table[table["pass"] == 19]])
    found, plain = (compare(written, save(one, tmp_path / "a.csv")) for one in (twice, table))
    before, after = (one.zones[-1] for one in (plain, found))
    assert after.driven_acres == pytest.approx(before.driven_acres, rel=1e-6)
    added = table.loc[table["pass"] == 19, "rate"].gt(0).sum() * STEP_M * WIDTH_M / ACRE_M2
    inside = np.isclose(table.loc[table["pass"] == 19, "rate"], 130 * GAL_PER_N).mean()
    assert after.mean_n_lb_ac == pytest.approx(130 * (1 + added * inside / after.acres), rel=2e-3)


def test_delivered_gallons_correct_every_rate(made: Prescription, written: Path, tmp_path: Path) -> None:
    """10 % more gone than logged: the factor is 1.1, each zone's nitrogen with it; twice as much is refused."""
    path = save(drive(made), tmp_path / "a.csv")
    plain = compare(written, path)
    found = compare(written, path, delivered=1.1 * plain.applied_product)
    assert found.meter_factor == pytest.approx(1.1)
    assert found.logged_product == pytest.approx(plain.applied_product)
    assert found.applied_product == pytest.approx(1.1 * plain.applied_product)
    assert [zone.mean_n_lb_ac for zone in found.zones] == pytest.approx([66.0, 104.5, 143.0])
    assert values_of(found, "audit.meter-off")["share"] == pytest.approx(1.1)
    for wrong in (2.1 * plain.applied_product, 0.4 * plain.applied_product, 0.0, -5.0):
        with pytest.raises(InputFileError, match="were delivered"):
            compare(written, path, delivered=wrong)


def test_product_on_no_apply_ground_beyond_the_boundary(maker: ModuleType, tmp_path: Path) -> None:
    """A creek just outside: the boom that hangs over it is told with its pounds, 5 of 20 m on 300 m at 100 lb/ac."""
    made = maker.make_prescription(no_apply=shapely.box(402, -50, 430, 350))
    made = replace(made, field=replace(made.field, boundary=shapely.union_all([rate.outline for rate in made.rates])))
    table = drive(made)
    table.loc[table["pass"] == 19, "rate"] = 100 * GAL_PER_N
    table["x"] += np.where(table["pass"] == 19, 7.0, 0.0)
    table["longitude"], table["latitude"] = transformer(made.grid.crs, "EPSG:4326").transform(table["x"], table["y"])
    found = compare(write(made, tmp_path / "rx"), save(table, tmp_path / "a.csv"))
    assert values_of(found, "audit.applied-off-ground")["nitrogen"] == pytest.approx(150000 / ACRE_M2, rel=0.01)


def test_what_is_left_goes_by_names_of_its_own(made: Prescription, written: Path, tmp_path: Path) -> None:
    """Task and shapefile of the rest are not those of the whole field, and its folder is verified like any other."""
    path = save(drive(made).query("`pass` < 8"), tmp_path / "a.csv")
    rest = _rest_of(replace(made, field=replace(made.field, folder=tmp_path)), made.field, path, top_up=False)
    folder = write(rest, tmp_path / "rest")
    assert not verify(folder).failed
    names = [{entry.name for entry in (one / "shapefile").iterdir()} for one in (written, folder)]
    assert not names[0] & names[1]
    tasks = [ET.parse(one / "TASKDATA/TASKDATA.XML").findall("TSK")[0].get("B") for one in (written, folder)]
    assert "REST" in str(tasks[1]).split()
    assert "REST" not in str(tasks[0]).split()


@pytest.mark.parametrize(
    ("rate", "shift_deg", "words"), [(0.0, 0.0, "covers none of the field"), (10.0, 1.0, "lies on the field")]
)
def test_nothing_covered_is_refused(
    rate: float, shift_deg: float, words: str, made: Prescription, tmp_path: Path
) -> None:
    """A pass with the boom off, and one of another field."""
    table = drive(made).assign(rate=rate)
    table["longitude"] += shift_deg
    with pytest.raises(InputFileError, match=words):
        covered(save(table, tmp_path / "a.csv"), made.field, SOLD, zones_of(made))
