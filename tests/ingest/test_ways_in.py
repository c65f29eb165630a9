"""Boundary, samples and layers in every kind of file are the same field; other libraries write the files."""

import io
import zipfile
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely
import sound

from vrn.errors import InputFileError
from vrn.ingest import read_field
from vrn.model.layers import PointLayer

Rewrite = Callable[..., Path]
Put = Callable[[str, Any], Path]

OUTLINE = shapely.Polygon(sound.RING, [sound.box(-93.6045, 42.1015, -93.6042, 42.1017)])


def outline_frame(**columns: Any) -> geopandas.GeoDataFrame:
    """The boundary with a pond, as geopandas holds it."""
    return geopandas.GeoDataFrame(columns or {"name": ["home"]}, geometry=[OUTLINE], crs="EPSG:4326")


def kml(*placemarks: str) -> str:
    """A KML document with one folder."""
    body = "".join(f"<Placemark><name>p{i}</name>{mark}</Placemark>" for i, mark in enumerate(placemarks, 1))
    return (
        '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
        f"<Folder><name>fields</name>{body}</Folder></Document></kml>"
    )


def kml_ring(ring: list[list[float]]) -> str:
    """A ring with heights, as drawing programs write it."""
    text = " ".join(f"{lon},{lat},0" for lon, lat in ring)
    return f"<LinearRing><coordinates>\n {text}\n</coordinates></LinearRing>"


def kml_polygon(shape: shapely.Polygon) -> str:
    """A polygon with its holes."""
    outer = f"<outerBoundaryIs>{kml_ring([list(xy) for xy in shape.exterior.coords])}</outerBoundaryIs>"
    holes = [
        f"<innerBoundaryIs>{kml_ring([list(xy) for xy in hole.coords])}</innerBoundaryIs>" for hole in shape.interiors
    ]
    return f"<Polygon>{outer}{''.join(holes)}</Polygon>"


def zipped(folder: Path, name: str, *, under: str = "", only: str | None = None) -> bytes:
    """A zip archive of the files of one name."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(folder.glob(only or f"{name}.*")):
            archive.write(path, f"{under}{path.name}")
    return buffer.getvalue()


def write_boundary(folder: Path, way: str) -> str:
    """Write the boundary in one of many ways; what the field file then names."""
    frame = outline_frame()
    if way in ("shapefile", "zip", "zip-folder"):
        frame.to_file(folder / "north.shp")
        if way == "shapefile":
            return "north.shp"
        (folder / "north.zip").write_bytes(zipped(folder, "north", under="data/field/" if way == "zip-folder" else ""))
        for path in folder.glob("north.*"):
            if path.suffix != ".zip":
                path.unlink()
        return "north.zip"
    if way in ("geopackage", "geopackage-layer"):
        frame.to_file(folder / "home.gpkg", layer="outline")
        if way == "geopackage":
            return "home.gpkg"
        geopandas.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(-93.6, 42.1)], crs=4326).to_file(
            folder / "home.gpkg", layer="gates"
        )
        return "home.gpkg#outline"
    if way == "flatgeobuf":
        frame.to_file(folder / "home.fgb", driver="FlatGeobuf")
        return "home.fgb"
    if way == "geojson-zip":
        frame.to_file(folder / "home.geojson", driver="GeoJSON")
        (folder / "home.zip").write_bytes(zipped(folder, "home"))
        return "home.zip"
    if way == "utm-shapefile":
        frame.to_crs(32615).to_file(folder / "north.shp")
        return "north.shp"
    text = kml(kml_polygon(OUTLINE))
    if way == "kml":
        (folder / "home.kml").write_text(text, encoding="utf-8")
        return "home.kml"
    if way == "kml-utf-16":
        (folder / "home.kml").write_bytes(text.replace("UTF-8", "UTF-16").encode("utf-16"))
        return "home.kml"
    (folder / "doc.kml").write_text(text, encoding="utf-8")
    (folder / "home.kmz").write_bytes(zipped(folder, "doc"))
    return "home.kmz"


BOUNDARY_WAYS = ["shapefile", "zip", "zip-folder", "geopackage", "geopackage-layer", "flatgeobuf", "geojson-zip",
                 "utm-shapefile", "kml", "kml-utf-16", "kmz"]  # fmt: skip


@pytest.mark.parametrize("way", BOUNDARY_WAYS)
def test_boundary_comes_in_alike(rewrite: Rewrite, field_folder: Path, way: str) -> None:
    """The same outline with its pond, to a millimetre, and the file's hash among the inputs."""
    name = write_boundary(field_folder, way)
    field = read_field(rewrite(field__boundary=name))
    direct = geopandas.GeoSeries([OUTLINE], crs=4326).to_crs(32615)[0]
    assert shapely.hausdorff_distance(field.boundary, direct) < 1e-3
    assert field.boundary.area == pytest.approx(direct.area, rel=1e-9)
    assert name.split("#")[0] in field.inputs


