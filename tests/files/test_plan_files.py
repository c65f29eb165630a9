"""A plan on disk: strangers read it, the form comes back as samples, and nothing a person wrote is lost."""

import csv
import json
import xml.etree.ElementTree as ET
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely

from vrn.errors import OutputError
from vrn.files.plan import form_text, write_plan
from vrn.ingest.read import read_ground
from vrn.model.grid import reproject
from vrn.pages.plan_sheet import field_sheet
from vrn.sampling.form import form_rows
from vrn.sampling.make_plan import plan_samples
from vrn.sampling.plan import Plan, PlanOptions

FIELD_FILE = """
units = "{units}"
[field]
name = "Ash Hill 3"
season = 2026
boundary = "boundary.geojson"
[crop]
{goal}
[samples]
file = "samples.csv"
"""
BOUNDARY = {"type": "Polygon", "coordinates": [[[-94.63, 42.30], [-94.625, 42.30], [-94.625, 42.304], [-94.63, 42.304],
                                                [-94.63, 42.30]]]}  # fmt: skip
SHEET = b"%PDF-1.4 a sheet"
GPX = "{http://www.topografix.com/GPX/1/1}"


@pytest.fixture
def make_plan(tmp_path: Path) -> Callable[..., Plan]:
    """A plan of a field of some 45 acres."""

    def make(units: str = "us", **options: object) -> Plan:
        goal = "yield_goal_bu_ac = 200" if units == "us" else "yield_goal_t_ha = 12"
        (tmp_path / "field.toml").write_text(FIELD_FILE.format(units=units, goal=goal), encoding="utf-8")
        (tmp_path / "boundary.geojson").write_text(json.dumps(BOUNDARY), encoding="utf-8")
        chosen = {"samples": 24, "seed": 1} | options
        return plan_samples(read_ground(tmp_path / "field.toml"), PlanOptions(**chosen))  # type: ignore[arg-type]

    return make


def _write(lines: list[dict[str, str]], path: Path) -> None:
    """A form that was filled in."""
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(lines[0]))
        writer.writeheader()
        writer.writerows(lines)


def test_gdal_reads_waypoints_and_geojson_alike(make_plan: Callable[..., Plan], tmp_path: Path) -> None:
    """GPX waypoints and GeoJSON points, read by GDAL, are the plan's places to a centimetre, in walking order."""
    plan = make_plan()
    write_plan(plan, tmp_path / "plan", sheet=SHEET, page="<html>")
    _, _, waypoints, columns = pyogrio.raw.read(tmp_path / "plan/plan.gpx", layer="waypoints", columns=["name"])
    _, _, points, _ = pyogrio.raw.read(tmp_path / "plan/plan.geojson")
    assert columns[0].tolist() == [place.name for place in plan.places]
    for found in (waypoints, points):
        there = shapely.get_coordinates(
            reproject(shapely.MultiPoint(shapely.from_wkb(found)), "EPSG:4326", plan.field.crs)
        )
        np.testing.assert_allclose(there, plan.coordinates_m(), atol=0.02)


def test_gpx_keeps_the_order_of_its_schema(make_plan: Callable[..., Plan], tmp_path: Path) -> None:
    """GPX 1.1 wants metadata, waypoints, routes, tracks in that order, and numbers as degrees within their range."""
    write_plan(make_plan(), tmp_path / "plan", sheet=SHEET, page="<html>")
    root = ET.parse(tmp_path / "plan/plan.gpx").getroot()  # our own file
    kinds = [child.tag.removeprefix(GPX) for child in root]
    assert kinds == sorted(kinds, key=["metadata", "wpt", "rte", "trk"].index)
    assert root.attrib["version"] == "1.1"
    route = root.find(f"{GPX}rte")
    assert route is not None
    names = [point.findtext(f"{GPX}name") for point in route.findall(f"{GPX}rtept")]
    assert names == [point.findtext(f"{GPX}name") for point in root.findall(f"{GPX}wpt")]
    assert all(-180 <= float(point.attrib["lon"]) <= 180 for point in root.iter(f"{GPX}wpt"))


