"""Spoiled inputs of each of the ten laws of what comes in: what was done to the sound field, and how it must end."""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import rasterio
import sound
from rasterio.transform import from_bounds
from sound import Raw, box, collection, polygon

Spoil = Callable[[Path], object]
NO3 = 62.0049 / 14.0067
POUNDS = 4046.8564224 * 0.3048 * 1000 * 1e-6 / 0.45359237 * 1.35  # lb/ac of a foot at 1.35 g/cm³, in 1 ppm
KILOS = 0.3048 * 1e4 * 1350 * 1e-6
SEEN = np.array(sound.READINGS)
QUIET: dict[str, Any] = {"field__cell_m": 40.0, "zones__count": 2, "layers__organic_matter": {"value_pct": 3.0}}


@dataclass(frozen=True, kw_only=True)
class Case:
    """
    One spoiled input.

    Parameters
    ----------
    law : int
    name : str
    spoil : callable
        Takes the folder of the sound field and spoils it.
    ends : {"right", "refused", "warned"}
        Exit status 0, 2, 1.
    says : str
        Pattern of the refusal, or the code of the warning.
    ppm, yields, matter : sequence of float
        What must be read, in ppm, bu/ac and %, where it is not refused.
    gallons : float
        Product on an acre for each pound of nitrogen.
    """

    law: int
    name: str
    spoil: Spoil
    ends: Literal["right", "refused", "warned"]
    says: str = ""
    ppm: Sequence[float] | None = None
    yields: Sequence[float] | None = None
    matter: Sequence[float] | None = None
    gallons: float | None = None


CASES: list[Case] = []


def _right(law: int, name: str, spoil: Spoil, **numbers: Any) -> None:
    CASES.append(Case(law=law, name=name, spoil=spoil, ends="right", **numbers))


def _refused(law: int, name: str, spoil: Spoil, says: str) -> None:
    CASES.append(Case(law=law, name=name, spoil=spoil, ends="refused", says=says))


def _warned(law: int, name: str, spoil: Spoil, code: str, **numbers: Any) -> None:
    CASES.append(Case(law=law, name=name, spoil=spoil, ends="warned", says=code, **numbers))


def _keys(top: str = "", **changes: Any) -> Spoil:
    """Change keys of the field file; ``top`` stands before its tables."""

    def spoil(folder: Path) -> None:
        text = sound.toml_text(sound.changed(QUIET | changes))
        (folder / "field.toml").write_text(f"{top}\n{text}", encoding="utf-8")

    return spoil


def _files(top: str = "", *, files: dict[str, Any], **changes: Any) -> Spoil:
    """Write files and change keys."""

    def spoil(folder: Path) -> None:
        for name, content in files.items():
            text = content if isinstance(content, str) else json.dumps(content)
            (folder / name).write_text(text, encoding="utf-8")
        _keys(top, **changes)(folder)

    return spoil


def _nitrate(header: str, values: Any = SEEN, *, mapped: bool = True, **changes: Any) -> Spoil:
    """Another header, and other values, over the readings."""
    rows = [row.split(",") for row in sound.samples_csv().splitlines()[1:]]
    lines = ["sample_id;longitude;latitude;top_in;bottom_in;sampled_on;" + header]
    lines += [
        ";".join([*row[:5], row[6], f"{v:.9g}" if not isinstance(v, str) else v])
        for row, v in zip(rows, values, strict=True)
    ]
    columns = {"samples__columns": {"nitrate_ppm": header}} if mapped else {}
    return _files(files={"samples.csv": "\n".join(lines)}, **columns, **changes)


def _layer(key: str, header: str, values: Any, **keys: Any) -> Spoil:
    """A layer of points at the sampled places."""
    rows = [f"{lon};{lat};{value:.9g}" for (lon, lat), value in zip(sound.places(), values, strict=True)]
    text = "\n".join([f"longitude;latitude;{header}", *rows])
    return _files(files={"layer.csv": text}, **{f"layers__{key}": {"file": "layer.csv", "column": header, **keys}})


def _edited(edit: Callable[[list[list[str]]], Sequence[Sequence[str]]], **changes: Any) -> Spoil:
    """The samples with the cells of all rows edited, the header's among them."""
    rows = edit([row.split(",") for row in sound.samples_csv().splitlines()])
    return _files(files={"samples.csv": "\n".join(",".join(row) for row in rows)}, **changes)


def _read(values: Any, *, header: str = "nitrate_ppm", **changes: Any) -> Spoil:
    """Other readings at the same places."""
    return _nitrate(header, values, mapped=False, **changes)


def _at(places: Sequence[tuple[float, float]], **changes: Any) -> Spoil:
    """Readings at places by their share of the field's width and height."""
    lines = ["sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm,sampled_on"]
    for i, (x, y) in enumerate(places):
        lon, lat = sound.WEST + x * (sound.EAST - sound.WEST), sound.SOUTH + y * (sound.NORTH - sound.SOUTH)
        lines.append(f"S{i},{lon:.7f},{lat:.7f},0,12,{sound.READINGS[i % 12]},2026-06-12")
    return _files(files={"samples.csv": "\n".join(lines)}, **changes)


def _raster(
    key: str, values: Any, *, band: str = "", nodata: float | None = None, east: float = 0.0, **keys: Any
) -> Spoil:
    """A raster over the field, moved by so many of its widths, with a description of its band."""

    def spoil(folder: Path) -> None:
        grid = np.asarray(values, dtype="float32")
        wide = sound.EAST - sound.WEST
        place = from_bounds(
            sound.WEST - 0.001 + east * wide, sound.SOUTH - 0.001, sound.EAST + 0.001 + east * wide,
            sound.NORTH + 0.001, grid.shape[1], grid.shape[0],
        )  # fmt: skip
        with rasterio.open(
            folder / "layer.tif", "w", driver="GTiff", width=grid.shape[1], height=grid.shape[0], count=1,
            dtype="float32", crs="EPSG:4326", transform=place, nodata=nodata,
        ) as raster:  # fmt: skip
            raster.write(grid, 1)
            if band:
                raster.set_band_description(1, band)
        _keys(**{f"layers__{key}": {"file": "layer.tif", **keys}})(folder)

    return spoil


def _zone(west: float, south: float, east: float, north: float, **properties: Any) -> dict[str, Any]:
    """A polygon by its share of the field's width and height."""
    wide, high = sound.EAST - sound.WEST, sound.NORTH - sound.SOUTH
    ring = box(
        sound.WEST + west * wide, sound.SOUTH + south * high, sound.WEST + east * wide, sound.SOUTH + north * high
    )
    return polygon(ring, **properties)


def _zones(key: str, *zones: dict[str, Any], column: str = "value", **keys: Any) -> Spoil:
    """A layer of polygons."""
    section = {"file": "layer.geojson", "column": column, **keys}
    return _files(files={"layer.geojson": collection(*zones)}, **{f"layers__{key}": section})


