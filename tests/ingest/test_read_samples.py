"""Soil samples: whatever the file looks like, NO3-N of dry soil at the right place and depth, and what was assumed."""

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pytest
import sound
from pyproj import Transformer

from vrn.errors import InputFileError
from vrn.ingest import read_field

_JUNE_12 = date(2026, 6, 12)
Rewrite = Callable[..., Path]
Put = Callable[[str, Any], Path]


def test_csv_and_geojson_of_the_same_samples_agree(rewrite: Rewrite, put: Put) -> None:
    """A table and a file of points give the same readings at the same places."""
    from_csv = read_field(rewrite()).samples
    points = [
        sound.point(lon, lat, sample_id=f"S{i}", top_in=0, bottom_in=12, nitrate_ppm=ppm, sampled_on="2026-06-12")
        for i, ((lon, lat), ppm) in enumerate(zip(sound.places(), sound.READINGS, strict=True), 1)
    ]
    put("samples.geojson", sound.collection(*points))
    from_points = read_field(rewrite(samples__file="samples.geojson")).samples
    assert from_points.sample_id == from_csv.sample_id
    np.testing.assert_array_equal(from_points.nitrate_ppm, from_csv.nitrate_ppm)
    np.testing.assert_allclose(from_points.coordinates_m, from_csv.coordinates_m, atol=1e-9)
    assert from_points.sampled_on == from_csv.sampled_on == (date(2026, 6, 12),) * 12


def test_coordinates_land_where_pyproj_puts_them(rewrite: Rewrite) -> None:
    """Longitude and latitude become easting and northing of the UTM zone (EPSG:32615), by PROJ itself."""
    samples = read_field(rewrite()).samples
    east, north = Transformer.from_crs("EPSG:4326", "EPSG:32615", always_xy=True).transform(*sound.places()[0])
    assert samples.crs == "EPSG:32615"
    np.testing.assert_allclose(samples.coordinates_m[0], [east, north], atol=1e-6)


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_text_tables_of_every_make_read_alike(
    rewrite: Rewrite, put: Put, separator: str, encoding: str, end: str
) -> None:
    """Separator, encoding, byte order mark and line ends do not matter."""
    put("samples.csv", sound.samples_csv().replace(",", separator).replace("\n", end).encode(encoding))
    samples = read_field(rewrite()).samples
    assert samples.nitrate_ppm.tolist() == sound.READINGS
    assert samples.row.tolist() == list(range(2, 14))


def test_decimal_commas_with_semicolons(rewrite: Rewrite, put: Put) -> None:
    """A file of a continental office: semicolons between cells, commas in numbers."""
    put("samples.csv", sound.samples_csv().replace(",", ";").replace(".", ","))
    samples = read_field(rewrite()).samples
    assert samples.nitrate_ppm.tolist() == sound.READINGS


def test_a_path_from_windows_is_found(rewrite: Rewrite, put: Put, field_folder: Path) -> None:
    """Folders parted by a backslash, with the sheet or layer behind a #, on every system."""
    (field_folder / "june").mkdir()
    put("june/samples.csv", sound.samples_csv())
    field = read_field(rewrite(samples__file="june\\samples.csv"))
    assert len(field.samples) == 12
    assert "june/samples.csv" in field.inputs


def test_a_table_of_twenty_thousand_columns_is_named_in_short(rewrite: Rewrite, put: Put) -> None:
    """A file of elements has no column of ours: the message names the first two dozen and how many more there are."""
    wide = [f"element_{i}" for i in range(20_000)]
    put("samples.csv", ",".join(wide) + "\n" + ",".join("1" for _ in wide) + "\n")
    with pytest.raises(InputFileError, match="there is no column longitude") as raised:
        read_field(rewrite())
    assert "element_23 and 19,976 more" in raised.value.problem
    assert "element_24" not in raised.value.problem


