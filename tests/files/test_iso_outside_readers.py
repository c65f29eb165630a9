"""ISO 11783-10 read by libraries that had no part in writing it, and its numbers worked on paper."""

import itertools
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from importlib.resources import files
from pathlib import Path
from xml.dom import minidom

import numpy as np
import pytest
import shapely
import xmlschema
from isoxml.converter.np_grid import to_numpy_array
from isoxml.converter.shapely_geom import ShapelyConverterV3, ShapelyConverterV4
from isoxml.models.ddi_entities import DDEntity
from isoxml.util.isoxml_io import isoxml_from_path

from vrn.errors import InputFileError, OutputError
from vrn.files.iso import coarser_cells, iso_grid, setpoint, write_iso
from vrn.files.names import cleaned_names
from vrn.model.grid import transformer
from vrn.model.settings import Application, FarmSection, LimitSection
from vrn.pages.load_sheet import load_sheet
from vrn.prescription.limits import fixed_rates
from vrn.prescription.model import Prescription, Product

Maker = Callable[..., Prescription]

UAN = Product(name="UAN 32", n_pct=32.0, density_lb_gal=11.06, unit="gal", source="made for a test")
UREA = Product(name="Urea 46-0-0", n_pct=46.0, density_lb_gal=None, unit="lb", source="made for a test")
HOLED = shapely.box(0, 0, 200, 300).difference(shapely.box(60, 60, 120, 130))
TWO_PIECES = (HOLED, shapely.union_all([shapely.box(200, 0, 400, 140), shapely.box(460, 0, 640, 200)]))


def read_rates(folder: Path, longitude: np.ndarray, latitude: np.ndarray) -> np.ndarray:
    """Setpoints at places in the entity's own unit (mm³/m² or mg/m²), as PyPI ``isoxml`` reads the task."""
    data, binaries = isoxml_from_path(folder / "TASKDATA")
    (task,) = data.tasks
    zones = {zone.code: zone for zone in task.treatment_zones}
    entity = DDEntity.from_bytes(task.treatment_zones[0].process_data_variables[0].process_data_ddi)
    rate = np.zeros(len(longitude))
    for grid in task.grids:
        cells = to_numpy_array(binaries[grid.filename], grid)
        if grid.type.value == "1":
            table = np.zeros(256)
            for code, zone in zones.items():
                table[code] = zone.process_data_variables[0].process_data_value
            cells = table[cells]
        col = np.floor((longitude - float(grid.minimum_east_position)) / grid.cell_east_size).astype(int)
        row = np.floor((latitude - float(grid.minimum_north_position)) / grid.cell_north_size).astype(int)
        inside = (row >= 0) & (row < cells.shape[0]) & (col >= 0) & (col < cells.shape[1])
        rate[inside] = cells[row[inside], col[inside]]
    converter = ShapelyConverterV4() if data.version_major.value == "4" else ShapelyConverterV3()
    for zone in zones.values():
        for polygon in zone.polygons:
            shape = converter.to_shapely_polygon(polygon)
            rate[shapely.contains_xy(shape, longitude, latitude)] = zone.process_data_variables[0].process_data_value
    return rate * entity.bit_resolution