# --- 1. a header that contradicts its role -------------------------------------------------------------------------
for _header in (
    "NH4-N (ppm)", "ppm Bray-P1", "EC (dS/m)", "CEC meq/100g", "Org. C (%)", "K (mg/kg)", "pH", "Total N (%)",
    "Nitrite-N ppm", "SO4-S ppm", "NO3-N+NH4-N (mg/kg)", "(%) OM",
):  # fmt: skip
    _refused(1, f"{_header} as nitrate", _nitrate(_header), "says")
_right(1, "unit before substance", _nitrate("(ppm) NO3-N"), ppm=SEEN)
_right(1, "NO3 of its own header", _nitrate("Nitrate as NO3 [mg/kg]", SEEN * NO3, samples__reported_as=None), ppm=SEEN)
_right(1, "ppb", _nitrate("NO3-N, ug/kg", SEEN * 1000), ppm=SEEN)
_right(1, "g/kg", _nitrate("N-NO3 (g/kg)", SEEN / 1000), ppm=SEEN)
_right(1, "pounds with a density", _nitrate("NO3-N (#/A)", SEEN * POUNDS, nitrogen__bulk_density_g_cm3=1.35), ppm=SEEN)
_right(
    1, "kilograms with a density", _nitrate("kg/ha NO3-N", SEEN * KILOS, nitrogen__bulk_density_g_cm3=1.35), ppm=SEEN
)
_right(1, "an extract of dry soil", _nitrate("NO3-N mg/L (1:5 extract)", SEEN / 5), ppm=SEEN)
_warned(1, "pounds", _nitrate("NO3-N lb/ac", SEEN * POUNDS), "ingest.area-converted", ppm=SEEN)
_warned(1, "nitrogen", _nitrate("N, ppm"), "ingest.header-says-nitrogen", ppm=SEEN)
_warned(1, "NO3 under NO3-N", _nitrate("NO3 (ppm)"), "ingest.header-says-no3", ppm=SEEN)
_warned(1, "accepted", _nitrate("P ppm", samples__accept="the lab's template"), "ingest.accepted", ppm=SEEN)
_refused(1, "pounds of 6 in", _nitrate("NO3-N lb/ac per 6 in", SEEN * POUNDS / 2), "6 in|says")
_refused(1, "pounds of 7 inches", _nitrate("NO3-N (lb/A, 7 inch)", SEEN * POUNDS / 2), "7 in|says")
_refused(1, "pounds of two feet", _nitrate("lbs/acre NO3-N 0-24 in", SEEN * POUNDS), "0–24 in")
_refused(1, "extract without ratio", _nitrate("NO3-N (mg/L)"), "liquid")
_refused(1, "moist under dry", _nitrate("NO3-N ppm (field moist)"), "moist")
_refused(1, "a row of units below", _nitrate("NO3-N", ["lb/ac", *map(str, SEEN[1:])]), "lb/ac")
_refused(
    1, "a column of units", _edited(lambda r: [[*r[0], "Units"]] + [[*row, "lb/ac"] for row in r[1:]]), "ppm and lb/ac"
)
_refused(
    1, "a column of analytes", _edited(lambda r: [[*r[0], "Analyte"]] + [[*row, "NH4-N"] for row in r[1:]]), "ammonium"
)
_right(1, "carbon of a layer", _layer("organic_matter", "Org C g/kg", [20.0] * 12), matter=[2 * 1.724])
_refused(1, "total carbon of a layer", _layer("organic_matter", "Total C %", [2.0] * 12), "total carbon")
_refused(1, "N of a layer", _layer("organic_matter", "TKN %", [0.2] * 12), "Kjeldahl")
_right(
    1,
    "carbon of a raster's band",
    _raster("organic_matter", np.full((6, 9), 20.0), band="SOC (g/kg)"),
    matter=[2 * 1.724],
)
_refused(1, "sand of a raster's band", _raster("organic_matter", np.full((6, 9), 4.0), band="Sand (%)"), "texture")
_refused(
    1,
    "elevation of a raster's band",
    _raster("yield_potential", np.full((6, 9), 1.0), band="Elevation (m)"),
    "elevation",
)
_right(
    1,
    "tonnes of a raster's band",
    _raster("yield_potential", np.full((6, 9), 12.0), band="Yield (t/ha)", kind="bu_ac"),
    yields=[12 / 0.0627677],
)
_refused(1, "soybean yields", _layer("yield_potential", "Soy yield (bu/ac)", [60.0] * 12, kind="bu_ac"), "another crop")
_refused(1, "elevation as relative", _layer("yield_potential", "Slope", [1.0] * 12), "elevation")
_refused(1, "gallons applied", _layer("applied_n", "UAN 32 gal/ac", [12.0] * 12), "says")
_refused(1, "phosphate applied", _layer("applied_n", "P2O5 lb/ac", [40.0] * 12), "phosphorus")
_warned(1, "a rate of what", _layer("applied_n", "App Rate", [40.0] * 12), "ingest.header-says-rate")

for _name, _value, _says in (
    ("Test", "NH4-N", "ammonium"), ("Nutrient", "K", "potassium"), ("Result Unit", "lb/A", "ppm and lb/ac"),
    ("Matrix", "water", "water"), ("Sample type", "plant tissue", "tissue"), ("Form", "NO3", "NO3"),
    ("Sample basis", "as received", "moist"),
):  # fmt: skip
    _refused(
        1,
        f"a column {_name} of {_value}",
        _edited(lambda r, n=_name, v=_value: [[*r[0], n], *([*row, v] for row in r[1:])]),  # type: ignore[misc]
        _says,
    )
_right(1, "a column of tests", _edited(lambda r: [[*r[0], "Test"], *([*row, "Nitrate-N"] for row in r[1:])]), ppm=SEEN)
for _header in ("Stalk nitrate ppm", "Tile water NO3-N ppm", "ENR lb/ac", "Lab No", "Bulk density", "Nitrate rating"):
    _refused(1, f"{_header} as nitrate", _nitrate(_header), "says")
_warned(
    1, "organic matter of two feet", _layer("organic_matter", "OM 0-60 cm", [2.5] * 12),
    "ingest.organic-matter-of-deep-cores",
)  # fmt: skip
_warned(1, "another year's column", _nitrate("NO3-N ppm 2024"), "samples.header-of-another-year", ppm=SEEN)