def test_form_has_standards_blanks_and_repeats(make_plan: Callable[..., Plan]) -> None:
    """A standard first, last and after every ten samples; every tenth sample twice; both depths where planned."""
    plan = make_plan()
    rows = form_rows(plan)
    kinds = [row.kind for row in rows]
    assert kinds[:2] == ["standard", "blank"]
    assert kinds[-1] == "standard"
    assert kinds.count("standard") == 2 + (plan.samples - 1) // 10
    assert kinds.count("duplicate") == plan.samples // 10
    assert kinds.count("field") == plan.samples + plan.deep_samples
    since = 0
    for row in rows:
        since = 0 if row.kind == "standard" else since + (row.kind == "field" and row.depth == 0)
        assert since <= 10


@pytest.mark.parametrize(("units", "bottom_in"), [("us", 12.0), ("metric", 30 / 2.54)])
def test_a_filled_form_is_read_back(
    make_plan: Callable[..., Plan], tmp_path: Path, units: str, bottom_in: float
) -> None:
    """Readings written into the form come back from the reader of samples, at the places of the plan."""
    plan = make_plan(units=units)
    lines = list(csv.DictReader(form_text(plan).splitlines()))
    for number, line in enumerate(lines):
        line["nitrate_ppm"] = "0.1" if line["kind"] == "blank" else f"{10 + number / 10:.1f}"
        line["nominal_ppm"] = "20" if line["kind"] == "standard" else ""
        # as people write times in a column of their own: of the day in the row
        line["read_at"] = f"{8 + number // 60}:{number % 60:02d}" if number % 2 else f"2026-06-16T08:{number % 60:02d}"
        line["sampled_on"] = "2026-06-16"
    _write(lines, tmp_path / "samples.csv")
    samples = read_ground(tmp_path / "field.toml").samples
    assert len(samples) == len(lines)
    assert samples.kind.count("duplicate") == plan.samples // 10
    top = samples.field_readings().at_depth(0.0, round(bottom_in, 6))
    field = [i for i, kind in enumerate(top.kind) if kind == "field"]
    np.testing.assert_allclose(top.coordinates_m[field], plan.coordinates_m(), atol=0.02)
    assert {handling.cores for handling in top.handling} == {plan.cores}
    assert samples.handling[9].read_at == datetime(2026, 6, 16, 8, 9)


def test_an_unfilled_form_is_no_reading(make_plan: Callable[..., Plan], tmp_path: Path) -> None:
    """The form as it is written holds no reading and is taken as such."""
    (tmp_path / "samples.csv").write_text(form_text(make_plan()), encoding="utf-8")
    assert len(read_ground(tmp_path / "field.toml").samples) == 0


def test_form_speaks_the_columns_of_the_field_file(make_plan: Callable[..., Plan], tmp_path: Path) -> None:
    """Where the field file maps column names, either way round, the form uses them and is read back."""
    make_plan()
    with (tmp_path / "field.toml").open("a") as field_file:
        field_file.write('[samples.columns]\nsample_id = "Site"\nNO3N = "nitrate_ppm"\n')
    plan = plan_samples(read_ground(tmp_path / "field.toml"), PlanOptions(samples=5, seed=1))
    text = form_text(plan)
    assert text.splitlines()[0].startswith("Site,longitude,latitude,top_in,bottom_in,NO3N,kind")
    lines = list(csv.DictReader(text.splitlines()))
    for line in lines:
        line["NO3N"] = "12" if line["kind"] == "field" else ""
    _write(lines, tmp_path / "samples.csv")
    samples = read_ground(tmp_path / "field.toml").samples
    assert set(samples.field_readings().sample_id) >= {f"{place.name} top" for place in plan.places}