def test_windows_1252_is_read_and_told(rewrite: Rewrite, put: Put) -> None:
    """Accented letters of an old program are read, with a note."""
    put("samples.csv", sound.samples_csv().replace("S1,", "Süd-é1,").encode("cp1252"))
    field = read_field(rewrite())
    assert field.samples.sample_id[0] == "Süd-é1"
    assert sound.one(field, "read-as-windows-1252")["level"] == "note"


@pytest.mark.parametrize("ours_first", [True, False])
def test_column_mapping_works_either_way_round(rewrite: Rewrite, put: Put, ours_first: bool) -> None:
    """``nitrate_ppm = "Result"`` and ``Result = "nitrate_ppm"`` mean the same."""
    put("samples.csv", sound.samples_csv(header="Lab No,X deg,Y deg,From,To,Result,Day"))
    ours = {"sample_id": "Lab No", "longitude": "X deg", "latitude": "Y deg", "top_in": "From", "bottom_in": "To",
            "nitrate_ppm": "Result", "sampled_on": "Day"}  # fmt: skip
    columns = ours if ours_first else {theirs: mine for mine, theirs in ours.items()}
    text = sound.toml_text(sound.KEYS) + "\n[samples.columns]\n"
    text += "\n".join(f'"{left}" = "{right}"' for left, right in columns.items())
    path = rewrite()
    path.write_text(text, encoding="utf-8")
    samples = read_field(path).samples
    assert samples.nitrate_ppm.tolist() == sound.READINGS
    assert samples.sample_id[0] == "S1"


def test_nitrate_becomes_nitrate_nitrogen(rewrite: Rewrite) -> None:
    """NO3 × 14.0067 / 62.0049 = NO3-N (molar masses, N 14.0067 and O 15.9994)."""
    samples = read_field(rewrite(samples__reported_as="NO3")).samples
    share = 14.007 / (14.007 + 3 * 15.999)
    np.testing.assert_allclose(samples.nitrate_ppm, np.array(sound.READINGS) * share, rtol=1e-4)


def test_moist_readings_become_dry_by_their_water(rewrite: Rewrite, put: Put) -> None:
    """With 20 % water of the dry weight, 100 g of dry soil come as 120 g, so 10 ppm of moist soil are 12 of dry."""
    samples = read_field(rewrite(samples__moisture_basis="moist", samples__water_pct=20)).samples
    np.testing.assert_allclose(samples.nitrate_ppm, np.array(sound.READINGS) * 1.2)
    table = sound.samples_csv().splitlines()
    wet = [f"{table[0]},water_pct"] + [f"{row},{10 + i}" for i, row in enumerate(table[1:])]
    put("samples.csv", "\n".join(wet))
    samples = read_field(rewrite(samples__moisture_basis="moist")).samples
    np.testing.assert_allclose(samples.nitrate_ppm, np.array(sound.READINGS) * (1.10 + 0.01 * np.arange(12)))


def test_standards_and_blanks_keep_their_basis_and_need_no_place(rewrite: Rewrite, put: Put) -> None:
    """A check standard is a solution: it has no water to correct and lies in no field."""
    text = sound.samples_csv(
        header="sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm,sampled_on,kind,nominal_ppm"
    )
    put("samples.csv", text + "STD1,,,,,20.6,2026-06-12,standard,20\nB1,,,,,<0.2,2026-06-12,blank,\n")
    samples = read_field(rewrite(samples__moisture_basis="moist", samples__water_pct=20)).samples
    assert samples.kind[-2:] == ("standard", "blank")
    assert samples.nitrate_ppm[-2:].tolist() == [20.6, 0.1]
    assert samples.nominal_ppm[-2] == 20.0
    assert len(samples.field_readings()) == 12


def test_a_duplicate_stands_where_its_sample_does(rewrite: Rewrite, put: Put) -> None:
    """A second reading of S3 needs no coordinates of its own."""
    text = sound.samples_csv(header="sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm,sampled_on,kind")
    put("samples.csv", text + "S3,,,0,12,10.6,2026-06-12,duplicate\n")
    samples = read_field(rewrite()).samples
    assert samples.kind[-1] == "duplicate"
    np.testing.assert_array_equal(samples.coordinates_m[-1], samples.coordinates_m[2])


