"""Shapefile, GeoJSON, GeoPackage, GeoTIFF, GPX and tables, read by readers that had no part in writing them."""

import csv
import io
import itertools
import json
import struct
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from rasterio.env import Env

from vrn.audit import verify
from vrn.errors import InputFileError, OutputError
from vrn.files.guard import check_before_writing
from vrn.files.iso import write_iso
from vrn.files.lonlat import lonlat_parts
from vrn.files.names import cleaned_names, plain_name
from vrn.files.raster import write_rasters
from vrn.files.summary import summary_of
from vrn.files.tables import write_geopackage, write_tables
from vrn.files.vectors import shapefile_parts, write_geojson, write_gpx, write_shapefile
from vrn.model.grid import geodesic_acres
from vrn.pages.load_sheet import load_sheet
from vrn.pipeline.order import write
from vrn.prescription.model import CheckStrip, Prescription, Product

Maker = Callable[..., Prescription]
UAN = Product(name="UAN 32", n_pct=32.0, density_lb_gal=11.06, unit="gal", source="made for a test")
UREA = Product(name="Urea 46-0-0", n_pct=46.0, density_lb_gal=None, unit="lb", source="made for a test")
HOLED = shapely.box(0, 0, 200, 300).difference(shapely.box(60, 60, 120, 130))
TWO_PIECES = (HOLED, shapely.union_all([shapely.box(200, 0, 400, 140), shapely.box(460, 0, 640, 200)]))


def dbf_fields(table: bytes) -> list[tuple[str, str, int, int]]:
    """Name, kind, width, decimals of each field by the dBASE III layout: descriptors of 32 bytes from byte 32."""
    header = struct.unpack("<H", table[8:10])[0]
    fields = []
    for at in range(32, header - 1, 32):
        name, kind = table[at : at + 11].split(b"\0")[0].decode(), chr(table[at + 11])
        fields.append((name, kind, table[at + 16], table[at + 17]))
    return fields


def test_shapefile_has_exactly_the_promised_columns(made: Prescription) -> None:
    """RATE N(10,2), ZONE N(4,0), UNIT C(10), read from the table's own header."""
    table = shapefile_parts(made)["RX.DBF"]
    assert dbf_fields(table) == [("RATE", "N", 10, 2), ("ZONE", "N", 4, 0), ("UNIT", "C", 10, 0)]
    assert tuple(table[1:4]) == (126, 6, 16)  # dated by the field file: 2026-06-16


def test_gdal_reads_the_shapefile(make: Maker, tmp_path: Path) -> None:
    """GDAL finds WGS 84, single polygons, and the rate of every zone to its last digit, also in the zip."""
    made = make(TWO_PIECES)
    write_shapefile(made, tmp_path)
    for path in (tmp_path / "shapefile" / "RX.SHP", f"/vsizip/{tmp_path / 'shapefile.zip'}/RX.SHP"):
        meta, _, shapes, (rate, zone, unit) = pyogrio.raw.read(path)
        assert meta["crs"] == "EPSG:4326"
        assert {shapely.from_wkb(shape).geom_type for shape in shapes} == {"Polygon"}
        assert zone.tolist() == [1, 2, 2]
        # 60 and 95 lb N/ac of UAN 32 at 3.5392 lb N/gal: 16.953 and 26.842 gal/ac
        assert rate.tolist() == [16.95, 26.84, 26.84]
        assert set(unit) == {"gal/ac"}


def test_shapefile_names_are_8_3_upper_case_and_ascii(made: Prescription) -> None:
    """File names fit the oldest reader, and the .prj is plain ASCII."""
    files = shapefile_parts(made)
    assert list(files) == ["RX.SHP", "RX.SHX", "RX.DBF", "RX.PRJ"]
    assert files["RX.PRJ"].decode("ascii").startswith('GEOGCS["GCS_WGS_1984"')


def test_shapefile_shells_turn_clockwise(make: Maker) -> None:
    """Shells clockwise, holes counter-clockwise (shapefile description of 1998), by the shoelace sum of raw bytes."""
    data = shapefile_parts(make((HOLED,), rates_n_lb_ac=(80.0,)))["RX.SHP"]
    parts, points = struct.unpack("<ii", data[108 + 36 : 108 + 44])
    starts = [*struct.unpack(f"<{parts}i", data[152 : 152 + 4 * parts]), points]
    corners = np.frombuffer(data[152 + 4 * parts : 152 + 4 * parts + 16 * points], "<f8").reshape(-1, 2)
    sums = []
    for first, last in itertools.pairwise(starts):
        x, y = (corners[first:last] - corners[0]).T
        sums.append(float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1])))
    assert sums[0] < 0 < sums[1]


