"""Twelve ways a controller file goes wrong in practice: each is caught and named, even with renewed hashes."""

import hashlib
import itertools
import json
import re
import shutil
import sqlite3
import struct
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import rasterio
import shapefile
import shapely

from vrn.audit import verify
from vrn.cli import main
from vrn.files.tables import write_geopackage
from vrn.pipeline.order import write

pytestmark = pytest.mark.usefixtures("quick_module")  # reports have tests of their own


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory, maker: ModuleType) -> Path:
    """A written prescription with a waterway of no-apply ground along its eastern side."""
    made = maker.make_prescription(no_apply=shapely.box(400, 60, 450, 300))
    return write(made, tmp_path_factory.mktemp("whole") / "rx")


@pytest.fixture
def copy(written: Path, tmp_path: Path) -> Path:
    """A copy to break."""
    return Path(shutil.copytree(written, tmp_path / "copy"))


def renew_hashes(folder: Path) -> None:
    """Let summary.json list the files as they are now, as a forger or a faulty writer would."""
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    summary["files"] = {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in summary["files"]}
    (folder / "summary.json").write_text(json.dumps(summary, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


def grid_of(folder: Path) -> np.ndarray:
    """Cells of the task's grid, row 0 in the south."""
    xml = (folder / "TASKDATA" / "TASKDATA.XML").read_text(encoding="utf-8")
    rows, cols = (int(xml.split(f' {letter}="')[-1].split('"')[0]) for letter in ("F", "E"))
    return np.frombuffer((folder / "TASKDATA" / "GRD00001.BIN").read_bytes(), "<i4").reshape(rows, cols).copy()


def put_grid(folder: Path, cells: np.ndarray) -> None:
    """Write cells back."""
    (folder / "TASKDATA" / "GRD00001.BIN").write_bytes(cells.astype("<i4").tobytes())


def rewrite_shapefile(
    folder: Path, change: Callable[[list, list], tuple[list, list] | None], rate_name: str = "RATE"
) -> None:
    """Pass the shapefile's rings and rows through ``change`` (None drops a record), and write it again."""
    base = folder / "shapefile"
    with shapefile.Reader(str(base / "RX.SHP")) as reader:
        records = [
            change([[tuple(p) for p in ring] for ring in rings_of(shape)], list(row))
            for shape, row in zip(reader.shapes(), reader.records(), strict=True)
        ]
    with shapefile.Writer(str(base / "RX"), shapeType=5, encoding="ascii") as writer:
        writer.field(rate_name, "N", 10, 2)
        writer.field("ZONE", "N", 4, 0)
        writer.field("UNIT", "C", 10)
        for record in records:
            if record is not None:
                writer.poly(record[0])
                writer.record(*record[1])
    for end in ("shp", "shx", "dbf"):
        (base / f"RX.{end}").replace(base / f"RX.{end.upper()}")


def rings_of(shape: shapefile.Shape) -> list[list[tuple[float, float]]]:
    """Rings of a record."""
    starts = [*shape.parts, len(shape.points)]
    return [shape.points[a:b] for a, b in itertools.pairwise(starts)]


def mirrored(folder: Path) -> None:
    """The first row in the north, as a raster has it."""
    put_grid(folder, grid_of(folder)[::-1])


def shifted(folder: Path) -> None:
    """Cells counted from 1."""
    put_grid(folder, np.roll(grid_of(folder), 1, axis=1))


def kg_for_lb(folder: Path) -> None:
    """kg/ha (1 lb/ac = 1.120851 kg/ha) under a heading of lb N/ac."""
    path = folder / "rasters" / "rate.tif"
    with rasterio.open(path) as old:
        values, profile = old.read(1), old.profile
        unit = old.units
    profile.update(driver="COG")
    for key in ("tiled", "blockxsize", "blockysize", "interleave"):
        profile.pop(key, None)
    with rasterio.open(path, "w", **profile) as new:
        new.write(values * np.float32(1.120851), 1)
        new.units = unit


def gallons_for_pounds(folder: Path) -> None:
    """Gallons of product in a file that says pounds of product."""
    rewrite_shapefile(folder, lambda rings, row: (rings, [row[0], row[1], "lb/ac"]))


def stale_prj(folder: Path) -> None:
    """The .prj of an earlier export in UTM left beside coordinates in degrees."""
    (folder / "shapefile" / "RX.PRJ").write_text(
        'PROJCS["WGS_1984_UTM_Zone_15N",GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137.0,'
        '298.257223563]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"]]',
        encoding="ascii",
    )


def swapped_axes(folder: Path) -> None:
    """Latitude first."""
    path = folder / "prescription.geojson"
    data = json.loads(path.read_text(encoding="utf-8"))
    for feature in data["features"]:
        rings = feature["geometry"]["coordinates"]
        feature["geometry"]["coordinates"] = [[[y, x] for x, y in ring] for ring in rings]
    path.write_text(json.dumps(data), encoding="utf-8")


def truncated_grid(folder: Path) -> None:
    """The stick was pulled too early."""
    path = folder / "TASKDATA" / "GRD00001.BIN"
    path.write_bytes(path.read_bytes()[:-400])


def zone_lost(folder: Path) -> None:
    """One record did not make it."""
    rewrite_shapefile(folder, lambda rings, row: None if row[1] == 2 else (rings, row))


def rate_doubled(folder: Path) -> None:
    """One zone's rate is twice what it was."""
    rewrite_shapefile(folder, lambda rings, row: (rings, [row[0] * 2 if row[1] == 2 else row[0], *row[1:]]))


def no_apply_filled(folder: Path) -> None:
    """The grid's gaps were filled with the nearest rate, the waterway's too."""
    cells = grid_of(folder)
    for row in cells:
        filled = np.flatnonzero(row)
        if len(filled):
            row[filled.max() :] = row[filled.max()]
    put_grid(folder, cells)


def old_summary(folder: Path) -> None:
    """summary.json of an earlier run with other rates."""
    path = folder / "summary.json"
    summary = json.loads(path.read_text(encoding="utf-8"))
    for zone in summary["zones"]:
        zone["rate_n_lb_ac"] *= 0.8
        zone["rate_product"] *= 0.8
    summary["total_n_lb"] *= 0.8
    summary["total_product"] *= 0.8
    path.write_text(json.dumps(summary, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")


def renamed_column(folder: Path) -> None:
    """The controller looks for RATE and finds another name."""
    rewrite_shapefile(folder, lambda rings, row: (rings, row), rate_name="TARGET")


# how it is broken, the file that is named, the code, and some of its quantities
BREAKAGES: dict[str, tuple[Callable[[Path], None], str, str, dict[str, object]]] = {
    "mirrored": (mirrored, "TASKDATA", "audit.mirrored-north-south", {}),
    "shifted a cell": (shifted, "TASKDATA", "audit.cells-too-far-east", {}),
    "kg for lb": (kg_for_lb, "rasters/rate.tif", "audit.units-mixed", {"written": "kg/ha", "meant": "lb/ac"}),
    "gallons for pounds": (gallons_for_pounds, "shapefile", "audit.unit-off", {"found": "lb/ac", "wanted": "gal/ac"}),
    "stale .prj": (stale_prj, "shapefile", "audit.shapefile-projected", {}),
    "swapped axes": (swapped_axes, "prescription.geojson", "audit.longitude-for-latitude", {}),
    "truncated grid": (truncated_grid, "TASKDATA", "audit.unreadable", {}),
    "a zone lost": (zone_lost, "shapefile", "audit.zones-missing", {"zones": "2"}),
    "a rate doubled": (rate_doubled, "shapefile", "audit.zone-rates-off", {"zone": 2, "wanted": 95.0, "zones": 1}),
    "no-apply filled": (no_apply_filled, "TASKDATA", "audit.stray-no-apply", {}),
    "an old summary": (old_summary, "summary.json", "audit.summary-rates-old", {"zone": 1, "stated": 48.0}),
    "a renamed column": (renamed_column, "load_sheet.txt", "audit.sheet-column", {"column": "TARGET"}),
}


def failed_in(folder: Path) -> dict[tuple[str, str], dict[str, object]]:
    """Values of every failed check by file and code."""
    return {(check.about, check.code): {name: quantity.value for name, quantity in check.quantities.items()}
            for check in verify(folder).failed}  # fmt: skip


@pytest.mark.parametrize("kind", BREAKAGES)
def test_broken_copy_is_caught_and_named(kind: str, copy: Path) -> None:
    """The fault itself is seen, not only the changed hash, and the code says which fault it is, with its numbers."""
    change, where, code, values = BREAKAGES[kind]
    change(copy)
    renew_hashes(copy)
    failed = failed_in(copy)
    assert (where, code) in failed, failed
    assert values.items() <= failed[where, code].items()


@pytest.mark.parametrize("kind", [kind for kind in BREAKAGES if kind != "an old summary"])
def test_changed_file_is_named_by_its_hash(kind: str, copy: Path) -> None:
    """Whatever was done to a file, its hash tells that it is not the one that was written."""
    BREAKAGES[kind][0](copy)
    assert ("all files", "audit.files-changed") in failed_in(copy)


def test_nitrogen_beside_product_is_checked(copy: Path) -> None:
    """GeoJSON states nitrogen beside product: the two must be one rate."""
    path = copy / "prescription.geojson"
    path.write_text(
        path.read_text(encoding="utf-8").replace('"rate_n_lb_ac":95.0', '"rate_n_lb_ac":190.0'), encoding="utf-8"
    )
    renew_hashes(copy)
    found = failed_in(copy)["prescription.geojson", "audit.zone-nitrogen-off"]
    assert found == {"zone": 2, "found": 190.0, "wanted": 95.0}


def test_old_load_sheet_is_seen(copy: Path) -> None:
    """A sheet with another total than the files is not of this prescription."""
    path = copy / "load_sheet.txt"
    path.write_text(path.read_text(encoding="utf-8").replace("747 gal", "698 gal"), encoding="utf-8")
    renew_hashes(copy)
    assert list(failed_in(copy)) == [("load_sheet.txt", "audit.sheet-total")]


def test_whole_folder_passes(written: Path) -> None:
    """Nothing is found where nothing is wrong."""
    assert verify(written).failed == ()
    assert main(["verify", str(written)]) == 0


def test_command_leaves_with_1(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command says which check needs a person, in plain text and for a machine, and ends with 1."""
    zone_lost(copy)
    assert main(["verify", str(copy)]) == 1
    assert re.search("^LOOK shapefile: ", capsys.readouterr().out, flags=re.MULTILINE)
    assert main(["verify", str(copy), "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["ok"] is False
    assert "audit.zones-missing" in {check["code"] for check in found["checks"] if not check["ok"]}


def test_folder_without_summary_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A folder that vrn did not write is refused with what to give instead."""
    assert main(["verify", str(tmp_path)]) == 2
    assert "summary.json" in capsys.readouterr().err


def test_missing_and_added_files_are_named(copy: Path) -> None:
    """A file that is gone and one that came are both told."""
    (copy / "shapefile" / "RX.SHX").unlink()
    (copy / "shapefile" / "RX.QIX").write_bytes(b"stale index")
    failed = failed_in(copy)
    assert failed["all files", "audit.files-missing"] == {"names": "shapefile/RX.SHX"}
    assert failed["all files", "audit.files-added"] == {"names": "shapefile/RX.QIX"}


@pytest.mark.parametrize("name", ["prescription.geojson", "layers.gpkg", "shapefile/RX.SHP", "shapefile/RX.DBF",
                                  "TASKDATA/TASKDATA.XML", "rasters/rate.tif", "rasters/nitrate.tif", "zones.csv",
                                  "ledger.csv", "load_sheet.txt", "shapefile.zip"])  # fmt: skip
@pytest.mark.parametrize("harm", ["empty", "cut", "noise"])
def test_damaged_file_never_stops_the_audit(name: str, harm: str, copy: Path) -> None:
    """A file that is empty, cut in half or noise is one more failed check, never a crash."""
    path = copy / name
    content = path.read_bytes()
    path.write_bytes({"empty": b"", "cut": content[: len(content) // 2], "noise": bytes(range(256)) * 20}[harm])
    assert not verify(copy).ok


def test_no_lock_or_journal_is_left(written: Path) -> None:
    """Reading the GeoPackage leaves nothing beside it."""
    before = sorted(path.name for path in written.iterdir())
    verify(written)
    assert sorted(path.name for path in written.iterdir()) == before
    with sqlite3.connect(written / "layers.gpkg") as base:
        assert base.execute("pragma journal_mode").fetchone()[0] != "wal"


def test_struct_reader_agrees_with_pyshp(written: Path) -> None:
    """The hand-written shapefile reader and pyshp read the same shapes and rows."""
    from vrn.audit.read_layers import read_shapefile

    zones = read_shapefile(written / "shapefile")
    with shapefile.Reader(str(written / "shapefile" / "RX.SHP")) as reader:
        rows, shapes = reader.records(), reader.shapes()
    assert zones.rate.tolist() == [row[0] for row in rows]
    assert zones.zone.tolist() == [row[1] for row in rows]
    assert all(a.equals(shapely.geometry.shape(b)) for a, b in zip(zones.polygons, shapes, strict=True))


def test_tiff_reader_agrees_with_gdal(written: Path) -> None:
    """The hand-written raster reader gives the cells, corner and system that GDAL gives."""
    from vrn.audit.read_grids import read_tiff

    for path in sorted((written / "rasters").glob("*.tif")):
        raster = read_tiff(path)
        with rasterio.open(path) as file:
            np.testing.assert_array_equal(raster.values.astype("f4"), file.read(1))
            assert (raster.west_m, raster.north_m, raster.cell_m) == (
                file.transform.c,
                file.transform.f,
                file.transform.a,
            )
            assert raster.crs == f"EPSG:{file.crs.to_epsg()}"
            assert raster.unit == file.units[0]


def test_grid_is_little_endian_from_the_south_west(written: Path) -> None:
    """The first four bytes of the grid are its south-west cell, least significant byte first (ISO 11783-10, type 2)."""
    data = (written / "TASKDATA" / "GRD00001.BIN").read_bytes()
    cells = grid_of(written)
    row, col = np.argwhere(cells > 0)[0]
    at = 4 * (row * cells.shape[1] + col)
    # zone 1: 60 lb N/ac of UAN 32 at 3.5392 lb N/gal = 16.953 gal/ac = 1 585 775 units of 0.01 mm³/m²
    assert struct.unpack("<i", data[at : at + 4])[0] == round(60 / 3.5392 * 93539.56229)


def test_rate_on_a_creek_beside_the_field_is_named(maker: ModuleType, tmp_path: Path) -> None:
    """An edge buffer written over a creek beyond the boundary is no better than one inside."""
    made = maker.make_prescription(edge_buffer_ft=60.0)
    west, south, _, north = made.field.boundary.bounds
    folder = write(made, tmp_path / "rx")
    assert verify(folder).ok
    creek = shapely.box(west - 15, south, west - 5, north)
    (folder / "layers.gpkg").unlink()
    write_geopackage(replace(made, field=replace(made.field, no_apply=creek)), folder)
    renew_hashes(folder)
    assert "audit.stray-no-apply" in {check.code for check in verify(folder).failed}
