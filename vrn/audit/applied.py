"""As-applied records of any machine, from CSV, Excel or any vector file, and the ground under each."""

import csv
import io
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import Finding
from vrn.units import FT_M, MPH_M_S

Array = NDArray[np.float64]

# unit as it may be written → unit as it is named here
RATE_UNITS: Final = {"gal/ac": "gal/ac", "lb/ac": "lb/ac", "lb n/ac": "lb N/ac", "l/ha": "L/ha", "kg/ha": "kg/ha",
                     "kg n/ha": "kg N/ha"}  # fmt: skip
# column → unit it is in by its name; None when the name does not say
_RATES: Final = {
    "applied_rate": None, "rate_applied": None, "actual_rate": None, "applied": None,
    "rate_product": None, "rate": None,
    "rate_gal_ac": "gal/ac", "gal_ac": "gal/ac", "rate_lb_ac": "lb/ac", "lb_ac": "lb/ac", "rate_l_ha": "L/ha",
    "l_ha": "L/ha", "rate_kg_ha": "kg/ha", "kg_ha": "kg/ha", "rate_n_lb_ac": "lb N/ac", "n_lb_ac": "lb N/ac",
    "applied_n_lb_ac": "lb N/ac", "rate_n_kg_ha": "kg N/ha", "n_kg_ha": "kg N/ha",
}  # fmt: skip
_LONGITUDES, _LATITUDES = ("longitude", "lon", "long", "x"), ("latitude", "lat", "y")
_WIDTHS: Final = {"swath_ft": FT_M, "width_ft": FT_M, "swath_m": 1.0, "width_m": 1.0}
_SPEEDS: Final = {"speed_mph": MPH_M_S, "speed_m_s": 1.0, "speed_km_h": 1 / 3.6, "speed_kmh": 1 / 3.6}
_DISTANCES: Final = {"distance_ft": FT_M, "distance_m": 1.0, "dist_ft": FT_M, "dist_m": 1.0}
_RIGHTS: Final = {"right_ft": FT_M, "right_m": 1.0, "offset_ft": FT_M, "offset_m": 1.0}
_SECTION: Final = re.compile(r"section_?(\d+)(?:_on|_state)?")
_OFF: Final = ("0", "off", "false", "no")
_BREAK: Final = 3.0  # a step so many times the usual one ends a pass


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AppliedRecords:
    """Records in the order of the file: points or polygons in ``crs``; the rate is NaN where there is none.

    ``unit``, ``width_m``, ``speed_m_s``, ``distance_m``, ``right_m`` (middle of the width from the record's place) and
    ``sections`` (from left to right whether each was on, shape (n, sections)) are None when the file does not say.
    """

    source: str
    shapes: NDArray[np.object_]
    crs: str
    rate: Array
    unit: str | None
    width_m: Array | None
    speed_m_s: Array | None
    distance_m: Array | None
    rate_column: str
    right_m: Array | None = None
    sections: NDArray[np.bool_] | None = None
    narrowest_m: float = math.inf  # of what could be shut off by itself
    findings: tuple[Finding, ...] = ()  # of the file
    meter_factor: float = math.nan  # the machine's own counter over what its rates add up to
    products: tuple[str, ...] | None = None  # what each record says was applied
    # other columns of rates that nobody chose among: name, unit where the name says it, rates
    beside: tuple[tuple[str, str | None, Array], ...] = ()

    @property
    def are_points(self) -> bool:
        """Whether the records are points."""
        return bool(np.all(shapely.get_type_id(self.shapes) == 0))


def read_applied(path: Path, *, rate_column: str | None = None) -> AppliedRecords:
    """Read an as-applied file: CSV or Excel with longitude and latitude, or a shapefile, GeoPackage or GeoJSON.

    InputFileError if it is not there, cannot be read, or has no rate.
    """
    if not path.is_file():
        problem = f"{path} is not a file that is there."
        raise InputFileError(problem, "Give the as-applied file: CSV, Excel, shapefile, GeoPackage or GeoJSON.")
    if path.suffix.lower() in (".csv", ".txt"):
        columns, shapes, crs = _from_rows(path, _csv_rows(path))
    elif path.suffix.lower() in (".xlsx", ".xlsm"):
        columns, shapes, crs = _from_rows(path, _sheet_rows(path))
    else:
        columns, shapes, crs = _from_vector(path)
    names = {_plain(name): name for name in columns}
    rate_name, unit = _rate_name(path, names, rate_column)
    beside = () if rate_column is not None else tuple(
        (names[plain], said, _numbers(columns[names[plain]]))
        for plain, said in _RATES.items() if plain in names and names[plain] != rate_name
    )  # fmt: skip
    unit = unit or _unit_column(columns, names)
    width_m, sections = _scaled(columns, names, _WIDTHS), _sections(columns, names)
    whole_m = float(np.nanmax(width_m, initial=0.0)) if width_m is not None else 0.0
    return AppliedRecords(
        source=path.name, shapes=shapes, crs=crs, rate=_numbers(columns[rate_name]), unit=unit, rate_column=rate_name,
        width_m=width_m, speed_m_s=_scaled(columns, names, _SPEEDS), distance_m=_scaled(columns, names, _DISTANCES),
        beside=beside, right_m=_scaled(columns, names, _RIGHTS), sections=sections, products=_products(columns, names),
        narrowest_m=whole_m / sections.shape[1] if sections is not None and whole_m > 0 else math.inf,
    )  # fmt: skip