def test_rate_basis_nitrogen_is_stated(make: Maker, tmp_path: Path) -> None:
    """A terminal set in nitrogen gets lb N/ac in every file that says a unit."""
    made = make(rate_basis="n")
    write_shapefile(made, tmp_path)
    _, _, _, (rate, _, unit) = pyogrio.raw.read(tmp_path / "shapefile" / "RX.SHP")
    assert rate.tolist() == [60.0, 95.0, 130.0]
    assert set(unit) == {"lb N/ac"}
    assert "set the terminal to lb N/ac (nitrogen, not product)" in load_sheet(made)


def test_columns_are_renamed_for_the_controller(make: Maker) -> None:
    """Column names of the field file are used, and stand on the load sheet."""
    made = make(export={"shapefile_columns": {"RATE": "TGT_RATE", "ZONE": "ID"}})
    assert [field[0] for field in dbf_fields(shapefile_parts(made)["RX.DBF"])] == ["TGT_RATE", "ID", "UNIT"]
    assert "rate column TGT_RATE" in load_sheet(made)


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"SPEED": "V"}, "no column SPEED"),
        ({"RATE": "rate"}, "does not fit"),
        ({"RATE": "TARGET_RATE_N"}, "does not fit"),
        ({"RATE": "DÉBIT"}, "does not fit"),
        ({"RATE": "9RATE"}, "does not fit"),
        ({"RATE": "ZONE"}, "named alike"),
    ],
)
def test_column_names_that_no_table_takes(columns: dict[str, str], words: str, make: Maker) -> None:
    """Names that a DBF file would cut, refuse or confuse are refused with their key."""
    with pytest.raises(InputFileError, match=words):
        shapefile_parts(make(export={"shapefile_columns": columns}))


def test_geojson_keeps_to_rfc_7946(make: Maker, tmp_path: Path) -> None:
    """No crs member, shells counter-clockwise, seven decimals, a bbox, strict JSON, longitude first."""
    made = make(TWO_PIECES)
    write_geojson(made, tmp_path)
    text = (tmp_path / "prescription.geojson").read_text(encoding="utf-8")
    data = json.loads(text, parse_constant=pytest.fail, parse_float=lambda number: number)
    assert "crs" not in data
    decimals = [len(str(v).partition(".")[2]) for v in np.ravel(data["features"][0]["geometry"]["coordinates"][0])]
    assert max(decimals) <= 7
    data = json.loads(text)
    for feature in data["features"]:
        shape = shapely.geometry.shape(feature["geometry"])
        assert shape.is_valid
        for part in shapely.get_parts(shape):
            assert part.exterior.is_ccw
            assert not any(ring.is_ccw for ring in part.interiors)
    assert -95 < data["bbox"][0] < data["bbox"][2] < -94
    assert 42 < data["bbox"][1] < data["bbox"][3] < 43


def test_geojson_says_what_the_contract_says(made: Prescription, tmp_path: Path) -> None:
    """Each feature has exactly zone, rate_product, rate_unit, rate_n_lb_ac and acres; GDAL reads them."""
    write_geojson(made, tmp_path)
    meta, _, shapes, columns = pyogrio.raw.read(tmp_path / "prescription.geojson")
    values = dict(zip(meta["fields"], columns, strict=True))
    assert {"zone", "rate_product", "rate_unit", "rate_n_lb_ac", "acres"} <= set(values)
    acres = [geodesic_acres(shapely.from_wkb(shape), "EPSG:4326") for shape in shapes]
    np.testing.assert_allclose(values["acres"], acres, rtol=5e-5)
    np.testing.assert_allclose(values["rate_n_lb_ac"], values["rate_product"] * 3.5392, rtol=1e-6)


def test_no_apply_ground_is_no_feature(make: Maker, tmp_path: Path) -> None:
    """The features' union leaves no-apply ground out."""
    made = make(no_apply=shapely.box(400, 0, 430, 300))
    write_geojson(made, tmp_path)
    _, _, shapes, _ = pyogrio.raw.read(tmp_path / "prescription.geojson")
    union = shapely.union_all(shapely.from_wkb(shapes))
    (ditch,) = lonlat_parts(made.field.no_apply, made.grid.crs)
    assert union.intersection(ditch).area < 1e-4 * ditch.area


