"""What a file that nobody has described is: its role in a field file, by its columns, their units and its shapes."""

import re
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.ingest.contents import HeaderMeaning, read_header
from vrn.ingest.gate import Gate
from vrn.ingest.gate import Role as ColumnRole
from vrn.ingest.input_files import InputFiles, Source, recognize
from vrn.ingest.look_samples import SampleColumns, sample_columns
from vrn.ingest.points import coordinate_columns
from vrn.ingest.table import CellTable, Features
from vrn.ingest.tables import holds_table, read_table, sheet_names
from vrn.ingest.vectors import layer_names, read_features
from vrn.ingest.weather import has_weather
from vrn.ingest.yield_log import LOG_ROLES, log_columns

Role = Literal[
    "boundary", "samples", "areas", "yield_log", "yield_potential", "organic_matter", "applied_n", "product",
    "weather", "trial", "ground", "map_units", "unknown",
]  # fmt: skip
_KEY: Final = "--from"
_MOST_SPOTS: Final = 100  # points that may be wells or inlets; more are records of a machine
_MOST_SAID: Final = 3  # columns of such points
_NITROGEN: Final = ("nitrogen rate", "nitrogen", "total nitrogen")
_METRIC: Final = {"kg/ha", "t/ha", "cm", "°C", "mm"}
_TRADE: Final = {"lb/ac", "bu/ac", "in", "ft", "gal/ac", "°F"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Look:
    """
    One table, layer or raster as it looks.

    Parameters
    ----------
    name : str
        Its file, with the sheet or layer behind a ``#`` where there are several.
    role : str
    columns : dict of str to str
        Our names and the file's, where they differ; of a layer its one column of values under ``"column"``.
    unit : str or None
        That the header of the values says.
    table : CellTable or None
    features : Features or None
    samples : SampleColumns or None
        Where it holds soil samples.
    rivals : tuple of str
        Columns of which each could be the one that is meant.
    metric : int
        Headers in metric units less those in the trade's.
    why : str
        Why it cannot be used, where it was refused.
    remedy : str
    """

    name: str
    role: Role
    columns: dict[str, str] = field(default_factory=dict)
    unit: str | None = None
    table: CellTable | None = None
    features: Features | None = None
    samples: SampleColumns | None = None
    rivals: tuple[str, ...] = ()
    metric: int = 0
    why: str = ""
    remedy: str = ""


def look_at(files: InputFiles, name: str) -> list[Look]:
    """
    Every role that a file can have; a workbook or a database of several sheets or layers is looked at one by one.

    A file that cannot be read is of an unknown role, with the reason; InputFileError only where there is no such file.
    """
    source = files.source(name, _KEY)
    try:
        kind = recognize(source)
        parts: list[str] = []
        if source.part is None and kind in ("excel", "geopackage"):
            parts = sheet_names(source) if kind == "excel" else layer_names(source)
        whole = [f"{name}#{part}" for part in parts] if len(parts) > 1 else [name]
    except InputFileError as error:
        return [_refused(name, error)]
    looks = [look for one in whole for look in _look_at_part(files, one)]
    known = [look for look in looks if look.role != "unknown"]
    return known if known and len(parts) > 1 else looks


def _look_at_part(files: InputFiles, name: str) -> list[Look]:
    source = files.source(name, _KEY)
    try:
        if recognize(source) == "raster":
            return [_of_raster(source)]
        if holds_table(files, source):
            table = read_table(files, source)
            return _of_table(files, source, table, placed=coordinate_columns(table) is not None)
        return _of_features(files, source, read_features(files, source))
    except InputFileError as error:
        return [_refused(name, error)]


def _refused(name: str, error: InputFileError) -> Look:
    return Look(name=name, role="unknown", why=error.problem.replace(f" ({_KEY})", ""), remedy=error.remedy)


def _of_raster(source: Source) -> Look:
    """A raster by the words of its name; its values are held against its role by the reader."""
    said = read_header(source.path.stem)
    roles: dict[str | None, Role] = {
        "organic matter": "organic_matter", "organic carbon": "organic_matter", "grain yield": "yield_potential",
        "nitrogen rate": "applied_n",
    }  # fmt: skip
    return Look(name=source.name, role=roles.get(said.substance, "unknown"), unit=said.unit)


def _of_features(files: InputFiles, source: Source, features: Features) -> list[Look]:
    """Outlines, layers of areas, or points as a table."""
    shapes = [shape for shape in features.geometry if shape is not None]
    areas = [shape for shape in shapes if shapely.get_dimensions(shape) == 2 or _closed(shape)]
    if not areas:
        points = all(shape.geom_type in ("Point", "MultiPoint") for shape in shapes)
        looks = _of_table(files, source, features.table, placed=True) if points else []
        known = [look for look in looks if look.role != "unknown"]
        unclear = looks if len(shapes) > _MOST_SPOTS or len(features.table.columns) > _MOST_SAID else []
        return known or unclear or [Look(name=source.name, role="ground", features=features)]
    looks = _of_table(files, source, features.table, placed=True) if len(areas) > 1 else []
    layers = [look for look in looks if look.role in ("organic_matter", "yield_potential", "applied_n", "product")]
    if any(look.role == "samples" for look in looks) and not layers:
        return looks
    return layers or [Look(name=source.name, role="boundary", features=features)]


def _closed(shape: shapely.Geometry) -> bool:
    return shape.geom_type == "LineString" and shape.is_closed and len(shape.coords) > 3


def _of_table(files: InputFiles, source: Source, table: CellTable, *, placed: bool) -> list[Look]:
    """Roles of a table by what its headers say; readings go before a harvest, a harvest before a layer."""
    if has_weather(table):
        metric = sum(bool(re.search(r"_c$|°C|celsius|mm", name)) or -1 for name in table.columns[1:])
        return [Look(name=source.name, role="weather", table=table, metric=metric)]
    gate = Gate(files=InputFiles(files.folder), source=source, section="", accept=None)
    meanings = [read_header(name) for name in table.columns if name]
    metric = sum((one.unit in _METRIC) - (one.unit in _TRADE) for one in meanings)
    samples = sample_columns(gate, table, placed=placed)
    organic = _values(gate, meanings, "organic_matter", ("organic matter", "organic carbon"))
    if samples is not None:
        looks = [Look(name=source.name, role="samples", columns=samples.mapped, table=table, samples=samples,
                      metric=samples.metric)]  # fmt: skip
        if organic and placed and samples.filled and samples.depths <= 1:
            looks.append(Look(name=source.name, role="organic_matter", columns={"column": organic[0].header},
                              unit=organic[0].unit, table=table, metric=metric))  # fmt: skip
        return looks
    grain, nitrogen = _grain(gate, meanings), _values(gate, meanings, "applied_n", _NITROGEN)
    if grain and nitrogen and (not placed or table.find("block", "replicate", "rep") is not None):
        rate, bushels = nitrogen[0], grain[0]
        columns = {
            "n_kg_ha" if rate.unit == "kg/ha" else "n_lb_ac": rate.header,
            "yield_t_ha" if bushels.unit in ("t/ha", "kg/ha") else "yield_bu_ac": bushels.header,
        }
        return [Look(name=source.name, role="trial", columns=columns, table=table, metric=metric)]
    if not placed:
        column = {"column": organic[0].header} if organic else {}
        return [Look(name=source.name, role="map_units" if organic else "unknown", columns=column, table=table)]
    log = log_columns(table.columns)
    if "flow" in log or (grain and (log.keys() - {"moisture"} or _own_log_columns(table))):
        column = {} if not grain else {"column": grain[0].header}
        return [Look(name=source.name, role="yield_log", columns=column, unit=grain[0].unit if grain else None,
                     table=table, rivals=_rivals(grain), metric=metric)]  # fmt: skip
    for role, found in (
        ("yield_potential", grain),
        ("organic_matter", organic),
        ("applied_n", nitrogen),
        ("product", [one for one in meanings if one.substance in ("rate", "product") or one.unit == "gal/ac"]),
    ):
        if found:
            return [Look(name=source.name, role=role, columns={"column": found[0].header}, unit=found[0].unit,  # type: ignore[arg-type]
                         table=table, rivals=_rivals(found), metric=metric)]  # fmt: skip
    return [Look(name=source.name, role="unknown", table=table)]


def _fits(gate: Gate, header: str, role: ColumnRole) -> bool:
    """Whether the gate lets a column through."""
    try:
        gate.factor(header, role)
    except InputFileError:
        return False
    return True


def _values(
    gate: Gate, meanings: list[HeaderMeaning], role: ColumnRole, substances: tuple[str, ...]
) -> list[HeaderMeaning]:
    """Columns whose header names one of the substances and fits the role, in that order."""
    fit = [one for one in meanings if one.substance in substances and _fits(gate, one.header, role)]
    return sorted(fit, key=lambda one: substances.index(one.substance or ""))


def _grain(gate: Gate, meanings: list[HeaderMeaning]) -> list[HeaderMeaning]:
    """Columns of yields, of dry grain before any other."""
    roles: tuple[ColumnRole, ...] = ("bu_ac", "t_ha", "relative")
    named = [one for one in meanings if one.substance == "grain yield"]
    fit = [one for one in named if any(_fits(gate, one.header, role) for role in roles)]
    return [one for one in fit if one.basis == "dry"] or [one for one in fit if one.basis is None]


def _rivals(found: list[HeaderMeaning]) -> tuple[str, ...]:
    """Columns of one substance in one unit, of which each could be meant."""
    alike = [one.header for one in found if (one.substance, one.unit) == (found[0].substance, found[0].unit)]
    return tuple(alike) if len(alike) > 1 else ()


def _own_log_columns(table: CellTable) -> bool:
    return any(
        table.find(role)
        for role in LOG_ROLES
        if role not in ("longitude", "latitude", "season") and "yield" not in role
    )


_A_DATE = re.compile(r"(?<![a-z])(date|day|sampled|pulled|collected)(?![a-z])", re.IGNORECASE)


def season_of(look: Look) -> int | None:
    """Latest year among the days of a table of samples or of weather; None where it has none."""
    if look.table is None:
        return None
    name = look.columns.get("sampled_on") or next((one for one in look.table.columns if _A_DATE.search(one)), None)
    cells = look.table.column(name) if name is not None else []
    years = [int(found[0]) for cell in cells if (found := re.search(r"(?<!\d)(?:19|20)\d\d(?!\d)", cell))]
    return max(years, default=None)


def paired(looks: list[Look]) -> list[Look]:
    """Looks with tables that have no places put beside the polygons that give them: map units, areas of composites."""
    tables = [look for look in looks if look.table is not None and look.features is None]
    for table in sorted(tables, key=lambda look: look.role != "map_units"):
        for shape in [look for look in looks if look.role in ("boundary", "unknown") and look.features is not None]:
            pair = _pair(table, shape)
            if pair is not None:
                looks = [pair[0] if one is table else pair[1] if one is shape else one for one in looks]
                break
    return looks


def _pair(look: Look, shape: Look) -> tuple[Look, Look] | None:
    """A table and its polygons by the keys that both have."""
    assert look.table is not None
    assert shape.features is not None
    table, areas = look.table, shape.features.table
    if look.role == "map_units":
        shared = [name for name in table.columns if areas.find(name) is not None]
        key = next((name for name in shared if _covers(table.column(name), areas.column(areas.find(name) or ""))), None)
        if key is None:
            return None
        twice = len(set(table.column(key))) < len(table)
        part = [
            name
            for name in table.columns
            if re.search(r"pct|percent|%|share", name.lower()) and name not in look.columns.values()
        ]
        columns = {**look.columns, "table": look.name, "key": key} | (
            {"share": part[0]} if twice and len(part) == 1 else {}
        )
        return replace(look, role="organic_matter", name=shape.name, columns=columns), replace(shape, role="areas")
    if look.samples is None or look.samples.placed:
        return None
    for area in areas.columns:
        for name in filter(None, table.columns):
            told = name.casefold() == area.casefold() or not all(cell.strip().isdigit() for cell in table.column(name))
            if area and told and _covers(areas.column(area), table.column(name)):  # numbers alone agree by chance
                samples, columns = replace(look.samples, placed=True), {**look.columns, "area_id": name}
                return (
                    replace(look, columns=columns, samples=samples),
                    replace(shape, role="areas", columns={"column": area}),
                )
    return None


def _covers(keys: list[str], wanted: list[str]) -> bool:
    """Whether there is a key for nearly every value, and more than one."""
    there, asked = ({cell.strip().removesuffix(".0") for cell in cells} - {""} for cells in (keys, wanted))
    return len(asked) > 1 and len(asked & there) >= 0.9 * len(asked)


def areas_of(look: Look) -> list[shapely.Geometry]:
    """Outlines of a file, closed lines among them; none for points and open lines."""
    shapes = look.features.geometry if look.features is not None else np.empty(0, dtype=object)
    known: list[shapely.Geometry] = [shape for shape in shapes.tolist() if shape is not None]
    areas = [shapely.build_area(shape) if shapely.get_dimensions(shape) == 1 else shape for shape in known]
    return [area for area in areas if shapely.get_dimensions(area) == 2 and not area.is_empty]


def points_of(look: Look) -> NDArray[np.float64]:
    """Where the rows of a table stand, shape (n, 2), as written; none where the cells are no plain numbers."""
    if look.features is not None:
        return np.asarray(shapely.get_coordinates([shape for shape in look.features.geometry if shape is not None]))
    pair = coordinate_columns(look.table) if look.table is not None else None
    if pair is None or look.table is None:
        return np.empty((0, 2))
    rows = zip(*(look.table.column(name) for name in pair), strict=True)
    try:
        plain = str if look.table.delimiter == "," else lambda cell: cell.replace(",", ".")  # a decimal comma
        return np.array([[float(plain(cell)) for cell in row] for row in rows if all(row)]).reshape(-1, 2)
    except ValueError:
        return np.empty((0, 2))