# --- 2. values outside what is possible ----------------------------------------------------------------------------
_refused(2, "ppm all 300", _read(SEEN * 25), "all values of nitrate-N")
_refused(2, "ppm as a share", _read(SEEN / 1e6), "g/kg or percent")
_refused(2, "below 0", _read([-4.0, *SEEN[1:]]), "-4")
_refused(2, "not tested as -999", _read([-999.0, *SEEN[1:]]), "-999")
_refused(2, "a lost decimal point", _read([12400.0, *SEEN[1:]]), "12400")
_warned(2, "one of 480", _read([480.0, *SEEN[1:]]), "ingest.unlikely-nitrate")
_warned(2, "0 everywhere", _read([0.0] * 12), "ingest.unlikely-nitrate")
_warned(2, "0 for not tested", _read([*SEEN[:10], 0.0, 0.0]), "ingest.unlikely-nitrate")
_warned(2, "the same everywhere, high", _read([150.0] * 12), "ingest.high-nitrate")
_warned(
    2,
    "as a pH",
    _read(np.linspace(5.5, 6.6, 12).round(1), header="result", samples__columns={"nitrate_ppm": "result"}),
    "ingest.like-ph",
)
_warned(
    2,
    "as an EC",
    _read(np.linspace(0.3, 0.9, 12), header="lab value", samples__columns={"nitrate_ppm": "lab value"}),
    "ingest.like-conductivity",
)
_refused(2, "organic matter of 45 all over", _layer("organic_matter", "om", np.linspace(20, 45, 12)), "g/kg")
_refused(2, "organic matter as a share", _layer("organic_matter", "om", np.linspace(0.02, 0.05, 12)), "parts of 1")
_refused(2, "organic matter above 100", _layer("organic_matter", "om", [3.0] * 11 + [300.0]), "300")
_refused(2, "organic matter below 0", _layer("organic_matter", "om", [3.0] * 11 + [-1.0]), "-1")
_warned(
    2,
    "organic matter of 40 once",
    _layer("organic_matter", "om", [3.0] * 11 + [40.0]),
    "ingest.unlikely-organic-matter",
)
_warned(2, "organic matter 0 all over", _layer("organic_matter", "om", [0.0] * 12), "ingest.unlikely-organic-matter")
_warned(
    2, "organic matter stated as 0", _keys(layers__organic_matter={"value_pct": 0.0}), "ingest.unlikely-organic-matter"
)
_refused(2, "organic matter nodata", _raster("organic_matter", np.where(np.eye(6, 9) > 0, -9999.0, 3.0)), "-9999")
_refused(2, "organic matter as bytes", _raster("organic_matter", np.full((6, 9), 255.0)), "255")
_refused(2, "bushels as relative", _layer("yield_potential", "v", np.linspace(150, 220, 12)), "bushels")
_refused(2, "tonnes as bushels", _layer("yield_potential", "v", [12.0] * 12, kind="bu_ac"), "t/ha")
_refused(2, "bushels as tonnes", _layer("yield_potential", "v", [190.0] * 12, kind="t_ha"), "190")
_refused(2, "yield below 0", _layer("yield_potential", "v", [190.0] * 11 + [-5.0], kind="bu_ac"), "-5")
_warned(
    2,
    "yield of 0 in a place",
    _layer("yield_potential", "v", [190.0] * 11 + [0.0], kind="bu_ac"),
    "ingest.unlikely-yield",
)
_refused(2, "relative 0 all over", _layer("yield_potential", "v", [0.0] * 12), "are 0")
_refused(2, "bushels 0 all over", _layer("yield_potential", "v", [0.0] * 12, kind="bu_ac"), "are 0")
_refused(2, "product as nitrogen", _layer("applied_n", "v", [450.0] * 12), "product")
_refused(2, "applied below 0", _layer("applied_n", "v", [40.0] * 11 + [-2.0]), "-2")
_refused(2, "water as a share", _keys(samples__moisture_basis="moist", samples__water_pct=0.2), "parts of 1")
_refused(2, "depth in feet", _edited(lambda r: [r[0]] + [[*row[:3], "0", "1", *row[5:]] for row in r[1:]]), "feet")
_refused(
    2,
    "depth from deep to shallow",
    _edited(lambda r: [r[0]] + [[*row[:3], "12", "0", *row[5:]] for row in r[1:]]),
    "look like feet",
)
_warned(
    2,
    "another season",
    _edited(lambda r: [r[0]] + [[*row[:6], "2025-06-12"] for row in r[1:]]),
    "ingest.sampled-in-another-season",
)
_warned(
    2,
    "cores of weeks before the pass",
    _keys(crop__application_date=Raw("2026-07-20")),
    "samples.pulled-long-before",
)
_warned(2, "a swath in meters", _keys(machine__swath_ft=9.0), "ingest.unlikely-number")
_refused(2, "a goal of 21", _keys(crop__yield_goal_bu_ac=12), "yield_goal_bu_ac")


_warned(2, "the same everywhere", _read([20.0] * 12), "ingest.readings-alike")


# --- 3. a file in two kinds of unit --------------------------------------------------------------------------------
def _part(rows: Sequence[int], factor: float, **changes: Any) -> Spoil:
    return _read([v * (factor if i in rows else 1.0) for i, v in enumerate(SEEN)], **changes)


_HALF, _WEST = range(6), [0, 1, 4, 5, 8, 9]
_refused(3, "first half in NO3", _part(_HALF, NO3), "two kinds of unit")
_refused(3, "first half in lb/ac", _part(_HALF, POUNDS), "two kinds of unit")
_refused(3, "first half at 3.6 lb", _part(_HALF, 3.6), "two kinds of unit")
_refused(3, "first half in kg/ha", _part(_HALF, KILOS), "two kinds of unit")
_refused(3, "last third in NO3", _part(range(8, 12), NO3), "two kinds of unit")
_refused(3, "west half in NO3", _part(_WEST, NO3), "two kinds of unit")
_refused(3, "west half times 10", _part(_WEST, 10.0), "two kinds of unit")
_refused(
    3,
    "east half in ppb",
    _part([2, 3, 6, 7, 10, 11], 1000.0),
    "two kinds of unit|unit and the decimal point|5000|1[0-9]+00",
)
_warned(3, "every other row in NO3", _part(range(0, 12, 2), NO3), "ingest.units-mixed")
_refused(3, "every other row times 10", _part(range(1, 12, 2), 10.0), "two kinds of unit")
_warned(3, "half accepted", _part(_HALF, NO3, samples__accept="manure in the north"), "ingest.accepted")


def _labelled(header: str, high: str, low: str, factor: float, *, mapped: str | None = None) -> Spoil:
    def edit(rows: list[list[str]]) -> list[list[str]]:
        out = [[*rows[0], header]]
        for i, row in enumerate(rows[1:]):
            up = i in (0, 2, 5, 7, 8, 10)
            out.append([*row[:5], f"{float(row[5]) * (factor if up else 1):.4f}", row[6], high if up else low])
        return out

    return _edited(edit, **({"samples__columns": {mapped: header}} if mapped else {}))


