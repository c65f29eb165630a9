"""``vrn start --from``: what each file is by its content, what is asked, and how few edits lead to a build."""

import hashlib
import json
import math
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
import sound

from vrn.cli import main
from vrn.ingest.read import read_field
from vrn.model.layers import ConstantLayer

Make = Callable[[Path], object]
WEST, SOUTH, EAST, NORTH = sound.WEST, sound.SOUTH, sound.EAST, sound.NORTH
LOG = [(WEST + 0.0002 + 0.00048 * i, SOUTH + 0.0002 + 0.00036 * j) for j in range(11) for i in range(20)]
OUTLINE = shapely.Polygon(sound.RING)


def _kml(folder: Path, name: str = "north 40.kml") -> None:
    ring = " ".join(f"{x},{y},0" for x, y in sound.RING)
    (folder / name).write_text(
        '<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>North 40</name><Polygon>'
        f"<outerBoundaryIs><LinearRing><coordinates>{ring}</coordinates></LinearRing></outerBoundaryIs>"
        "</Polygon></Placemark></Document></kml>",
        encoding="utf-8",
    )


def _outline(folder: Path, name: str = "outline.geojson") -> None:
    (folder / name).write_text(json.dumps(sound.collection(sound.polygon(sound.RING))), encoding="utf-8")


def _lab_frame(**columns: Any) -> pd.DataFrame:
    places = sound.places()
    rows = {"Lab No": range(901, 913), "Field ID": [f"W{i}" for i in range(1, 13)], "Latitude": [y for _, y in places],
            "Longitude": [x for x, _ in places], "Depth (in)": "0-12", "NO3-N (ppm)": sound.READINGS,
            "Date Sampled": "2026-06-12"}  # fmt: skip
    return pd.DataFrame({**rows, **columns})


def _bushels(at: int) -> float:
    return 185 + 25 * math.sin(at / 30)


def _a_workbook_a_kml_and_a_log(folder: Path) -> None:
    """A laboratory's workbook under three rows of titles, an outline from a globe, a harvest log."""
    with pd.ExcelWriter(folder / "report 5512.xlsx") as book:
        frame = _lab_frame(**{"OM (%)": [2.0 + 0.1 * i for i in range(12)], "pH": 6.4, "P (ppm)": 21})
        frame.to_excel(book, sheet_name="Results", index=False, startrow=3)
        book.sheets["Results"]["A1"] = "Prairie Bend Soil Laboratory"
        book.sheets["Results"]["A2"] = "Report 5512"
    _kml(folder)
    pd.DataFrame({
        "Longitude": [x for x, _ in LOG], "Latitude": [y for _, y in LOG],
        "Dry Yield (bu/ac)": [_bushels(i) for i in range(len(LOG))], "Moisture (%)": 16.2, "Speed (mph)": 4.4,
        "Width (ft)": 20,
    }).to_csv(folder / "harvest 2025.csv", index=False)  # fmt: skip


def _odd_names_a_shapefile_and_points(folder: Path) -> None:
    """Semicolons, places in meters, centimeters without saying so; a state plane in feet; yields as points."""
    to_m = pyproj.Transformer.from_crs(4326, 32615, always_xy=True)
    lines = ["Grower;Site name;Easting;Northing;From;To;Nitrat_N mg/kg dry;NO3-N kg/ha;Org. matter g/kg;Pulled"]
    for i, (place, ppm) in enumerate(zip(sound.places(), sound.READINGS, strict=True), 1):
        x, y = to_m.transform(*place)
        lines.append(f"Baker;S{i};{x:.2f};{y:.2f};0;30;{ppm};{ppm * 4.0:.0f};{20 + i};6/15/2026")
    (folder / "soil.txt").write_text("\n".join(lines), encoding="utf-8")
    geopandas.GeoSeries([OUTLINE], crs=4326).to_crs(3417).to_file(folder / "Field.shp")
    frame = geopandas.GeoDataFrame(
        {"Yld_t_ha": [_bushels(i) / 15.93 for i in range(len(LOG))]},
        geometry=[shapely.Point(at) for at in LOG],
        crs=4326,
    )
    frame.to_file(folder / "corn24.shp")