@pytest.mark.parametrize(
    ("first", "second", "days"),
    [
        ("6/15/2026", "6/8/2026", ["2026-06-15", "2026-06-08"]),
        ("15.06.2026", "08.06.2026", ["2026-06-15", "2026-06-08"]),
        ("06-13-2026", "2026-06-14", ["2026-06-13", "2026-06-14"]),
    ],
    ids=["month first", "day first", "beside an ISO date"],
)
def test_one_day_after_the_twelfth_settles_day_and_month(
    rewrite: Rewrite, put: Put, first: str, second: str, days: list[str]
) -> None:
    """There is no month 13: one such number tells which of the two is the day, in the whole column."""
    put("samples.csv", _dated(first, second))
    told_days = read_field(rewrite()).samples.sampled_on[:2]
    assert [str(day) for day in told_days] == days


@pytest.mark.parametrize(
    ("first", "second", "row"),
    [("6/8/2026", "6/9/2026", 2), ("6/15/2026", "15/6/2026", 2), ("6/31/2026", "6/15/2026", 2), ("6/15/26", "", 2)],
    ids=["either", "both", "no such day", "two figures of the year"],
)
def test_a_date_that_can_be_two_days_is_refused(rewrite: Rewrite, put: Put, first: str, second: str, row: int) -> None:
    """Nothing is guessed: the row and a date as it should be written are named."""
    put("samples.csv", _dated(first, second))
    with pytest.raises(InputFileError, match=rf"(?s)row {row}: sampled_on is .*2026-06-18"):
        read_field(rewrite())


def _dated(first: str, second: str) -> str:
    """The sound samples with only the first two dated, as given."""
    rows = [row.rsplit(",", 1)[0] for row in sound.samples_csv().splitlines()[1:]]
    dated = zip(rows, [first, second, *[""] * len(rows)], strict=False)
    return "\n".join([sound.samples_csv().splitlines()[0], *(f"{row},{day}" for row, day in dated)])


def test_several_depths_at_one_place(rewrite: Rewrite, put: Put) -> None:
    """Two depths of one core are two rows, and no finding."""
    rows = sound.samples_csv().splitlines()
    deep = [row.replace(",0,12,", ",12,24,") for row in rows[1:]]
    put("samples.csv", "\n".join(rows + deep))
    field = read_field(rewrite())
    assert field.samples.depths_in() == ((0.0, 12.0), (12.0, 24.0))
    assert len(field.samples) == 24
    assert not sound.asked(field)


def test_standards_without_a_depth_stand_between_no_depths(rewrite: Rewrite, put: Put) -> None:
    """Nine standards have no depth: two depths of one core are still two, shallow first, and do not overlap."""
    header = "sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm,sampled_on,kind,nominal_ppm"
    rows = sound.samples_csv(header=header).splitlines()
    deep = [row.replace(",0,12,", ",12,24,") for row in rows[1:]]
    standards = [f"STD{k},,,,,20.6,2026-06-12,standard,20" for k in range(9)]
    put("samples.csv", "\n".join([rows[0], *deep, *standards, *rows[1:]]))
    field = read_field(rewrite())
    assert field.samples.depths_in() == ((0.0, 12.0), (12.0, 24.0))
    assert not sound.found(field, "depths-overlap")


def test_depths_in_centimeters_by_the_columns_name(rewrite: Rewrite, put: Put) -> None:
    """30.48 cm are 12 in exactly (an inch is 2.54 cm)."""
    text = sound.samples_csv().replace("top_in,bottom_in", "top_cm,bottom_cm").replace(",0,12,", ",0,30.48,")
    put("samples.csv", text)
    samples = read_field(rewrite()).samples
    assert samples.depths_in() == ((0.0, 12.0),)