def test_every_part_of_a_shapefile_is_hashed(rewrite: Rewrite, field_folder: Path) -> None:
    """A shapefile is several files, and each of them decides what is read."""
    write_boundary(field_folder, "shapefile")
    inputs = read_field(rewrite(field__boundary="north.shp")).inputs
    assert {"north.shp", "north.shx", "north.dbf", "north.prj", "north.cpg"} <= set(inputs)


def sample_frame() -> pd.DataFrame:
    """The twelve readings as pandas holds them, one of them below detection."""
    readings: list[Any] = [*sound.READINGS]
    readings[4] = "<0.5"
    return pd.DataFrame(
        {
            "sample_id": [f"S{i}" for i in range(1, 13)],
            "longitude": [lon for lon, _ in sound.places()],
            "latitude": [lat for _, lat in sound.places()],
            "top_in": 0,
            "bottom_in": 12,
            "nitrate_ppm": readings,
            "sampled_on": [date(2026, 6, 12)] * 12,
        }
    )


def write_samples(folder: Path, way: str) -> str:
    """Write the readings in one of many ways; what the field file then names."""
    frame = sample_frame()
    if way == "excel":
        frame.to_excel(folder / "june.xlsx", sheet_name="lab", index=False)
        return "june.xlsx"
    if way == "excel-sheet-with-title":
        with pd.ExcelWriter(folder / "june.xlsx") as book:
            pd.DataFrame({"a": [1]}).to_excel(book, sheet_name="cover", index=False)
            frame.to_excel(book, sheet_name="lab", index=False, startrow=3)
            book.sheets["lab"]["A1"] = "Report of the laboratory"
        return "june.xlsx#lab"
    if way == "csv-zip":
        frame.to_csv(folder / "june.csv", index=False)
        (folder / "june.zip").write_bytes(zipped(folder, "june", only="june.csv"))
        return "june.zip"
    points = geopandas.GeoDataFrame(
        frame.drop(columns=["longitude", "latitude"]).astype({"nitrate_ppm": str, "sampled_on": str}),
        geometry=geopandas.points_from_xy(frame["longitude"], frame["latitude"]), crs=4326,
    )  # fmt: skip
    if way == "geopackage":
        points.to_file(folder / "june.gpkg")
        return "june.gpkg"
    if way == "shapefile":
        points.rename(columns={"nitrate_ppm": "nitrate", "sampled_on": "day"}).to_file(folder / "june.shp")
        return "june.shp"
    marks = []
    for row in frame.itertuples():
        data = "".join(
            f'<Data name="{name}"><value>{str(getattr(row, name)).replace("<", "&lt;")}</value></Data>'
            for name in ("sample_id", "top_in", "bottom_in", "nitrate_ppm", "sampled_on")
        )
        place = f"<Point><coordinates>{row.longitude},{row.latitude}</coordinates></Point>"
        marks.append(f"<ExtendedData>{data}</ExtendedData>{place}")
    (folder / "june.kml").write_text(kml(*marks), encoding="utf-8")
    return "june.kml"