_refused(3, "one instrument in NO3", _labelled("instrument", "meter 2", "meter 1", NO3), "two kinds of unit")
_refused(3, "one laboratory in lb/ac", _labelled("Lab", "North", "South", POUNDS), "two kinds of unit")
_refused(3, "one laboratory in kg/ha", _labelled("laboratory", "North", "South", KILOS), "two kinds of unit")


def _deep(factor: float, apart: float = 0.1) -> Spoil:
    def edit(rows: list[list[str]]) -> list[list[str]]:
        low = [
            [*row[:3], "12", "24", f"{float(row[5]) * factor * np.exp(apart * np.sin(i)):.3f}", row[6]]
            for i, row in enumerate(rows[1:])
        ]
        return [*rows, *low]

    return _edited(edit)


_refused(3, "second foot in NO3", _deep(NO3 * 0.98), "deeper cores")
_refused(3, "second foot in lb/ac", _deep(POUNDS), "deeper cores")
_warned(3, "second foot in NO3, in no step with the first", _deep(NO3 * 0.9, 0.8), "samples.deeper-holds-more")
_right(3, "second foot lower by nature", _deep(0.6))


# --- 4. ground far from every reading ------------------------------------------------------------------------------
def _grid(across: Sequence[float], up: Sequence[float]) -> list[tuple[float, float]]:
    return [(x, y) for x in across for y in up]


_warned(4, "three in a corner", _at([(0.05, 0.1), (0.1, 0.05), (0.15, 0.15)]), "surface.far-corner")
_warned(4, "three in one half", _at([(0.1, 0.2), (0.2, 0.8), (0.35, 0.5)]), "surface.far-half")
_warned(4, "twelve in a corner", _at(_grid([0.65, 0.75, 0.85, 0.95], [0.7, 0.8, 0.9])), "surface.far-corner")
_warned(4, "six along an edge", _at([(x, 0.03) for x in np.linspace(0.05, 0.95, 6)]), "surface.far-half")
_warned(4, "one reading", _at([(0.4, 0.5)]), "surface.far-one-reading")
_warned(4, "two close together", _at([(0.4, 0.5), (0.41, 0.5)]), "surface.far-most")
_warned(
    4,
    "two clusters",
    _at(
        [(0.03 + dx, 0.1 + dy) for dx in (0, 0.02) for dy in (0, 0.04)]
        + [(0.93 + dx, 0.85 + dy) for dx in (0, 0.02) for dy in (0, 0.04)]
    ),
    "surface.far-most",
)
_warned(4, "repeats of three places", _at([(0.05, 0.1), (0.1, 0.05), (0.15, 0.15)] * 4), "surface.far-corner")
_warned(4, "all in a line", _at([(0.5, y) for y in (0.1, 0.3, 0.5, 0.7, 0.9)]), "surface.far-most")
_warned(4, "a tight middle", _at(_grid([0.45, 0.5, 0.55], [0.4, 0.5, 0.6])), "surface.far-most")
_warned(4, "one half, wide apart", _at(_grid([0.06, 0.25, 0.44], [0.1, 0.5, 0.9])), "surface.far-half")
_warned(
    4,
    "the others lie outside",
    _at([(0.05, 0.1), (0.1, 0.3), (0.1, 0.1), (1.2, 0.5), (1.3, 0.6), (1.4, 0.1)]),
    "surface.far-corner",
)
_warned(
    4,
    "without a reading in the rest",
    _edited(lambda r: [r[0]] + [row if i in (0, 1, 4) else [*row[:5], "", row[6]] for i, row in enumerate(r[1:])]),
    "surface.far-half",
)
_warned(
    4,
    "a composite of a quarter",
    _files(
        files={
            "samples.csv": "sample_id,area_id,top_in,bottom_in,nitrate_ppm,sampled_on\nA,1,0,12,14,2026-06-12\n",
            "areas.geojson": collection(_zone(0, 0, 0.5, 0.5, area_id=1)),
        },
        samples__areas={"file": "areas.geojson"},
    ),
    "surface.far-one-reading",
)
_right(4, "an even grid", _at(_grid([0.12, 0.37, 0.63, 0.88], [0.17, 0.5, 0.83])), ppm=SEEN)


# --- 5. the product --------------------------------------------------------------------------------------------------
def _product(**keys: Any) -> Spoil:
    return _keys(product=keys)


_UAN = 100 / (32 * 11.06)
_right(5, "known", _product(name="UAN 32"), gallons=_UAN)
_right(5, "own solution", _product(name="Co-op", n_pct=28, density_lb_gal=10.7), gallons=100 / (28 * 10.7))
_right(5, "hog manure", _product(name="hog manure", n_pct=0.6, density_lb_gal=8.4), gallons=100 / (0.6 * 8.4))
_right(5, "aqua ammonia", _product(name="aqua", n_pct=20, density_lb_gal=7.6), gallons=100 / (20 * 7.6))
_right(5, "none", _keys())
_refused(5, "a fraction", _product(name="Shop", n_pct=0.32, density_lb_gal=11.06), "32% N")
_refused(5, "kg/L", _product(name="Shop", n_pct=32, density_lb_gal=1.32), "kg/L|lb/gal")
_refused(5, "both", _product(name="Shop", n_pct=0.32, density_lb_gal=1.32), "Did you mean")
_refused(5, "pounds of N as density", _product(name="Shop", n_pct=32, density_lb_gal=3.54), "Did you mean")
_refused(
    5, "pounds of N as percent", _product(name="Shop", n_pct=3.54, density_lb_gal=11.06), "pounds of N|Did you mean"
)
_refused(5, "anhydrous without analysis", _product(name="my anhydrous"), "not a known product")
_refused(
    5, "anhydrous by a blend's analysis", _product(name="anhydrous", n_pct=32, density_lb_gal=11.06), "Anhydrous|82"
)
_refused(5, "ammonia dry", _product(name="NH3 co-op", n_pct=82, dry=True), "Check|dry")
_refused(
    5, "manure by 1,000 gal", _product(name="hog manure", n_pct=50, density_lb_gal=8.34), "1,000 gallons|Did you mean"
)
_refused(5, "manure by the ton", _product(name="turkey litter", n_pct=60, dry=True), "6.5% N")
_refused(5, "urea solution above urea", _product(name="urea", n_pct=64, dry=True), "46")
_refused(5, "a dry fraction", _product(name="mill urea", n_pct=0.46, dry=True), "fraction")
_refused(5, "grade against analysis", _product(name="28-0-0", n_pct=32, density_lb_gal=10.7), "28")
_refused(5, "density 0", _product(name="Shop", n_pct=32, density_lb_gal=0), "density_lb_gal")
_refused(5, "below 0", _product(name="Shop", n_pct=-32, density_lb_gal=11), "n_pct")
_refused(5, "neither density nor dry", _product(name="Shop", n_pct=32), "density")
_refused(5, "a known name misspelt", _product(name="UNA 32"), "UAN 32")
_refused(
    5,
    "slow release of too much an acre",
    _keys(
        product={"name": "thin", "n_pct": 4.2, "density_lb_gal": 8.9},
        limits={"max_n_lb_ac": 300},
        machine={"max_rate_n_lb_ac": 300},
    ),
    "No nitrogen solution|Did you mean",
)
_refused(
    5,
    "fallback rate too much",
    _keys(product={"name": "Ammonium sulfate solution"}, export={"position_lost_rate_n_lb_ac": 300}),
    "position_lost",
)
_refused(
    5,
    "blend of liquid and dry",
    _product(blend=[{"name": "UAN 32", "share": 0.5}, {"name": "Urea", "share": 0.5}]),
    "liquid and dry",
)
_refused(
    5, "blend above 1", _product(blend=[{"name": "UAN 32", "share": 0.9}, {"name": "UAN 28", "share": 0.9}]), "add up"
)
_refused(5, "rate basis without product", _keys(product={"rate_basis": "product"}), "product")
_refused(5, "n_pct above 100", _product(name="Shop", n_pct=320, density_lb_gal=11.06), "n_pct")