def _a_long_table_a_geojson_and_a_mass_log(folder: Path) -> None:
    """One row for each test, depth and carbon in headers of their own; grain by its flow."""
    frame = pd.DataFrame({
        "Sample": [f"S{i}" for i in range(1, 13)], "GPS Lat": [y for _, y in sound.places()],
        "GPS Lon": [x for x, _ in sound.places()], "Nitrate-N 0-12 in, ppm": sound.READINGS,
        "Total org C (%)": [1.2 + 0.05 * i for i in range(12)], "Collected": "2026-06-12",
    })  # fmt: skip
    frame.to_csv(folder / "readings.csv", index=False, sep="\t")
    _outline(folder)
    acres_s = 1.9 * 6.1 / 4046.86
    pd.DataFrame({
        "lon": [x for x, _ in LOG], "lat": [y for _, y in LOG],
        "Mass Flow (lb/s)": [_bushels(i) * 56 * acres_s for i in range(len(LOG))], "Seconds": 1.0,
        "Distance (m)": 1.9, "Swath (m)": 6.1, "Moisture (%)": 15.5,
    }).to_csv(folder / "combine_2025.csv", index=False)  # fmt: skip


def _a_sheet_without_organic_matter_and_a_trial(folder: Path) -> None:
    """Nitrate alone, an outline, yields as points, and strips with their rates."""
    _lab_frame().to_csv(folder / "lab.csv", index=False)
    _outline(folder)
    yields = pd.DataFrame({"lon": [x for x, _ in LOG], "lat": [y for _, y in LOG], "Yield (bu/ac)": 190.5})
    yields.assign(**{"Yield (bu/ac)": [_bushels(i) for i in range(len(LOG))]}).to_csv(folder / "y.csv", index=False)
    strips = {"Rep": [1, 1, 1, 2, 2, 2], "N rate (lb/ac)": [0, 90, 180] * 2, "Corn yield (bu/ac)": [110, 170, 195] * 2}
    pd.DataFrame(strips).to_csv(folder / "strips 2025.csv", index=False)


WALKS: list[Make] = [
    _a_workbook_a_kml_and_a_log, _odd_names_a_shapefile_and_points, _a_long_table_a_geojson_and_a_mass_log,
    _a_sheet_without_organic_matter_and_a_trial,
]  # fmt: skip


def _given(tmp_path: Path, *makes: Make) -> Path:
    folder = tmp_path / "given"
    folder.mkdir(exist_ok=True)
    for make in makes:
        make(folder)
    return folder


def _start(given: Path, to: Path, capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, dict[str, Any]]:
    """Start from every file of a folder, for a machine."""
    capsys.readouterr()
    files = [str(path) for path in sorted(given.iterdir())]
    status = main(["start", str(to), "--json", *more, "--from", *files])
    said = capsys.readouterr()
    return status, json.loads(said.out) if said.out else {"error": said.err}


def _roles(started: dict[str, Any]) -> dict[str, list[str]]:
    roles: dict[str, list[str]] = {}
    for one in started["roles"]:
        roles.setdefault(one["file"], []).append(one["role"])
    return roles


def _codes(started: dict[str, Any], *, needed: bool | None = None) -> set[str]:
    return {one["code"] for one in started["questions"] if needed is None or one["needed"] is needed}


def _answer(field_file: Path, **answers: str) -> int:
    """Fill in lines marked <-- as a person does; returns how many were changed."""
    text = field_file.read_text(encoding="utf-8")
    for key, value in answers.items():
        text, count = re.subn(rf"^#{key} = \S+( +# <--.*)$", rf"{key} = {value}\1", text, flags=re.MULTILINE)
        assert count == 1, key
    field_file.write_text(text, encoding="utf-8")
    return len(answers)