def test_geopackage_holds_the_layers(make: Maker, tmp_path: Path) -> None:
    """GDAL lists boundary, zones, samples and no-apply ground, in the field's system, with their columns."""
    made = make(no_apply=shapely.box(400, 0, 430, 300))
    write_geopackage(made, tmp_path)
    path = tmp_path / "layers.gpkg"
    assert dict(pyogrio.list_layers(path).tolist()) == {
        "boundary": "MultiPolygon", "zones": "MultiPolygon", "samples": "Point", "no_apply": "MultiPolygon"
    }  # fmt: skip
    meta, _, shapes, columns = pyogrio.raw.read(path, layer="zones")
    assert meta["crs"] == made.grid.crs
    values = dict(zip(meta["fields"], columns, strict=True))
    assert values["rate_n_lb_ac"].tolist() == [60.0, 95.0, 130.0]
    assert values["status"].tolist() == ["DRAFT: not approved"] * 3
    union = shapely.union_all(shapely.from_wkb(shapes))
    assert union.symmetric_difference(made.field.treated).area <= 1e-6 * union.area
    _, _, points, _ = pyogrio.raw.read(path, layer="samples")
    np.testing.assert_array_equal(shapely.get_coordinates(shapely.from_wkb(points)), made.field.samples.coordinates_m)


def test_rasters_are_cloud_optimised_with_unit_and_nodata(made: Prescription, tmp_path: Path) -> None:
    """GDAL reports the COG layout, NaN as nodata, the unit of each band, and the values cell for cell."""
    write_rasters(made, tmp_path)
    units = {"nitrate": "ppm", "error": "ppm", "need": "lb N/ac", "rate": "lb N/ac"}
    assert {path.stem for path in (tmp_path / "rasters").iterdir()} == set(units)
    for name, unit in units.items():
        with Env(), rasterio.open(tmp_path / "rasters" / f"{name}.tif") as file:
            assert file.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
            assert np.isnan(file.nodata)
            assert file.units == (unit,)
            assert file.tags()["UNIT"] == unit
            assert file.crs.to_string() == made.grid.crs
            values = file.read(1)
            assert np.isnan(values[made.share == 0]).all()
            if name == "rate":
                np.testing.assert_array_equal(values[made.share > 0], made.rate_grid()[made.share > 0].astype("f4"))


def test_no_apply_ground_is_zero_in_the_rate_raster(make: Maker, tmp_path: Path) -> None:
    """A waterway 30 m wide between two zones: 0 in its middle, the rates beside it, NaN outside the boundary."""
    zones = (shapely.box(0, 0, 100, 200), shapely.box(130, 0, 300, 180))
    made = make(zones, rates_n_lb_ac=(90.0, 120.0), no_apply=shapely.box(100, 0, 130, 200))
    write_rasters(made, tmp_path)
    with rasterio.open(tmp_path / "rasters" / "rate.tif") as file:
        west, south = made.field.boundary.bounds[:2]
        there = [(west + x, south + y) for x, y in ((50, 100), (115, 100), (115, 195), (200, 100), (250, 195))]
        assert [float(value[0]) for value in file.sample(there)] == pytest.approx([90, 0, 0, 120, np.nan], nan_ok=True)
    with rasterio.open(tmp_path / "rasters" / "nitrate.tif") as file:
        assert np.isnan(next(file.sample(there[1:2]))[0])


def test_error_raster_without_standard_error(made: Prescription, tmp_path: Path) -> None:
    """A surface without standard error gets its leave-one-out error; one that has neither gets no error raster."""
    nitrate = replace(made.surfaces["nitrate_ppm"], se=None)
    write_rasters(replace(made, surfaces={"nitrate_ppm": nitrate}), tmp_path)
    with rasterio.open(tmp_path / "rasters" / "error.tif") as file:
        assert np.nanmin(file.read(1)) == np.nanmax(file.read(1)) == np.float32(1.7)
        assert "leave-one-out" in file.descriptions[0]
    (tmp_path / "second").mkdir()
    write_rasters(replace(made, surfaces={"nitrate_ppm": replace(nitrate, choice=None)}), tmp_path / "second")
    assert not (tmp_path / "second" / "rasters" / "error.tif").exists()