_refused(5, "a solution that weighs as water", _product(name="Shop", n_pct=32, density_lb_gal=8.34), "solution")


# --- 6. weather ------------------------------------------------------------------------------------------------------
def _days() -> list[tuple[str, float, float, float]]:
    """60 days of May and June near 42° N: date, low, high [°F], rain [in]."""
    rng, days = np.random.default_rng(6), []
    for i in range(60):
        month, day = (5, i + 1) if i < 31 else (6, i - 30)
        low, rain = 48 + 0.25 * i + rng.normal(0, 4), rng.gamma(1.2, 0.3) if rng.random() < 0.35 else 0.0
        days.append((f"2026-{month:02d}-{day:02d}", round(low, 1), round(low + 21, 1), round(rain, 2)))
    return days


DAYS = _days()


def _weather(
    header: str, edit: Callable[[int, tuple[str, Any, Any, Any]], Sequence[Any] | None], *, clock: bool = True
) -> Spoil:
    """Weather under another header, each day edited; with the crop's clock and an application that need it."""
    rows = [edited for i, day in enumerate(DAYS) if (edited := edit(i, day)) is not None]
    text = "\n".join([header, *(",".join(map(str, row)) for row in rows)])
    changes: dict[str, Any] = {
        "crop__planting_date": Raw("2026-05-01"), "crop__growth_stage": "V5",
        "applications": [{"date": Raw("2026-05-10"), "product": "UAN 32", "n_lb_ac": 40}],
    }  # fmt: skip
    return _files(files={"weather.csv": text}, weather={"file": "weather.csv"}, **(changes if clock else {}))


_US, _METRIC = "date,tmin_f,tmax_f,rain_in", "date,tmin_c,tmax_c,rain_mm"


def _c(f: float) -> float:
    return round((f - 32) / 1.8, 1)


def _mm(inches: float) -> float:
    return round(inches * 25.4, 1)


_right(6, "sound", _weather(_US, lambda _, d: d))
_right(6, "metric", _weather(_METRIC, lambda _, d: (d[0], _c(d[1]), _c(d[2]), _mm(d[3]))))
_right(6, "mixed and in words", _weather("Date,Low (°F),High (°F),Precip mm", lambda _, d: (*d[:3], _mm(d[3]))))
_right(6, "a trace", _weather(_US, lambda i, d: (*d[:3], "T" if d[3] == 0 and i % 3 else d[3])))
_right(6, "days out of order", _weather(_US, lambda i, _: DAYS[-1 - i]))
_refused(6, "°C under °F", _weather(_US, lambda _, d: (d[0], _c(d[1]), _c(d[2]), d[3])), "°F")
_refused(6, "highs alone in °C", _weather(_US, lambda _, d: (d[0], _c(d[1]), _c(d[2]) + 15, d[3])), "°F")
_refused(6, "°F under °C", _weather(_METRIC, lambda _, d: (d[0], d[1], d[2], _mm(d[3]))), "°F|which no place")
_refused(6, "mm under inches", _weather(_US, lambda _, d: (*d[:3], _mm(d[3]))), "in of rain")
_warned(6, "inches under mm", _weather(_METRIC, lambda _, d: (d[0], _c(d[1]), _c(d[2]), d[3])), "weather.rain-in-doubt")
_refused(6, "hundredths of an inch", _weather(_US, lambda _, d: (*d[:3], round(d[3] * 100))), "in of rain|in each")
_refused(
    6,
    "tenths of °C, as stations keep them",
    _weather(_METRIC, lambda _, d: (d[0], _c(d[1]) * 10, _c(d[2]) * 10, _mm(d[3]))),
    "°F|which no place|tm",
)
_refused(6, "tenths of °F", _weather(_US, lambda _, d: (d[0], d[1] * 10, d[2] * 10, d[3])), "°F|is \\d")
_refused(6, "kelvin", _weather(_METRIC, lambda _, d: (d[0], _c(d[1]) + 273, _c(d[2]) + 273, _mm(d[3]))), "°F|tm")
_refused(
    6,
    "a running total",
    _weather(_US, lambda i, d: (*d[:3], round(sum(x[3] for x in DAYS[: i + 1]), 2))),
    "running total|A month",
)
_refused(6, "low above high", _weather("date,tmax_f,tmin_f,rain_in", lambda _, d: d), "low temperature is above")
_refused(6, "no unit", _weather("date,TMIN,TMAX,rain", lambda _, d: d), "does not say its unit")
_refused(6, "a day twice", _weather(_US, lambda i, d: DAYS[0] if i == 1 else d), "row 2 too")
_refused(6, "one day of 30 in", _weather(_US, lambda i, d: (*d[:3], 30 if i == 9 else d[3])), "30")
_refused(6, "rain below 0", _weather(_US, lambda i, d: (*d[:3], -0.5 if i == 9 else d[3])), "-0.5")
_refused(6, "-99 for missing", _weather(_US, lambda i, d: (d[0], -99, d[2], d[3]) if i == 9 else d), "-99")
_refused(6, "rain of both units", _weather("date,tmin_f,tmax_f,rain_in,rain_mm", lambda _, d: (*d, d[3])), "both there")
_refused(
    6,
    "day before month in doubt",
    _weather(_US, lambda i, d: (f"0{5 + i % 2}/0{1 + i // 2 % 9}/2026", *d[1:])),
    "date|row",
)
_warned(
    6,
    "another season",
    _weather(_US, lambda _, d: (d[0].replace("2026", "2025"), *d[1:]), clock=False),
    "weather.of-another-season",
)
_warned(6, "a week missing", _weather(_US, lambda i, d: None if 20 < i < 28 else d), "weather.days-missing")
_warned(
    6,
    "no temperature for half",
    _weather(_US, lambda i, d: (d[0], "", "", d[3]) if i % 2 else d),
    "weather.has-gaps",
)
_refused(6, "ends before sampling", _weather(_US, lambda i, d: d if i < 30 else None), "No temperature for")
_warned(
    6,
    "ends before sampling, with no clock",
    _weather(_US, lambda i, d: d if i < 30 else None, clock=False),
    "weather.ends-before-sampling",
)
_warned(6, "one mean for low and high", _weather(_US, lambda _, d: (d[0], d[2], d[2], d[3])), "weather.no-night")
_warned(6, "no rain at all", _weather(_US, lambda _, d: (*d[:3], 0.0)), "weather.no-rain")