def test_below_detection_carries_half_the_limit(rewrite: Rewrite, put: Put) -> None:
    """``<0.5`` is 0.25 and is told; ``>60`` carries 60 and needs a person."""
    rows = sound.samples_csv().splitlines()
    rows[1] = rows[1].replace(",12.4,", ",<0.5,")
    rows[2] = rows[2].replace(",14.1,", ",> 60,")
    put("samples.csv", "\n".join(rows))
    field = read_field(rewrite())
    assert field.samples.nitrate_ppm[:2].tolist() == [0.25, 60.0]
    assert field.samples.below_detection.tolist() == [True] + [False] * 11
    assert sound.one(field, "below-detection") == {"level": "note", "about": "samples.csv", "readings": 1}
    above = {"level": "warning", "about": "samples.csv", "readings": 1, "row": "3"}
    assert sound.one(field, "above-range") == above


def test_composites_speak_for_their_areas(rewrite: Rewrite, put: Put) -> None:
    """A reading with an area_id needs no coordinates and stands inside its polygon."""
    middle = (sound.WEST + sound.EAST) / 2
    put("areas.geojson", sound.collection(
        sound.polygon(sound.box(sound.WEST, sound.SOUTH, middle, sound.NORTH), area_id=1),
        sound.polygon(sound.box(middle, sound.SOUTH, sound.EAST, sound.NORTH), area_id=2)))  # fmt: skip
    put("samples.csv", "sample_id,area_id,top_in,bottom_in,nitrate_ppm\nA,1,0,12,11.5\nB,2,0,12,19\n")
    field = read_field(rewrite(samples__areas={"file": "areas.geojson"}))
    assert field.samples.area_id == ("1", "2")
    assert set(field.samples.areas) == {"1", "2"}
    for area, place in zip(field.samples.area_id, field.samples.coordinates_m, strict=True):
        import shapely

        assert shapely.contains_xy(field.samples.areas[area], *place)


TITLES = "Valley laboratory,,,,,,\nReport,5512,,,,,\nReceived 2026-06-15,,,,,,\n\n"


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
def test_titles_above_the_header_are_passed_over_and_told(rewrite: Rewrite, put: Put, separator: str) -> None:
    """A laboratory's heading does not hide the table, and rows keep their numbers in the file."""
    text = (TITLES + sound.samples_csv()).replace(",", separator)
    put("samples.csv", text.replace(".", ",") if separator == ";" else text)
    field = read_field(rewrite())
    assert field.samples.nitrate_ppm.tolist() == sound.READINGS
    assert field.samples.row.tolist() == list(range(6, 18))
    titles = sound.one(field, "titles-passed-over")
    assert (titles["level"], titles["rows"], titles["row"]) == ("note", 3, "5")


def test_a_comma_in_a_title_does_not_choose_the_separator(rewrite: Rewrite, put: Put) -> None:
    """The separator is that of the table, not of the first line."""
    put("samples.csv", "Client: Wren, Ltd\n" + sound.samples_csv().replace(",", ";").replace(".", ","))
    assert read_field(rewrite()).samples.nitrate_ppm.tolist() == sound.READINGS


def test_titles_of_several_cells_in_a_workbook(rewrite: Rewrite, field_folder: Path) -> None:
    """A heading that fills two cells is a heading still."""
    lines = (TITLES + sound.samples_csv()).splitlines()
    rows = [(line.split(",") + [""] * 7)[:7] for line in lines]
    pd.DataFrame(rows).to_excel(field_folder / "lab.xlsx", index=False, header=False)
    field = read_field(rewrite(samples__file="lab.xlsx"))
    assert field.samples.nitrate_ppm.tolist() == sound.READINGS
    assert field.samples.row.tolist() == list(range(6, 18))
    titles = sound.one(field, "titles-passed-over")
    assert (titles["rows"], titles["row"]) == (3, "5")


