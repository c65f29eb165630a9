"""More ways to spoil what each law of reading guards: the right numbers, a refusal, or a warning of its own."""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import corpus
import numpy as np
import pytest
import sound
from corpus import NO3, POUNDS, SEEN, Spoil
from sound import Raw, box, collection, polygon

from vrn.cli import main
from vrn.errors import InputFileError
from vrn.ingest import read_field

RIGHT = "right"
_keys, _files, _nitrate, _layer, _edited = corpus._keys, corpus._files, corpus._nitrate, corpus._layer, corpus._edited
_read, _at, _raster, _zone, _zones, _form = (
    corpus._read, corpus._at, corpus._raster, corpus._zone, corpus._zones, corpus._form,
)  # fmt: skip
_product, _outline, _weather = corpus._product, corpus._outline, corpus._weather
BUSHELS = {"kind": "bu_ac"}
UREA: dict[str, Any] = {"date": Raw("2026-04-20"), "product": "Urea", "n_lb_ac": 60}
RISING, YIELDS = np.linspace(2, 4, 12), np.linspace(150, 220, 12)


def _column(header: str, value: object, **changes: Any) -> Spoil:
    """The samples with one more column."""
    return _edited(lambda rows: [[*row, str(value) if i else header] for i, row in enumerate(rows)], **changes)


def _ends(top: str, bottom: str, low: float, high: float) -> Spoil:
    """Depths under other headers."""
    return _edited(
        lambda rows: [[*row[:3], *((str(low), str(high)) if i else (top, bottom)), *row[5:]]
                      for i, row in enumerate(rows)],
        samples__columns={"top_in": top, "bottom_in": bottom},
    )  # fmt: skip


def _cell(at: int, text: str) -> Spoil:
    """One cell of the fourth reading."""
    return _form(lambda i, row: [*row[:at], text, *row[at + 1 :]] if i == 4 else row)


def _matter(*factors: float) -> Spoil:
    return _layer("organic_matter", "om", np.linspace(1.2, 1.4, 12) * np.resize(factors, 12))


def _days(edit: Callable[[int, tuple[str, float, float, float]], Sequence[Any]], header: str = corpus._US) -> Spoil:
    return _weather(header, edit)


def _cold(day: tuple[str, float, float, float]) -> Sequence[Any]:
    return day[0], corpus._c(day[1]), corpus._c(day[2]), day[3]


def _parts(*shapes: dict[str, Any]) -> dict[str, Any]:
    """One feature of several outlines."""
    rings = [[shape["geometry"]["coordinates"][0]] for shape in shapes]
    return {"type": "Feature", "properties": {}, "geometry": {"type": "MultiPolygon", "coordinates": rings}}


def _deeper(places: Sequence[tuple[float, float]]) -> Spoil:
    """Twelve even places with a first foot, and some with a second one."""

    def spoil(folder: Path) -> None:
        _at(EVEN)(folder)
        with (folder / "samples.csv").open("a", encoding="utf-8") as file:
            file.write("\n")
            for i, (x, y) in enumerate(places):
                lon, lat = sound.WEST + x * (sound.EAST - sound.WEST), sound.SOUTH + y * (sound.NORTH - sound.SOUTH)
                file.write(f"D{i},{lon:.7f},{lat:.7f},12,24,{6 + i % 3},2026-06-12\n")

    return spoil


def _points(key: str, column: str, values: Sequence[float], **keys: Any) -> Spoil:
    """A layer of four points in a corner."""
    corner = [(sound.WEST + 0.0005 + dx, sound.SOUTH + 0.0004 + dy) for dx in (0, 0.0005) for dy in (0, 0.0004)]
    rows = [f"{lon},{lat},{value}" for (lon, lat), value in zip(corner, values, strict=True)]
    section = {"file": "l.csv", "column": column, **keys}
    return _files(files={"l.csv": "\n".join([f"longitude,latitude,{column}", *rows])}, **{f"layers__{key}": section})