def places(prescription: Prescription, clear_m: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Longitude, latitude and lb N/ac of points on and around the field, at least ``clear_m`` from an edge."""
    rng = np.random.default_rng(5)
    west, south, east, north = prescription.field.boundary.bounds
    points = np.column_stack([rng.uniform(west - 40, east + 40, 3000), rng.uniform(south - 40, north + 40, 3000)])
    edges = shapely.union_all([rate.outline.boundary for rate in prescription.rates])
    points = points[shapely.distance(edges, shapely.points(points)) > clear_m]
    wanted = np.zeros(len(points))
    for rate in prescription.rates:
        wanted[shapely.contains_xy(rate.outline, points[:, 0], points[:, 1])] = rate.rate_n_lb_ac
    longitude, latitude = transformer(prescription.grid.crs, "EPSG:4326").transform(points[:, 0], points[:, 1])
    return np.asarray(longitude), np.asarray(latitude), wanted


VARIANTS = list(itertools.product(("3.3", "4.3"), ("type-2", "type-1", "polygons"), ("UAN 32", "Urea 46-0-0")))


@pytest.mark.parametrize(("version", "kind", "product"), VARIANTS)
@pytest.mark.parametrize("ground", ["quarters", "two pieces and a hole"])
def test_isoxml_reads_the_same_rates(
    version: str, kind: str, product: str, ground: str, make: Maker, tmp_path: Path
) -> None:
    """PyPI isoxml finds at every place the rate of the zone there, in every variant."""
    export = {"iso_version": version, "iso_grid": kind}
    chosen = UAN if product == "UAN 32" else UREA
    made = (make(product=chosen, export=export) if ground == "quarters"
            else make(TWO_PIECES, product=chosen, export=export))  # fmt: skip
    write_iso(made, tmp_path)
    longitude, latitude, wanted_n = places(made, clear_m=7.2)
    found = read_rates(tmp_path, longitude, latitude)
    # 32 % of 11.06 lb = 3.5392 lb N/gal; 1 gal/ac = 935.3956 mm³/m² (231 in³ on 43 560 ft²)
    # 46 % N; 1 lb/ac = 112.0851 mg/m² (0.45359237 kg on 4046.8564224 m²)
    per_lb_n = {"UAN 32": 935.3956 / 3.5392, "Urea 46-0-0": 112.0851 / 0.46}[product]
    np.testing.assert_allclose(found, wanted_n * per_lb_n, atol=0.6, rtol=1e-6)
    assert np.unique(np.round(found)).size == len(made.rates) + 1


SCHEMA = files("isoxml_writer") / "ISOXML_schema" / "ISO11783_TaskFile_V4-3.xsd"


@pytest.fixture(scope="module")
def schema() -> xmlschema.XMLSchema:
    """Task file schema V4-3 as PyPI ``isoxml-writer`` carries it (it lets VersionMajor be 0 … 4)."""
    return xmlschema.XMLSchema(str(SCHEMA))


@pytest.mark.parametrize(("version", "kind", "product"), VARIANTS)
def test_task_is_valid_against_the_schema(
    version: str, kind: str, product: str, make: Maker, schema: xmlschema.XMLSchema, tmp_path: Path
) -> None:
    """The schema finds every variant valid: elements, ranges, name lengths, ids and references."""
    export = {"iso_version": version, "iso_grid": kind}
    name = "Très long champ d’essai n° 7, <b>“Nord”</b> & voisins, avec beaucoup de mots"
    write_iso(make(TWO_PIECES, product=UAN if product == "UAN 32" else UREA, export=export, name=name), tmp_path)
    schema.validate(str(tmp_path / "TASKDATA" / "TASKDATA.XML"))


@pytest.mark.parametrize(
    ("rate", "unit", "value"),
    [(1.0, "lb", 112), (100.0, "lb", 11209), (150.0, "lb", 16813), (1.0, "gal", 93540), (10.0, "gal", 935396)],
)
def test_setpoints_worked_on_paper(rate: float, unit: str, value: int) -> None:
    """1 lb/ac = 0.45359237e6 / 4046.8564224 = 112.0851 mg/m²; 1 gal/ac = 93 539.56 × 0.01 mm³/m²; rounded once."""
    assert setpoint(rate, unit) == value


def test_field_is_not_sheared(make: Maker) -> None:
    """
    An 800 m field near the edge of its UTM zone is resampled, not relabelled.

    At 2.9° from the central meridian and 41.6° N grid north leans 1.9° (tan γ = tan Δλ sin φ), 27 m over 800 m: a
    north–south zone edge in metres must cross 4 or 5 columns of 6 m from bottom to top.
    """
    made = make((shapely.box(0, 0, 400, 800), shapely.box(400, 0, 800, 800)), place=(-95.9, 41.6), cell_m=6.0)
    grid = iso_grid(made)
    first_of_two = [int(np.flatnonzero(row == 2)[0]) for row in grid.zone[5:-5]]
    assert 4 <= abs(first_of_two[-1] - first_of_two[0]) <= 5
    rows, cols = grid.zone.shape
    lon, lat = np.meshgrid(grid.west_deg + (np.arange(cols) + 0.5) * grid.east_step_deg,
                           grid.south_deg + (np.arange(rows) + 0.5) * grid.north_step_deg)  # fmt: skip
    x, y = transformer("EPSG:4326", made.grid.crs).transform(lon, lat)
    for rate in made.rates:
        core = shapely.contains_xy(rate.outline.buffer(-0.05), x, y)
        assert (grid.zone[core] == rate.zone).all()


def test_large_field_gets_a_coarser_cell_and_says_so(make: Maker) -> None:
    """Above 350 cells a side the cell grows until the grid fits, and a finding tells."""
    made = make((shapely.box(0, 0, 1900, 900),), rates_n_lb_ac=(100.0,), cell_m=5.0)
    grid = iso_grid(made)
    assert max(grid.zone.shape) <= 350
    # 1900 m and what 900 m lean at 1.1° (17 m) in 349 cells: 5.493 m, up to the next tenth
    assert grid.cell_m == 5.5
    (finding,) = coarser_cells(made)
    assert finding.quantities["written"].value == pytest.approx(5.5 / 0.3048)
    assert finding.quantities["wanted"].value == pytest.approx(5.0 / 0.3048)
    assert coarser_cells(make()) == ()


def test_no_cell_with_a_rate_touches_no_apply_ground(make: Maker) -> None:
    """A waterway and a pond are kept clear by whole cells: the rectangle of no cell with a rate meets them."""
    pond, waterway = shapely.box(60, 60, 97, 131), shapely.LineString([(200, 0), (230, 300)]).buffer(9)
    zone = shapely.box(0, 0, 400, 300).difference(shapely.union_all([pond, waterway]))
    made = make((zone,), rates_n_lb_ac=(90.0,), no_apply=waterway)
    grid = iso_grid(made)
    row, col = np.nonzero(grid.zone)
    west, south = grid.west_deg + col * grid.east_step_deg, grid.south_deg + row * grid.north_step_deg
    cells = shapely.box(west, south, west + grid.east_step_deg, south + grid.north_step_deg)
    to_degrees = transformer(made.grid.crs, "EPSG:4326").transform
    hole = shapely.Polygon(shapely.get_parts(made.field.boundary)[0].interiors[0])
    for ground in (made.field.no_apply, hole):
        lonlat = shapely.transform(ground, to_degrees, interleaved=False)
        assert not shapely.intersects(lonlat.buffer(-1e-7), cells).any()


def test_no_rate_outside_the_boundary(make: Maker) -> None:
    """Every cell with a rate has its centre inside the boundary."""
    made = make(TWO_PIECES)
    grid = iso_grid(made)
    row, col = np.nonzero(grid.zone)
    x, y = transformer("EPSG:4326", made.grid.crs).transform(
        grid.west_deg + (col + 0.5) * grid.east_step_deg, grid.south_deg + (row + 0.5) * grid.north_step_deg
    )
    assert shapely.contains_xy(made.field.boundary.buffer(0.02), x, y).all()


def test_edge_buffer_carries_the_edge_rate_outward_only(make: Maker) -> None:
    """With 20 ft of buffer cells up to 6.1 m outside take the nearest zone; no-apply ground and holes stay at 0."""
    pond = shapely.box(60, 60, 100, 130)
    zone, no_apply = shapely.box(0, 0, 400, 300).difference(pond), shapely.box(400, 0, 420, 300)
    made = make((zone,), rates_n_lb_ac=(90.0,), no_apply=no_apply, edge_buffer_ft=20.0)
    grid = iso_grid(made)
    rows, cols = grid.zone.shape
    lon, lat = np.meshgrid(grid.west_deg + (np.arange(cols) + 0.5) * grid.east_step_deg,
                           grid.south_deg + (np.arange(rows) + 0.5) * grid.north_step_deg)  # fmt: skip
    x, y = transformer("EPSG:4326", made.grid.crs).transform(lon.ravel(), lat.ravel())
    far = shapely.distance(made.field.boundary, shapely.points(x, y))
    applied = grid.zone.ravel() > 0
    beside_no_apply = shapely.distance(made.field.no_apply, shapely.points(x, y)) < 8
    in_pond = shapely.contains_xy(shapely.convex_hull(made.rates[0].outline), x, y) & (far > 0)
    assert applied[(far > 0.1) & (far < 6.0) & ~beside_no_apply & ~in_pond].all()
    assert not applied[far > 6.2].any()
    assert not applied[in_pond].any()
    assert not applied[shapely.contains_xy(made.field.no_apply, x, y)].any()
    assert "20.0 ft" in load_sheet(made)


def test_fixed_rates_stand_in_the_task_and_on_the_sheet(make: Maker, tmp_path: Path) -> None:
    """Rates at start, out of the field and without position are nothing unless set; then they stand on the sheet."""
    made = make(
        export={"default_rate_n_lb_ac": 35.392, "position_lost_rate_n_lb_ac": 70.784, "fixed_rate_reason": "trial"}
    )
    write_iso(made, tmp_path)
    data, _ = isoxml_from_path(tmp_path / "TASKDATA")
    (task,) = data.tasks
    value = {zone.code: zone.process_data_variables[0].process_data_value for zone in task.treatment_zones}
    # 35.392 lb N/ac of UAN 32 at 3.5392 lb N/gal is 10 gal/ac
    assert value[task.default_treatment_zone_code] == 935396
    assert value[task.position_lost_treatment_zone_code] == 1870791
    assert value[task.out_of_field_treatment_zone_code] == 0
    sheet = load_sheet(made)
    assert [line.rsplit(": ", 1)[1] for line in sheet.splitlines() if re.search(r": \d+\.\d gal/ac$", line)] == [
        "10.0 gal/ac", "20.0 gal/ac", "0.0 gal/ac"
    ]  # fmt: skip


@pytest.mark.parametrize(("units", "shown"), [("us", 10.0), ("metric", 93.53956)])
def test_terminal_shows_the_rate_of_the_sheet(units: str, shown: float, make: Maker, tmp_path: Path) -> None:
    """(value + offset) × scale of the value presentation gives gal/ac, or L/ha (1 gal/ac = 9.353956 L/ha)."""
    write_iso(make(rates_n_lb_ac=(35.392, 70.0, 90.0), units=units, export={"iso_grid": "type-1"}), tmp_path)
    data, _ = isoxml_from_path(tmp_path / "TASKDATA")
    (view,) = data.value_presentations
    value = data.tasks[0].treatment_zones[1].process_data_variables[0].process_data_value
    assert (value + view.offset) * float(view.scale) == pytest.approx(shown, rel=2e-5)
    assert view.unit_designator == ("gal/ac" if units == "us" else "L/ha")


def comb(teeth: int) -> shapely.Geometry:
    """Many narrow pieces side by side."""
    return shapely.multipolygons([shapely.box(3 * i, 0, 3 * i + 2, 40) for i in range(teeth)])


def test_more_polygons_than_codes_are_refused(make: Maker, tmp_path: Path) -> None:
    """255 pieces do not fit the 254 codes of a polygon task: refused with the remedy; a grid takes them."""
    with pytest.raises(OutputError, match="there are 254") as caught:
        write_iso(make((comb(255),), rates_n_lb_ac=(80.0,), export={"iso_grid": "polygons"}), tmp_path)
    assert "type-2" in caught.value.remedy
    (tmp_path / "fits").mkdir()
    write_iso(make((comb(254),), rates_n_lb_ac=(80.0,), export={"iso_grid": "polygons"}), tmp_path / "fits")


def test_draft_stands_in_the_task_name(made: Prescription, tmp_path: Path) -> None:
    """The operator sees on the terminal that the prescription is not approved."""
    write_iso(made, tmp_path)
    data, _ = isoxml_from_path(tmp_path / "TASKDATA")
    assert data.tasks[0].designator == "DRAFT N 2026 Test Forty"


@pytest.mark.parametrize("kind", ["type-1", "type-2", "polygons"])
@pytest.mark.parametrize("seed", range(3))
def test_no_rate_on_a_creek_beside_the_field(kind: str, seed: int, make: Maker, tmp_path: Path) -> None:
    """An edge buffer stops at no-apply ground beyond the boundary: outside readers find nothing on it."""
    rng = np.random.default_rng(seed)
    made = make(edge_buffer_ft=60.0, export={"iso_grid": kind})
    west, south, east, north = made.field.boundary.bounds
    bends = np.column_stack([np.linspace(west - 60, east + 60, 6), south - rng.uniform(6, 18, 6)])
    creek = shapely.union(shapely.LineString(bends).buffer(5.0), shapely.Point(east + 8, north - 40).buffer(6.0))
    made = replace(made, field=replace(made.field, no_apply=creek))
    write_iso(made, tmp_path)
    spread = creek.buffer(-0.05)
    x, y = rng.uniform(spread.bounds[:2], spread.bounds[2:], (60_000, 2)).T
    inside = shapely.contains_xy(spread, x, y)
    lon, lat = transformer(made.grid.crs, "EPSG:4326").transform(x[inside], y[inside])
    assert inside.sum() > 400
    assert not read_rates(tmp_path, lon, lat).any()
    if kind != "polygons":  # and the buffer is there
        beside = np.column_stack([np.full(50, west - 8.0), np.linspace(south + 60, north - 60, 50)])
        lon, lat = transformer(made.grid.crs, "EPSG:4326").transform(*beside.T)
        assert read_rates(tmp_path, lon, lat).all()


def test_fixed_rates_are_capped_and_nothing_near_no_apply_ground(make: Maker) -> None:
    """The season's 150 lb less 100 already on leave 50 of the 90 asked for; beside a creek it is 0."""
    asked = {"default_rate_n_lb_ac": 90.0, "out_of_field_rate_n_lb_ac": 30.0, "fixed_rate_reason": "trial"}
    down = (Application(date=date(2026, 4, 1), product="UAN 32", n_lb_ac=100.0),)
    limits = LimitSection(max_n_lb_ac=200.0, max_season_n_lb_ac=150.0)
    made = make(export=asked, settings={"limits": limits, "applications": down})
    fixed = fixed_rates(made)
    assert (fixed.default_n_lb_ac, fixed.out_of_field_n_lb_ac, fixed.position_lost_n_lb_ac) == (50.0, 30.0, 0.0)
    assert [found.code for found in fixed.findings()] == ["rates.fixed-on", "rates.fixed-over-limit"]
    east = made.field.boundary.bounds[2]
    for away, near in ((18.0, True), (18.5, False)):  # a swath of 60 ft is 18.288 m
        creek = shapely.box(east + away, 4_000_000, east + away + 3, 6_000_000)
        fixed = fixed_rates(replace(made, field=replace(made.field, no_apply=creek)))
        assert fixed.near_no_apply is near
        assert fixed.default_n_lb_ac == (0.0 if near else 50.0)
    assert [found.code for found in fixed_rates(make()).findings()] == []


def test_fixed_rate_without_a_reason_is_refused(make: Maker, tmp_path: Path) -> None:
    """Whoever wants product without a map says why."""
    with pytest.raises(InputFileError, match="gives no reason"):
        write_iso(make(export={"position_lost_rate_n_lb_ac": 1.0}), tmp_path)


@pytest.mark.parametrize(
    ("name", "written"),
    [
        ("Prés d’Été, <b>Nord</b>", "Prés d’Été, <b>Nord</b>"),
        ("田んぼ", "田んぼ"),
        ("Лесное поле № 7", "Лесное поле № 7"),
        ("North\x00 40\n(east)", "North 40 (east)"),
        ("Field of thirty-one characters e\u0301t", "Field of thirty-one characters é"),  # two points, one letter
        ("Field of thirty-one characters x\u0307\u0323", "Field of thirty-one characters"),  # no such single letter
    ],
)
def test_names_keep_their_own_letters(name: str, written: str, make: Maker, tmp_path: Path) -> None:
    """Any script, cut at a whole letter, in the task file as another XML reader finds it."""
    made = make(name=name, settings={"farm": FarmSection(grower=name, farm=name)})
    write_iso(made, tmp_path)
    root = names_in(tmp_path / "TASKDATA" / "TASKDATA.XML")
    assert root == {"CTR": written, "FRM": written, "PFD": written}
    assert len(written) <= 32
    assert (cleaned_names(made) == ()) == (written == name)
    assert written in load_sheet(made)


def names_in(path: Path) -> dict[str, str]:
    """Names by element, by the standard library's other XML reader."""
    document = minidom.parse(str(path))
    return {tag: document.getElementsByTagName(tag)[0].getAttribute("C" if tag == "PFD" else "B")
            for tag in ("CTR", "FRM", "PFD")}  # fmt: skip


def test_without_names_no_customer_and_no_farm(make: Maker, schema: xmlschema.XMLSchema, tmp_path: Path) -> None:
    """No placeholder stands for a grower or a farm that nobody named; either may stand alone."""
    for given in ({}, {"grower": "A. Marsh"}, {"farm": "Home"}):
        folder = tmp_path / str(len(given)) / "-".join(given)
        folder.mkdir(parents=True)
        write_iso(make(settings={"farm": FarmSection(**given)}), folder)
        text = (folder / "TASKDATA" / "TASKDATA.XML").read_text(encoding="utf-8")
        assert ("<CTR " in text, "<FRM " in text) == ("grower" in given, "farm" in given)
        assert ('C="CTR1"' in text, 'D="FRM1"' in text) == ("grower" in given, "farm" in given)
        schema.validate(str(folder / "TASKDATA" / "TASKDATA.XML"))


@pytest.mark.parametrize("version", ["3.3", "4.3"])
def test_each_part_of_a_boundary_is_a_polygon_of_its_own(version: str, make: Maker, tmp_path: Path) -> None:
    """PyPI isoxml finds as many polygons as the boundary has parts, and their ground."""
    made = make(TWO_PIECES, export={"iso_version": version})
    write_iso(made, tmp_path)
    data, _ = isoxml_from_path(tmp_path / "TASKDATA")
    (field,) = data.partfields
    assert len(field.polygons) == len(shapely.get_parts(made.field.boundary)) == 2
    converter = ShapelyConverterV4() if version == "4.3" else ShapelyConverterV3()
    found = shapely.union_all([converter.to_shapely_polygon(polygon) for polygon in field.polygons])
    moved = shapely.transform(found, transformer("EPSG:4326", made.grid.crs).transform, interleaved=False)
    assert moved.symmetric_difference(made.field.boundary).area < 0.01 * made.field.boundary.length