# --- 7. outlines -----------------------------------------------------------------------------------------------------
def _outline(*features: dict[str, Any], boundary: str = "boundary.geojson", **changes: Any) -> Spoil:
    return _files(files={"boundary.geojson": collection(*features)}, field__boundary=boundary, **changes)


_HOME, _EAST = _zone(0, 0, 1, 1, Name="Home"), _zone(1.2, 0, 2.2, 1, Name="East")
_POND = _zone(0.4, 0.4, 0.5, 0.5, Name="Pond")
_right(7, "one", _outline(_HOME), ppm=SEEN)
_right(7, "named behind a #", _outline(_HOME, _EAST, boundary="boundary.geojson#Home"), ppm=SEEN)
_right(7, "named by a column", _outline(_HOME, _EAST, field__boundary_where={"Name": "home"}), ppm=SEEN)
_warned(
    7,
    "the pond as no-apply ground",
    _outline(
        _HOME,
        _POND,
        boundary="boundary.geojson#Home",
        field__no_apply=[{"file": "boundary.geojson#Pond"}],
        machine__edge_overlap_pct=90,
    ),
    "rates.drive-on-no-apply",
    ppm=SEEN,
)
_refused(7, "a neighbour", _outline(_HOME, _EAST), "Several outlines")
_refused(7, "a neighbour that touches", _outline(_HOME, _zone(1, 0, 2, 1, Name="East")), "Several outlines")
_refused(
    7, "halves that overlap", _outline(_zone(0, 0, 0.6, 1, Name="A"), _zone(0.4, 0, 1, 1, Name="B")), "Several outlines"
)
_refused(7, "a pond", _outline(_HOME, _POND), "inside another")
_refused(7, "a pond, home named", _outline(_HOME, _POND, boundary="boundary.geojson#Home"), "inside another")
_refused(7, "nested three deep", _outline(_HOME, _zone(0.2, 0.2, 0.8, 0.8, Name="Mid"), _POND), "inside another")
_right(7, "the same outline twice", _outline(_HOME, _zone(0, 0, 1, 1, Name="Copy")), ppm=SEEN)
_refused(
    7, "a name that is not there", _outline(_HOME, _EAST, boundary="boundary.geojson#West"), "no outline is called West"
)
_refused(
    7, "a column that is not there", _outline(_HOME, _EAST, field__boundary_where={"Farm": "Home"}), "no column Farm"
)
_refused(
    7, "the neighbour named", _outline(_HOME, _EAST, boundary="boundary.geojson#East"), "no sample lies in the field"
)
_refused(7, "the neighbour alone", _outline(_EAST), "no sample lies in the field")
_refused(7, "the pond alone", _outline(_zone(0.39, 0.39, 0.41, 0.41)), " ac")
_refused(7, "a county", _outline(polygon(box(-94, 42, -92.5, 43))), "more than one field")
_refused(7, "longitude and latitude swapped", _outline(polygon([[y, x] for x, y in sound.RING])), "latitude|swapped")
_refused(7, "a lost sign", _outline(polygon([[-x, y] for x, y in sound.RING])), "minus")
_refused(
    7,
    "feet of a state system",
    _outline(polygon([[x * 1e4 + 5e6, y * 1e4 + 3e6] for x, y in sound.RING])),
    "system|degrees",
)
_refused(7, "a line", _outline(sound.line(sound.RING[:3])), "no area|polygon|outline")
_refused(
    7, "no-apply ground over all of it", _outline(_HOME, field__no_apply=[{"file": "boundary.geojson"}]), "whole field"
)
_warned(7, "most readings outside", _outline(_zone(0, 0, 0.4, 0.4)), "ingest.readings-outside")
_warned(
    7,
    "no-apply ground elsewhere",
    _files(files={"creek.geojson": collection(_zone(3, 3, 3.1, 3.1))}, field__no_apply=[{"file": "creek.geojson"}]),
    "ingest.no-apply-outside",
)