def _polygons_of(key: str, *shapes: dict[str, Any], **keys: Any) -> Spoil:
    return _files(files={"z.geojson": collection(*shapes)}, **{key: {"file": "z.geojson", "column": "zone", **keys}})


def _no_apply(*shapes: dict[str, Any], **keys: Any) -> Spoil:
    return _files(files={"c.geojson": collection(*shapes)}, field__no_apply=[{"file": "c.geojson", **keys}])


EVEN = corpus._grid([0.12, 0.37, 0.63, 0.88], [0.17, 0.5, 0.83])
HOME = _zone(0, 0, 1, 1)
_X, _Y = np.meshgrid(np.linspace(0, 1, 36), np.linspace(0, 1, 24))
_SMOOTH = 190 + 25 * np.sin(3 * _X) + 15 * np.cos(4 * _Y) + 3 * np.random.default_rng(1).standard_normal(_X.shape)
_GAP = (np.hypot(_X - 0.5, _Y - 0.5) < 0.2, np.hypot(_X - 0.4, _Y - 0.6) < 0.12)


def _points_of(values: Any) -> Any:
    """Yields at points all over the field."""
    longitude = sound.WEST + _X * (sound.EAST - sound.WEST)
    latitude = sound.SOUTH + _Y * (sound.NORTH - sound.SOUTH)
    rows = [f"{x:.7f},{y:.7f},{v:.3f}" for x, y, v in zip(longitude.flat, latitude.flat, values.flat, strict=True)]
    text = "\n".join(["longitude,latitude,yield", *rows])
    return _files(files={"l.csv": text}, layers__yield_potential={"file": "l.csv", "column": "yield", **BUSHELS})


_CUT = np.clip(_SMOOTH, None, 200)
_POOR = SEEN * 0.55 * NO3  # NO3 of a field of 4.8 to 10 ppm of NO3-N


def _grouped(column: str, first: str, second: str, factor: float = POUNDS) -> Spoil:
    """Every other reading a factor higher, and a column that says which."""
    return corpus._labelled(column, first, second, factor)


def _analyses(column: str, *words: str, factor: float = 1.0) -> Spoil:
    """A layer of organic matter with a column of words, and every other value by a factor lower."""
    values = np.linspace(3, 3.6, 12) / np.where(np.arange(12) % 2, factor, 1.0)
    rows = [f"{lon},{lat},{value:.4f},{words[i % len(words)]}"
            for i, ((lon, lat), value) in enumerate(zip(sound.places(), values, strict=True))]  # fmt: skip
    text = "\n".join([f"longitude,latitude,value,{column}", *rows])
    return _files(files={"l.csv": text}, layers__organic_matter={"file": "l.csv", "column": "value"})


_HALF = np.where(np.arange(18) < 9, 40.0, np.nan) * np.ones((12, 1))

