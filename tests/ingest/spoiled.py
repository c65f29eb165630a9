"""Spoiled inputs of every kind, each made by code from the sound field: what was done, and what the tool must say."""

import io
import json
import os
import struct
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import geopandas
import numpy as np
import pandas as pd
import rasterio
import shapely
import sound
from rasterio.transform import Affine
from sound import Raw, box, collection, line, point, polygon

REFUSED, FINDING = "refused", "finding"


@dataclass(frozen=True, kw_only=True)
class Spoiled:
    """
    One spoiled input.

    Parameters
    ----------
    name : str
    spoil : callable
        Takes the folder of the sound field and spoils it.
    says : str
        Pattern that the message must hold; where it is a finding, its code.
    remedy : str
        Pattern that the remedy must hold; where it is a finding, what it is about.
    outcome : {"refused", "finding"}
    """

    name: str
    spoil: Callable[[Path], None]
    says: str
    remedy: str
    outcome: Literal["refused", "finding"] = "refused"


CASES: list[Spoiled] = []


def _case(name: str, spoil: Callable[[Path], None], says: str, remedy: str, outcome: Any = REFUSED) -> None:
    CASES.append(Spoiled(name=name, spoil=spoil, says=says, remedy=remedy, outcome=outcome))


def _put(name: str, content: Any, **changes: Any) -> Callable[[Path], None]:
    """Write one file (text, bytes, or an object as JSON) and change keys of the field file."""

    def spoil(folder: Path) -> None:
        path = folder / name
        if callable(content):
            content(path)
        elif isinstance(content, bytes):
            path.write_bytes(content)
        else:
            text = content if isinstance(content, str) else json.dumps(content)
            path.write_text(text, encoding="utf-8", newline="")
        sound.write_toml(folder, changes)

    return spoil


def _keys(**changes: Any) -> Callable[[Path], None]:
    """Change keys of the field file only."""

    def spoil(folder: Path) -> None:
        sound.write_toml(folder, changes)

    return spoil


# --- the field file -------------------------------------------------------------------------------------------------


def _toml(text: str | bytes) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        (folder / "field.toml").write_bytes(text if isinstance(text, bytes) else text.encode())

    return spoil


_SOUND = sound.toml_text(sound.KEYS)