def _products(columns: dict[str, list[Any]], names: dict[str, str]) -> tuple[str, ...] | None:
    name = next((names[plain] for plain in ("product", "product_name") if plain in names), None)
    return None if name is None else tuple(" ".join(str(cell or "").split()) for cell in columns[name])


def _sections(columns: dict[str, list[Any]], names: dict[str, str]) -> NDArray[np.bool_] | None:
    """
    Whether each section was on, from left to right: columns ``section_1`` …, or one ``sections`` as ``110111``.

    A state that is not given counts as on, so that no ground is covered again for want of a word.

    >>> _sections({"Section 2": ["1", "0"], "Section 1": ["off", ""]}, {"section_1": "Section 1",
    ...     "section_2": "Section 2"}).tolist()
    [[False, True], [True, False]]
    """
    numbered = sorted((int(found[1]), name) for plain, name in names.items() if (found := _SECTION.fullmatch(plain)))
    if numbered:
        states = [[str(value).strip().lower() for value in columns[name]] for _, name in numbered]
        off = [[state in _OFF or _is_zero(state) for state in column] for column in states]
        return ~np.array(off, dtype=bool).T
    for plain in ("sections", "section_states"):
        words = [str(value).strip() for value in columns.get(names.get(plain, ""), [])]
        count = max(map(len, words), default=0)
        if count > 1 and all(re.fullmatch(rf"[01]{{{count}}}|", word) for word in words):
            return np.array([[letter == "1" for letter in word or "1" * count] for word in words], dtype=bool)
    return None


def _is_zero(word: str) -> bool:
    try:
        return float(word) == 0.0
    except ValueError:
        return False


def _plain(name: str) -> str:
    """``Rate (gal/ac)`` → ``rate_gal_ac``."""
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")


def _rate_name(path: Path, names: dict[str, str], wanted: str | None) -> tuple[str, str | None]:
    """Column of the rate, and the unit its name says."""
    if wanted is not None:
        if _plain(wanted) not in names:
            problem = f"{path.name} has no column “{wanted}”; it has {', '.join(names.values())}."
            raise InputFileError(problem, "Give one of them with --rate-column.")
        return names[_plain(wanted)], _RATES.get(_plain(wanted))
    for known, unit in _RATES.items():
        if known in names:
            return names[known], unit
    problem = f"{path.name} has no column of rates that is known; it has {', '.join(names.values()) or 'no columns'}."
    raise InputFileError(problem, "Name it with --rate-column, and its unit with --unit.")


def _unit_column(columns: dict[str, list[Any]], names: dict[str, str]) -> str | None:
    """Unit that a column ``unit`` or ``rate_unit`` says, the same in every row."""
    for name in ("rate_unit", "unit"):
        if name in names:
            said = {" ".join(str(value).lower().split()) for value in columns[names[name]] if value not in (None, "")}
            if len(said) == 1:
                return RATE_UNITS.get(said.pop())
    return None


def _scaled(columns: dict[str, list[Any]], names: dict[str, str], known: dict[str, float]) -> Array | None:
    for name, factor in known.items():
        if name in names:
            return _numbers(columns[names[name]]) * factor
    return None


def _numbers(values: Iterable[Any]) -> Array:
    """Numbers of a column; what is none is NaN."""

    def number(value: Any) -> float:
        if value is None:
            return float("nan")
        try:
            return float(value if not isinstance(value, str) else value.strip().replace(",", "."))
        except ValueError:
            return float("nan")

    return np.array([number(value) for value in values], dtype=float)


def _csv_rows(path: Path) -> list[list[str]]:
    """Rows of text, without empty ones."""
    raw = path.read_bytes()
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252", errors="replace")
    first = text.split("\n", 1)[0]
    delimiter = max((";", "\t", ","), key=first.count)
    return [row for row in csv.reader(io.StringIO(text), delimiter=delimiter) if any(cell.strip() for cell in row)]