# law, name, what is done → how it ends: right, a pattern of the refusal, or "!" and the code of its own warning
READ: list[tuple[int, str, Spoil, str]] = [
    *((1, f"{header} as organic matter", _layer("organic_matter", header, RISING), says)
      for header, says in (("LOI loss g", "says g"), ("Residue %", "residue"), ("Humic acid %", "humic"),
                           ("Materia (%)", "!ingest.header-unknown"), ("C:N ratio", "total carbon"))),
    *((1, f"{header} as yield", _layer("yield_potential", header, YIELDS, **BUSHELS), says)
      for header, says in (("Test weight lb/bu", "test weight"), ("Population", "plants"), ("Revenue $/ac", "price"),
                           ("Yield stone/ac", "!ingest.header-unknown"), ("Yield per plot", "!ingest.header-unknown"))),
    *((1, f"{header} as applied", _layer("applied_n", header, [40.0] * 12), says)
      for header, says in (("N uptake lb/ac", "of the crop"), ("N residual", "balance"), ("N cost $/ac", "price"))),
    (1, "core of two feet", _nitrate("NO3-N ppm 0-24 in"), "0–24 in"),
    (1, "depth in cm", _ends("From (cm)", "To (cm)", 0, 30), "says cm"),
    (1, "depth in feet", _ends("From (ft)", "To (ft)", 0, 1), "says ft"),
    (1, "another language", _nitrate("Ergebnis (ppm)"), "!ingest.header-unknown"),
    (1, "volume of water", _column("VWC (%)", 18, samples__moisture_basis="moist",
                                   samples__columns={"water_pct": "VWC (%)"}), "volume of water"),
    *((2, f"{key} of {value}", _keys(**{key: value}), "!ingest.unlikely-number")
      for key, value in (("nitrogen__mineralization_lb_per_om_pct", 0.2), ("crop__yield_goal_bu_ac", 21),
                         ("prices", {"corn_per_bu": 450, "n_per_lb": 0.5}), ("machine", {"swath_ft": 3}),
                         ("nitrogen__bulk_density_g_cm3", 0.5), ("nitrogen__n_per_bushel_lb", 0.4))),
    (2, "a step of 50", _keys(machine={"rate_step_n_lb_ac": 50}), "!ingest.unlikely-number"),
    (2, "a credit of 150", _keys(credits={"irrigation_water": 150}), "!ingest.unlikely-number"),
    (2, "g/kg that look like percent", _layer("organic_matter", "om", np.linspace(8, 14, 12)),
     "!ingest.unlikely-organic-matter"),
    (2, "yields of another crop", _layer("yield_potential", "yield", YIELDS / 3, **BUSHELS),
     "!ingest.yield-unlike-goal"),
    (2, "corn in March", _form(lambda _, row: [*row[:6], "2026-03-12"]), "!samples.no-corn-then"),
    (2, "400 lb at once", _keys(applications=[{**UREA, "n_lb_ac": 400}]), "!ingest.unlikely-applied-n"),
    (2, "all of it NO3", _read(SEEN * NO3), "!ingest.high-nitrate"),
    (2, "mg in 100 g", _read(SEEN / 10), "!samples.low-nitrate"),
    (2, "a wetter soil than there is", _column("water_pct", 120, samples__moisture_basis="moist"), "water_pct is 120"),
    (2, "a core of 300", _ends("upper", "lower", 0, 300), "300 in"),
    (2, "a season of two digits", _keys(field__season=26), "field.season is 26"),
    (3, "first half of organic matter in g/kg", _matter(*[10.0] * 6, *[1.0] * 6), "g/kg and percent"),
    (3, "every other organic matter in g/kg", _matter(10.0, 1.0), "g/kg and percent|!ingest.layer-units-mixed"),
    (3, "one organic matter in g/kg", _matter(10.0, *[1.0] * 11), "!ingest.layer-units-mixed"),
    (3, "organic matter in one unit", _matter(1.0), RIGHT),
    (3, "second foot much above the first", corpus._deep(0.6 * POUNDS), "!samples.deeper-holds-more"),
    (3, "a technician's in pounds", corpus._labelled("technician", "A", "B", POUNDS), "parted by technician A"),
    (3, "two rows in pounds", corpus._part([0, 11], POUNDS), "!ingest.units-mixed"),
    (3, "all but two in NO3", corpus._part(range(10), NO3), "!ingest.units-mixed"),
    (3, "every other a tenth", corpus._part(range(0, 12, 2), 0.1), "two kinds of unit"),
    *((3, f"pounds by {column}", _grouped(column, first, second), f"parted by {column} {first}")
      for column, first, second in (("Lab ID", "7", "9"), ("batch", "A", "B"), ("Method", "strip", "probe"),
                                    ("Received", "2026-06-13", "2026-06-15"), ("stored", "cool", "dried"))),
    (3, "carbon by a column of methods", _analyses("Method", "LOI", "burnt", factor=1.724), "parted by Method LOI"),
    (3, "carbon by a column of tests", _analyses("Test", "OM", "organic carbon", factor=1.724), "column Test says"),
    (3, "a column of methods", _analyses("Method", "LOI", "combustion"), RIGHT),
    (3, "deeper cores a share of lb/ac in step", corpus._deep(1 / POUNDS), "deeper cores are 0.272"),
    (3, "deeper cores a share of lb/ac", corpus._deep(0.24, 0.3), "!samples.deeper-holds-little"),
    (3, "deeper cores of half", corpus._deep(0.5, 0.3), RIGHT),
    (2, "a poor field in NO3", _read(_POOR), "!samples.no3-or-no3-n"),
    (2, "a rich field that says NO3-N", _nitrate("NO3-N ppm", _POOR), RIGHT),
    (2, "a rich field that is accepted", _read(_POOR, samples__accept="NO3-N on the lab sheet"), RIGHT),
    (3, "units by the row", _edited(lambda rows: [[*row, ("ppm" if i % 2 else "lb/ac") if i else "units"]
                                                  for i, row in enumerate(rows)]), "lb/ac"),
    (6, "May in °C", _days(lambda i, day: _cold(day) if i < 30 else day), "in May"),
    (6, "the last days in °C", _days(lambda i, day: _cold(day) if i >= 45 else day), "June to August"),
    (6, "every other day in °C", _days(lambda i, day: _cold(day) if i % 2 else day), "June to August"),
    (6, "half of the rain in mm", _days(lambda i, day: (*day[:3], corpus._mm(day[3])) if i < 30 else day), "of rain"),
    (6, "a June day of 5", _days(lambda i, day: (day[0], 5, 60, day[3]) if i == 50 else day), "!weather.cold-summer"),
    (6, "no rain but evaporation", _days(lambda _, day: day, "date,tmin_f,tmax_f,ET (in)"), "no column rain_in"),
    (6, "heat of the soil", _days(lambda _, day: day, "date,Soil min (F),tmax_f,rain_in"), "no column tmin_f"),
    (6, "a trace of heat", _days(lambda i, day: (day[0], "T", *day[2:]) if i == 5 else day), '"T"'),
    (6, "a flag behind the rain", _days(lambda i, day: (*day[:3], "0.8A") if i == 5 else day), "0.8A"),
    (6, "tenths of a millimeter", _days(lambda _, day: (day[0], corpus._c(day[1]), corpus._c(day[2]),
                                                        corpus._mm(day[3]) * 10), corpus._METRIC), "3.6 in each"),
    (7, "a pond in one feature", _outline(_parts(HOME, _zone(0.4, 0.4, 0.5, 0.5))), "inside another"),
    (7, "two parts of a field", _outline(_parts(_zone(0, 0, 0.48, 1), _zone(0.52, 0, 1, 1))), RIGHT),
    (7, "an hourglass", _outline(polygon([sound.RING[i] for i in (0, 2, 1, 3, 0)])), "!ingest.outline-repaired"),
    (7, "a map of zones", _outline(_zone(0, 0, 0.5, 1, zone=1), _zone(0.5, 0, 1, 1, zone=2)), "2 outlines"),
    (7, "a sliver beside", _outline(HOME, _zone(1, 0, 1.0005, 1)), "2 outlines"),
    (7, "a hole of all", _outline(polygon(sound.RING, box(-93.6049, 42.1001, -93.5951, 42.1039)[::-1])), "no sample"),
    (7, "corners alone", _outline(*(sound.point(*corner) for corner in sound.RING)), "outline is needed"),
    (7, "most of it left out", _no_apply(_zone(0, 0, 0.8, 0.9)), "!ingest.no-apply-much"),
    (7, "a creek without width", _no_apply(sound.line([[sound.WEST, 42.102], [sound.EAST, 42.102]])), "no width"),
    (7, "a setback of miles", _no_apply(HOME, setback_ft=10_000), "setback_ft is 10000"),
    (8, "no value as -3.4e38", _raster("yield_potential", np.where(np.isnan(_HALF), -3.4e38, 190), **BUSHELS), "3.4e"),
    (8, "ND in a yield", _files(files={"l.csv": "longitude,latitude,yield\n-93.6,42.102,190\n-93.601,42.102,ND"},
                                layers__yield_potential={"file": "l.csv", "column": "yield", **BUSHELS}), '"ND"'),
    (8, "a zone without number", _polygons_of("zones", _zone(0, 0, 0.5, 1, zone=1), _zone(0.5, 0, 1, 1, zone=None)),
     "whole number"),
    (8, "a neighbour's zones", _polygons_of("zones", _zone(2, 0, 3, 1, zone=1)), "none of it lies"),
    *((8, f"a gap filled with {value:g}", _raster("yield_potential", np.where(_GAP[0], value, _SMOOTH), **BUSHELS),
       "!surface.filled-hole") for value in (255.0, 100.0, 190.0)),
    (8, "a gap in points filled", _points_of(np.where(_GAP[0], 100, _SMOOTH)), "!surface.filled-hole"),
    (8, "points of a smooth field", _points_of(_SMOOTH), RIGHT),
    (8, "two gaps filled", _raster("yield_potential", np.where(_GAP[1], 100, np.where(_GAP[0], 255, _SMOOTH)),
                                   **BUSHELS), "!surface.filled-hole"),
    (8, "whole bushels", _raster("yield_potential", np.round(_SMOOTH), **BUSHELS), RIGHT),
    (8, "yields cut off at 200", _raster("yield_potential", _CUT, **BUSHELS), RIGHT),
    (8, "one yield for each soil", _raster("yield_potential", 170.0 + 30 * np.round(_X), **BUSHELS), RIGHT),
    (9, "manure credited and none applied", _keys(applications=[], credits={"manure": 40}), "!samples.none-and-manure"),
    (9, "manure credited and something applied", _keys(applications=[UREA], credits={"manure": 40}), RIGHT),
    (9, "applied by a column", _column("N applied (lb/ac)", 60), "!samples.silent-and-a-column"),
    (9, "a column and a list", _column("N applied (lb/ac)", 60, applications=[UREA]), RIGHT),
    (9, "starter by a column", _column("Starter N (lb/ac)", 20, applications=[]), "!ingest.none-and-a-column"),
    (9, "gallons by a column", _column("UAN gal/ac", 20), "!samples.silent-and-a-column"),
    (9, "manure by a word", _column("manure", "yes", applications=[]), "!samples.a-column-says-yes"),
    (9, "ammonium beside", _column("NH4-N ppm", 8), RIGHT),
    (9, "a number in quotes", _keys(applications=[{**UREA, "n_lb_ac": "60"}]), '"60"'),
    (9, "a key misspelt", _keys(applications=[{**UREA, "n_lbs_ac": 60}]), "Did you mean n_lb_ac"),
    (9, "kilograms", _keys(applications=[{"date": UREA["date"], "product": "Urea", "n_kg_ha": 60}]), "n_kg_ha"),
    (9, "true", _keys("applications = true"), "applications is true"),
    (9, "without a day", _keys(applications=[{"product": "Urea", "n_lb_ac": 60}]), "date is missing"),
    *((10, f"the reading {text}", _cell(5, text), says)
      for text, says in (("lost", "lost"), ("10-12", "10-12"), ("~12", "~12"), ("1O", "1O"), ("12.4.1", "12.4.1"),
                         ("16?", "16"), ("trace", "limit of detection"), ("NA", "!ingest.rows-half-filled"))),
    (10, "one depth for all", _form(lambda i, row: row if i == 1 else [*row[:3], "", "", *row[5:]]), "depth"),
    (10, "the header again", _form(lambda _, row: row, sound.samples_csv().splitlines()[0].split(",")), "longitude"),
    (10, "an average below", _form(lambda _, row: row, ["Mean", "", "", "", "", "13.1", ""]),
     "!ingest.rows-half-filled"),
    (10, "a remark below", _form(lambda _, row: row, ["by J.", "", "", "", "", "", ""]), RIGHT),
    (10, "a day of two meanings", _form(lambda _, row: [*row[:6], "12-06-26"]), "12-06-26"),
]  # fmt: skip
CHECKED: list[tuple[int, str, Spoil, str]] = [
    (2, "no rate anywhere", _read(SEEN * 3.5), "!rates.nothing-anywhere"),
    (4, "a second foot in a corner", _deeper([(0.1, 0.1), (0.15, 0.1), (0.1, 0.2)]), "!surface.far-deeper"),
    (4, "one second foot", _deeper([(0.5, 0.5)]), "!surface.far-deeper"),
    (4, "a second foot in a half", _deeper([one for one in EVEN if one[0] < 0.5]), "!surface.far-deeper"),
    (4, "a second foot everywhere", _deeper(EVEN), RIGHT),
    (4, "one part of two", lambda folder: (
        _at(corpus._grid([0.05, 0.2, 0.35], [0.1, 0.5, 0.9]))(folder),
        (folder / "boundary.geojson").write_text(json.dumps(collection(_parts(_zone(0, 0, 0.45, 1),
                                                                              _zone(0.55, 0, 1, 1)))))),
     "!surface.far-half"),
    (4, "two corners", _at([(0.05, 0.1), (0.1, 0.1), (0.05, 0.2), (0.95, 0.9), (0.9, 0.9), (0.95, 0.8)]),
     "!surface.far-most"),
    (4, "a diagonal", _at([(x, x) for x in np.linspace(0.05, 0.95, 9)]), "!surface.far-some"),
    (4, "along the road", _at([(x, 0.03) for x in np.linspace(0.05, 0.95, 9)]), "!surface.far-half"),
    (4, "the four corners", _at(corpus._grid([0.02, 0.98], [0.03, 0.97])), RIGHT),
    (4, "all in the middle", _at(corpus._grid([0.45, 0.5, 0.55], [0.4, 0.5, 0.6])), "!surface.far-most"),
    *((5, f"{name} {keys}", _product(name=name, **keys), says)
      for name, keys, says in (
          ("UAN 32", {"density_lb_gal": 1.32}, "kg/L"), ("urea", {"n_pct": 4.6, "dry": True}, "decimal point"),
          ("hog manure", {"n_pct": 0.6, "density_lb_gal": 1.0}, "kg/L"),
          ("dairy slurry", {"n_pct": 6, "density_lb_gal": 8.4}, "1,000 gallons"), ("UAN 32", {"dry": True}, "dry"),
          ("Shop", {"n_pct": 46, "density_lb_gal": 11}, "nitrogen solution"),
          ("Shop", {"n_pct": 28, "density_lb_gal": 12.8}, "nitrogen solution"),
          ("effluent", {"n_pct": 0.02, "density_lb_gal": 8.34}, "gal/ac"))),
    (5, "a blend with water", _product(blend=[{"name": "UAN 32", "share": 0.5}, {"name": "water", "share": 0.5}]),
     "not a known product"),
    (5, "half a blend", _product(blend=[{"name": "UAN 32", "share": 0.5}]), "add up"),
    (8, "applied on half a raster", _raster("applied_n", _HALF), "!surface.gap-applied"),
    (8, "applied on a polygon without value", _zones("applied_n", _zone(0, 0, 0.5, 1, value=40.0),
                                                     _zone(0.5, 0, 1, 1, value=None)), "!surface.gap-applied"),
    (8, "applied at points of a corner", _points("applied_n", "n_lb_ac", [40, 42, 44, 46]), "!surface.gap-applied"),
    (8, "yields at points of a corner", _points("yield_potential", "yield", [180, 185, 190, 195], **BUSHELS),
     "!surface.gap-yield"),
    (8, "zones of a half", _polygons_of("zones", _zone(0, 0, 0.5, 1, zone=1)), "leave uncovered"),
    (8, "zones over each other", _polygons_of("zones", _zone(0, 0, 0.7, 1, zone=1), _zone(0.3, 0, 1, 1, zone=2)),
     "cover twice"),
]  # fmt: skip