@pytest.mark.parametrize("way", ["excel", "excel-sheet-with-title", "csv-zip", "geopackage", "shapefile", "kml"])
def test_samples_come_in_alike(rewrite: Rewrite, field_folder: Path, way: str) -> None:
    """The same readings at the same places and days, ``<0.5`` as half of it."""
    name = write_samples(field_folder, way)
    columns = {"nitrate_ppm": "nitrate", "sampled_on": "day"} if way == "shapefile" else {}
    samples = read_field(rewrite(samples__file=name, samples__columns=columns)).samples
    assert samples.sample_id == tuple(f"S{i}" for i in range(1, 13))
    expected = np.where(np.arange(12) == 4, 0.25, sound.READINGS)
    np.testing.assert_allclose(samples.nitrate_ppm, expected, rtol=1e-12)
    assert samples.below_detection.tolist() == [i == 4 for i in range(12)]
    assert samples.sampled_on == (date(2026, 6, 12),) * 12
    points = geopandas.GeoSeries.from_xy(*zip(*sound.places(), strict=True), crs=4326).to_crs(32615)
    np.testing.assert_allclose(samples.coordinates_m, np.column_stack([points.x, points.y]), atol=1e-3)


def test_rows_of_a_workbook_are_numbered_as_excel_numbers_them(rewrite: Rewrite, field_folder: Path) -> None:
    """A fault names the row that the user sees in Excel, titles counted."""
    frame = sample_frame()
    frame.loc[3, "nitrate_ppm"] = "see note"
    with pd.ExcelWriter(field_folder / "june.xlsx") as book:
        frame.to_excel(book, sheet_name="lab", index=False, startrow=3)
        book.sheets["lab"]["A1"] = "Report of the laboratory"
    with pytest.raises(InputFileError, match='row 8: nitrate_ppm is "see note"'):
        read_field(rewrite(samples__file="june.xlsx"))


@pytest.mark.parametrize("way", ["excel", "geopackage", "shapefile"])
def test_layers_come_in_alike(rewrite: Rewrite, field_folder: Path, way: str) -> None:
    """Organic matter at points, from a workbook, a GeoPackage or a shapefile."""
    places = sound.places()
    frame = pd.DataFrame({"om_pct": 2.0 + 0.1 * np.arange(12)})
    name = {"excel": "om.xlsx", "geopackage": "om.gpkg", "shapefile": "om.shp"}[way]
    if way == "excel":
        frame.assign(longitude=[x for x, _ in places], latitude=[y for _, y in places]).to_excel(
            field_folder / name, index=False
        )
    else:
        points = geopandas.points_from_xy(*zip(*places, strict=True))
        geopandas.GeoDataFrame(frame, geometry=points, crs=4326).to_file(field_folder / name)
    layer = read_field(rewrite(layers__organic_matter={"file": name, "column": "om_pct"})).organic_matter
    assert isinstance(layer, PointLayer)
    np.testing.assert_allclose(layer.values, frame["om_pct"], rtol=1e-12)


def test_kml_with_a_gate_beside_the_outline(rewrite: Rewrite, put: Put) -> None:
    """A point and a path beside the outline are passed over and told; a folder can be named."""
    gate = "<Point><coordinates>-93.605,42.1</coordinates></Point>"
    put("home.kml", kml(gate, kml_polygon(OUTLINE)))
    field = read_field(rewrite(field__boundary="home.kml"))
    assert sound.found(field, "outlines-missing")
    assert read_field(rewrite(field__boundary="home.kml#p2")).boundary.equals(field.boundary)
    with pytest.raises(InputFileError, match="no outline is called south"):
        read_field(rewrite(field__boundary="home.kml#south"))