def _sheet_rows(path: Path) -> list[list[str]]:
    """Rows of the one sheet of a workbook that holds any, as text, without empty ones and titles above the header."""
    import pyogrio

    names = {"OGR_XLSX_HEADERS": "DISABLE", "OGR_XLSX_FIELD_TYPES": "STRING"}
    before = {name: pyogrio.get_gdal_config_option(name) for name in names}
    pyogrio.set_gdal_config_options(names)
    try:
        read = [pyogrio.raw.read(str(path), layer=name, read_geometry=False, datetime_as_string=True)[3]
                for name, _ in pyogrio.list_layers(str(path))]  # fmt: skip
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, UnicodeDecodeError) as error:
        problem = f"{path.name} is not a sound Excel workbook."
        raise InputFileError(problem, "Save it again as .xlsx, or as .csv.") from error
    finally:
        pyogrio.set_gdal_config_options(before)
    sheets = [[["" if cell is None else str(cell) for cell in row] for row in zip(*columns, strict=True)]
              for columns in read]  # fmt: skip
    found = [[row for row in rows if any(cell.strip() for cell in row)] for rows in sheets]
    found = [rows for rows in found if len(rows) > 1]
    if len(found) > 1:
        problem = f"{path.name} holds {len(found)} sheets with rows."
        raise InputFileError(problem, "Save the sheet of as-applied records as a file of its own.")
    rows = found[0] if found else []
    heads = [at for at, row in enumerate(rows[:20]) if {_plain(cell) for cell in row} & set(_LATITUDES)]
    return rows[heads[0] :] if heads else rows


def _from_rows(path: Path, rows: list[list[str]]) -> tuple[dict[str, list[Any]], NDArray[np.object_], str]:
    """Columns of text and points."""
    if len(rows) < 2:
        problem = f"{path.name} holds no records."
        raise InputFileError(problem, "Give a table with a header and a row for each record.")
    header = [cell.strip() for cell in rows[0]]
    columns: dict[str, list[Any]] = {
        name: [row[place] if place < len(row) else "" for row in rows[1:]] for place, name in enumerate(header)
    }
    names = {_plain(name): name for name in header}
    longitude = next((names[name] for name in _LONGITUDES if name in names), None)
    latitude = next((names[name] for name in _LATITUDES if name in names), None)
    if longitude is None or latitude is None:
        problem = f"{path.name} has no columns longitude and latitude; it has {', '.join(header)}."
        raise InputFileError(problem, "Name the columns longitude and latitude, in degrees on WGS 84.")
    x, y = _numbers(columns[longitude]), _numbers(columns[latitude])
    if np.nanmax(np.abs(x), initial=0) > 180 or np.nanmax(np.abs(y), initial=0) > 90:
        problem = f"{path.name}: longitude or latitude is outside ± 180° and ± 90°."
        raise InputFileError(problem, "Give degrees on WGS 84, and check that the columns are not swapped.")
    return columns, shapely.points(x, y), "EPSG:4326"


def _from_vector(path: Path) -> tuple[dict[str, list[Any]], NDArray[np.object_], str]:
    """Columns and shapes of a vector file, of its first layer of points or polygons."""
    import pyogrio

    name = f"/vsizip/{path}" if path.suffix.lower() == ".zip" else str(path)
    try:
        layers = [layer for layer, kind in pyogrio.list_layers(name).tolist() if kind]
        if len(layers) != 1:
            problem = f"{path.name} holds {len(layers)} layers ({', '.join(layers)})."
            raise InputFileError(problem, "Save the layer of as-applied records as a file of its own.")
        meta, _, shapes, values = pyogrio.raw.read(name, layer=layers[0], force_2d=True)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, UnicodeDecodeError) as error:
        problem = f"{path.name} cannot be read: {error}."
        raise InputFileError(problem, "Give a CSV, a shapefile with its .dbf and .shx, or a GeoPackage.") from error
    geometries = shapely.from_wkb(shapes)
    if len(geometries) == 0:
        problem = f"{path.name} holds no records."
        raise InputFileError(problem, "Give the file that the terminal or the office software wrote after the work.")
    columns = {field: list(column) for field, column in zip(meta["fields"], values, strict=True)}
    crs = meta["crs"] or _guessed_crs(path, geometries)
    single, index = shapely.get_parts(geometries, return_index=True)
    kinds = set(np.unique(shapely.get_type_id(single)).tolist())
    if kinds not in ({0}, {3}):
        problem = f"{path.name} does not hold points or polygons alone."
        raise InputFileError(problem, "Save its points or its polygons as a file of their own.")
    return {field: [column[i] for i in index] for field, column in columns.items()}, single, str(crs)


def _guessed_crs(path: Path, geometries: NDArray[np.object_]) -> str:
    """WGS 84 where the coordinates can be degrees; otherwise the file must say."""
    west, south, east, north = shapely.total_bounds(geometries)
    if -180 <= west <= east <= 180 and -90 <= south <= north <= 90:
        return "EPSG:4326"
    problem = f"{path.name} does not say which coordinate system it is in (no .prj?), and its numbers are no degrees."
    raise InputFileError(problem, "Give the .prj file beside it, or save it in WGS 84.")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Footprints:
    """Ground of records, its area [m²], a point in its middle, the record's number; no areas without a width."""

    polygons: NDArray[np.object_]
    area_m2: Array
    middles: NDArray[np.object_]
    record: NDArray[np.intp]
    areas_known: bool