def test_gpx_is_read_by_gdal(make: Maker, tmp_path: Path) -> None:
    """Samples are waypoints in degrees, rings of the boundary are tracks."""
    made = make(TWO_PIECES)
    write_gpx(made, tmp_path)
    _, _, points, columns = pyogrio.raw.read(tmp_path / "field.gpx", layer="waypoints", columns=["name"])
    assert columns[0].tolist() == ["S1", "S2", "S3", "S4", "S5", "S6"]
    longitude, latitude = shapely.get_coordinates(shapely.from_wkb(points))[0]
    assert -94.7 < longitude < -94.5
    assert 42.2 < latitude < 42.4
    _, _, tracks, _ = pyogrio.raw.read(tmp_path / "field.gpx", layer="tracks", columns=["name"])
    assert len(tracks) == 3  # two shells, one hole


def test_ledger_adds_up(made: Prescription, tmp_path: Path) -> None:
    """The rows of a zone add up to its need before it is cut at 0, to 1e-9."""
    write_tables(made, tmp_path)
    with (tmp_path / "ledger.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    for rate in made.rates:
        total = sum(float(row["lb_ac"]) for row in rows if int(row["zone"]) == rate.zone)
        assert total == pytest.approx(rate.ledger.unclipped_lb_ac, abs=1e-9)
    assert {row["key"] for row in rows} == {"crop", "soil_nitrate"}


def test_cells_that_look_like_formulas_are_text(make: Maker, tmp_path: Path) -> None:
    """A label that a spreadsheet would run gets an apostrophe; unknown numbers are empty."""
    made = make()
    first = made.rates[0]
    lines = tuple(
        replace(line, label='=HYPERLINK("x")', basis="+1-1", source="@SUM(A1)") for line in first.ledger.lines
    )
    write_tables(
        replace(made, rates=(replace(first, ledger=replace(first.ledger, lines=lines)), *made.rates[1:])), tmp_path
    )
    with (tmp_path / "ledger.csv").open(encoding="utf-8", newline="") as file:
        row = next(csv.DictReader(file))
    assert (row["label"], row["basis"], row["source"]) == ('\'=HYPERLINK("x")', "'+1-1", "'@SUM(A1)")
    with (tmp_path / "zones.csv").open(encoding="utf-8", newline="") as file:
        assert next(csv.DictReader(file))["organic_matter_pct"] == ""


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("Großer Acker, “Süd”", "Grosser Acker Sud"),
        ("<b>North</b> & 'South'; \"40\"", "b North b South 40"),
        ("Champ\x00 numéro\t7\n", "Champ numero 7"),
        ("x" * 200, "x" * 32),
        ("田んぼ", "Field"),
        ("=cmd|' /C calc'!A0", "cmd C calc A0"),
    ],
)
def test_names_are_cleaned_and_told(name: str, plain: str, make: Maker) -> None:
    """What a terminal cannot show is spelled plainly, and a finding says so."""
    assert plain_name(name) == plain
    made = make(name=name, export={"plain_names": True})
    findings = cleaned_names(made)
    assert findings[0].about == "field.name"
    assert (findings[0].code, findings[0].quantities["plain"].value) == ("files.name-plain", plain)
    assert plain in load_sheet(made)


def test_plain_name_needs_no_word(made: Prescription) -> None:
    """Nothing is told of a name that every format carries."""
    assert cleaned_names(made) == ()


def test_summary_has_exactly_the_contracts_keys(made: Prescription) -> None:
    """Names of summary.json are those the outside relies on, and every number is JSON."""
    summary = summary_of(made)
    assert set(summary) == {
        "field", "season", "acres", "units", "method", "product", "flat_rate_n_lb_ac", "mean_rate_n_lb_ac",
        "total_n_lb", "total_product", "zones", "surfaces", "zone_choice", "approved", "id", "findings", "inputs",
        "files", "versions", "doubt",
    }  # fmt: skip
    assert set(summary["zones"][0]) == {
        "zone", "acres", "parts", "rate_n_lb_ac", "rate_product", "nitrate_ppm", "organic_matter_pct",
        "yield_goal_bu_ac", "need_lb_ac", "ledger",
    }  # fmt: skip
    assert set(summary["surfaces"]["nitrate"]) == {"chosen", "loo_rmse_ppm", "mean_rmse_ppm", "variogram"}
    assert summary["zones"][0]["organic_matter_pct"] is None
    json.dumps(summary, allow_nan=False)