def test_degrees_with_a_decimal_comma(rewrite: Rewrite, put: Put) -> None:
    """93° 36' 14,4" W is 93.604° W (ISO 6709: a second is a 3600th of a degree; the comma is ISO 80000's)."""
    row = "S1;93°36'14,4\"W;42°06'03,6\"N;0;12;12,4;2026-06-12"
    text = sound.samples_csv().replace(",", ";").replace(".", ",").splitlines()
    put("samples.csv", "\n".join([text[0], row, *text[2:]]))
    samples = read_field(rewrite()).samples
    east, north = Transformer.from_crs("EPSG:4326", "EPSG:32615", always_xy=True).transform(-93.604, 42.101)
    np.testing.assert_allclose(samples.coordinates_m[0], [east, north], atol=0.01)


@pytest.mark.parametrize(
    ("longitude", "latitude"),
    [("93° 36.240' W", "42° 6.06' N"), ("93 36 14.4 W", "42 06 03.6 N"), ("W93.604", "N42.101"), ("-93.604", "42.101")],
)
def test_degrees_and_minutes_are_read(rewrite: Rewrite, put: Put, longitude: str, latitude: str) -> None:
    """-93.604 is 93° 36.24' W is 93° 36' 14.4" W: minutes are sixtieths (ISO 6709)."""
    put("samples.csv", sound.samples_csv(edit={2: f"S1,{longitude},{latitude},0,12,12.4,2026-06-12"}))
    samples = read_field(rewrite()).samples
    east, north = Transformer.from_crs("EPSG:4326", "EPSG:32615", always_xy=True).transform(-93.604, 42.101)
    np.testing.assert_allclose(samples.coordinates_m[0], [east, north], atol=0.01)


def test_coordinates_in_another_named_system(rewrite: Rewrite, put: Put) -> None:
    """Metres of EPSG:26915 (the same zone on NAD 83) land within a decimetre of the same places."""
    change = Transformer.from_crs("EPSG:4326", "EPSG:26915", always_xy=True)
    rows = ["sample_id,easting,northing,top_in,bottom_in,nitrate_ppm"]
    for i, place in enumerate(sound.places()):
        east, north = change.transform(*place)
        rows.append(f"S{i + 1},{east:.3f},{north:.3f},0,12,{sound.READINGS[i]}")
    put("samples.csv", "\n".join(rows))
    meters = read_field(rewrite(samples__crs="EPSG:26915")).samples
    put("samples.csv", sound.samples_csv())
    degrees = read_field(rewrite()).samples
    np.testing.assert_allclose(meters.coordinates_m, degrees.coordinates_m, atol=0.1)


def test_samples_outside_are_left_out_and_told_with_their_distance(rewrite: Rewrite, put: Put) -> None:
    """One sample a thousandth of a degree of latitude south of the field: 0.001° × 111.08 km/° = 111 m = 364 ft."""
    put("samples.csv", sound.samples_csv(edit={5: "S4,-93.6,42.099,0,12,16.0,2026-06-12"}))
    field = read_field(rewrite())
    assert "S4" not in field.samples.sample_id
    away = sound.one(field, "reading-outside")
    assert (away["level"], away["about"], away["sample"]) == ("warning", "samples.csv row 5", "S4")
    assert round(away["distance"]) == 364


def test_many_samples_outside_are_told_in_one_line(rewrite: Rewrite, put: Put) -> None:
    """Six south of the field, the last by six thousandths of a degree: one warning. 0.006° × 111.07 km/° = 2,186 ft."""
    edit = {k + 2: f"S{k + 1},-93.6,{42.1 - 0.001 * (k + 1):.3f},0,12,16.0,2026-06-12" for k in range(6)}
    put("samples.csv", sound.samples_csv(edit=edit))
    field = read_field(rewrite())
    away = sound.one(field, "readings-outside")
    assert (away["level"], away["readings"], away["rows"]) == ("warning", 6, "2, 3, 4, 5, 6, 7")
    assert round(away["distance"]) == 2186
    assert not sound.found(field, "reading-outside")


