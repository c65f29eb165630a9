"""Law of headers: any substance in any unit under any role is read right, refused, or asked about; never neither."""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sound
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from vrn.cli import main
from vrn.errors import InputFileError
from vrn.ingest import read_field
from vrn.ingest.contents import read_header
from vrn.ingest.samples import BULK_DENSITY_G_CM3
from vrn.nitrogen import remaining_need as soil_nitrate

Rewrite = Callable[..., Path]
Put = Callable[[str, Any], Path]

LB_AC_PER_PPM_FOOT = 4046.8564224 * 0.3048 * 1000 * 1e-6 / 0.45359237 * 1.35  # m² of an acre, m of a foot, kg of a lb
KG_HA_PER_PPM_FOOT = 0.3048 * 1e4 * 1350 * 1e-6
NO3 = 62.0049 / 14.0067
# substance → how people write it; what it is worth as NO3-N where it is nitrate
NITRATES = {
    "NO3-N": 1.0,
    "Nitrate-N": 1.0,
    "nitrate as NO3": 1 / NO3,
    "NO3_N": 1.0,
    "N-NO3": 1.0,
    "Nitrate (as N)": 1.0,
}
NOT_NITRATE = (
    "NH4-N", "Ammonium", "ammonia-N", "NO2-N", "Nitrite", "Mineral N", "Nmin", "NO3-N + NH4-N", "Total N", "TKN",
    "Organic N", "P", "Bray P1", "Olsen P", "Mehlich-3 P", "P2O5", "K", "K2O", "Potassium", "S", "SO4-S", "Sulfur",
    "Ca", "Calcium", "Mg", "Na", "Sodium", "Cl", "Chloride", "Zn", "Zinc", "B", "Boron", "Cu", "Copper",
    "Mn", "Fe", "Iron", "EC", "Soluble salts", "CEC", "pH", "Buffer pH", "Sand", "Clay", "Moisture", "Water content",
    "Organic matter",
    "OM", "LOI", "Organic carbon", "SOC", "TOC", "Yield", "NDVI", "Elevation",
)  # fmt: skip
NITRATE_UNITS = {
    "": 1.0, "ppm": 1.0, "mg/kg": 1.0, "mg kg-1": 1.0, "ug/g": 1.0, "ppb": 1e-3, "ug/kg": 1e-3, "mg/100g": 10.0,
    "lb/ac": 1 / LB_AC_PER_PPM_FOOT, "lbs/A": 1 / LB_AC_PER_PPM_FOOT, "#/acre": 1 / LB_AC_PER_PPM_FOOT,
    "kg/ha": 1 / KG_HA_PER_PPM_FOOT, "kg ha-1": 1 / KG_HA_PER_PPM_FOOT,
}  # fmt: skip
NO_NITRATE_UNITS = (
    "mg/L",
    "ug/mL",
    "ug/L",
    "mmol/L",
    "meq/100g",
    "dS/m",
    "mmhos/cm",
    "%",
    "lbs",
    "kg",
    "bu/ac",
    "gal/ac",
    "t/ha",
)
MATTER_UNITS = {"": 1.0, "%": 1.0, "pct": 1.0, "g/kg": 0.1, "g/100g": 1.0, "g/g": 100.0, "mg/kg": 1e-4, "ppm": 1e-4}
NO_MATTER_UNITS = ("t/ha", "lb/ac", "kg/ha", "mg/L", "meq/100g", "dS/m", "bu/ac")
YIELD_UNITS = {"bu/ac": 1.0, "bu/A": 1.0, "t/ha": 1 / 0.0627677, "kg/ha": 1 / 62.7677, "lb/ac": 1 / 56}