def test_more_zones_or_parts_than_a_terminal_takes(make: Maker) -> None:
    """255 zones and 2001 pieces are refused with what to do."""
    strips = [shapely.box(4 * i, 0, 4 * i + 4, 60) for i in range(255)]
    with pytest.raises(OutputError, match="255 zones") as caught:
        check_before_writing(make(strips, rates_n_lb_ac=[100.0] * 255, cell_m=8.0))
    assert "zones.count" in caught.value.remedy
    comb = shapely.multipolygons([shapely.box(3 * i, 0, 3 * i + 2, 20) for i in range(2001)])
    with pytest.raises(OutputError, match="2001 pieces"):
        check_before_writing(make((comb,), rates_n_lb_ac=[100.0], cell_m=20.0))


def test_sliver_below_a_centimetre_is_refused(make: Maker, tmp_path: Path) -> None:
    """A zone that would vanish when its vertices are rounded is not silently lost."""
    made = make((shapely.box(0, 0, 200, 200), shapely.box(200, 0, 200.000001, 200)))
    with pytest.raises(OutputError, match="Zone 2 is narrower"):
        write_geojson(made, tmp_path)


def test_check_strip_is_labelled_in_every_file(made: Prescription, tmp_path: Path) -> None:
    """A zone with a label carries it in the controller files, the layers, the tables and on the sheet."""
    label = "check strip 1, +30 lb N/ac in zone 2"
    strip = replace(made.rates[2], trial=CheckStrip(pair=1, difference_n_lb_ac=30.0, in_zone=2))
    made = replace(made, rates=(*made.rates[:2], strip))
    write_geojson(made, tmp_path)
    write_shapefile(made, tmp_path)
    write_geopackage(made, tmp_path)
    write_tables(made, tmp_path)
    features = json.loads((tmp_path / "prescription.geojson").read_text(encoding="utf-8"))["features"]
    assert [feature["properties"].get("label") for feature in features] == [None, None, label]
    table = (tmp_path / "shapefile" / "RX.DBF").read_bytes()
    assert dbf_fields(table)[3] == ("LABEL", "C", 40, 0)
    _, _, _, columns = pyogrio.raw.read(tmp_path / "shapefile" / "RX.SHP")
    assert columns[3].tolist()[2] == "check strip 1 +30 lb N ac in zone 2"
    _, _, _, columns = pyogrio.raw.read(tmp_path / "layers.gpkg", layer="zones", columns=["label"])
    assert columns[0].tolist() == ["", "", label]
    with (tmp_path / "zones.csv").open(encoding="utf-8", newline="") as file:
        assert [row["label"] for row in csv.DictReader(file)] == ["", "", label]
    assert "check strip 1" in load_sheet(made)
    polygons = replace(made.field.settings, export=replace(made.field.settings.export, iso_grid="polygons"))
    write_iso(replace(made, field=replace(made.field, settings=polygons)), tmp_path)
    task = (tmp_path / "TASKDATA" / "TASKDATA.XML").read_text(encoding="utf-8")
    assert 'B="3 check strip 1 +30 lb N ac in z"' in task


def test_zip_is_the_same_every_day(made: Prescription, tmp_path: Path) -> None:
    """The zip's entries are dated by the field file, not by the clock."""
    write_shapefile(made, tmp_path)
    with zipfile.ZipFile(io.BytesIO((tmp_path / "shapefile.zip").read_bytes())) as archive:
        assert {entry.date_time[:3] for entry in archive.infolist()} == {(2026, 6, 16)}
        assert archive.testzip() is None


def test_load_sheet_says_what_to_expect(made: Prescription) -> None:
    """Product, total, unit, what to pick and the state stand on the sheet."""
    sheet = load_sheet(made)
    # 400 × 300 m of the field: 14.83 ac at 16.95, 4.94 at 26.84, 9.89 at 36.73 gal/ac = 747 gal
    for shown in ("DRAFT", "UAN 32", "32%", "11.06 lb/gal", "747 gal", "DRAFT N 2026 Test Forty", "RATE", "gal/ac"):
        assert shown in sheet
    assert all(len(line) <= 100 for line in sheet.splitlines())


def test_load_sheet_in_metric_units(make: Maker) -> None:
    """With ``units = "metric"`` the operator reads hectares, litres and L/ha."""
    sheet = load_sheet(make(units="metric"))
    # 747.35 gal × 3.785411784 L = 2 829 L; 29.66 ac = 12.00 ha
    for shown in ("2,829 L", "12.00 ha", "L/ha"):
        assert shown in sheet