def test_a_sample_in_a_hole_of_the_boundary_is_outside(rewrite: Rewrite, put: Put) -> None:
    """A pond is not the field."""
    lon, lat = sound.places()[5]
    hole = sound.box(lon - 0.0003, lat - 0.0003, lon + 0.0003, lat + 0.0003)
    put("boundary.geojson", sound.collection(sound.polygon(sound.RING, hole)))
    field = read_field(rewrite())
    assert "S6" not in field.samples.sample_id
    assert sound.one(field, "reading-outside")["sample"] == "S6"


def test_swapped_coordinates_are_named_and_never_swapped(rewrite: Rewrite, put: Put) -> None:
    """Where the numbers could be either, the field itself tells; the file is refused."""
    west, south = -58.505, -33.900
    ring = sound.box(west, south, west + 0.01, south + 0.004)
    put("boundary.geojson", sound.collection(sound.polygon(ring)))
    rows = [f"S{i},{south + 0.001 * i},{west + 0.002 * i},0,12,14" for i in (1, 2, 3)]
    put("samples.csv", "\n".join(["sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm", *rows]))
    path = rewrite(layers__organic_matter={"value_pct": 3})
    with pytest.raises(InputFileError, match="longitude and latitude look swapped") as raised:
        read_field(path)
    assert raised.value.remedy == "Compare it with the boundary, and swap the two in the file that is wrong."


def test_lost_minus_sign_is_named(rewrite: Rewrite, put: Put) -> None:
    """Longitudes without their sign lie in another continent, and the error says why."""
    put("samples.csv", sound.samples_csv().replace(",-93.", ",93."))
    with pytest.raises(InputFileError, match="longitude has lost its minus sign"):
        read_field(rewrite())


@pytest.mark.parametrize(("times", "found"), [(1.0, False), (3.0, False), (4.43, True)])
def test_more_nitrate_than_a_field_holds_is_told(rewrite: Rewrite, put: Put, times: float, found: bool) -> None:
    """NO3 or pounds for ppm: a median above 50 ppm asks for a look (common practice, no source)."""
    rows = sound.samples_csv().splitlines()
    for i in range(1, 13):
        cells = rows[i].split(",")
        rows[i] = ",".join([*cells[:5], f"{float(cells[5]) * times:.1f}", *cells[6:]])
    put("samples.csv", "\n".join(rows))
    much = sound.found(read_field(rewrite()), "high-nitrate")
    assert bool(much) is found
    assert all((one["level"], one["usual"]) == ("warning", 50.0) for one in much)


def test_what_the_file_leaves_open_is_told(rewrite: Rewrite) -> None:
    """No basis, no moisture, no stage: each is a question for a person."""
    path = rewrite(samples__reported_as=None, samples__moisture_basis=None, crop__growth_stage=None, layers=None)
    questions = {finding.about for finding in read_field(path).findings if finding.level == "warning"}
    assert questions >= {
        "samples.reported_as", "samples.moisture_basis", "crop.growth_stage", "layers.organic_matter",
    }  # fmt: skip


def test_repeated_row_is_dropped_and_a_second_reading_is_asked_about(rewrite: Rewrite, put: Put) -> None:
    """The same row twice counts once; two readings of one place and depth stay, with a question."""
    rows = sound.samples_csv().splitlines()
    put("samples.csv", "\n".join([*rows, rows[3], rows[4].replace(",16.0,", ",17.5,")]))
    field = read_field(rewrite())
    assert len(field.samples) == 13
    assert sound.one(field, "row-repeated") == {"level": "note", "about": "samples.csv row 14", "row": "4"}
    shared = {"level": "warning", "about": "samples.csv", "places": 1, "rows": "5, 15"}
    assert sound.one(field, "same-place-and-depth") == shared