_case("toml-empty", _toml(""), "crop is missing", "Fix them")
_case("toml-cut-off", _toml(_SOUND[: len(_SOUND) // 2 - 3]), "not valid TOML|faults|missing", "Fix|Add")
_case("toml-is-json", _toml(json.dumps(sound.KEYS)), "not valid TOML", "Fix that line")
_case("toml-utf-16", _toml(_SOUND.encode("utf-16")), "not UTF-8", "Save it as UTF-8")
_case("toml-nul", _toml(_SOUND.encode().replace(b"Wren", b"W\x00n")), "not valid TOML", "Fix that line")
_case("toml-nested-deep", _toml("a = " + "[" * 5000 + "]" * 5000), "not valid TOML", "Fix that line")
_case("toml-huge", _toml(_SOUND + "#" * 2_100_000), "larger than 2 MB", "Give the field.toml")
_case("toml-twice-a-table", _toml(_SOUND + "\n[crop]\nyield_goal_bu_ac = 1\n"), "not valid TOML", "Fix that line")
_case("toml-infinite-goal", _keys(crop__yield_goal_bu_ac=Raw("inf")), "is inf, which is not a number", "from 20 to 450")
_case("toml-nan-limit", _keys(limits__max_n_lb_ac=Raw("nan")), "is nan, which is not a number", "above 0 and up to 400")
_case("toml-1e308", _keys(machine__swath_ft=1e308), "machine.swath_ft", "up to 200")
_case("toml-huge-integer", _keys(crop__yield_goal_bu_ac=Raw("9" * 400)), "yield_goal_bu_ac", "from 20 to 450")
_case("toml-text-for-number", _keys(crop__yield_goal_bu_ac="210 bu"), "210 bu", "from 20 to 450")
_case("toml-number-for-text", _keys(field__name=7), "field.name", "text in quotes")
_case("toml-true-for-number", _keys(machine__swath_ft=True), "swath_ft", "a number")
_case("toml-table-for-list", _keys(field__no_apply={"file": "w.geojson"}), "no_apply", r"\[\[field.no_apply\]\]")
_case(
    "toml-date-of-no-month",
    _toml(_SOUND + '\n[review]\napproved_by = "A"\napproved_on = 2026-13-01\n'),
    "not valid TOML",
    "Fix that line",
)
_case("toml-unknown-table", _keys(machinery__swath_ft=60), "machinery is not a known key", "Did you mean machine")
_case("toml-unknown-key", _keys(samples__moisture="dry"), "samples.moisture is not a known key", "moisture_basis")
_case("toml-stage-in-words", _keys(crop__growth_stage="knee high"), "KNEE HIGH", "leaf-collar stage")
_case("toml-organic-matter-45-pct", _keys(layers__organic_matter={"value_pct": 45}), "value_pct is 45", "from 0 to 20")
_case(
    "toml-limits-crossed",
    _keys(machine__min_rate_n_lb_ac=90, machine__max_rate_n_lb_ac=60),
    "is above",
    "Check the two",
)
_case("toml-controlled-name", _keys(field__boundary="a\x07b.geojson"), "control character", "single quotes")


def _no_toml(folder: Path) -> None:
    (folder / "field.toml").unlink()


def _toml_folder(folder: Path) -> None:
    (folder / "field.toml").unlink()
    (folder / "field.toml").mkdir()


def _toml_pipe(folder: Path) -> None:
    (folder / "field.toml").unlink()
    os.mkfifo(folder / "field.toml")


_case("toml-is-a-pipe", _toml_pipe, "is not an ordinary file", "Give a field.toml")
_case("toml-missing", _no_toml, "there is no such file", "vrn start")
_case("toml-is-a-folder", _toml_folder, "is a folder", "Give the file itself")

# --- files that are not what they should be, for every key that names one ---------------------------------------------

_NAMES = {
    "boundary": "field__boundary",
    "samples": "samples__file",
    "organic-matter": "layers__organic_matter__file",
    "weather": "weather__file",
}


def _folder_for_file(folder: Path) -> None:
    (folder / "things").mkdir()


def _loop(folder: Path) -> None:
    (folder / "loop.csv").symlink_to("loop.csv")


def _pipe(folder: Path) -> None:
    os.mkfifo(folder / "pipe.csv")


def _dangling(folder: Path) -> None:
    (folder / "link.csv").symlink_to("nowhere.csv")


def _then(spoil: Callable[[Path], None], **changes: Any) -> Callable[[Path], None]:
    def both(folder: Path) -> None:
        spoil(folder)
        sound.write_toml(folder, changes)

    return both


for _what, _key in _NAMES.items():
    _case(
        f"{_what}-missing",
        _keys(**{_key: "nowhere.csv"}),
        "there is no file nowhere.csv",
        "relative to the field file|Did you",
    )
    _case(f"{_what}-address", _keys(**{_key: "https://example.org/x.csv"}), "is an address", "Save the file beside")
    _case(f"{_what}-folder", _then(_folder_for_file, **{_key: "things"}), "is a folder", "Name one file in it")
    _case(f"{_what}-empty-file", _put("x.csv", b"", **{_key: "x.csv"}), "the file is empty", "Export or copy it again")
    _case(f"{_what}-pdf", _put("x.csv", b"%PDF-1.7\n1 0 obj", **{_key: "x.csv"}), "this is a PDF", "Ask for the data")
    _case(
        f"{_what}-web-page",
        _put("x.csv", "<!DOCTYPE html><html><body>Sign in</body></html>", **{_key: "x.csv"}),
        "this is a web page",
        "sign-in page",
    )
_case("samples-symlink-loop", _then(_loop, samples__file="loop.csv"), "cannot be opened|no file", "Check|relative")
_case("samples-pipe", _then(_pipe, samples__file="pipe.csv"), "is not an ordinary file", "Copy the data")
_case(
    "samples-dangling-link",
    _then(_dangling, samples__file="link.csv"),
    "there is no file link.csv",
    "relative|Did you mean",
)
_case("boundary-vsi-path", _keys(field__boundary="/vsicurl/http://example.org/a.shp"), "is an address", "Save the file")
_case(
    "boundary-old-office",
    _put("b.xls", b"\xd0\xcf\x11\xe0" + b"\0" * 600, field__boundary="b.xls"),
    "old Office file",
    "xlsx",
)
_case(
    "boundary-random-bytes",
    _put("b.geojson", bytes(range(128, 256)) * 8, field__boundary="b.geojson"),
    "not UTF-8|not a file",
    "UTF-8|Give",
)
_case(
    "boundary-unknown-ending",
    _put("b.dwg", b"AC1027" + b"\0" * 200, field__boundary="b.dwg"),
    "not a file that vrn reads",
    "Give CSV",
)

# --- boundary -------------------------------------------------------------------------------------------------------


def _boundary(content: Any, name: str = "boundary.geojson") -> Callable[[Path], None]:
    return _put(name, content, field__boundary=name)


_RING = sound.RING
_UTM = [
    [449_900.0, 4_661_000.0],
    [450_700.0, 4_661_000.0],
    [450_700.0, 4_661_400.0],
    [449_900.0, 4_661_400.0],
    [449_900.0, 4_661_000.0],
]

_case(
    "boundary-cut-off",
    _boundary(json.dumps(collection(polygon(_RING)))[:-40]),
    "not valid JSON at line 1, column",
    "cut off",
)
_case("boundary-json-list", _boundary([1, 2]), "JSON and not GeoJSON", "FeatureCollection")
_case("boundary-no-feature", _boundary(collection()), "holds no feature", "Export it again")
_case(
    "boundary-null-geometry",
    _boundary(collection({"type": "Feature", "properties": {}, "geometry": None})),
    "feature 1 has no geometry",
    "cut off",
)
_case("boundary-point", _boundary(collection(point(-93.6, 42.102))), "feature 1 is a Point", "polygon")
_case("boundary-open-line", _boundary(collection(line(_RING[:4]))), "is an open line", "end the line where it began")
_case(
    "boundary-unclosed-ring",
    _boundary(collection(polygon(_RING[:4]))),
    "broken: .*closed",
    "a ring ends where it began",
)
_case("boundary-two-corners", _boundary(collection(polygon([_RING[0], _RING[1], _RING[0]]))), "broken|no area", "Draw")
_case(
    "boundary-flat-sliver",
    _boundary(collection(polygon([_RING[0], _RING[1], _RING[0], _RING[0]]))),
    "no area|no outline|outline is needed",
    "Draw",
)
_case(
    "boundary-swapped",
    _boundary(collection(polygon([[lat, lon] for lon, lat in _RING]))),
    "not longitude and latitude",
    "look swapped",
)
_case("boundary-meters-unsaid", _boundary(collection(polygon(_UTM))), "not longitude and latitude", "meters or feet")
_case(
    "boundary-nan",
    _boundary(json.dumps(collection(polygon(_RING))).replace("-93.605", "NaN")),
    "NaN is not a JSON number",
    "Export",
)
_case(
    "boundary-1e308",
    _boundary(json.dumps(collection(polygon(_RING))).replace("42.1,", "1e308,").replace("42.1]", "1e308]")),
    "not longitude and latitude",
    "meters or feet",
)
_case(
    "boundary-1e999",
    _boundary(json.dumps(collection(polygon(_RING))).replace("42.104", "1e999")),
    "no number|broken|not valid|longitude",
    ".",
)
_case("boundary-text-coordinates", _boundary(collection(polygon([["a", "b"]] * 4))), "is broken", "Draw or export")
_case(
    "boundary-nested-deep",
    _boundary('{"type":"Polygon","coordinates":' + "[" * 20_000 + "]" * 20_000 + "}"),
    "not valid GeoJSON|broken|JSON",
    "Export|Draw|export",
)
_case(
    "boundary-unknown-type",
    _boundary(collection({"type": "Feature", "properties": {}, "geometry": {"type": "Circle"}})),
    "type Circle",
    "Use one of",
)
_case(
    "boundary-type-is-a-list", _boundary({"type": [{"type": "Feature"}]}), "which GeoJSON does not know", "Use one of"
)
_case(
    "boundary-crs-is-text",
    _boundary(collection(polygon(_RING), crs={"type": "name", "properties": "EPSG:32615"})),
    "crs member",
    "WGS 84",
)
_case(
    "boundary-crs-nonsense",
    _boundary(collection(polygon(_RING), crs={"type": "name", "properties": {"name": "here"}})),
    "crs member here",
    "WGS 84",
)
_case(
    "boundary-crs-unknown-code",
    _boundary(collection(polygon(_RING), crs={"type": "name", "properties": {"name": "EPSG:99999"}})),
    "is not understood",
    "WGS 84",
)
_case("boundary-crs-key-of-space", _keys(field__boundary_crs="EPSG:4978"), "is not a map system", "EPSG")
_case("boundary-crs-key-of-height", _keys(field__boundary_crs="EPSG:5703"), "is not a map system", "EPSG")
_case("boundary-crs-key-nonsense", _keys(field__boundary_crs="my system"), "is not a map system", "EPSG")
_case("boundary-a-county", _boundary(collection(polygon(box(-94, 42, -92.5, 43)))), "more than one field", "one field")
_case(
    "boundary-a-garden",
    _boundary(collection(polygon(box(-93.6, 42.1, -93.59995, 42.10005)))),
    "boundary holds",
    "one field",
)
_case(
    "boundary-at-the-pole",
    _boundary(collection(polygon(box(10, 88, 10.01, 88.005)))),
    "where no corn grows",
    "Check its coordinates",
)
_case(
    "boundary-latin-1",
    _boundary('{"type":"FeatureCollection","name":"é","features":[]}'.encode("latin-1")),
    "not UTF-8",
    "UTF-8",
)
_case("boundary-features-no-list", _boundary({"type": "FeatureCollection", "features": 3}), "not a list", "Export")
_case(
    "boundary-bow-tie",
    _boundary(collection(polygon([_RING[0], _RING[2], _RING[1], _RING[3], _RING[0]]))),
    "outline-repaired",
    "boundary.geojson",
    FINDING,
)
_case(
    "boundary-all-no-apply",
    _put("w.geojson", collection(polygon(box(-94, 42, -93, 43))), field__no_apply=[{"file": "w.geojson"}]),
    "covers the whole field",
    "setbacks",
)
_case(
    "no-apply-line-without-width",
    _put("w.geojson", collection(line(_RING[:2])), field__no_apply=[{"file": "w.geojson"}]),
    "no width",
    "setback_ft",
)
_case(
    "no-apply-elsewhere",
    _put("w.geojson", collection(polygon(box(-94, 42, -93.9, 42.1))), field__no_apply=[{"file": "w.geojson"}]),
    "no-apply-outside",
    "w.geojson",
    FINDING,
)
_case(
    "no-apply-meters-unsaid",
    _put("w.geojson", collection(polygon(_UTM)), field__no_apply=[{"file": "w.geojson"}]),
    "not longitude and latitude",
    "export the file with its coordinate system",
)
_case(
    "no-apply-swapped",
    _put(
        "w.geojson",
        collection(line([[42.1, -93.6], [42.2, -93.6]])),
        field__no_apply=[{"file": "w.geojson", "setback_ft": 30}],
    ),
    "not longitude and latitude",
    "swapped",
)

_case(
    "lines-that-are-polygons",
    _put("l.geojson", collection(polygon(box(-93.61, 42.09, -93.59, 42.11))), machine__lines="l.geojson"),
    "passes are lines",
    "one line for each pass",
)
_case(
    "lines-elsewhere",
    _put("l.geojson", collection(line([[-94.0, 42.1], [-94.0, 42.2]])), machine__lines="l.geojson"),
    "none of the lines",
    "of this field",
)
_case(
    "lines-and-check-strips",
    _put("l.geojson", collection(line([[-93.61, 42.102], [-93.59, 42.102]])), machine__lines="l.geojson",
         check_strips={"pairs": 1}),
    "straight passes",
    "check_strips",
)  # fmt: skip

# --- shapefiles, GeoPackages, archives, KML ---------------------------------------------------------------------------


def _shapefile(folder: Path, crs: int | None = 4326) -> Path:
    frame = geopandas.GeoDataFrame({"a": [1]}, geometry=[shapely.Polygon(_RING)], crs=4326)
    frame = frame.to_crs(crs) if crs else frame
    frame.to_file(folder / "north.shp")
    return folder / "north.shp"


def _without(*endings: str, crs: int | None = 4326) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        path = _shapefile(folder, crs)
        for ending in endings:
            path.with_suffix(ending).unlink()
        sound.write_toml(folder, {"field__boundary": "north.shp"})

    return spoil


def _shape_bytes(ending: str, change: Callable[[bytes], bytes], named: str = "north.shp") -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        path = _shapefile(folder).with_suffix(ending)
        path.write_bytes(change(path.read_bytes()))
        sound.write_toml(folder, {"field__boundary": named})

    return spoil


def _archive(members: dict[str, bytes | str | int], name: str = "b.zip", **changes: Any) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        with zipfile.ZipFile(folder / name, "w", zipfile.ZIP_DEFLATED) as archive:
            for member, content in members.items():
                content = b" " * content if isinstance(content, int) else content
                archive.writestr(zipfile.ZipInfo(member), content, zipfile.ZIP_DEFLATED)
        sound.write_toml(folder, changes or {"field__boundary": name})

    return spoil


def _kml(body: str, before: str = "") -> str:
    return f'<?xml version="1.0"?>{before}<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{body}</Document></kml>'


def _kml_ring(text: str) -> str:
    ring = f"<LinearRing><coordinates>{text}</coordinates></LinearRing>"
    return f"<Placemark><Polygon><outerBoundaryIs>{ring}</outerBoundaryIs></Polygon></Placemark>"


_KML_RING = " ".join(f"{lon},{lat},0" for lon, lat in _RING)
_BOMB = (
    '<!DOCTYPE k [<!ENTITY a "aaaaaaaaaa">'
    + "".join(f'<!ENTITY a{i} "{"&a" + (str(i - 1) if i else "") + ";"}{"&a;" * 9}">' for i in range(1, 9))
    + "]>"
)
_OUTSIDE = '<!DOCTYPE k [<!ENTITY x SYSTEM "file:///etc/hostname">]>'

_case(
    "shp-no-prj",
    _without(".prj"),
    "coordinate system is not known: there is no readable .prj",
    'boundary_crs = "EPSG:4326" in',
)
_case("shp-no-prj-meters", _without(".prj", crs=32615), "coordinate system is not known", "meters or feet")
_case("shp-no-shx", _without(".shx"), "its part .shx is missing", "Copy the whole shapefile")
_case("shp-no-dbf", _without(".dbf", ".shx"), "its part .shx and .dbf is missing", "Copy the whole shapefile")
_case(
    "shp-part-named", _shape_bytes(".dbf", lambda data: data, "north.dbf"), "one part of a shapefile", "Give the .shp"
)
_case("shp-cut-off", _shape_bytes(".shp", lambda data: data[:120]), "no geometry|cannot be read", "cut off")
_case(
    "shp-no-header", _shape_bytes(".shp", lambda data: b"\0" * len(data)), "not a file|empty|whatever its name", "again"
)
_case(
    "shp-prj-nonsense",
    _shape_bytes(".prj", lambda data: b"no system"),
    "coordinate system is not known",
    "say which system in the field file",
)
_case(
    "shp-prj-broken-letter",
    _shape_bytes(".prj", lambda data: data.replace(b"Greenwich", b"Gre\x9fnwich")),
    "coordinate system cannot be understood",
    "WGS 84.*instead of the .prj",
)
_case(
    "shp-nan-corner",
    _shape_bytes(".shp", lambda data: data[:156] + struct.pack("<d", float("nan")) + data[164:]),
    "not a number|broken|no geometry|not longitude",
    ".",
)
_case(
    "shp-infinite-corner",
    _shape_bytes(".shp", lambda data: data[:172] + struct.pack("<d", float("inf")) + data[180:]),
    "not a number|broken|no geometry|not longitude",
    ".",
)
_case(
    "shp-prj-of-a-drawing",
    _shape_bytes(".prj", lambda _: b'LOCAL_CS["site",UNIT["Meter",1.0],AXIS["X",EAST],AXIS["Y",NORTH]]'),
    "not tied to the ground|is not understood|not known",
    "WGS 84|EPSG",
)
_case(
    "shp-prj-broken-unit",
    _shape_bytes(".prj", lambda data: data.replace(b'"Degree",', b'"Degree"0')),
    "coordinate system cannot be understood",
    "WGS 84.*instead of the .prj",
)
_case(
    "shp-lies-about-size",
    _shape_bytes(".shp", lambda data: data[:144] + struct.pack("<ii", 2**20, 2**30) + data[152:]),
    "no geometry|cannot be read|broken",
    ".",
)
_case(
    "gpkg-cut-off",
    _put("b.gpkg", lambda path: _cut_geopackage(path), field__boundary="b.gpkg"),
    "cannot be read|no layer",
    "again",
)
_case(
    "gpkg-is-text",
    _put("b.gpkg", "not a database at all", field__boundary="b.gpkg"),
    "whatever its name says",
    "damaged or cut off",
)
_case(
    "gpkg-two-layers",
    _put("b.gpkg", lambda path: _two_layers(path), field__boundary="b.gpkg"),
    "2 layers .*which one to use",
    "behind a #",
)
_case(
    "gpkg-no-such-layer",
    _put("b.gpkg", lambda path: _two_layers(path), field__boundary="b.gpkg#south"),
    "no layer south",
    "behind a #",
)
_case(
    "gpkg-other-sqlite",
    _put("b.gpkg", lambda path: _plain_sqlite(path), field__boundary="b.gpkg"),
    "no layer with geometry|cannot be read|holds no",
    ".",
)
_case("zip-empty", _archive({}), "not a file|no data file|holds 0 data files", "damaged|behind a #|Give")
_case("zip-no-data", _archive({"readme.pdf": b"x"}), "holds 0 data files", "behind a #")
_case("zip-two-shapes", _archive({"a.geojson": "{}", "b.geojson": "{}"}), "holds 2 data files", "behind a #")
_case(
    "zip-cut-off",
    _put("b.zip", lambda path: _cut_zip(path), field__boundary="b.zip"),
    "archive cannot be read",
    "Pack or copy it again",
)
_case(
    "zip-path-traversal",
    _archive({"../../evil.geojson": json.dumps(collection(polygon(_RING)))}),
    "a file outside itself",
    "Do not trust it",
)
_case("zip-absolute-path", _archive({"/etc/evil.geojson": "{}"}), "a file outside itself", "Do not trust it")
_case("zip-drive-letter", _archive({"C:\\evil.geojson": "{}"}), "a file outside itself", "Do not trust it")
_case("zip-bomb", _archive({"b.geojson": 30_000_000}), "to 30 MB, nearly all of it", "empty rows")
_case("zip-many-members", _archive({f"{i}.txt": "" for i in range(5001)}), "holds 5001 files", "Pack only")
_case(
    "zip-bad-checksum",
    _put("b.zip", lambda path: _bad_checksum(path), field__boundary="b.zip"),
    "archive cannot be read",
    "Pack or copy it again",
)
_case(
    "zip-shapefile-lacks-parts",
    _archive({"a/north.shp": b"\0\0\x27\x0a"}),
    "lacks its part .shx and .dbf",
    "Pack the whole shapefile",
)
_case(
    "zip-workbook-in-disguise",
    _archive({"[Content_Types].xml": "<Types/>", "xl/workbook.xml": "<w/>"}),
    "an Office file",
    "xlsx",
)
_case("kml-cut-off", _boundary(_kml(_kml_ring(_KML_RING))[:-20], "b.kml"), "not valid XML", "cut off")
_case(
    "kml-entities",
    _boundary(_kml(_kml_ring(_KML_RING), _BOMB), "b.kml"),
    "declares a document type or entities",
    "Do not trust it",
)
_case(
    "kml-outside-entity",
    _boundary(_kml(_kml_ring("&x;"), _OUTSIDE), "b.kml"),
    "declares a document type or entities",
    "Do not trust it",
)
_case(
    "kml-entities-utf-16",
    _boundary(_kml(_kml_ring(_KML_RING), _BOMB).encode("utf-16"), "b.kml"),
    "declares a document type",
    "Do not trust it",
)
_case(
    "kml-is-other-xml",
    _boundary('<?xml version="1.0"?><gpx version="1.1"></gpx>', "b.kml"),
    "this XML is gpx",
    "Give GeoJSON",
)
_case("kml-no-placemark", _boundary(_kml(""), "b.kml"), "holds no feature", "Export it again")
_case(
    "kml-text-coordinates",
    _boundary(_kml(_kml_ring("a,b c,d e,f a,b")), "b.kml"),
    "placemark 1 is broken",
    "Draw or export",
)
_case(
    "kml-one-coordinate",
    _boundary(_kml(_kml_ring("-93.6 42.1 -93.6 42.2")), "b.kml"),
    "placemark 1 is broken",
    "Draw or export",
)
_case(
    "kml-swapped",
    _boundary(_kml(_kml_ring(" ".join(f"{lat},{lon}" for lon, lat in _RING))), "b.kml"),
    "not longitude and latitude",
    "swapped",
)
_case(
    "kml-deep-folders",
    _boundary(_kml("<Folder>" * 3000 + _kml_ring(_KML_RING) + "</Folder>" * 3000), "b.kml"),
    "holds no feature|not valid",
    ".",
)
_case("kml-bytes", _boundary(b"\xff\xfe<\x00k\x00m", "b.kml"), "not valid XML", "cut off")
_case("kmz-without-kml", _archive({"picture.png": b"x"}, "b.kmz"), "holds 0 data files", "behind a #")


def _cut_geopackage(path: Path) -> None:
    geopandas.GeoDataFrame({"a": [1]}, geometry=[shapely.Polygon(_RING)], crs=4326).to_file(path)
    path.write_bytes(path.read_bytes()[:9000])


def _two_layers(path: Path) -> None:
    frame = geopandas.GeoDataFrame({"a": [1]}, geometry=[shapely.Polygon(_RING)], crs=4326)
    frame.to_file(path, layer="west")
    frame.to_file(path, layer="east")


def _plain_sqlite(path: Path) -> None:
    import sqlite3

    base = sqlite3.connect(path)
    base.execute("create table notes (text)")
    base.commit()
    base.close()


def _cut_zip(path: Path) -> None:
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("b.geojson", json.dumps(collection(polygon(_RING))))
    path.write_bytes(path.read_bytes()[:-30])


def _bad_checksum(path: Path) -> None:
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("b.geojson", json.dumps(collection(polygon(_RING))))
    data = path.read_bytes()
    path.write_bytes(data.replace(b"42.104", b"42.904"))


# --- samples --------------------------------------------------------------------------------------------------------


def _samples(content: Any, name: str = "samples.csv", **changes: Any) -> Callable[[Path], None]:
    return _put(name, content, samples__file=name, **changes)


def _row(text: str, row: int = 3) -> Callable[[Path], None]:
    return _samples(sound.samples_csv(edit={row: text}))


_case(
    "samples-header-only",
    _samples("sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm\n"),
    "a header and no row",
    "Fill the table in",
)
_case("samples-no-header", _samples("\n\n# only a remark\n"), "no header row", "row of column names")
_case(
    "samples-no-nitrate",
    _samples(sound.samples_csv().replace("nitrate_ppm", "result")),
    "no column nitrate_ppm",
    "samples.columns",
)
_case(
    "samples-no-depth",
    _samples(sound.samples_csv().replace("bottom_in", "depth")),
    "no column bottom_in",
    "samples.columns",
)
_case(
    "samples-no-place",
    _samples(sound.samples_csv().replace("longitude", "where")),
    "no column longitude",
    "samples.columns",
)
_case(
    "samples-mapping-of-nothing",
    _keys(samples__columns={"nitrate_ppm": "NO3 result"}),
    "there is no such column",
    "Columns|Did you",
)
_case("samples-mapping-unknown-role", _keys(samples__columns={"nitrogen": "nitrate_ppm2"}), "neither", "nitrate_ppm")
_case("samples-column-twice", _samples(sound.samples_csv().replace("sampled_on", "top_in")), "top_in twice", "Rename")
_case("samples-utf-16-without-mark", _samples(sound.samples_csv().encode("utf-16-le")), "not text|no column", ".")
_case("samples-nul-bytes", _samples(sound.samples_csv().replace("S4", "S\x004")), "not text", "UTF-8")
_case("samples-is-geojson", _samples(json.dumps(collection(polygon(_RING)))), "is a Polygon", "area_id")
_case(
    "samples-ragged-row",
    _row("S2,-93.6014,42.1007,0,12,14,1,2026-06-12"),
    "row 3 has 8 cells and the header 7",
    "decimal points",
)
_case(
    "samples-decimal-comma-in-commas",
    _row('S2,-93.6014,42.1007,0,12,"14,1",2026-06-12'),
    'row 3: nitrate_ppm is "14,1"',
    "decimal point",
)
_case("samples-words", _row("S2,-93.6014,42.1007,0,12,high,2026-06-12"), 'row 3: nitrate_ppm is "high"', "plain number")
_case("samples-not-detected", _row("S2,-93.6014,42.1007,0,12,ND,2026-06-12"), '"ND"', "limit of detection, as <1")
_case("samples-below-lod", _row("S2,-93.6014,42.1007,0,12,<LOD,2026-06-12"), '"<LOD"', "limit of detection, as <1")
_case("samples-unit-in-cell", _row("S2,-93.6014,42.1007,0,12,14 ppm,2026-06-12"), '"14 ppm"', "without its unit")
_case("samples-underscore", _row("S2,-93.6014,42.1007,0,12,1_4,2026-06-12"), '"1_4"', "plain number")
_case("samples-infinite", _row("S2,-93.6014,42.1007,0,12,inf,2026-06-12"), '"inf"', "plain number")
_case("samples-1e308", _row("S2,-93.6014,42.1007,0,12,1e308,2026-06-12"), "row 3: nitrate_ppm", "number|unit")
_case("samples-negative", _row("S2,-93.6014,42.1007,0,12,-14,2026-06-12"), "row 3: nitrate_ppm is -14", "0 or more")
_case("samples-impossible", _row("S2,-93.6014,42.1007,0,12,141000,2026-06-12"), "row 3: nitrate_ppm is 141000", "unit")
_case(
    "samples-depth-upside-down",
    _row("S2,-93.6014,42.1007,12,0,14,2026-06-12"),
    "row 3: a core from 12 to 0 in",
    "less than the bottom",
)
_case(
    "samples-depth-empty",
    _row("S2,-93.6014,42.1007,0,,14,2026-06-12"),
    "rows-half-filled",
    "samples.csv row 3",
    FINDING,
)
_case("samples-depth-negative", _row("S2,-93.6014,42.1007,-6,6,14,2026-06-12"), "row 3: a core from -6", "from 0 down")
_case("samples-depth-of-a-well", _row("S2,-93.6014,42.1007,0,900,14,2026-06-12"), "row 3: a core down to 900", "unit")
_case(
    "samples-both-coordinates-in-one",
    _samples('sample_id,Lat/Long,top_in,bottom_in,nitrate_ppm\nA,"42.1, -93.6",0,12,14\n'),
    'the column "Lat/Long" holds both coordinates',
    "two columns",
)
_case("samples-row-of-units", _row(",deg,deg,in,in,ppm,"), "row 3: longitude is", "remove the row")
_case(
    "samples-column-misspelled",
    _samples(sound.samples_csv().replace("longitude", "longitde")),
    "no column longitude",
    'If "longitde" is it',
)
_case(
    "samples-column-spelled-short",
    _samples(sound.samples_csv().replace("longitude", "GPS Long.")),
    "column-taken-as",
    "samples.csv",
    FINDING,
)
_case(
    "samples-half-a-place",
    _row("S2,,42.1007,0,12,14,2026-06-12"),
    "row 3: one coordinate without the other",
    "Fill in both",
)
_case("samples-no-fix", _row("S2,0,0,0,12,14,2026-06-12"), "row 3: 0, 0 is not a place", "no fix")
_case(
    "samples-without-place",
    _row("S2,,,0,12,14,2026-06-12"),
    "rows-half-filled",
    "samples.csv row 3",
    FINDING,
)
_case("samples-one-row-swapped", _row("S2,42.1007,-93.6014,0,12,14,2026-06-12"), "row 3: 42.1007, -93.6014", "swapped")
_case("samples-lost-point", _row("S2,-936014,42.1007,0,12,14,2026-06-12"), "row 3: -936014", "decimal point")
_case("samples-minutes-of-75", _row("S2,93 75.0 W,42 6.0 N,0,12,14,2026-06-12"), "row 3: longitude is", "below 60")
_case(
    "samples-hemisphere-in-wrong-column",
    _row("S2,42 6.0 N,93 36.0 W,0,12,14,2026-06-12"),
    "row 3: longitude is",
    "swapped",
)
_case(
    "samples-all-swapped",
    _samples(sound.samples_csv(header="sample_id,latitude,longitude,top_in,bottom_in,nitrate_ppm,sampled_on")),
    "not longitude and latitude",
    "look swapped",
)
_case(
    "samples-meters-unsaid",
    _samples("sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm\nA,450000,4661200,0,12,14\n"),
    "not longitude and latitude",
    'crs = "EPSG:26915" in',
)
_case("samples-crs-nonsense", _keys(samples__crs="EPSG:1"), "is not a map system", "EPSG code")
_case(
    "samples-another-field",
    _samples(sound.samples_csv().replace(",-93.", ",-95.")),
    "no sample lies in the field; the nearest is",
    "same field",
)
_case(
    "samples-lost-sign",
    _samples(sound.samples_csv().replace(",-93.", ",93.")),
    "longitude has lost its minus sign",
    "negative",
)
_case("samples-day-first", _row("S2,-93.6014,42.1007,0,12,14,12/06/2026"), "row 3: sampled_on", "2026-06-18")
_case("samples-excel-day", _row("S2,-93.6014,42.1007,0,12,14,46185"), "row 3: sampled_on", "Excel")
_case("samples-no-such-day", _row("S2,-93.6014,42.1007,0,12,14,2026-02-30"), "row 3: sampled_on", "2026-06-18")
_case(
    "samples-only-standards",
    _samples("sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm,kind,nominal_ppm\nX,,,,,20,standard,20\n"),
    "no reading of the field",
    "kind field",
)
_case(
    "samples-unknown-kind",
    _samples(sound.samples_csv().replace("sampled_on", "kind").replace("2026-06-12", "feild")),
    'kind is "feild"',
    "field",
)
_case(
    "samples-standard-without-value",
    _samples(
        sound.samples_csv()
        .replace("sampled_on", "kind")
        .replace("2026-06-12", "standard", 1)
        .replace("2026-06-12", "field")
    ),
    "row 2: a check standard without nominal_ppm",
    "should read",
)
_case("samples-moist-without-water", _keys(samples__moisture_basis="moist"), "water_pct is not given", "water_pct")
_case(
    "samples-polygons",
    _samples(collection(polygon(_RING, nitrate_ppm=14, top_in=0, bottom_in=12)), "s.geojson"),
    "is a Polygon",
    "area_id",
)
_case(
    "samples-composites-without-areas",
    _samples("sample_id,longitude,latitude,area_id,top_in,bottom_in,nitrate_ppm\nA,,,west,0,12,14\n"),
    "composite of area west",
    "samples.areas",
)
_case(
    "samples-areas-without-id",
    _put("a.geojson", collection(polygon(_RING, name="x")), samples__areas={"file": "a.geojson"}),
    "no row has an area_id",
    "area_id",
)


def _unknown_area(folder: Path) -> None:
    _put("a.geojson", collection(polygon(_RING, area_id="west")))(folder)
    _samples("sample_id,area_id,top_in,bottom_in,nitrate_ppm\nA,vest,0,12,14\n", samples__areas={"file": "a.geojson"})(
        folder
    )


_case("samples-unknown-area", _unknown_area, "area vest is not in a.geojson", "Did you mean west")
_case("samples-quote-left-open", _row('S2,-93.6014,42.1007,0,12,"14,2026-06-12'), "row 3|cannot be read|no number", ".")
_case(
    "samples-endless-cell",
    _row(f"S2,-93.6014,42.1007,0,12,{'9' * 1_200_000},2026-06-12"),
    "cannot be read: field larger",
    "plain CSV",
)
_case("samples-very-long-number", _row(f"S2,-93.6014,42.1007,0,12,{'9' * 5000},2026-06-12"), "row 3: nitrate_ppm", ".")
_case("samples-arabic-digits", _row("S2,-93.6014,42.1007,0,12,١٤x,2026-06-12"), "row 3: nitrate_ppm", "plain number")

_case(
    "samples-outside", _row("S2,-93.6014,42.1080,0,12,14,2026-06-12"), "reading-outside", "samples.csv row 3", FINDING
)
_case(
    "samples-twice",
    _samples(sound.samples_csv() + sound.samples_csv().splitlines()[5]),
    "row-repeated",
    "samples.csv row 14",
    FINDING,
)
_case(
    "samples-wrong-season",
    _samples(sound.samples_csv().replace("2026-06", "2024-06")),
    "sampled-in-another-season",
    "samples.csv",
    FINDING,
)
_case(
    "samples-mixed-units",
    _samples(sound.samples_csv(edit={i: f"S{i},-93.60{i},42.101,0,12,60,2026-06-14" for i in (2, 3, 4)})),
    "two kinds of unit, parted by the date 2026-06-14: medians 60 and",
    "accept = ",
)
_case(
    "samples-centimeters-as-inches",
    _samples(sound.samples_csv().replace(",0,12,", ",0,30,")),
    "thick-cores",
    "samples.csv",
    FINDING,
)
_case("samples-basis-unsaid", _keys(samples__reported_as=None), "reported-as-missing", "samples.reported_as", FINDING)
_case("samples-stage-unsaid", _keys(crop__growth_stage=None), "stage-missing", "crop.growth_stage", FINDING)
_case(
    "samples-right-to-left-names",
    _samples(sound.samples_csv().replace("S1,", "\u202eحقل‏1,")),
    "yield-potential-missing",
    "layers.yield_potential",
    FINDING,
)
_case(
    "samples-markup-names",
    _samples(sound.samples_csv().replace("S1,", "<img src=x onerror=alert(1)>,")),
    "yield-potential-missing",
    "layers.yield_potential",
    FINDING,
)


def _right_to_left_files(folder: Path) -> None:
    (folder / "samples.csv").rename(folder / "عينات حقل.csv")
    (folder / "boundary.geojson").rename(folder / "граница – 田.geojson")
    sound.write_toml(folder, {"samples__file": "عينات حقل.csv", "field__boundary": "граница – 田.geojson"})


_case(
    "files-with-letters-of-the-world",
    _right_to_left_files,
    "yield-potential-missing",
    "layers.yield_potential",
    FINDING,
)

# --- workbooks --------------------------------------------------------------------------------------------------------


def _workbook(change: Callable[[pd.DataFrame], pd.DataFrame], sheets: int = 1) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        frame = change(pd.read_csv(io.StringIO(sound.samples_csv()), dtype=object))
        with pd.ExcelWriter(folder / "june.xlsx") as book:
            for i in range(sheets):
                frame.to_excel(book, sheet_name=f"sheet {i + 1}", index=False)
        sound.write_toml(folder, {"samples__file": "june.xlsx"})

    return spoil


def _workbook_bytes(change: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        _workbook(lambda frame: frame)(folder)
        path = folder / "june.xlsx"
        path.write_bytes(change(path.read_bytes()))

    return spoil


_case("xlsx-two-sheets", _workbook(lambda frame: frame, 2), "has 2 sheets", "behind a #")
_case("xlsx-empty", _workbook(lambda frame: frame.iloc[:0, :0]), "holds no table", "row of column names")
_case("xlsx-cut-off", _workbook_bytes(lambda data: data[: len(data) // 2]), "workbook cannot be read", "Save it again")
_case("xlsx-is-csv", _samples(sound.samples_csv(), "june.xlsx"), "whatever its name says", "damaged or cut off")
_case(
    "xlsx-spoiled-inside",
    _workbook_bytes(lambda data: data[:900] + b"\0" * 300 + data[1200:]),
    "workbook|sheet|table",
    "Save|Start",
)
_case(
    "xlsx-words",
    _workbook(lambda frame: frame.assign(nitrate_ppm="n/d")),
    'row 2: nitrate_ppm is "n/d"',
    "plain number",
)
_case(
    "xlsx-bomb",
    _archive(
        {"xl/workbook.xml": "<w/>", "xl/worksheets/sheet1.xml": 30_000_000}, "june.xlsx", samples__file="june.xlsx"
    ),
    "to 30 MB, nearly all of it",
    "empty rows",
)
_case(
    "xlsx-entities",
    _archive({"xl/workbook.xml": _BOMB + "<workbook/>"}, "june.xlsx", samples__file="june.xlsx"),
    "not a sound Excel",
    "Save it again",
)

# --- layers and weather -----------------------------------------------------------------------------------------------


def _raster(
    path: Path,
    value: Any = 1.0,
    *,
    crs: str | None = "EPSG:32615",
    west: float = 449_800.0,
    count: int = 1,
    **options: Any,
) -> None:
    values = np.full((count, 60, 80), value, dtype=options.pop("dtype", "float32"))
    transform = options.pop("transform", Affine(20, 0, west, 0, -20, 4_661_800))
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=60,
        width=80,
        count=count,
        dtype=values.dtype,
        crs=crs,
        transform=transform,
        **options,
    ) as raster:
        raster.write(values)


def _raster_claiming(path: Path, side: int, cell: float) -> None:
    """A raster of many cells that holds none of them: a small file that would be large in memory."""
    transform = Affine(cell, 0, 449_900, 0, -cell, 4_661_600)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        height=side,
        width=side,
        count=1,
        dtype="float32",
        crs="EPSG:32615",
        transform=transform,
        sparse_ok=True,
        tiled=True,
        blockxsize=4096,
        blockysize=4096,
        compress="deflate",
    ):
        pass


def _yield(write: Callable[[Path], None] | bytes | str, name: str = "yp.tif", **keys: Any) -> Callable[[Path], None]:
    return _put(name, write, layers__yield_potential={"file": name, **keys})


def _cut_raster(path: Path) -> None:
    _raster(path)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 3])


_OM = "longitude,latitude,om_pct\n"

_case(
    "raster-no-system",
    _yield(lambda path: _raster(path, crs=None)),
    "coordinate system is not known",
    r'crs = "EPSG:26915" in \[layers.yield_potential\]',
)
_case(
    "raster-elsewhere",
    _yield(lambda path: _raster(path, west=600_000.0)),
    "none of the raster lies in the field",
    "of this field",
)
_case(
    "raster-all-nodata", _yield(lambda path: _raster(path, -9999.0, nodata=-9999.0)), "no value in the field", "nodata"
)
_case("raster-unset-nodata", _yield(lambda path: _raster(path, -9999.0)), "values run from -9999", "relative layer")
_case("raster-nan", _yield(lambda path: _raster(path, np.nan)), "no value in the field", "nodata")
_case("raster-1e38", _yield(lambda path: _raster(path, 3e38)), "values run from", ".")
_case("raster-cut-off", _yield(_cut_raster), "cannot be read", "GeoTIFF, complete")
_case("raster-is-text", _yield("not a picture"), "whatever its name says", "damaged or cut off")
_case("raster-head-only", _yield(b"II*\x00\x08\x00\x00\x00"), "cannot be read", "GeoTIFF, complete")
_case("raster-no-such-band", _yield(_raster, column="5"), "no band 5", "column")
_case(
    "raster-as-boundary",
    _put("b.tif", _raster, field__boundary="b.tif"),
    "this is a raster, and shapes are needed",
    "GeoJSON",
)
_case(
    "raster-points-elsewhere",
    _put("v.vrt", '<VRTDataset rasterXSize="1" rasterYSize="1"/>', layers__yield_potential={"file": "v.vrt"}),
    "this XML is VRTDataset",
    "Give GeoJSON",
)
_case("raster-many-bands", _yield(lambda path: _raster(path, count=3)), "several-bands", "yp.tif", FINDING)
_case(
    "layer-no-such-column",
    _keys(layers__organic_matter={"file": "organic_matter.csv", "column": "om"}),
    'is "om"',
    "Did you mean",
)
_case(
    "layer-column-unsaid",
    _put("om.csv", "longitude,latitude,a,b\n-93.6,42.102,1,2\n", layers__organic_matter={"file": "om.csv"}),
    "which column holds organic_matter_pct",
    "column = ",
)
_case(
    "layer-negative",
    _put("om.csv", _OM + "-93.6,42.102,-1\n", layers__organic_matter={"file": "om.csv"}),
    "row 2: om_pct is -1",
    "percent",
)
_case(
    "layer-above-100",
    _put("om.csv", _OM + "-93.6,42.102,145\n", layers__organic_matter={"file": "om.csv"}),
    "row 2: om_pct is 145",
    "percent",
)
_case(
    "layer-all-empty",
    _put("om.csv", _OM + "-93.6,42.102,\n", layers__organic_matter={"file": "om.csv"}),
    "no row has both",
    "column",
)
_case(
    "layer-elsewhere",
    _put("om.csv", _OM + "-95.6,42.102,3\n", layers__organic_matter={"file": "om.csv"}),
    "no point lies near",
    "of this field",
)
_case(
    "layer-swapped",
    _put("om.csv", _OM + "42.102,-93.6,3\n", layers__organic_matter={"file": "om.csv"}),
    "not longitude and latitude",
    "swapped",
)
_case(
    "layer-polygons-elsewhere",
    _put(
        "om.geojson",
        collection(polygon(box(-95, 42, -94.9, 42.1), om=3)),
        layers__organic_matter={"file": "om.geojson", "column": "om"},
    ),
    "none of it lies in the field",
    "of this field",
)
_case(
    "layer-polygon-text",
    _put(
        "om.geojson",
        collection(polygon(_RING, om="lots")),
        layers__organic_matter={"file": "om.geojson", "column": "om"},
    ),
    'feature 1: om is "lots"',
    "plain number",
)
_case(
    "layer-45-pct",
    _put("om.csv", _OM + "-93.6,42.102,45\n-93.601,42.102,3\n", layers__organic_matter={"file": "om.csv"}),
    "unlikely-organic-matter",
    "om.csv row 2",
    FINDING,
)
_case(
    "layer-shares",
    _put("om.csv", _OM + "-93.6,42.102,0.031\n", layers__organic_matter={"file": "om.csv"}),
    "look like parts of 1, not percent",
    "Multiply them by 100",
)
_case("layer-none", _keys(layers=None), "organic-matter-missing", "layers.organic_matter", FINDING)
_case(
    "zones-not-whole",
    _put("z.geojson", collection(polygon(_RING, zone=1.5)), zones__file="z.geojson"),
    "not a whole number",
    "1, 2, 3",
)
_case(
    "zones-are-points",
    _put("z.geojson", collection(point(-93.6, 42.102, zone=1)), zones__file="z.geojson"),
    "an outline is needed",
    "polygon",
)


def _weather(rows: str, header: str = "date,tmin_f,tmax_f,rain_in") -> Callable[[Path], None]:
    return _put("w.csv", f"{header}\n{rows}\n", weather__file="w.csv")


_case("weather-no-date", _weather("2026-06-01,50,70,0", "when,tmin_f,tmax_f,rain_in"), "no column date", "2026-06-18")
_case(
    "weather-no-rain",
    _weather("2026-06-01,50,70,0", "date,tmin_f,tmax_f,water"),
    "rain_in or rain_mm",
    "unit ends the name",
)
_case(
    "weather-day-twice",
    _weather("2026-06-01,50,70,0\n2026-06-01,50,70,0"),
    "row 3: 2026-06-01 is in row 2 too",
    "Keep one",
)
_case("weather-empty-day", _weather(",50,70,0"), "row 2: the date is empty", "Fill it in")
_case("weather-min-above-max", _weather("2026-06-01,80,70,0"), "row 2: the low temperature", "Swap")
_case("weather-hot", _weather("2026-06-01,50,700,0"), "row 2: tmax_f is 700", "unit")
_case("weather-negative-rain", _weather("2026-06-01,50,70,-0.4"), "row 2: rain_in is -0.4", "rain")
_case("weather-millimeters-as-inches", _weather("2026-06-01,50,70,40"), "row 2: rain_in is 40", "unit")
_case("weather-gap", _weather("2026-06-01,50,70,0\n2026-06-09,50,70,0"), "weather.days-missing", "w.csv", FINDING)
_case("weather-other-year", _weather("2024-06-01,50,70,0"), "weather.of-another-season", "w.csv", FINDING)