# of product: 60 lb N/ac are 60 / 3.5392 gal/ac × 9.353956 = 158.577 L/ha, or 60 / 0.46 lb/ac × 1.120851 = 146.198 kg/ha
METRIC_RATES = [
    ("gal", "product", 158.577, "L/ha"),
    ("lb", "product", 146.198, "kg/ha"),
    ("gal", "n", 67.251, "kg N/ha"),
]


@pytest.mark.parametrize(("product", "rate_basis", "rate", "unit"), METRIC_RATES)
def test_a_metric_field_is_metric_in_every_file(
    product: str, rate_basis: str, rate: float, unit: str, make: Maker, tmp_path: Path, quick_pages: None
) -> None:
    """Rates, areas and totals in metric units, each file's column or tag naming its own; no column of a trade unit."""
    sold = UAN if product == "gal" else UREA
    out = write(make(units="metric", rate_basis=rate_basis, product=sold), tmp_path / "rx")
    held = pyogrio.read_dataframe(out / "shapefile" / "RX.SHP")
    assert held["RATE"][0] == pytest.approx(rate, abs=0.005)
    assert set(held["UNIT"]) == {unit}
    told = json.loads((out / "prescription.geojson").read_text(encoding="utf-8"))["features"][0]["properties"]
    assert told["rate_product"] == pytest.approx(rate, abs=0.001)
    assert (told["rate_unit"], set(told)) == (
        unit, {"zone", "rate_product", "rate_unit", "rate_n_kg_ha", "area_ha"},
    )  # fmt: skip
    assert told["rate_n_kg_ha"] == pytest.approx(60 * 1.1208511, abs=1e-4)
    with (out / "zones.csv").open(encoding="utf-8") as file:
        zone = next(csv.DictReader(file))
    # 200 × 300 m of the grid, scaled to the ground: 6.00 ha
    assert float(zone["area_ha"]) == pytest.approx(6.0, rel=2e-3)
    assert float(zone["n_kg"]) == pytest.approx(float(zone["area_ha"]) * 67.251, rel=1e-5)
    assert (float(zone["rate_product"]), zone["rate_unit"]) == (pytest.approx(rate, abs=0.001), unit)
    with (out / "ledger.csv").open(encoding="utf-8") as file:
        line = next(csv.DictReader(file))
    assert float(line["kg_ha"]) == pytest.approx(100 * 1.1208511, abs=1e-4)
    for name, wanted in (("rate", "kg N/ha"), ("need", "kg N/ha"), ("nitrate", "mg/kg")):
        with rasterio.open(out / "rasters" / f"{name}.tif") as raster:
            assert (raster.units[0], raster.tags()["UNIT"]) == (wanted, wanted)
            assert name != "rate" or np.nanmin(raster.read(1)) == pytest.approx(67.251, abs=0.001)
    zones = pyogrio.read_dataframe(out / "layers.gpkg", layer="zones")
    samples = pyogrio.read_dataframe(out / "layers.gpkg", layer="samples")
    trade = ("_ac", "_lb", "_in", "acres", "_gal", "_ft")
    columns = [*zone, *line, *told, *zones, *samples]
    assert not [name for name in columns if name == "lb_ac" or name.endswith(trade)]
    assert samples["bottom_cm"][0] == pytest.approx(30.48)
    assert "0-30 cm: " in (out / "field.gpx").read_text(encoding="utf-8")
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert summary["total_n_kg"] == pytest.approx(summary["total_n_lb"] * 0.45359237)
    assert summary["zones"][0]["rate_n_kg_ha"] == pytest.approx(67.251, abs=0.001)
    assert summary["zones"][0]["rate_n_lb_ac"] == 60
    sheet = load_sheet(make(units="metric", rate_basis=rate_basis, product=sold))
    assert f"set the terminal to {unit} " in sheet
    assert not verify(out).failed


def test_lines_of_the_load_sheet_fit_the_paper(make: Maker) -> None:
    """A long caution is broken into lines that print; the box to tick stands before its first."""
    product = replace(make().product, cautions=("rates.caution-urea", "rates.caution-ammonia"))
    without, sheet = load_sheet(make()), load_sheet(replace(make(), product=product))
    assert max(map(len, sheet.splitlines())) <= 90
    assert sheet.count("[ ]") == without.count("[ ]") + 2
    assert len(sheet.splitlines()) > len(without.splitlines()) + 2