def test_form_writes_depths_as_text_where_the_field_file_reads_them_so(
    make_plan: Callable[..., Plan], tmp_path: Path
) -> None:
    """A field file that maps one column of depths gets a form with it, and reads it back to the same two feet."""
    make_plan()
    with (tmp_path / "field.toml").open("a") as field_file:
        field_file.write('[samples.columns]\ndepth = "Depth"\n')
    plan = plan_samples(read_ground(tmp_path / "field.toml"), PlanOptions(samples=5, seed=1))
    lines = list(csv.DictReader(form_text(plan).splitlines()))
    assert "top_in" not in lines[0]
    assert {line["Depth"] for line in lines} == {"", "0-12 in", "12-24 in"}
    for line in lines:
        line["nitrate_ppm"] = "12" if line["kind"] == "field" else ""
    _write(lines, tmp_path / "samples.csv")
    assert read_ground(tmp_path / "field.toml").samples.field_readings().depths_in() == ((0.0, 12.0), (12.0, 24.0))


def test_areas_go_back_into_the_field_file(make_plan: Callable[..., Plan], tmp_path: Path) -> None:
    """A filled form of composites with its areas is read as composites of those areas."""
    plan = make_plan(design="composites", samples=4)
    write_plan(plan, tmp_path / "plan", sheet=SHEET, page="<html>")
    lines = list(csv.DictReader(form_text(plan).splitlines()))
    for line in lines:
        line["nitrate_ppm"] = "12.5" if line["kind"] == "field" else ""
    _write(lines, tmp_path / "samples.csv")
    with (tmp_path / "field.toml").open("a") as field_file:
        field_file.write('[samples.areas]\nfile = "plan/areas.geojson"\n')
    samples = read_ground(tmp_path / "field.toml").samples
    assert set(samples.areas) == set(plan.areas)
    assert sum(area.area for area in samples.areas.values()) == pytest.approx(plan.field.treated.area, rel=1e-4)


def test_field_sheet_is_a_pdf_and_always_the_same(make_plan: Callable[..., Plan], tmp_path: Path) -> None:
    """Two writings give the same bytes; a name in any letters does not stop it."""
    plan = make_plan()
    first, second = (write_plan(plan, tmp_path / name, sheet=field_sheet(plan), page="") for name in ("one", "two"))
    for one, other in zip(first, second, strict=True):
        assert one.read_bytes() == other.read_bytes()
    sheet = (tmp_path / "one/field_sheet.pdf").read_bytes()
    assert sheet.startswith(b"%PDF-")
    assert sheet.rstrip().endswith(b"%%EOF")


def test_a_filled_form_is_never_written_over(make_plan: Callable[..., Plan], tmp_path: Path) -> None:
    """A form that a person wrote into stops the next plan, which then changes nothing."""
    folder = tmp_path / "plan"
    write_plan(make_plan(), folder, sheet=SHEET, page="<html>")
    form = folder / "samples_form.csv"
    form.write_text(form.read_text(encoding="utf-8") + "mine,,,,,,,,,,,,\n", encoding="utf-8")
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with pytest.raises(OutputError, match="has been filled in"):
        write_plan(make_plan(seed=2), folder, sheet=SHEET, page="<html>")
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_an_untouched_plan_is_replaced(make_plan: Callable[..., Plan], tmp_path: Path) -> None:
    """A plan that nobody touched gives way to the next; areas that it no longer has go with it, other files stay."""
    folder = tmp_path / "plan"
    write_plan(make_plan(design="composites"), folder, sheet=SHEET, page="<html>")
    (folder / "photo.jpg").write_bytes(b"mine")
    written = write_plan(make_plan(), folder, sheet=SHEET, page="<html>")
    assert {path.name for path in folder.iterdir()} == {path.name for path in written} | {"photo.jpg"}


def test_a_file_in_the_way_is_not_written_over(make_plan: Callable[..., Plan], tmp_path: Path) -> None:
    """A file of that name from elsewhere, or a file where the folder should be, stops the plan."""
    folder = tmp_path / "plan"
    folder.mkdir()
    (folder / "plan.gpx").write_text("mine")
    with pytest.raises(OutputError, match="is not as vrn plan wrote it"):
        write_plan(make_plan(), folder, sheet=SHEET, page="<html>")
    assert [path.name for path in folder.iterdir()] == ["plan.gpx"]
    with pytest.raises(OutputError, match="is a file"):
        write_plan(make_plan(), folder / "plan.gpx", sheet=SHEET, page="<html>")