@pytest.mark.parametrize(
    ("changes", "edit", "code", "values"),
    [
        ({"field__season": 2025}, {}, "sampled-in-another-season", {"day": _JUNE_12, "season": "2025"}),
        ({"crop__application_date": sound.Raw("2026-06-01")}, {}, "applied-before-sampling", {"last": _JUNE_12}),
        ({"crop__planting_date": sound.Raw("2026-07-01")}, {}, "planted-after-sampling", {"first": _JUNE_12}),
        ({}, {3: "S2,-93.6014,42.1007,0,12,14.1,2026-05-02"}, "sampling-took-long", {"days": 41}),
        ({}, {3: "S2,-93.6014,42.1007,0,30,14.1,2026-06-12"}, "depths-overlap", {"bottom": 12, "other_bottom": 30}),
        ({}, {3: "S2,-93.6014,42.1007,30,60,14.1,2026-06-12"}, "thick-cores", {"cores": 1, "top": 30, "bottom": 60}),
        ({}, {3: "S1,-93.6014,42.1007,0,12,14.1,2026-06-12"}, "one-name-two-places", {"samples": "S1"}),
    ],
)
def test_what_looks_wrong_needs_a_person(
    rewrite: Rewrite, put: Put, changes: dict[str, Any], edit: dict[int, str], code: str, values: dict[str, Any]
) -> None:
    """Readings that can be used and look wrong together raise a warning that says so."""
    put("samples.csv", sound.samples_csv(edit=edit))
    found = sound.one(read_field(rewrite(**changes)), code)
    assert found["level"] == "warning"
    assert found.items() >= values.items()


def test_empty_readings_stay_unknown(rewrite: Rewrite, put: Put) -> None:
    """An empty cell is no reading, never 0, and asked about; a wholly empty row is passed over."""
    text = sound.samples_csv(edit={2: "S1,-93.604,42.1007,0,12,,2026-06-12", 3: "S2,-93.6014,42.1007,0,12,NA,"})
    put("samples.csv", text + "S13,,,0,12,,\n")
    field = read_field(rewrite())
    assert field.samples.sample_id[0] == "S3"
    assert len(field.samples) == 10
    assert sound.one(field, "rows-half-filled")["rows"] == 2
    assert sound.one(field, "empty-rows")["rows"] == 1


def test_all_faulty_rows_are_named_together(rewrite: Rewrite, put: Put) -> None:
    """Three rows with three faults are one error."""
    edit = {2: "S1,-93.604,42.1007,0,12,-3,2026-06-12", 4: "S3,-93.5988,42.1007,12,0,9.8,2026-06-12",
            6: "S5,-93.604,42.1019,0,12,n.d.?,2026-06-12"}  # fmt: skip
    put("samples.csv", sound.samples_csv(edit=edit))
    with pytest.raises(InputFileError, match="row 2: nitrate_ppm is -3") as raised:
        read_field(rewrite())
    assert "row 4: a core from 12 to 0 in" in raised.value.problem
    assert 'row 6: nitrate_ppm is "n.d.?", which is not a number' in raised.value.problem


def _projected(epsg: int, *, swapped: bool = False, away_m: float = 0.0) -> str:
    """The sound samples in a projected system that the file does not name."""
    change = Transformer.from_crs("EPSG:4326", f"EPSG:{epsg}", always_xy=True)
    rows = ["sample_id,easting,northing,top_in,bottom_in,nitrate_ppm"]
    for i, place in enumerate(sound.places()):
        pair = change.transform(*place)
        x, y = (pair[0] + away_m, pair[1])[:: -1 if swapped else 1]
        rows.append(f"S{i + 1},{x:.3f},{y:.3f},0,12,{sound.READINGS[i]}")
    return "\n".join(rows)