def footprints_of(
    records: AppliedRecords, shapes: NDArray[np.object_], width_m: Array | None, kept: NDArray[np.bool_]
) -> Footprints:
    """Ground that each kept record speaks for; ``shapes`` are the records' places in a projected system.

    A point's is a rectangle across its direction, as wide as the machine and as long as half the way to the point
    before and half the way to the one after; where a pass begins or ends, the usual step. Where the records say which
    sections were on, it is a rectangle for each run of those.

    Three points 10 m apart, driven north, 6 m wide, stand for 3 × 60 m²:

    >>> records = AppliedRecords(source="", shapes=shapely.points([0, 0, 0], [0, 10, 20]), crs="", rate=np.ones(3),
    ...     unit=None, width_m=None, speed_m_s=None, distance_m=None, rate_column="")
    >>> footprints_of(records, records.shapes, np.full(3, 6.0), np.ones(3, dtype=bool)).area_m2.tolist()
    [60.0, 60.0, 60.0]
    """
    number = np.flatnonzero(kept)
    if not records.are_points:
        polygons = shapely.make_valid(shapes[kept], method="structure")
        return Footprints(polygons=polygons, area_m2=shapely.area(polygons), record=number, areas_known=True,
                          middles=shapely.point_on_surface(polygons))  # fmt: skip
    if width_m is None:
        return Footprints(polygons=shapes[kept], area_m2=np.zeros(len(number)), middles=shapes[kept], record=number,
                          areas_known=False)  # fmt: skip
    places = shapely.get_coordinates(shapes)
    step = np.diff(places, axis=0)
    way = np.asarray(np.hypot(step[:, 0], step[:, 1]), dtype=np.float64)
    usual = float(np.median(way[way > 0])) if np.any(way > 0) else 1.0
    driven = (way > 0) & (way <= _BREAK * usual)  # steps inside a pass
    length = (
        _lengths(way, driven, usual) if records.distance_m is None else np.nan_to_num(records.distance_m, nan=usual)
    )
    heading = _headings(step, driven)
    record, left, right = _on_runs(records, width_m, number)
    along = heading[record] * length[record, None] / 2
    sideways = heading[record][:, ::-1] * np.array([1.0, -1.0])
    near, far = places[record] + sideways * left[:, None], places[record] + sideways * right[:, None]
    polygons = shapely.polygons(np.stack([near - along, near + along, far + along, far - along], axis=1))
    return Footprints(polygons=polygons, area_m2=shapely.area(polygons), middles=shapely.centroid(polygons),
                      record=record, areas_known=True)  # fmt: skip


def _on_runs(
    records: AppliedRecords, width_m: Array, number: NDArray[np.intp]
) -> tuple[NDArray[np.intp], Array, Array]:
    """Record, left edge and right edge [m to the right of its place] of each run of sections that were on."""
    on = np.ones((len(width_m), 1), dtype=bool) if records.sections is None else records.sections
    turned = np.diff(np.pad(on[number], ((0, 0), (1, 1))).astype(np.int8), axis=1)
    (row, first), (_, past) = np.nonzero(turned == 1), np.nonzero(turned == -1)
    record, count = number[row], on.shape[1]
    middle = np.zeros(len(width_m)) if records.right_m is None else np.nan_to_num(records.right_m)
    left = middle[record] - width_m[record] / 2
    return record, left + first * width_m[record] / count, left + past * width_m[record] / count


def _lengths(way: Array, driven: NDArray[np.bool_], usual: float) -> Array:
    """Half the way back and half the way on; at the ends of a pass the other half twice, alone the usual step. [m]"""
    back = np.concatenate([[np.nan], np.where(driven, way, np.nan)])
    ahead = np.concatenate([np.where(driven, way, np.nan), [np.nan]])
    back, ahead = np.where(np.isnan(back), ahead, back), np.where(np.isnan(ahead), back, ahead)
    return np.asarray(np.nan_to_num((back + ahead) / 2, nan=usual))


def _headings(step: Array, driven: NDArray[np.bool_]) -> Array:
    """Unit vector of travel at each point, shape (n, 2): the mean of the steps beside it in its pass."""
    inside = np.where(driven[:, None], step, 0.0)
    total = np.zeros((len(step) + 1, 2))
    total[:-1] += inside
    total[1:] += inside
    size = np.hypot(total[:, 0], total[:, 1])
    total[size == 0] = (0.0, 1.0)
    return np.asarray(total / np.where(size == 0, 1.0, size)[:, None])