@pytest.mark.usefixtures("quick_pages")
@pytest.mark.parametrize("make", WALKS, ids=lambda make: make.__name__.strip("_"))
def test_from_a_persons_files_to_a_build_in_two_edits(
    make: Make, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What a build waits for is goal and stage; two lines later it builds from the readings as they were printed."""
    folder = tmp_path / "ash hill"
    status, started = _start(_given(tmp_path, make), folder, capsys)
    assert status == 1
    assert _codes(started, needed=True) == {"start.yield-goal", "start.stage"}
    (goal,) = (one["line"].split()[0] for one in started["questions"] if one["code"] == "start.yield-goal")
    answers = {goal: {"yield_goal_bu_ac": "200", "yield_goal_t_ha": "12.5"}[goal], "growth_stage": '"V7"'}
    assert _answer(folder / "field.toml", **answers) == 2
    field = read_field(folder / "field.toml")
    np.testing.assert_allclose(field.samples.nitrate_ppm, sound.READINGS)
    assert field.samples.bottom_in == pytest.approx(np.full(12, 12.0), abs=0.2)
    assert {day.year for day in field.samples.sampled_on if day is not None} == {2026} == {field.settings.header.season}
    assert field.organic_matter is not None
    guessed = isinstance(field.organic_matter, ConstantLayer)
    organic = [field.organic_matter.value] if guessed else field.organic_matter.values  # type: ignore[union-attr]
    assert 1.5 < float(np.median(organic)) < 4
    assert (
        guessed
        == ("ingest.organic-matter-assumed" in _codes(started))
        == bool(sound.found(field, "organic-matter-assumed"))
    )
    assert field.yield_potential is not None
    assert main(["build", str(folder / "field.toml"), "--out", str(tmp_path / "rx")]) == 1
    summary = json.loads((tmp_path / "rx" / "summary.json").read_text(encoding="utf-8"))
    assert 60 < summary["mean_rate_n_lb_ac"] < 150


def test_places_in_meters_with_a_decimal_comma_need_no_edit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Easting and northing of UTM zone 15N as 450057,2: the system is found, the year too; goal and stage are left."""
    to_meters = pyproj.Transformer.from_crs(4326, 32615, always_xy=True)
    rows = ["Probe;Easting;Northing;From (cm);To (cm);NO3-N (mg/kg, dry);OM (g/kg);Sampled"]
    for i, (place, ppm) in enumerate(zip(sound.places(), sound.READINGS, strict=True)):
        x, y = (f"{one:.1f}".replace(".", ",") for one in to_meters.transform(*place))
        rows.append(f"B{i};{x};{y};0;30;{str(ppm).replace('.', ',')};{24 + i};6/12/2025")
    given = _given(tmp_path, _outline)
    (given / "lab.csv").write_text("\n".join(rows), encoding="utf-8")
    _, started = _start(given, tmp_path / "new", capsys, "--yield-goal", "12.5", "--stage", "V7")
    assert _codes(started, needed=True) == set()
    field = read_field(tmp_path / "new" / "field.toml")
    assert field.settings.header.season == 2025
    np.testing.assert_allclose(field.samples.nitrate_ppm, sound.READINGS)
    assert shapely.contains_xy(field.boundary, field.samples.coordinates_m).all()


def test_a_trial_is_known_by_its_rates_and_yields(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its columns are named in the field file, in either system of units, and it is read."""
    given = _given(tmp_path, _a_sheet_without_organic_matter_and_a_trial)
    metric = {"N (kg/ha)": [0, 100, 200] * 2, "Yield (t/ha)": [7.0, 11.0, 12.5] * 2, "Block": [1, 1, 1, 2, 2, 2]}
    for name, frame in (("us", None), ("metric", metric)):
        if frame is not None:
            pd.DataFrame(frame).to_csv(given / "strips 2025.csv", index=False)
        _, started = _start(given, tmp_path / name, capsys, "--yield-goal", "205", "--stage", "V7")
        assert _roles(started)["strips 2025.csv"] == ["trial"]
        trial = read_field(tmp_path / name / "field.toml").trial
        assert trial is not None
        assert trial.n_lb_ac.max() == pytest.approx(180 if frame is None else 200 * 0.892179, rel=1e-4)
        assert trial.block == ("1", "1", "1", "2", "2", "2")


def test_nothing_is_left_when_a_person_says_the_rest(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Goal, stage and product on the command line, the basis in the header: status 0, and it builds as it stands."""
    given = _given(tmp_path, _kml)
    _lab_frame(**{"NO3-N (ppm, dry)": sound.READINGS}).drop(columns="NO3-N (ppm)").to_csv(given / "a.csv", index=False)
    said = ["--yield-goal", "205", "--stage", "V7", "--om", "2.6", "--product", "UAN 32"]
    status, started = _start(given, tmp_path / "new", capsys, *said)
    assert started["questions"] == []
    assert status == 0
    settings = read_field(tmp_path / "new" / "field.toml").settings
    assert (settings.crop.yield_goal_bu_ac, settings.crop.growth_stage) == (205, "V7")
    assert settings.product.name == "UAN 32"
    assert (settings.samples.reported_as, settings.samples.moisture_basis) == ("NO3-N", "dry")


def _csv(text: str) -> Make:
    return lambda path: path.with_suffix(".csv").write_text(text, encoding="utf-8")


def _rows(header: str, row: Callable[[int, float, float], str]) -> Make:
    places = enumerate(sound.places())
    return _csv("\n".join([header, *(row(i, x, y) for i, (x, y) in places)]) + "\n")


def _polygons(**columns: list[Any]) -> Make:
    middle = (WEST + EAST) / 2
    halves = [sound.box(WEST, SOUTH, middle, NORTH), sound.box(middle, SOUTH, EAST, NORTH)]
    rows = [{key: values[i] for key, values in columns.items()} for i in range(2)]
    text = json.dumps(sound.collection(*(sound.polygon(ring, **row) for ring, row in zip(halves, rows, strict=True))))
    return lambda path: path.with_suffix(".geojson").write_text(text, encoding="utf-8")


def _raster(name: str, low: float, high: float) -> Make:
    def write(path: Path) -> None:
        import rasterio
        from rasterio.transform import Affine

        values = np.linspace(low, high, 800, dtype="float32").reshape(20, 40)
        place = Affine(0.00025, 0, WEST, 0, -0.0002, NORTH)
        with rasterio.open(path.with_name(f"{name}.tif"), "w", driver="GTiff", height=20, width=40, count=1,
                           dtype="float32", crs="EPSG:4326", transform=place) as out:  # fmt: skip
            out.write(values, 1)

    return write


# what stands in a file that is called "x", whatever its ending → its role and the keys its table gets
CONTENTS: dict[str, tuple[Make, str, dict[str, Any]]] = {
    "organic matter at points": (
        _rows("X,Y,Soil OM %", lambda i, x, y: f"{x},{y},{2 + i / 10}"), "organic_matter", {"column": "Soil OM %"}
    ),
    "organic carbon in areas": (
        _polygons(unit=["a", "b"], SOC_g_kg=[14.0, 18.0]), "organic_matter", {"column": "SOC_g_kg"}
    ),
    "organic matter as a raster": (_raster("OM_map", 1.8, 4.1), "organic_matter", {}),
    "relative yield as a raster": (_raster("yield_index", 0.7, 1.3), "yield_potential", {"kind": "relative"}),
    "bushels without a unit": (
        _rows("lon,lat,Yield", lambda i, x, y: f"{x},{y},{180 + i}"), "yield_potential", {"kind": "bu_ac"}
    ),
    "tonnes without a unit": (
        _rows("lon,lat,Yield", lambda i, x, y: f"{x},{y},{11 + i / 10}"), "yield_potential", {"kind": "t_ha"}
    ),
    "relative yields without a unit": (
        _rows("lon,lat,rel yield", lambda i, x, y: f"{x},{y},{0.9 + i / 50}"), "yield_potential", {"kind": "relative"}
    ),
    "bushels with their unit": (
        _rows("lon,lat,Yield bu/ac", lambda i, x, y: f"{x},{y},{180 + i}"), "yield_potential", {"kind": "bu_ac"}
    ),
    "a harvest log": (
        _rows("lon,lat,Yield (bu/ac),Speed (mph)", lambda i, x, y: f"{x},{y},{180 + i},4"), "yield_log",
        {"kind": "yield_log"},
    ),
    "a harvest log without a unit": (
        _rows("lon,lat,Yield,Speed (mph)", lambda i, x, y: f"{x},{y},{180 + i},4"), "yield_log",
        {"columns": {"yield_bu_ac": "Yield"}},
    ),
    "nitrogen as it was applied": (
        _rows("lon,lat,N applied (lb/ac)", lambda i, x, y: f"{x},{y},{40 + i}"), "applied_n",
        {"column": "N applied (lb/ac)"},
    ),
    "a rate of nitrogen": (
        _rows("lon,lat,Applied Rate (lb N/ac)", lambda i, x, y: f"{x},{y},{40 + i}"), "applied_n",
        {"column": "Applied Rate (lb N/ac)"},
    ),
    "weather": (
        _rows("Date,Max Temp (F),Min Temp (F),Precip (in)", lambda i, x, y: f"2026-06-{i + 1:02d},82,60,0.1"),
        "weather", {},
    ),
}  # fmt: skip
TABLES = {
    "organic_matter": ("layers", "organic_matter"), "yield_potential": ("layers", "yield_potential"),
    "yield_log": ("layers", "yield_potential"), "applied_n": ("layers", "applied_n"), "weather": ("weather",),
}  # fmt: skip


@pytest.mark.parametrize("case", CONTENTS)
def test_a_file_is_what_it_holds(case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its role, and the lines of the field file that a build reads it by."""
    write, role, keys = CONTENTS[case]
    given = _given(tmp_path, _outline)
    _sampled(given)
    write(given / "x")
    _, started = _start(given, tmp_path / "new", capsys, "--yield-goal", "200", "--stage", "V7")
    (name,) = (path.name for path in given.iterdir() if path.name not in ("outline.geojson", "samples.csv"))
    assert _roles(started) == {"outline.geojson": ["boundary"], "samples.csv": ["samples"], name: [role]}
    table = tomllib.loads((tmp_path / "new" / "field.toml").read_text(encoding="utf-8"))
    for key in TABLES[role]:
        table = table[key]
    assert table.items() >= {"file": name, **keys}.items()
    assert not _codes(started) & {"start.refused", "start.not-used", "start.unclear"}
    read_field(tmp_path / "new" / "field.toml")


def _sampled(given: Path, *names: str) -> None:
    for name in names or ("samples.csv",):
        (given / name).write_text(sound.samples_csv(), encoding="utf-8")


def _farm(given: Path) -> None:
    _sampled(given)
    fields = [sound.polygon([[x + east, y] for x, y in sound.RING], Name=name)
              for east, name in ((0.03, "Creek"), (0.0, "Home"), (0.015, "East 80"))]  # fmt: skip
    (given / "outline.geojson").write_text(json.dumps(sound.collection(*fields)), encoding="utf-8")


def _with_samples(header: str, row: Callable[[int, float, float], str]) -> Make:
    return lambda given: _rows(header, row)(given / "samples")


def _beside(name: str, content: str | bytes) -> Make:
    def write(given: Path) -> None:
        _sampled(given)
        (given / name).write_bytes(content if isinstance(content, bytes) else content.encode())

    return write


AMBIGUOUS: dict[str, tuple[Make, str, str]] = {
    "two tables of samples": (
        lambda given: _sampled(given, "june.csv", "may.csv"), "start.several-samples", 'file = "june.csv"'
    ),
    "a farm of three fields": (_farm, "start.several-fields", 'boundary = "outline.geojson#Home"'),
    "two outlines": (
        lambda given: (_sampled(given), _outline(given, "b.geojson")),
        "start.outlines", 'boundary = "b.geojson"',
    ),
    "two depths in two columns": (
        _with_samples("id,lon,lat,NO3-N 0-12 in (ppm),NO3-N 12-24 in (ppm)", lambda i, x, y: f"{i},{x},{y},{10 + i},5"),
        "start.several-columns", 'nitrate_ppm = "NO3-N 0-12 in (ppm)"',
    ),
    "no depth": (
        _with_samples("id,lon,lat,NO3-N ppm", lambda i, x, y: f"{i},{x},{y},{10 + i}"), "start.no-depth", 'depth = ""'
    ),
    "depths of 30 without a unit": (
        _with_samples("id,lon,lat,From,To,NO3-N ppm", lambda i, x, y: f"{i},{x},{y},0,30,{10 + i}"),
        "start.depth-unit", 'bottom_in = "To"',
    ),
    "depths of 12 without a unit": (
        _with_samples("id,lon,lat,From,To,NO3-N ppm", lambda i, x, y: f"{i},{x},{y},0,12,{10 + i}"),
        "start.depth-unit", 'bottom_cm = "To"',
    ),
    "a species nobody says": (
        _with_samples("id,lon,lat,top_in,bottom_in,Nitrate (ppm)", lambda i, x, y: f"{i},{x},{y},0,12,{10 + i}"),
        "ingest.reported-as-missing", 'reported_as = "NO3-N"    # or "NO3", in [samples]',
    ),
    "samples without places": (
        _with_samples("id,top_in,bottom_in,NO3-N ppm", lambda i, x, y: f"{i},0,12,{10 + i}"),
        "start.no-places", 'longitude = "…"',
    ),
    "a form that nobody filled in": (
        _with_samples("sample_id,lon,lat,top_in,bottom_in,nitrate_ppm", lambda i, x, y: f"{i},{x},{y},0,12,"),
        "start.form-empty", 'file = "samples.csv"',
    ),
    "a report printed to paper": (_beside("lab.pdf", b"%PDF-1.7 x"), "start.not-used", ""),
    "a table of something else": (_beside("seed.csv", "hybrid,units\nA,40\nB,20\n"), "start.unclear", ""),
    "wells": (
        _beside("wells.geojson", json.dumps(sound.collection(sound.point(-93.6, 42.102)))),
        "start.ground-spots", "setback_ft = 0",
    ),
    "a pond inside the outline": (
        _beside("pond.geojson", json.dumps(sound.polygon(sound.box(-93.602, 42.101, -93.601, 42.102)))),
        "start.ground", "setback_ft = 0",
    ),
    "product and not nitrogen": (
        _beside("asapplied.csv", f"lon,lat,Rate (gal/ac)\n{WEST + 0.001},{SOUTH + 0.001},20\n"),
        "start.product-map", 'file = "asapplied.csv"',
    ),
    "a raster of nobody knows what": (
        lambda given: (_sampled(given), _raster("band4", 0, 200)(given / "x")), "start.raster", 'file = "band4.tif"'
    ),
    "soybeans": (
        _beside("bean.csv", f"lon,lat,Soybean yield (bu/ac)\n{WEST + 0.001},{SOUTH + 0.001},55\n"), "start.unclear", ""
    ),
    "a layer of elsewhere": (
        _beside("om.csv", "lon,lat,OM %\n-90.1,41.2,3.1\n-90.2,41.2,2.8\n"), "start.refused", 'file = "om.csv"'
    ),
    "no samples at all": (_outline, "start.no-samples", 'file = "samples.csv"'),
}  # fmt: skip


@pytest.mark.parametrize("case", AMBIGUOUS)
def test_what_is_not_clear_is_asked(case: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A question with its line; nothing is settled by guessing, and the field file is sound TOML."""
    make, code, line = AMBIGUOUS[case]
    given = _given(tmp_path, _outline, make)
    status, started = _start(given, tmp_path / "new", capsys)
    assert status == 1
    (asked,) = (one for one in started["questions"] if one["code"] == code)
    assert asked["line"] == line
    assert asked["problem"]
    assert asked["remedy"]
    tables = tomllib.loads((tmp_path / "new" / "field.toml").read_text(encoding="utf-8"))
    if line and code not in ("start.no-samples", "start.form-empty", "start.ground", "start.ground-spots"):
        key, _, value = line.partition("    #")[0].partition(" = ")
        table = tables
        for name in asked["section"].split("."):
            table = table.get(name, {})
        assert key not in table, value
    assert "yield_goal_bu_ac" not in tables["crop"]
    assert "growth_stage" not in tables["crop"]
    assert "product" not in tables


def test_a_table_without_places_finds_its_polygons(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Map units by their symbol, composites by their area: the keys are those of which all values are in both."""
    given = _given(tmp_path, _outline)
    _polygons(OBJECTID=[1, 2], MUSYM=["55", "138B"])(given / "soils")
    (given / "units.csv").write_text("musym,name,OM %\n55,Nicollet,5.5\n138B,Clarion,3.5\n", encoding="utf-8")
    _polygons(OBJECTID=[1, 2], strip=["west", "east"])(given / "strips")
    (given / "lab.csv").write_text(
        "Lab No,Strip,Depth,NO3-N ppm\n1,west,0-12 in,14\n2,east,0-12 in,9\n", encoding="utf-8"
    )
    _, started = _start(given, tmp_path / "new", capsys, "--yield-goal", "200", "--stage", "V7")
    assert _codes(started, needed=True) == set()
    field = read_field(tmp_path / "new" / "field.toml")
    assert field.organic_matter is not None
    assert sorted(field.organic_matter.values) == [3.5, 5.5]  # type: ignore[union-attr]
    assert set(field.samples.areas) == {"west", "east"}
    assert field.settings.samples.areas is not None
    assert field.settings.samples.areas.file == "strips.geojson"


def test_the_likely_field_is_read_on(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Which field it is stays a question, and what the readers would ask of it is asked in the same go."""
    _, started = _start(_given(tmp_path, _farm), tmp_path / "new", capsys)
    assert _codes(started) >= {"start.several-fields", "ingest.reported-as-missing", "ingest.moisture-basis-missing"}


def test_a_pond_is_never_treated(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file of its own inside the outline: the larger is the field, the other gets nothing before anyone answers."""
    make, _, _ = AMBIGUOUS["a pond inside the outline"]
    _start(_given(tmp_path, _outline, make), tmp_path / "new", capsys, "--yield-goal", "200", "--stage", "V7")
    field = read_field(tmp_path / "new" / "field.toml")
    assert field.settings.header.boundary == "outline.geojson"
    assert field.treated.area < field.boundary.area - 8000


def test_a_well_without_a_distance_stops_a_build(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The distance is a person's to say."""
    make, _, _ = AMBIGUOUS["wells"]
    _start(_given(tmp_path, _outline, make), tmp_path / "new", capsys, "--yield-goal", "200", "--stage", "V7")
    assert main(["check", str(tmp_path / "new" / "field.toml")]) == 2
    assert "setback_ft" in capsys.readouterr().err


def test_the_depth_that_a_person_states(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every core gets it; beside a header that says another, or when it is none, it is refused."""
    make, _, _ = AMBIGUOUS["no depth"]
    _start(_given(tmp_path, _outline, make), tmp_path / "new", capsys, "--yield-goal", "200", "--stage", "V7")
    path = tmp_path / "new" / "field.toml"
    _answer(path, depth='"0-30 cm"')
    assert read_field(path).samples.bottom_in == pytest.approx(np.full(12, 30 / 2.54))
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"0-30 cm"', '"a foot"'), encoding="utf-8")
    assert main(["check", str(path)]) == 2
    path.write_text(text, encoding="utf-8")
    samples = tmp_path / "new" / "samples.csv"
    samples.write_text(samples.read_text(encoding="utf-8").replace("NO3-N ppm", "NO3-N 0-12 in ppm"), encoding="utf-8")
    path.write_text(text.replace("NO3-N ppm", "NO3-N 0-12 in ppm"), encoding="utf-8")
    assert main(["check", str(path)]) == 2
    said = capsys.readouterr().err
    assert "samples.depth" in said
    assert "0–12" in said


def test_files_are_copied_as_they_are(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Names kept, equal ones apart, every part of a shapefile; the originals are as they were."""
    given = _given(tmp_path, _odd_names_a_shapefile_and_points)
    other = tmp_path / "other"
    other.mkdir()
    (other / "SOIL.txt").write_text("Date,tmax_f,tmin_f,rain_in\n2026-06-01,80,60,0\n", encoding="utf-8")
    before = {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in (*given.iterdir(), *other.iterdir())}
    files = [str(path) for path in (*sorted(given.glob("*.shp")), given / "soil.txt", other / "SOIL.txt")]
    assert main(["start", str(tmp_path / "new"), "--json", "--from", *files]) == 1
    started = json.loads(capsys.readouterr().out)
    assert _roles(started)["SOIL_2.txt"] == ["weather"]
    there = {path.name: path.read_bytes() for path in (tmp_path / "new").iterdir()}
    assert there.pop("field.toml")
    assert there["SOIL_2.txt"] == (other / "SOIL.txt").read_bytes()
    assert {name for name in there if name.startswith("Field")} >= {"Field.shp", "Field.dbf", "Field.shx", "Field.prj"}
    assert all((given / name).read_bytes() == content for name, content in there.items() if name != "SOIL_2.txt")
    assert {path: hashlib.sha256(path.read_bytes()).hexdigest() for path in before} == before


def test_metric_files_make_a_metric_field(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Centimeters and t/ha and nothing of the trade: the field file is metric, and asks for t/ha."""
    given = _given(tmp_path, _outline)
    _rows("lon,lat,depth_cm,NO3-N mg/kg", lambda i, x, y: f"{x},{y},0-30,{10 + i}")(given / "soil")
    _rows("lon,lat,Yield t/ha", lambda i, x, y: f"{x},{y},{11 + i / 10}")(given / "corn")
    _, started = _start(given, tmp_path / "new", capsys)
    text = (tmp_path / "new" / "field.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text)["units"] == "metric"
    (goal,) = (one for one in started["questions"] if one["code"] == "start.yield-goal")
    assert goal["line"] == "yield_goal_t_ha = 0"
    _answer(tmp_path / "new" / "field.toml", yield_goal_t_ha="12", growth_stage='"V7"')
    assert read_field(tmp_path / "new" / "field.toml").samples.bottom_in[0] == pytest.approx(30 / 2.54)


@pytest.mark.parametrize("name", ["notes.pdf", "gone.csv", "seed.csv", "folder"])
def test_files_of_no_use_are_refused(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Status 2 with the reason, and nothing is written."""
    given = _given(tmp_path)
    (given / "notes.pdf").write_bytes(b"%PDF-1.7 x")
    (given / "seed.csv").write_text("hybrid,units\nA,40\nB,20\n", encoding="utf-8")
    (given / "folder").mkdir()
    assert main(["start", str(tmp_path / "new"), "--from", str(given / name)]) == 2
    assert name in capsys.readouterr().err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["given"]


def test_a_folder_that_is_in_the_way_stays(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One name that is there already: refused, and nothing is added to it."""
    given = _given(tmp_path, _outline)
    new = tmp_path / "new"
    new.mkdir()
    (new / "outline.geojson").write_text("mine", encoding="utf-8")
    assert main(["start", str(new), "--from", str(given / "outline.geojson")]) == 2
    assert "already holds outline.geojson" in capsys.readouterr().err
    assert [path.name for path in new.iterdir()] == ["outline.geojson"]


def test_a_disk_that_fills_leaves_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second copy fails: no folder, whole or half."""
    given = _given(tmp_path, _outline)
    _sampled(given)
    import shutil

    copy = shutil.copyfile

    def once(source: Path, target: Path) -> Path:
        if Path(target).name == "samples.csv":
            raise OSError(28, "No space left on device")
        return copy(source, target)

    monkeypatch.setattr(shutil, "copyfile", once)
    assert main(["start", str(tmp_path / "new"), "--from", *map(str, sorted(given.iterdir()))]) == 2
    assert "No space left" in capsys.readouterr().err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["given"]