@pytest.mark.parametrize("epsg", [26915, 3417, 26975])
def test_unnamed_projected_coordinates_are_refused_with_the_system_that_fits(
    rewrite: Rewrite, put: Put, epsg: int
) -> None:
    """UTM and state plane, meters and feet: the line that the refusal gives reads the file, to a decimeter."""
    put("samples.csv", _projected(epsg))
    with pytest.raises(InputFileError, match=f"EPSG:{epsg}") as raised:
        read_field(rewrite())
    assert f'crs = "EPSG:{epsg}" in [samples]' in raised.value.remedy
    meters = read_field(rewrite(samples__crs=f"EPSG:{epsg}")).samples
    put("samples.csv", sound.samples_csv())
    np.testing.assert_allclose(meters.coordinates_m, read_field(rewrite()).samples.coordinates_m, atol=0.1)


def test_the_boundarys_own_system_is_tried_first(rewrite: Rewrite, put: Put, field_folder: Path) -> None:
    """A boundary in EPSG:32615 makes that the first guess for meters that fit two systems."""
    outline = geopandas.read_file(field_folder / "boundary.geojson").to_crs("EPSG:32615")
    outline.to_file(field_folder / "boundary.gpkg")
    put("samples.csv", _projected(26915))
    with pytest.raises(InputFileError) as raised:
        read_field(rewrite(field__boundary="boundary.gpkg"))
    assert 'crs = "EPSG:32615" in [samples]' in raised.value.remedy
    assert "EPSG:26915" in raised.value.remedy


@pytest.mark.parametrize(
    ("text", "named"),
    [
        (_projected(26915, swapped=True), "Easting and northing look swapped"),
        (_projected(26915, away_m=90_000.0), "meters or feet"),
        (_projected(26914), "meters or feet"),
    ],
    ids=["swapped", "another county", "another zone"],
)
def test_projected_coordinates_that_fit_nothing_name_no_system(
    rewrite: Rewrite, put: Put, text: str, named: str
) -> None:
    """No system is offered that does not put the samples on the field."""
    put("samples.csv", text)
    with pytest.raises(InputFileError) as raised:
        read_field(rewrite())
    assert named in raised.value.problem + raised.value.remedy
    assert "lie in the field" not in raised.value.problem


def test_a_layer_in_meters_is_asked_for_under_its_own_key(rewrite: Rewrite, put: Put) -> None:
    """The remedy names the table of the layer."""
    text = _projected(26915).replace("nitrate_ppm", "om_pct").replace("easting", "x").replace("northing", "y")
    put("organic_matter.csv", text)
    with pytest.raises(InputFileError) as raised:
        read_field(rewrite())
    assert 'crs = "EPSG:26915" in [layers.organic_matter]' in raised.value.remedy


def test_ground_sampled_again_counts_once(rewrite: Rewrite, put: Put) -> None:
    """Eight of twelve places again on another day: the later readings and the four others."""
    first = sound.samples_csv()
    again = [f"T{i},{lon + 1e-5},{lat},0,12,30,{{day}}" for i, (lon, lat) in enumerate(sound.places()[:8], 1)]
    for day, counted in (("2026-06-20", 12), ("2026-06-14", 20)):  # two days later is the same round
        put("samples.csv", first + "\n".join(again).format(day=day) + "\n")
        field = read_field(rewrite())
        kept = set(field.samples.sample_id)
        assert len(kept) == counted
        assert ("S1" in kept, "S12" in kept, "T8" in kept) == (counted == 20, True, True)
        codes = {finding.code: finding for finding in field.findings}
        assert ("samples.taken-again" in codes) == (counted == 12)
    put("samples.csv", first + "\n".join(again).format(day="2026-06-20") + "\n")
    told = {finding.code: finding for finding in read_field(rewrite()).findings}["samples.taken-again"]
    assert (told.level, told.quantities["old"].value, told.quantities["left"].value) == ("warning", 8, 12)
    field = read_field(rewrite(samples__accept="two rounds, no rain between"))
    assert len(field.samples) == 20
    assert {one.code: one.level for one in field.findings}["samples.taken-again-all"] == "note"
