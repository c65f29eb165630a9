"""Random ground (holes, slivers, parts, both hemispheres, a UTM zone edge), written, read again and compared."""

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import pytest
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from isoxml.converter.np_grid import to_numpy_array
from isoxml.util.isoxml_io import isoxml_from_path
from shapely import affinity

from vrn.audit import verify
from vrn.files.guard import check_before_writing
from vrn.files.iso import write_iso
from vrn.files.raster import write_rasters
from vrn.files.summary import write_summary
from vrn.files.tables import write_geopackage, write_tables
from vrn.files.vectors import write_geojson, write_gpx, write_shapefile
from vrn.model.grid import projected_crs, transformer
from vrn.pages.load_sheet import write_load_sheet
from vrn.prescription.model import Prescription, Product

Maker = Callable[..., Prescription]
ALL_BUT_PAGES = (write_geojson, write_shapefile, write_iso, write_geopackage, write_rasters, write_gpx, write_tables,
                 write_load_sheet, write_summary)  # fmt: skip
PRODUCTS = (
    Product(name="UAN 28", n_pct=28.0, density_lb_gal=10.65, unit="gal", source="made for a test"),
    Product(name="Urea", n_pct=46.0, density_lb_gal=None, unit="lb", source="made for a test"),
)


@st.composite
def grounds(draw: st.DrawFn) -> dict[str, Any]:
    """What ``make_prescription`` takes: zones cut at random from a turned rectangle with holes, strips and islands."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    wide, tall = rng.uniform(120, 700, 2)
    outline = shapely.box(0, 0, wide, tall)
    if draw(st.booleans()):  # a second piece across a lane
        outline = outline.union(shapely.box(wide + 12, 0, wide + rng.uniform(60, 300), tall * rng.uniform(0.2, 1)))
    for _ in range(draw(st.integers(0, 2))):  # ponds
        outline = outline.difference(
            shapely.Point(rng.uniform(0, wide), rng.uniform(0, tall)).buffer(rng.uniform(5, 40))
        )
    cuts = [_line(rng, wide, tall) for _ in range(draw(st.integers(0, 5)))]
    if draw(st.booleans()):  # a sliver
        cuts += [
            shapely.LineString([(-1, 9.0), (2 * wide + 400, 9.0)]),
            shapely.LineString([(-1, 9.7), (2 * wide + 400, 9.7)]),
        ]
    lines = shapely.union_all([outline.boundary, *cuts])
    pieces = [
        piece
        for piece in shapely.get_parts(shapely.polygonize([lines]))
        if outline.covers(piece.representative_point())
    ]
    no_apply = _line(rng, wide, tall).buffer(rng.uniform(2, 12)) if draw(st.booleans()) else None
    if no_apply is not None:
        no_apply = no_apply.intersection(outline)
        pieces = [piece.difference(no_apply) for piece in pieces]
    owner = rng.integers(0, draw(st.integers(1, 6)), len(pieces))
    turn = rng.uniform(0, 180)
    zones = [
        shapely.union_all([p for p, o in zip(pieces, owner, strict=True) if o == number]) for number in np.unique(owner)
    ]
    zones = [affinity.rotate(zone, turn, origin=(0, 0)) for zone in zones if zone.area > 20]
    edge = draw(st.booleans())
    longitude = float(rng.integers(-28, 28) * 6) + rng.uniform(-0.004, 0.004) if edge else rng.uniform(-175, 175)
    product, basis = PRODUCTS[draw(st.integers(0, 1))], draw(st.sampled_from(["product", "n"]))
    return {
        "zones": zones,
        "rates_n_lb_ac": np.round(rng.uniform(0, 240, len(zones)), draw(st.integers(0, 3))).tolist(),
        "place": (longitude, rng.uniform(-55, 62)),
        "no_apply": None if no_apply is None or no_apply.is_empty else affinity.rotate(no_apply, turn, origin=(0, 0)),
        "product": product,
        "rate_basis": basis,
        "units": draw(st.sampled_from(["us", "metric"])),
        "cell_m": float(rng.uniform(4, 9)),
        "export": {
            "iso_version": draw(st.sampled_from(["3.3", "4.3"])),
            "iso_grid": draw(st.sampled_from(["type-2", "type-1", "polygons"])),
        },
    }


def _line(rng: np.random.Generator, wide: float, tall: float) -> shapely.LineString:
    """A line right across the ground."""
    middle, angle = rng.uniform((0, 0), (wide, tall)), rng.uniform(0, np.pi)
    arm = 2000 * np.array([np.cos(angle), np.sin(angle)])
    return shapely.LineString([middle - arm, middle + arm])


def _round_trip(ground: dict[str, Any], make: Maker) -> None:
    made = make(**ground)
    check_before_writing(made)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for write_one in ALL_BUT_PAGES:
            write_one(made, folder)
        found = verify(folder)
        assert found.ok, found.failed
        _compare_with_gdal(made, folder)
        _compare_with_isoxml(made, folder)


def _compare_with_gdal(made: Prescription, folder: Path) -> None:
    """GDAL reads one polygon or more for each zone, whose union is the treated ground to 5e-5 of its area."""
    treated = made.field.treated
    for path, rate_column, zone_column in (
        (folder / "prescription.geojson", "rate_product", "zone"),
        (folder / "shapefile" / "RX.SHP", "RATE", "ZONE"),
    ):
        meta, _, shapes, columns = pyogrio.raw.read(path)
        values = dict(zip(meta["fields"], columns, strict=True))
        # 1 gal/ac = 9.3539558 L/ha, 1 lb/ac = 1.1208512 kg/ha: a metric field's files are metric
        factor = {"gal/ac": 9.3539558, "lb/ac": 1.1208512, "lb N/ac": 1.1208512}[made.rate_unit]
        factor = factor if made.field.settings.units == "metric" else 1.0
        rates = {rate.zone: rate.rate_product * factor for rate in made.rates}
        assert set(values[zone_column].tolist()) == set(rates)
        wanted = np.array([rates[zone] for zone in values[zone_column]])
        np.testing.assert_allclose(values[rate_column].astype(float), wanted, atol=0.00501)
        change = transformer("EPSG:4326", made.grid.crs)
        moved = [shapely.transform(shape, change.transform, interleaved=False) for shape in shapely.from_wkb(shapes)]
        union = shapely.union_all(shapely.make_valid(np.array(moved, dtype=object)))
        tolerance_m2 = max(5e-5 * treated.area, 0.03 * treated.length)
        assert union.symmetric_difference(treated).area <= tolerance_m2


def _compare_with_isoxml(made: Prescription, folder: Path) -> None:
    """The grid that isoxml reads gives each zone's setpoint at every cell centre well inside it."""
    data, binaries = isoxml_from_path(folder / "TASKDATA")
    for grid in data.tasks[0].grids:
        cells = to_numpy_array(binaries[grid.filename], grid)
        if grid.type.value == "1":
            table = np.zeros(256, dtype=np.int64)
            for zone in data.tasks[0].treatment_zones:
                table[zone.code] = zone.process_data_variables[0].process_data_value
            cells = table[cells]
        rows, cols = cells.shape
        assert max(rows, cols) <= 350
        west, south = float(grid.minimum_east_position), float(grid.minimum_north_position)
        lon, lat = np.meshgrid(west + (np.arange(cols) + 0.5) * grid.cell_east_size,
                               south + (np.arange(rows) + 0.5) * grid.cell_north_size)  # fmt: skip
        x, y = transformer("EPSG:4326", made.grid.crs).transform(lon, lat)
        factor = {"gal": 93539.5623, "lb": 112.0851156}[made.product.unit]
        clear = made.grid.cell_m
        silent = shapely.union_all([made.field.no_apply, *_holes(made.field.boundary)]).buffer(clear)
        for rate in made.rates:
            core = shapely.contains_xy(rate.outline.buffer(-0.05).difference(silent), x, y)
            assert np.abs(cells[core] - rate.product_per_ac * factor).max(initial=0) <= 0.51
        assert not cells[~shapely.contains_xy(made.field.boundary.buffer(0.05), x, y)].any()
        assert not cells[shapely.contains_xy(made.field.no_apply.buffer(-0.05), x, y)].any()


