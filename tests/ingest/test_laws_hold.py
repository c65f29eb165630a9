"""Laws of what comes in, on drawn inputs: whatever comes, the right answer, a refusal, or a warning; never neither."""

import json
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import sound
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from vrn.errors import InputFileError, VrnError
from vrn.ingest import read_field
from vrn.ingest.field_file import read_settings
from vrn.ingest.input_files import InputFiles
from vrn.ingest.weather import read_weather
from vrn.model.settings import ProductSection
from vrn.prescription.products import PRODUCTS, product_of

DRAWN = settings(
    max_examples=40,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
CARBON = 1.724


# --- 1. any header under any role -------------------------------------------------------------------------------------
# role → keys of its layer, a value that is likely for it, substances that fit it, units and what 1 of each is worth
BU_T, LB_KG = 0.0627677, 0.892179
ROLES: dict[str, tuple[dict[str, str], float, tuple[str, ...], dict[str, float]]] = {
    "organic_matter": ({}, 3.0, ("OM", "Organic matter", "LOI", "SOC", "Org C"),
                       {"": 1, "%": 1, "g/kg": 0.1, "g/100g": 1, "mg/kg": 1e-4}),
    "relative": ({"kind": "relative"}, 1.0, ("Yield", "Yld", "NDVI"), {"": 1, "%": 0.01}),
    "bu_ac": ({"kind": "bu_ac"}, 190.0, ("Yield", "Corn yield", "Yld"),
              {"": 1, "bu/ac": 1, "t/ha": 1 / BU_T, "kg/ha": 1e-3 / BU_T, "lb/ac": 1 / 56}),
    "t_ha": ({"kind": "t_ha"}, 190.0, ("Yield", "Corn yield", "Yld"),
             {"": 1 / BU_T, "bu/ac": 1, "t/ha": 1 / BU_T, "kg/ha": 1e-3 / BU_T, "lb/ac": 1 / 56}),
    "applied_n": ({}, 60.0, ("N", "N rate", "Applied N", "Nitrogen"), {"": 1, "lb/ac": 1, "kg/ha": LB_KG}),
}  # fmt: skip
STRANGE = ("NH4-N", "P", "K2O", "pH", "EC", "CEC", "Sand", "Moisture", "Elevation", "Soy yield", "NO3-N", "S", "Zn")
UNITS = (
    "",
    "ppm",
    "mg/kg",
    "mg/L",
    "lb/ac",
    "kg/ha",
    "%",
    "g/kg",
    "bu/ac",
    "t/ha",
    "gal/ac",
    "dS/m",
    "meq/100g",
    "lbs",
)


@pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")  # rasterio's, writing the test's raster
@DRAWN
@given(
    role=st.sampled_from(list(ROLES)), own=st.booleans(), pick=st.integers(0, 20), unit=st.sampled_from(UNITS),
    shape=st.sampled_from(["{s} ({u})", "{u} {s}", "{s}_{u}", "{s}, {u}"]), raster=st.booleans(),
)  # fmt: skip
def test_any_header_under_any_role(
    field_folder: Path, role: str, own: bool, pick: int, unit: str, shape: str, raster: bool
) -> None:
    """Points or a raster's band: the role's substance in its unit comes out right, all else is loud."""
    keys, value, names, units = ROLES[role]
    word = names[pick % len(names)] if own else STRANGE[pick % len(STRANGE)]
    header = (shape.format(s=word, u=unit) if unit else word).strip()
    carbon = CARBON if word in ("SOC", "Org C") else 1.0
    right = own and unit in units
    shown = value * np.linspace(0.9, 1.1, 12) / (units[unit] * carbon if right else 1.0)
    layer = "yield_potential" if keys else role
    section: dict[str, Any] = dict(keys)
    if raster:
        _raster(field_folder / "layer.tif", shown.reshape(3, 4), header)
        section["file"] = "layer.tif"
    else:
        rows = [f"{lon};{lat};{one:.9g}" for (lon, lat), one in zip(sound.places(), shown, strict=True)]
        (field_folder / "layer.csv").write_text("\n".join([f"longitude;latitude;{header}", *rows]), encoding="utf-8")
        section |= {"file": "layer.csv", "column": header}
    try:
        field = read_field(sound.write_toml(field_folder, {f"layers__{layer}": section}))
    except InputFileError:
        assert not right or (role == "relative" and word == "NDVI" and unit), header
        return
    found = getattr(field, layer).values
    found = found[np.isfinite(found)]
    fits = right and value * 0.89 < found.min() < value * 0.96 < value * 1.04 < found.max() < value * 1.11
    assert fits or sound.asked(field), (role, header)


def _raster(path: Path, values: Any, header: str) -> None:
    import rasterio
    from rasterio.transform import from_bounds

    place = from_bounds(sound.WEST, sound.SOUTH, sound.EAST, sound.NORTH, values.shape[1], values.shape[0])
    with rasterio.open(
        path, "w", driver="GTiff", width=values.shape[1], height=values.shape[0], count=1, dtype="float64",
        crs="EPSG:4326", transform=place,
    ) as raster:  # fmt: skip
        raster.write(values, 1)
        raster.set_band_description(1, header)


# --- 5. products ------------------------------------------------------------------------------------------------------
WATER = 8.345404  # lb/gal of 1 kg/L
REAL = [(one.name, one.n_pct, one.density_lb_gal) for one in PRODUCTS] + [
    ("hog slurry", 0.6, 8.4), ("dairy manure", 0.25, 8.35), ("aqua ammonia", 20.0, 7.6), ("turkey litter", 3.0, None),
]  # fmt: skip
SLIPS: dict[str, Callable[[float, float | None], tuple[float, float | None] | None]] = {
    "fraction": lambda n, d: (n / 100, d),
    "kg/L": lambda n, d: None if d is None else (n, d / WATER),
    "both": lambda n, d: None if d is None else (n / 100, d / WATER),
    "density is N": lambda n, d: None if d is None else (n, n * d / 100),
    "percent is N": lambda n, d: None if d is None else (n * d / 100, d),
    "by 1,000 gal": lambda n, d: None if d is None or n > 2 else (n * d * 10, d),
    "by the ton": lambda n, d: (n * 20, d) if d is None and n < 9 else None,
    "point up": lambda n, d: (n * 10, d),
    "point down": lambda n, d: (n / 10, d),
    "swapped": lambda n, d: None if d is None else (d, n),
    "density x 10": lambda n, d: None if d is None else (n, d * 10),
    "density / 10": lambda n, d: None if d is None else (n, d / 10),
}  # fmt: skip


def _section(name: str, n: float, density: float | None) -> ProductSection:
    return ProductSection(name=name, n_pct=n, density_lb_gal=density, dry=density is None)


@pytest.mark.parametrize("slip", SLIPS)
@pytest.mark.parametrize(("name", "n", "density"), REAL)
def test_a_slip_of_a_product_is_refused(name: str, n: float, density: float | None, slip: str) -> None:
    """Under its own name and under none: refused, or by chance what another product is."""
    slipped = SLIPS[slip](n, density)
    manure = name in ("hog slurry", "dairy manure", "turkey litter")
    for called in (name,) if manure else (name, "Shop mix"):
        if slipped is None:
            continue
        try:
            product_of(_section(called, *slipped))
        except VrnError:
            continue
        # of manures one holds ten times what another does; 11.1 and 12 can be swapped
        assert (manure and slip.startswith(("point", "percent"))) or any(
            _near(slipped[0], known) and _near(slipped[1], weight) for _, known, weight in REAL
        )


def _near(one: float | None, other: float | None) -> bool:
    return one == other or (one is not None and other is not None and abs(one - other) < 0.1 * other)


@pytest.mark.parametrize(("name", "n", "density"), REAL)
@pytest.mark.parametrize("off", [0.99, 1.0, 1.01])
def test_a_delivery_of_a_product_is_taken(name: str, n: float, density: float | None, off: float) -> None:
    """As analyses and weights differ; pounds of N to the unit are its share of the weight."""
    weight, share = None if density is None else density * off, min(n * off, 82.2)
    product = product_of(_section(name, share, weight))
    assert product.n_lb_per_unit == pytest.approx(share / 100 * (weight or 1.0))


# --- 6. weather -------------------------------------------------------------------------------------------------------
@DRAWN
@example(first=32, days=32, seed=32, north=0.25, wet=0.25, said=(False, True), held=(False, False), words=False)
@given(
    first=st.integers(0, 40), days=st.integers(30, 90), seed=st.integers(0, 10**6), north=st.floats(-6, 6),
    wet=st.floats(0.25, 0.5), said=st.tuples(st.booleans(), st.booleans()),
    held=st.tuples(st.booleans(), st.booleans()), words=st.booleans(),
)  # fmt: skip
def test_weather_under_the_wrong_unit_is_loud(
    field_folder: Path, first: int, days: int, seed: int, north: float, wet: float, said: tuple[bool, bool],
    held: tuple[bool, bool], words: bool,
) -> None:  # fmt: skip
    """Any month of a corn season, any header: °F and inches come out, or it is refused or asked about."""
    rng = np.random.default_rng(seed)
    dates = [date(2026, 4, 20) + timedelta(first + i) for i in range(days)]
    middle = 58 - 25 * np.cos(2 * np.pi * (np.array([day.timetuple().tm_yday for day in dates]) - 20) / 365) + north - 8
    low = middle - 10 + rng.normal(0, 4, days)
    high = low + 20
    rain = np.where(rng.random(days) < wet, rng.gamma(1.1, 0.35, days), 0.0)
    heat, water = (lambda f: (f - 32) / 1.8 if held[0] else f), (lambda inches: inches * 25.4 if held[1] else inches)
    names = [f"tmin_{'c' if said[0] else 'f'}", f"tmax_{'c' if said[0] else 'f'}", f"rain_{'mm' if said[1] else 'in'}"]
    if words:
        degree = "°C" if said[0] else "°F"
        names = [f"Min temp ({degree})", f"Max temp ({degree})", f"Precip ({'mm' if said[1] else 'inches'})"]
    rows = [
        f"{day},{heat(a):.2f},{heat(b):.2f},{water(c):.3f}" for day, a, b, c in zip(dates, low, high, rain, strict=True)
    ]
    (field_folder / "weather.csv").write_text("\n".join([",".join(["date", *names]), *rows]), encoding="utf-8")
    files = InputFiles(field_folder)
    try:
        weather = read_weather(
            files, read_settings(sound.write_toml(field_folder, {"weather": {"file": "weather.csv"}}))
        )
    except InputFileError:
        assert said != held
        return
    assert weather is not None
    if said == held:
        np.testing.assert_allclose(weather.tmin_f, low, atol=0.02)
        np.testing.assert_allclose(weather.rain_in, rain, atol=0.001)
    assert sound.asked(files) == [] if said == held else sound.asked(files)


# --- 7. outlines ------------------------------------------------------------------------------------------------------
BOX = st.tuples(st.integers(-4, 8), st.integers(-4, 8), st.integers(2, 10), st.integers(2, 10))


@DRAWN
@given(boxes=st.lists(BOX, min_size=1, max_size=4, unique=True), choose=st.sampled_from([None, "#", "where"]))
def test_several_outlines_are_one_field_only_when_named(
    field_folder: Path, boxes: list[tuple[int, int, int, int]], choose: str | None
) -> None:
    """The field is the one outline there is, or the one a person names with nothing inside it; all else is refused."""
    wide, high = (sound.EAST - sound.WEST) / 10, (sound.NORTH - sound.SOUTH) / 10
    shapes = [shapely.box(x, y, x + w, y + h) for x, y, w, h in boxes]
    features = [
        sound.polygon(
            [[sound.WEST + x * wide, sound.SOUTH + y * high] for x, y in shapely.get_coordinates(shape)], Name=f"N{i}"
        )
        for i, shape in enumerate(shapes)
    ]  # fmt: skip
    (field_folder / "boundary.geojson").write_text(json.dumps(sound.collection(*features)), encoding="utf-8")
    keys: dict[str, Any] = {"field__boundary": "boundary.geojson" + ("#N0" if choose == "#" else "")}
    if choose == "where":
        keys["field__boundary_where"] = {"Name": "N0"}
    try:
        field = read_field(sound.write_toml(field_folder, keys))
    except InputFileError:
        return
    assert choose is not None or len(shapes) == 1
    whole = shapely.area(shapely.box(0, 0, 10, 10))
    share = field.boundary.area / (827.0 * 444.5)  # of the sound field, in meters
    assert share == pytest.approx(shapes[0].area / whole, rel=0.01)
    assert not any(shapely.contains_properly(shapes[0], other) for other in shapes[1:])


# --- 9. nothing applied -----------------------------------------------------------------------------------------------
@DRAWN
@given(
    said=st.one_of(
        st.sampled_from(["none", " NONE", "None ", "non", "nothing", "no", "", "0", "null", "n/a", "urea"]),
        st.text(st.characters(codec="ascii", categories=("L", "N")), max_size=6), st.integers(-1, 200), st.booleans(),
        st.lists(st.sampled_from(["none", 0]), max_size=2),
    )
)  # fmt: skip
def test_applications_are_none_only_by_that_word(field_folder: Path, said: Any) -> None:
    """``"none"`` and an empty list are nothing applied, capitals and spaces aside; anything else is refused."""
    path = sound.write_toml(field_folder, {})
    path.write_text(f"applications = {json.dumps(said)}\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    nothing = said == [] or (isinstance(said, str) and said.strip().lower() == "none")
    try:
        field = read_field(path)
    except InputFileError:
        assert not nothing
        return
    assert nothing
    assert field.settings.applications == ()


# --- 10. forms --------------------------------------------------------------------------------------------------------
@DRAWN
@given(
    filled=st.lists(st.tuples(st.booleans(), st.booleans(), st.booleans()), min_size=12, max_size=12),
    form=st.booleans(),
)
def test_only_rows_filled_in_whole_are_read(
    field_folder: Path, filled: list[tuple[bool, bool, bool]], form: bool
) -> None:
    """Place, depth and reading make a row; the others are left out and told, or the file is refused."""
    own = ",kind,nominal_ppm,cores,instrument,read_at,stored" if form else ""
    lines = ["sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm" + own]
    for i, ((lon, lat), ppm, (place, depth, reading)) in enumerate(
        zip(sound.places(), sound.READINGS, filled, strict=True)
    ):
        at, core = f"{lon},{lat}" if place else ",", "0,12" if depth else ","
        lines.append(f"S{i},{at},{core},{ppm if reading else ''}" + (",,,,,," if form else ""))
    (field_folder / "samples.csv").write_text("\n".join(lines), encoding="utf-8")
    whole = [ppm for ppm, row in zip(sound.READINGS, filled, strict=True) if all(row)]
    try:
        field = read_field(sound.write_toml(field_folder, {}))
    except InputFileError:
        assert len(whole) < 12
        return
    assert field.samples.nitrate_ppm.tolist() == whole
    assert len(whole) == 12 or any("rows" in one.code for one in field.findings)