def _named(cases: list[tuple[int, str, Spoil, str]]) -> Any:
    return pytest.mark.parametrize(
        ("spoil", "ends"), [pytest.param(spoil, ends, id=f"{law} {name}") for law, name, spoil, ends in cases]
    )


def test_each_law_has_ten_more_cases_or_is_held_by_the_corpus() -> None:
    """Sixty and more of all ten laws."""
    laws = [law for law, *_ in READ + CHECKED]
    assert set(laws) == set(range(1, 11))
    assert len(laws) >= 100
    assert min(laws.count(law) for law in set(laws)) >= 10


@pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")  # rasterio's, writing the test's raster
@_named(READ)
def test_what_is_spoiled_is_told_when_it_is_read(spoil: Spoil, ends: str, field_folder: Path) -> None:
    """A refusal with problem and remedy, a warning with its code, or readings as they were without any question."""
    spoil(field_folder)
    asked, said = _ended(field_folder / "field.toml")
    if said:
        assert all(part for part in said)
        assert _in(" ".join(said), ends)
    else:
        assert (ends == RIGHT and not asked) or any(f"!{code}" in ends.split("|") for code in asked), asked


def _ended(path: Path) -> tuple[list[str], tuple[str, ...]]:
    """Codes of the warnings, or problem and remedy."""
    try:
        return sound.asked(read_field(path)), ()
    except InputFileError as error:
        return [], (error.problem, error.remedy)


@pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")  # rasterio's, writing the test's raster
@_named(CHECKED)
def test_what_is_spoiled_is_told_by_check(
    spoil: Spoil, ends: str, field_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The same where it shows on the map or in the product: exit status 2, 1 or 0."""
    spoil(field_folder)
    status = main(["check", str(field_folder / "field.toml"), "--json"])
    said = capsys.readouterr()
    if status == 2:
        assert _in(said.err, ends)
        return
    asked = [f"!{one['code']}" for one in json.loads(said.out)["findings"] if one["level"] == "warning"]
    assert status == bool(asked)
    assert (ends == RIGHT and not asked) or ends in asked, asked


def _in(said: str, ends: str) -> bool:
    return any(one in said for one in ends.split("|") if not one.startswith("!") and one != RIGHT)


@pytest.mark.parametrize(
    ("header", "worth"),
    [("Yield dt/ha", 0.1 / 0.0627677), ("Yield q/ha", 0.1 / 0.0627677), ("Yield (cwt/ac)", 100 / 56),
     ("Yield kg/m2", 10 / 0.0627677)],
)  # fmt: skip
def test_yields_in_rarer_units_are_bushels(header: str, worth: float, field_folder: Path) -> None:
    """Decitonnes, quintals, hundredweights and kilograms, by 56 lb and 0.0627677 t/ha to the bushel an acre."""
    _layer("yield_potential", header, YIELDS / worth, **BUSHELS)(field_folder)
    layer = read_field(field_folder / "field.toml").yield_potential
    np.testing.assert_allclose(layer.values, YIELDS, rtol=1e-5)


def test_water_of_moist_soil_is_counted_by_its_header(field_folder: Path) -> None:
    """18 % of the moist weight is 18 / 82 of the dry: readings of moist soil times 1.2195."""
    header = "Moisture (% wet basis)"
    _column(header, 18, samples__moisture_basis="moist", samples__columns={"water_pct": header})(field_folder)
    field = read_field(field_folder / "field.toml")
    np.testing.assert_allclose(field.samples.nitrate_ppm, SEEN * (1 + 18 / 82), rtol=1e-6)


def test_files_of_any_name_open_where_the_locale_is_bare(field_folder: Path) -> None:
    """The C locale with UTF-8 turned off: the run starts again in UTF-8, once, and reads what it would elsewhere."""
    (field_folder / "samples.csv").rename(field_folder / "probén 1.csv")
    _keys(samples={**sound.KEYS["samples"], "file": "probén 1.csv"})(field_folder)
    bare = {**os.environ, "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "LC_ALL": "C"}
    words = [sys.executable, "-m", "vrn", "check", str(field_folder / "field.toml"), "--json"]
    done = subprocess.run(words, env=bare, capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["findings"] is not None
    deaf = [sys.executable, "-E", "-X", "utf8=0", "-m", "vrn", "--version"]  # a Python that hears no variable
    assert subprocess.run(deaf, env=bare, capture_output=True, check=False, timeout=60).returncode == 0