# --- 8. layers with gaps ---------------------------------------------------------------------------------------------
_BUSHELS = {"kind": "bu_ac"}
_grain = np.full((12, 18), 190.0)
_holed = _grain.copy()
_holed[3:9, 6:12] = np.nan
_zeroed = np.where(np.isnan(_holed), 0.0, _holed)
_east = np.where(np.arange(18) < 9, 190.0, np.nan) * np.ones((12, 1))
_warned(
    8,
    "east half of polygons",
    _zones("yield_potential", _zone(0, 0, 0.5, 1, value=180.0), **_BUSHELS),
    "surface.gap-yield",
)
_warned(
    8,
    "a polygon without value",
    _zones("yield_potential", _zone(0, 0, 0.5, 1, value=180.0), _zone(0.5, 0, 1, 1, value=None), **_BUSHELS),
    "surface.gap-yield",
)
_warned(8, "a hole of a raster", _raster("yield_potential", _holed, **_BUSHELS), "surface.gap-yield")
_warned(8, "half of a raster", _raster("yield_potential", _east, **_BUSHELS), "surface.gap-yield")
_warned(
    8,
    "a raster marked with -1",
    _raster("yield_potential", np.nan_to_num(_holed, nan=-1), nodata=-1, **_BUSHELS),
    "surface.gap-yield",
)
_warned(8, "a hole of 0 bushels", _raster("yield_potential", _zeroed, **_BUSHELS), "ingest.unlikely-yield")
_warned(8, "a hole of relative 0", _raster("yield_potential", _zeroed / 190), "ingest.unlikely-relative-yield")
_refused(8, "a hole of -9999", _raster("yield_potential", np.nan_to_num(_holed, nan=-9999), **_BUSHELS), "-9999")
_refused(
    8,
    "the neighbour's raster",
    _raster("yield_potential", _grain, east=3.0, **_BUSHELS),
    "none of the raster|no value in the field",
)
_refused(
    8, "the neighbour's polygons", _zones("yield_potential", _zone(2, 0, 3, 1, value=180.0), **_BUSHELS), "in the field"
)
_refused(8, "all empty", _raster("yield_potential", np.full((6, 9), np.nan), **_BUSHELS), "no value")
_warned(8, "a raster half off the field", _raster("yield_potential", _grain, east=0.6, **_BUSHELS), "surface.gap-yield")
_warned(
    8,
    "organic matter of a half",
    _zones("organic_matter", _zone(0, 0, 0.5, 1, value=3.0)),
    "surface.gap-organic-matter",
)
_warned(8, "organic matter with a hole", _raster("organic_matter", _holed / 60), "surface.gap-organic-matter")
_warned(8, "organic matter 0 in a hole", _raster("organic_matter", _zeroed / 60), "ingest.unlikely-organic-matter")
_warned(
    8,
    "applied of a half, season's limit",
    _files(
        files={"layer.geojson": collection(_zone(0, 0, 0.5, 1, value=40.0))},
        layers__applied_n={"file": "layer.geojson", "column": "value"},
        limits={"max_season_n_lb_ac": 200},
    ),
    "rates.applied-partly-unknown",
)
_warned(8, "applied of a half", _zones("applied_n", _zone(0, 0, 0.5, 1, value=40.0)), "ingest.layer-leaves-ground-open")
_warned(
    8,
    "yield at points of a half",
    _files(
        files={
            "layer.csv": "longitude,latitude,v\n"
            + "\n".join(f"{lon},{lat},190" for lon, lat in sound.places() if lon < -93.6)
        },
        layers__yield_potential={"file": "layer.csv", "column": "v", **_BUSHELS},
    ),
    "surface.gap-yield",
)
_warned(
    8,
    "an extra layer of a half",
    _files(
        files={"layer.geojson": collection(_zone(0, 0, 0.5, 1, value=4.0))},
        layers__extra=[{"name": "ec", "file": "layer.geojson", "column": "value"}],
    ),
    "ingest.layer-leaves-ground-open",
)
_right(8, "whole", _raster("yield_potential", _grain, **_BUSHELS), yields=[190.0])

_warned(
    8, "polygons over each other",
    _zones("yield_potential", *(_zone(-0.1, -0.1, 1.1, 1.1, value=v) for v in (150.0, 250.0)), **_BUSHELS),
    "ingest.layer-overlaps",
)  # fmt: skip
_warned(
    8, "organic matter at one point",
    _files(files={"layer.csv": "longitude,latitude,v\n-93.604,42.101,3"},
           layers__organic_matter={"file": "layer.csv", "column": "v"}), "surface.gap-organic-matter",
)  # fmt: skip
_warned(
    8, "an extra layer at points of a corner",
    _files(files={"layer.csv": "longitude,latitude,v\n-93.604,42.101,3\n-93.6035,42.101,4"},
           layers__extra=[{"name": "ec", "file": "layer.csv", "column": "v"}]), "surface.layer-partial",
)  # fmt: skip

for _id in ("abc123", "f" * 63, "F" * 64):
    _refused(
        8, f"an id of {len(_id)} characters, {_id[:1]}",
        _keys(review={"approved_by": "A. Grower", "approved_on": Raw("2026-06-18"), "approved_id": _id}),
        "no prescription's id",
    )  # fmt: skip
_refused(8, "yields no method reaches",
         _layer("yield_potential", "Yield (bu/ac)", np.linspace(200, 560, 12), kind="bu_ac"),
         "layer.csv.*beyond 500")  # fmt: skip
_warned(8, "organic matter guessed", _keys(layers__organic_matter={"value_pct": 3.0, "assumed": True}),
        "ingest.organic-matter-assumed")  # fmt: skip
_refused(8, "a map guessed", _keys(layers__organic_matter={"file": "organic_matter.csv", "assumed": True}),
         "goes with value_pct")  # fmt: skip

# --- 9. nothing applied ----------------------------------------------------------------------------------------------
_SEASON: dict[str, Any] = {"nitrogen__method": "nebraska", "crop__growth_stage": "V4"}
_LIST = [{"date": Raw("2026-04-20"), "product": "Urea", "n_lb_ac": 0}]
_right(9, "none", _keys('applications = "none"'))
_right(9, "None", _keys('applications = " None "'))
_warned(9, "none for a season's total", _keys('applications = "none"', **_SEASON), "nitrogen.depth-assumed")
_right(9, "an empty list", _keys("applications = []"))
_right(9, "a list of 0 lb", _keys(applications=_LIST))
_right(9, "a list of 0 lb of nothing", _keys(applications=[{**_LIST[0], "product": "none"}]))
_refused(9, "a season's total and nothing said", _keys(**_SEASON), 'applications = "none"')
for _word in ("non", "nothing", "no", "0", "", "nil", "urea"):
    _refused(9, f"the word {_word!r}", _keys(f'applications = "{_word}"'), "applications")
_refused(9, "the number 0", _keys("applications = 0"), "applications")
_refused(9, "false", _keys("applications = false"), "applications")
_refused(9, "none and a list", _keys('applications = "none"', applications=_LIST), "applications")
_refused(9, "none in a list", _keys('applications = ["none"]'), "applications")
_warned(
    9,
    "tons of it under pounds",
    _keys(applications=[{**_LIST[0], "n_lb_ac": 0.08}]),
    "ingest.unlikely-applied-n",
)
_refused(9, "below 0", _keys(applications=[{**_LIST[0], "n_lb_ac": -20}]), "n_lb_ac")
_refused(9, "without a rate", _keys(applications=[{"date": Raw("2026-04-20"), "product": "Urea"}]), "n_lb_ac")
_refused(9, "a rate of product", _keys(applications=[{**_LIST[0], "n_lb_ac": 1200}]), "n_lb_ac")
_warned(
    9,
    "none and a map of what is applied",
    _files(
        'applications = "none"',
        files={"layer.geojson": collection(_zone(-0.1, -0.1, 1.1, 1.1, value=40.0))},
        layers__applied_n={"file": "layer.geojson", "column": "value"},
    ),
    "ingest.none-and-a-map",
)
for _column, _down, _ends in (
    ("N applied (lb/ac)", 60, _warned), ("Preplant N lb/ac", 60, _warned), ("N applied (lb/ac)", 0, _right),
    ("N rec (lb/ac)", 120, _right),
):  # fmt: skip
    _ends(
        9, f"none and {_down} under {_column} of the samples",
        _edited(
            lambda rows, column=_column, down=_down: [
                [*row, str(down) if i else column] for i, row in enumerate(rows)
            ],
            applications=[],
        ),
        *(["ingest.none-and-a-column"] if _ends is _warned else []),
    )  # fmt: skip