def _nitrate(folder: Path, header: str, values: Any = None, **samples: Any) -> Path:
    """The sound field with another header, and other values, over its readings."""
    rows = [row.split(",") for row in sound.samples_csv().splitlines()[1:]]
    shown = sound.READINGS if values is None else values
    lines = ["sample_id;longitude;latitude;top_in;bottom_in;sampled_on;" + header.replace(";", " ")]
    lines += [";".join([*row[:5], row[6], f"{value:.9g}"]) for row, value in zip(rows, shown, strict=True)]
    (folder / "samples.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    changes = {f"samples__{key}": value for key, value in samples.items()}
    return sound.write_toml(folder, {"samples__columns": {"nitrate_ppm": header.strip()}} | changes)


def _layer(folder: Path, key: str, header: str, values: list[float], **keys: Any) -> Path:
    rows = [f"{lon};{lat};{value:.9g}" for (lon, lat), value in zip(sound.places(), values, strict=True)]
    (folder / "layer.csv").write_text("\n".join([f"longitude;latitude;{header}", *rows]) + "\n", encoding="utf-8")
    return sound.write_toml(folder, {f"layers__{key}": {"file": "layer.csv", "column": header, **keys}})


def _header(substance: str, unit: str, shape: str) -> str:
    return shape.format(s=substance, u=unit).strip()


SHAPES = ("{s} ({u})", "{s} {u}", "{s}, {u}", "{u} {s}", "{s} [{u}] lab")
EVERY_SHAPE = pytest.mark.parametrize("every", [False, pytest.param(True, marks=pytest.mark.long)], ids=["", "every"])


def _shapes(shapes: tuple[str, ...], word: str, *, every: bool) -> tuple[str, ...]:
    """Every shape, or one, another one for the next word: all are met somewhere among the words."""
    return shapes if every else (shapes[sum(word.encode()) % len(shapes)],)


@EVERY_SHAPE
@pytest.mark.parametrize("unit", NITRATE_UNITS)
@pytest.mark.parametrize("substance", NITRATES)
def test_nitrate_in_any_known_unit_is_read_right(field_folder: Path, substance: str, unit: str, every: bool) -> None:
    """The header alone gives NO3 or NO3-N and the unit; NO3-N in ppm of a foot comes out."""
    scale = NITRATE_UNITS[unit] * NITRATES[substance]
    given = np.array(sound.READINGS) / scale
    for shape in _shapes(SHAPES[:4], substance + unit, every=every) if unit else SHAPES[1:2]:
        path = _nitrate(field_folder, _header(substance, unit, shape), given, reported_as=None)
        samples = read_field(path).samples
        np.testing.assert_allclose(samples.nitrate_ppm, sound.READINGS, rtol=3e-5, err_msg=shape)


@EVERY_SHAPE
@pytest.mark.parametrize("substance", NOT_NITRATE)
def test_no_other_substance_is_taken_for_nitrate(field_folder: Path, substance: str, every: bool) -> None:
    """In whatever unit, however written: refused with the word that was seen, until a person says why."""
    for unit in ("", "ppm", "lb/ac", "%"):
        for shape in _shapes(SHAPES, substance + unit, every=every) if unit else SHAPES[1:2]:
            header = _header(substance, unit, shape)
            with pytest.raises(InputFileError, match=re.escape(header)) as raised:
                read_field(_nitrate(field_folder, header))
            assert 'accept = "…" in [samples]' in raised.value.remedy
    field = read_field(_nitrate(field_folder, substance, accept="the header is wrong"))
    assert sound.one(field, "accepted")["level"] == "warning"
    np.testing.assert_allclose(field.samples.nitrate_ppm, sound.READINGS)


@pytest.mark.parametrize("unit", NO_NITRATE_UNITS)
def test_nitrate_in_a_unit_that_cannot_be_converted_is_refused(field_folder: Path, unit: str) -> None:
    """Whatever stands before it: the substance, a word that says nothing, or nothing at all."""
    for word in ("NO3-N", "Nitrate", "result", ""):
        with pytest.raises(InputFileError, match="says"):
            read_field(_nitrate(field_folder, f"{word} {unit}".strip()))


@pytest.mark.parametrize(
    "substance", ["OM", "LOI", "Organic carbon", *(pytest.param(word, marks=pytest.mark.long) for word in
                  ("Organic matter", "SOM", "SOC", "TOC", "Org C", "OC"))]
)  # fmt: skip
@pytest.mark.parametrize("unit", [*MATTER_UNITS, *NO_MATTER_UNITS])
def test_organic_matter_by_its_header(field_folder: Path, substance: str, unit: str) -> None:
    """g/kg, parts and ppm become percent; carbon is times 1.724; stocks and extracts are refused."""
    carbon = "C" in substance or "carbon" in substance
    header = f"{substance} {unit}".strip()
    want = [2.0 + 0.1 * i for i in range(12)]
    scale = MATTER_UNITS.get(unit, 1.0) * (1.724 if carbon else 1.0)
    path = _layer(field_folder, "organic_matter", header, [value / scale for value in want])
    if unit in NO_MATTER_UNITS:
        with pytest.raises(InputFileError, match="says"):
            read_field(path)
        return
    field = read_field(path)
    np.testing.assert_allclose(field.organic_matter.values, want, rtol=1e-6)
    assert bool(sound.found(field, "carbon-converted")) is carbon


_MATTER = ("Organic matter", "OM", "LOI", "Organic carbon", "SOC", "TOC")


@pytest.mark.parametrize("substance", [*(word for word in NOT_NITRATE if word not in _MATTER), *NITRATES])
def test_nothing_else_is_organic_matter_or_applied_nitrogen(field_folder: Path, substance: str) -> None:
    """A layer of another substance is refused in both roles; total N may be what was applied."""
    with pytest.raises(InputFileError, match="says"):
        read_field(_layer(field_folder, "organic_matter", substance, [2.0 + 0.1 * i for i in range(12)]))
    if substance != "Total N":
        with pytest.raises(InputFileError, match="says"):
            read_field(_layer(field_folder, "applied_n", substance, [40.0] * 12))


@pytest.mark.parametrize("kind", ["bu_ac", "t_ha"])
@pytest.mark.parametrize("unit", YIELD_UNITS)
def test_yield_by_its_header(field_folder: Path, unit: str, kind: str) -> None:
    """The header's unit goes before the kind of the layer: bushels come out."""
    want = np.linspace(150, 230, 12)
    path = _layer(field_folder, "yield_potential", f"Yield {unit}", (want / YIELD_UNITS[unit]).tolist(), kind=kind)
    np.testing.assert_allclose(read_field(path).yield_potential.values, want, rtol=1e-5)


@pytest.mark.parametrize(
    "header", ["Yield bu/ac", "Yield t/ha", "OM %", "EC dS/m", "K ppm", "pH", "elevation", "kg/ha"]
)
def test_a_relative_layer_is_no_other_quantity(field_folder: Path, header: str) -> None:
    """Numbers near 1 do not make it a relative yield."""
    with pytest.raises(InputFileError, match="says"):
        read_field(_layer(field_folder, "yield_potential", header, np.linspace(0.8, 1.2, 12).tolist()))


@pytest.mark.parametrize(
    ("header", "factor"),
    [("N lb/ac", 1.0), ("applied_n_lb_ac", 1.0), ("N rate kg/ha", 0.892179), ("applied_n_kg_ha", 0.892179), ("N", 1.0)],
)
def test_applied_nitrogen_by_its_header(field_folder: Path, header: str, factor: float) -> None:
    """Kilograms a hectare become pounds an acre."""
    layer = read_field(_layer(field_folder, "applied_n", header, [40.0] * 12)).applied_n
    np.testing.assert_allclose(layer.values, 40 * factor, rtol=1e-5)


@settings(max_examples=60)
@given(
    substance=st.sampled_from([*NITRATES, *NOT_NITRATE, "", "value", "result", "x1"]),
    unit=st.sampled_from([*NITRATE_UNITS, *NO_NITRATE_UNITS]),
    shape=st.sampled_from(SHAPES),
    basis=st.sampled_from(["", " dry", " as received", " 1:5 extract", " wet"]),
    depth=st.sampled_from(["", " 0-12 in", " 0-24 in", " 0-30 cm", " 12-24"]),
    letters=st.sampled_from([str, str.upper, str.lower, lambda text: text.replace(" ", "_")]),
)
def test_any_header_is_right_or_loud(
    tmp_path_factory: pytest.TempPathFactory,
    substance: str,
    unit: str,
    shape: str,
    basis: str,
    depth: str,
    letters: Any,
) -> None:
    """Whatever is put together from the tables: the right numbers, a refusal, or a warning."""
    assume((substance, unit) != ("Mg", "kg"))  # "Mg kg" is how mg/kg is written
    folder = sound.write_field(tmp_path_factory.mktemp("any") / "field")
    header = letters(_header(substance, unit, shape) + basis + depth).strip() or "value"
    scale = NITRATE_UNITS.get(unit, np.nan) * NITRATES.get(substance, np.nan if substance in NOT_NITRATE else 1.0)
    try:
        field = read_field(_nitrate(folder, header, np.array(sound.READINGS) / (1.0 if np.isnan(scale) else scale)))
    except InputFileError:
        return
    right = np.allclose(field.samples.nitrate_ppm, sound.READINGS, rtol=3e-5)
    right_by_extract = np.allclose(field.samples.nitrate_ppm, 5 * np.array(sound.READINGS), rtol=3e-5)
    liquid = unit in ("mg/L", "ug/mL") and "1:5" in basis and substance not in NOT_NITRATE
    fits = right_by_extract if liquid else right and not np.isnan(scale)
    assert fits or sound.asked(field), header


def _check(path: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, list[str]]:
    """Exit status, what was said on the way out, codes of the warnings; build must agree on a refusal."""
    status = main(["check", str(path), "--json"])
    said = capsys.readouterr()
    if status == 2:
        assert main(["build", str(path), "--out", str(path.parent.parent / "rx")]) == 2
        assert capsys.readouterr().err == said.err
        assert not (path.parent.parent / "rx").exists()
        return status, said.err, []
    return status, "", [one["code"] for one in json.loads(said.out)["findings"] if one["level"] == "warning"]


REFUSED: list[tuple[str, Callable[[Path], Path], str]] = [
    ("NO3-N against", lambda f: _nitrate(f, "NO3-N ppm", reported_as="NO3"), "NO3-N.*reported_as"),
    ("NO3 against", lambda f: _nitrate(f, "Nitrate as NO3 ppm", reported_as="NO3-N"), "NO3.*reported_as"),
    ("moist against dry", lambda f: _nitrate(f, "NO3-N ppm as received"), "moist.*moisture_basis"),
    ("dry against moist", lambda f: _nitrate(f, "NO3-N dry", moisture_basis="moist", water_pct=20), "dry.*moist"),
    ("extract", lambda f: _nitrate(f, "NO3-N in extract ppm"), "liquid"),
    ("milligrams to a liter", lambda f: _nitrate(f, "nitrate_mg_l"), "liquid.*mg/L"),
    ("two units", lambda f: _nitrate(f, "NO3-N ppm (lb/ac)"), "ppm and lb/ac|lb/ac and ppm"),
    ("another depth", lambda f: _nitrate(f, "NO3-N ppm 0-24 in"), "0–24 in.*12 of the rows"),
    ("area of moist soil", lambda f: _nitrate(f, "NO3-N lb/ac", moisture_basis="moist", water_pct=20), "area"),
    ("all above 200", lambda f: _nitrate(f, "v", [30 * v for v in sound.READINGS]), "all values of nitrate-N"),
    ("grams to a kilogram unsaid", lambda f: _nitrate(f, "v", [v / 1000 for v in sound.READINGS]), "g/kg"),
    ("a share of water", lambda f: _nitrate(f, "NO3-N", moisture_basis="moist", water_pct=0.2), "parts of 1"),
    ("om in g/kg", lambda f: _layer(f, "organic_matter", "om", np.linspace(20, 50, 12).tolist()), "g/kg"),
    ("om as a share", lambda f: _layer(f, "organic_matter", "v", np.linspace(0.02, 0.05, 12).tolist()), "parts of 1"),
    ("om as one share", lambda f: sound.write_toml(f, {"layers__organic_matter": {"value_pct": 0.03}}), "parts of 1"),
    ("om stock", lambda f: _layer(f, "organic_matter", "SOC t/ha", [50.0] * 12), "says t/ha"),
    ("bushels as relative", lambda f: _layer(f, "yield_potential", "v", np.linspace(150, 220, 12).tolist()), "bushels"),
    ("percent as relative", lambda f: _layer(f, "yield_potential", "v", np.linspace(80, 120, 12).tolist()), "percent"),
    ("relative as bushels", lambda f: _layer(f, "yield_potential", "v", [1.0] * 12, kind="bu_ac"), "mean of 1"),
    ("tonnes as bushels", lambda f: _layer(f, "yield_potential", "v", [12.0] * 12, kind="bu_ac"), "t/ha"),
    ("beans", lambda f: _layer(f, "yield_potential", "Soybean yield bu/ac", [60.0] * 12, kind="bu_ac"), "another crop"),
    ("product", lambda f: _layer(f, "applied_n", "UAN 32 lb/ac", [120.0] * 12), "says product"),
    ("gallons", lambda f: _layer(f, "applied_n", "Applied rate gal/ac", [12.0] * 12), "says gal/ac"),
    ("pounds of product", lambda f: _layer(f, "applied_n", "v", [450.0] * 12), "product"),
    ("phosphate", lambda f: _layer(f, "applied_n", "P2O5 lb/ac", [50.0] * 12), "phosphorus"),
    ("depth in feet", lambda f: _depths(f, "0,12", "0,1"), "look like feet"),
    ("centimeters named inches", lambda f: _depth_header(f), "says cm"),
    ("first half in NO3", lambda f: _half(f, NO3), "two kinds of unit"),
    ("first half in lb/ac", lambda f: _half(f, LB_AC_PER_PPM_FOOT), "two kinds of unit"),
    ("first half in kg/ha", lambda f: _half(f, KG_HA_PER_PPM_FOOT), "two kinds of unit"),
    ("first half times 10", lambda f: _half(f, 10.0), "two kinds of unit"),
    ("a unit column of two units", lambda f: _unit_column(f, ["ppm", "lb/ac"]), "column unit says ppm and lb/ac"),
    ("a unit column in extract", lambda f: _unit_column(f, ["mg/L"]), "ppm and mg/L"),
]  # fmt: skip


def _depths(folder: Path, old: str, new: str) -> Path:
    (folder / "samples.csv").write_text(sound.samples_csv().replace(f",{old},", f",{new},"), encoding="utf-8")
    return folder / "field.toml"


def _depth_header(folder: Path) -> Path:
    text = sound.samples_csv().replace("top_in", "Top (cm)").replace("bottom_in", "Bottom (cm)")
    (folder / "samples.csv").write_text(text, encoding="utf-8")
    return sound.write_toml(folder, {"samples__columns": {"top_in": "Top (cm)", "bottom_in": "Bottom (cm)"}})


def _half(folder: Path, factor: float, **samples: Any) -> Path:
    values = [value * (factor if i < 6 else 1.0) for i, value in enumerate(sound.READINGS)]
    return _nitrate(folder, "nitrate", values, **samples)


def _unit_column(folder: Path, units: list[str]) -> Path:
    lines = sound.samples_csv().splitlines()
    rows = [f"{line},{units[i % len(units)]}" for i, line in enumerate(lines[1:])]
    (folder / "samples.csv").write_text("\n".join([f"{lines[0]},unit", *rows]) + "\n", encoding="utf-8")
    return folder / "field.toml"


@pytest.mark.parametrize(("spoil", "says"), [case[1:] for case in REFUSED], ids=[case[0] for case in REFUSED])
def test_spoiled_headers_and_values_are_refused(
    field_folder: Path, capsys: pytest.CaptureFixture[str], spoil: Callable[[Path], Path], says: str
) -> None:
    """Check and build end with 2, and say what was seen."""
    status, said, _ = _check(spoil(field_folder), capsys)
    assert status == 2
    assert re.search(says, said, re.DOTALL), said


ASKED: list[tuple[str, Callable[[Path], Path], str]] = [
    ("NO3 as NO3-N", lambda f: _nitrate(f, "NO3 ppm"), "header-says-no3"),
    ("nitrogen", lambda f: _nitrate(f, "N ppm"), "header-says-nitrogen"),
    ("lb/ac at a density not given", lambda f: _nitrate(f, "NO3-N lb/ac", [50 + v for v in sound.READINGS]),
     "area-converted"),
    ("such as a pH", lambda f: _nitrate(f, "value", np.linspace(5.5, 6.6, 12).round(1)), "like-ph"),
    ("such as an EC", lambda f: _nitrate(f, "value", np.linspace(0.31, 0.97, 12)), "like-conductivity"),
    ("single values high", lambda f: _nitrate(f, "NO3-N", [*sound.READINGS[:11], 480.0]), "unlikely-nitrate"),
    ("rate of what", lambda f: _layer(f, "applied_n", "Applied rate", [40.0] * 12), "header-says-rate"),
    ("half accepted", lambda f: _half(f, NO3, accept="north half had manure"), "accepted"),
    ("wet grain", lambda f: _layer(f, "yield_potential", "wet yield", [180.0] * 12, kind="bu_ac"),
     "yield-of-wet-grain"),
    ("one om of 40", lambda f: _layer(f, "organic_matter", "om", [3.0] * 11 + [40.0]), "unlikely-organic-matter"),
]  # fmt: skip


@pytest.mark.parametrize(("spoil", "code"), [case[1:] for case in ASKED], ids=[case[0] for case in ASKED])
def test_doubtful_headers_and_values_are_asked_about(
    field_folder: Path, capsys: pytest.CaptureFixture[str], spoil: Callable[[Path], Path], code: str
) -> None:
    """Check ends with 1 and a warning of its own."""
    status, _, codes = _check(spoil(field_folder), capsys)
    assert status == 1
    assert f"ingest.{code}" in codes


def test_header_gives_the_depth_where_no_column_does(field_folder: Path) -> None:
    """``NO3-N ppm 0-24 in`` is the depth of every core."""
    rows = [row.split(",") for row in sound.samples_csv().splitlines()[1:]]
    text = "sample_id,longitude,latitude,NO3-N ppm 0-24 in\n" + "\n".join(",".join([*row[:3], row[5]]) for row in rows)
    (field_folder / "samples.csv").write_text(text, encoding="utf-8")
    path = sound.write_toml(field_folder, {"samples__columns": {"nitrate_ppm": "NO3-N ppm 0-24 in"}})
    samples = read_field(path).samples
    assert set(samples.bottom_in.tolist()) == {24.0}


def test_density_is_the_methods_own() -> None:
    """What turns pounds into ppm is what the methods turn them back with."""
    assert BULK_DENSITY_G_CM3 == soil_nitrate.BULK_DENSITY_G_CM3


@pytest.mark.parametrize("way", ["geojson", "shapefile", "excel"])
def test_every_way_in_passes_the_gate(field_folder: Path, way: str) -> None:
    """Attributes of points, names cut to ten letters and sheets are headers too."""
    import geopandas
    import pandas as pd

    frame = pd.DataFrame({"nh4_n_ppm": sound.READINGS, "top_in": 0, "bottom_in": 12})
    lon, lat = zip(*sound.places(), strict=True)
    if way == "excel":
        frame.assign(longitude=lon, latitude=lat).to_excel(field_folder / "s.xlsx", index=False)
        name = "s.xlsx"
    else:
        points = geopandas.GeoDataFrame(frame, geometry=geopandas.points_from_xy(lon, lat), crs=4326)
        name = "s.geojson" if way == "geojson" else "s.shp"
        points.to_file(field_folder / name)
    path = sound.write_toml(field_folder, {"samples__file": name, "samples__columns": {"nitrate_ppm": "nh4_n_ppm"}})
    with pytest.raises(InputFileError, match="says ammonium"):
        read_field(path)


@pytest.mark.parametrize("header", ["", "   ", "???", "1", "0-0", "é" * 500, "NO3" * 300])
def test_a_header_of_anything_is_read(header: str) -> None:
    """Reading never fails, and a header without words says nothing."""
    assert read_header(header).header == header


@pytest.mark.parametrize(
    ("header", "factor"), [("Yield (bu/ac)", 1.0), ("Yield t/ha", 1 / 0.0627677), ("kg/ha", 1 / 62.7677)]
)
def test_yield_of_a_harvest_log_by_its_header(field_folder: Path, header: str, factor: float) -> None:
    """A log's own unit goes before the name of ours that it stands for; another quantity is refused."""
    want = np.linspace(150, 230, 12)
    path = _layer(field_folder, "yield_potential", header, (want / factor).tolist(), kind="yield_log")
    (log,) = read_field(path).yield_potential.logs
    np.testing.assert_allclose(log.yield_bu_ac, want, rtol=1e-5)
    with pytest.raises(InputFileError, match="says water"):
        read_field(_layer(field_folder, "yield_potential", "Moisture %", [15.0] * 12, kind="yield_log"))