def _holes(boundary: shapely.Geometry) -> list[shapely.Polygon]:
    return [shapely.Polygon(ring) for part in shapely.get_parts(boundary) for ring in part.interiors]


@given(ground=grounds())
@settings(max_examples=6, suppress_health_check=[HealthCheck.too_slow])
def test_what_is_written_is_what_was_meant(ground: dict[str, Any], make: Maker) -> None:
    """Whatever the ground, every format passes the audit and outside readers find the same rates and outlines."""
    _round_trip(ground, make)


@pytest.mark.long
@given(ground=grounds())
@settings(max_examples=600, suppress_health_check=[HealthCheck.too_slow])
def test_what_is_written_is_what_was_meant_many_times(ground: dict[str, Any], make: Maker) -> None:
    """The same with the full count and fresh examples each time."""
    _round_trip(ground, make)


def test_ground_across_a_utm_zone_edge(make: Maker) -> None:
    """A field on both sides of 96° W is written in the one system chosen for it."""
    ground = {"zones": (shapely.box(-300, 0, 0, 300), shapely.box(0, 0, 300, 300)), "place": (-96.0, 44.0),
              "rates_n_lb_ac": [70.0, 120.0]}  # fmt: skip
    assert projected_crs(-96.001, 44.0) != projected_crs(-95.999, 44.0)
    _round_trip(ground, make)