_warned(
    9,
    "another season's",
    _keys(applications=[{**_LIST[0], "date": Raw("2024-04-20"), "n_lb_ac": 60}]),
    "ingest.date-of-another-season",
)
_warned(
    9, "after the harvest", _keys(applications=[{**_LIST[0], "date": Raw("2026-12-20"), "n_lb_ac": 60}]),
    "ingest.date-of-another-season",
)  # fmt: skip
_warned(9, "planted in another season", _keys(crop__planting_date=Raw("2025-05-04")), "ingest.date-of-another-season")
_warned(9, "the same twice", _keys(applications=[{**_LIST[0], "n_lb_ac": 60}] * 2), "nitrogen.listed-twice")


# --- 10. forms -------------------------------------------------------------------------------------------------------
def _form(
    edit: Callable[[int, list[str]], Sequence[str] | None],
    *more: Sequence[str],
    header: Sequence[str] = (),
    **changes: Any,
) -> Spoil:
    """The samples with each row edited by its number from 1, None drops one; further rows behind."""

    def whole(rows: list[list[str]]) -> list[Sequence[str]]:
        kept = [edited for i, row in enumerate(rows[1:], 1) if (edited := edit(i, row)) is not None]
        return [[*rows[0], *header], *kept, *more]

    return _edited(whole, **changes)


_BLANK = ["", "", "", "", "", "", ""]
_right(10, "empty rows at the end", _form(lambda _, r: r, _BLANK, _BLANK), ppm=SEEN)
_right(10, "empty rows between", _form(lambda _, r: r, _BLANK, ["S1b", "", "", "", "", "", ""]), ppm=SEEN)
_FORM = ["kind", "nominal_ppm", "cores", "instrument", "read_at", "stored"]  # of the plan's own form
_EMPTY = [""] * 5


def _plan_form(*more: Sequence[str]) -> Spoil:
    return _form(lambda _, r: [*r, "field", *_EMPTY], *more, header=_FORM)


_right(
    10,
    "a place of the form left empty",
    _plan_form(["S13", "-93.6", "42.1", "0", "12", "", "", "field", *_EMPTY]),
    ppm=SEEN,
)
_right(
    10,
    "the form's second depth left empty",
    _plan_form(
        *(["S" + str(i), *map(str, p), "12", "24", "", "", "field", *_EMPTY] for i, p in enumerate(sound.places(), 1))
    ),
    ppm=SEEN,
)
_right(
    10,
    "the form's standards and blanks left empty",
    _plan_form(*(["x", "", "", "", "", "", "", kind, *_EMPTY] for kind in ("standard", "blank", "standard"))),
    ppm=SEEN,
)
_warned(
    10,
    "the form's date without a reading",
    _plan_form(["S13", "-93.6", "42.1", "0", "12", "", "2026-06-12", "field", *_EMPTY]),
    "ingest.rows-half-filled",
    ppm=SEEN,
)
_warned(
    10,
    "a place without a reading",
    _form(lambda _, r: r, ["S13", "-93.6", "42.1", "0", "12", "-", ""]),
    "ingest.rows-half-filled",
    ppm=SEEN,
)
_right(10, "spaces around", _form(lambda _, r: [f" {cell} " for cell in r]), ppm=SEEN)
_right(
    10, "below detection", _form(lambda i, r: [*r[:5], "<16", r[6]] if i == 3 else r), ppm=[*SEEN[:2], 8.0, *SEEN[3:]]
)
_refused(10, "all left empty", _form(lambda _, r: [*r[:5], "", ""]), "reading")
_refused(
    10,
    "only the header",
    _files(files={"samples.csv": "sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm\n"}),
    "no row",
)
_REST = [*SEEN[:3], *SEEN[4:]]
_warned(
    10,
    "a reading without a place",
    _form(lambda i, r: [r[0], "", "", *r[3:]] if i == 4 else r),
    "ingest.rows-half-filled",
    ppm=_REST,
)
_warned(
    10,
    "a reading without a depth",
    _form(lambda i, r: [*r[:3], "", "", *r[5:]] if i == 4 else r),
    "ingest.rows-half-filled",
    ppm=_REST,
)
_warned(
    10, "half a depth", _form(lambda i, r: [*r[:4], "", *r[5:]] if i == 4 else r), "ingest.rows-half-filled", ppm=_REST
)
_refused(10, "all without a depth", _form(lambda _, r: [*r[:3], "", "", *r[5:]]), "depth is not given")
_refused(10, "half a place", _form(lambda i, r: [r[0], r[1], "", *r[3:]] if i == 4 else r), "one coordinate")
_refused(10, "a word for a reading", _form(lambda i, r: [*r[:5], "wet", r[6]] if i == 4 else r), "not a number")
_refused(
    10, "a reading with its unit", _form(lambda i, r: [*r[:5], r[5] + " ppm", r[6]] if i == 4 else r), "not a number"
)
_refused(
    10, "a decimal comma", _form(lambda i, r: [*r[:5], '"12,4"', r[6]] if i == 4 else r), "decimal point|not a number"
)
_refused(10, "a date of no month", _form(lambda i, r: [*r[:6], "2026-13-12"] if i == 4 else r), "2026-13-12")
_refused(10, "degrees and minutes of 75", _form(lambda i, r: [r[0], "93 75.5 W", *r[2:]] if i == 4 else r), "93 75.5")
_right(10, "degrees and minutes", _form(lambda _, r: [r[0], f"93 {(-float(r[1]) - 93) * 60:.6f} W", *r[2:]]), ppm=SEEN)
_refused(10, "all swapped", _form(lambda _, r: [r[0], r[2], r[1], *r[3:]]), "swapped|longitude")
_refused(10, "all without a sign", _form(lambda _, r: [r[0], r[1].lstrip("-"), *r[2:]]), "minus")
_refused(
    10, "all outside", _form(lambda _, r: [r[0], r[1].replace("-93", "-94"), *r[2:]]), "no sample lies in the field"
)
_warned(
    10,
    "one without a sign",
    _form(lambda i, r: [r[0], r[1].lstrip("-"), *r[2:]] if i == 4 else r),
    "ingest.reading-outside",
)
_refused(10, "one swapped", _form(lambda i, r: [r[0], r[2], r[1], *r[3:]] if i == 4 else r), "swapped")
_warned(10, "a name twice", _form(lambda i, r: ["S1", *r[1:]] if i == 4 else r), "ingest.one-name-two-places")
_warned(
    10,
    "a place twice",
    _form(lambda i, r: [r[0], "-93.604", "42.1007", *r[3:]] if i == 4 else r),
    "ingest.same-place-and-depth",
)
_right(10, "a row twice", _form(lambda _, r: r, sound.samples_csv().splitlines()[3].split(",")), ppm=SEEN)
_warned(10, "above the meter's range", _form(lambda i, r: [*r[:5], ">60", r[6]] if i == 4 else r), "ingest.above-range")
