"""Soil samples: a table or points to readings as NO3-N of dry soil, and how each was pulled, kept and read."""

import re
from datetime import date, datetime
from itertools import compress, repeat
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import Quantity
from vrn.ingest import ranges
from vrn.ingest.cells import Columns, RowFaults, dates, groups_of, limited_numbers, numbers
from vrn.ingest.contents import read_header
from vrn.ingest.depth import DEPTH_ROLES, read_depths, stated_depth
from vrn.ingest.form import ask_about_applied, filled_rows, written_once
from vrn.ingest.gate import Gate, NitrateColumn
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.keys import nearest
from vrn.ingest.outline import read_areas
from vrn.ingest.points import PlacedRows, read_places
from vrn.ingest.table import CellTable
from vrn.model.samples import Handling, SoilSamples
from vrn.model.settings import NitrogenSection, SampleSection, Settings
from vrn.units import LB_AC_PER_PPM_IN, NO3_N_SHARE

HANDLING_ROLES = ("cores", "instrument", "read_at", "stored")
_STORED = ("cool", "warm", "frozen", "dried")
_MOST_CORES, _MOST_LABORATORIES = 200, 4
_KINDS = ("field", "standard", "duplicate", "blank")
_ROLES = ("sample_id", "longitude", "latitude", "nitrate_ppm", "kind", "sampled_on", "nominal_ppm", "area_id",
          "water_pct", *DEPTH_ROLES, *HANDLING_ROLES)  # fmt: skip
_TOP_FOOT_IN = 12.0
_FEW_ALIKE = 5  # readings from which a likeness counts
# NO3-N of the top foot above which the late-spring test of Iowa advises nothing (PM 1714), and of the middle reading
# that a field of corn seldom has: common practice, no source
ENOUGH_PPM, SELDOM_PPM = 25.0, 50.0
BULK_DENSITY_G_CM3 = 1.35  # the nitrogen methods' own where none is given, so that pounds come back as they were


class _Rows:
    """Rows of the samples file that hold a sample, with their faults gathered on the way."""

    def __init__(self, files: InputFiles, source: Source, places: PlacedRows) -> None:
        self.files, self.source = files, source
        keep = filled_rows(files, source, places)
        self.table = written_once(files, source, places.table.rows(keep), places.columns)
        self.columns = Columns(self.table, None, key=places.columns.key, roles=_ROLES)
        self.columns.mapped = places.columns.mapped
        self.coordinates_m = places.coordinates_m[keep]
        self.faults = RowFaults(self.table)

    def __len__(self) -> int:
        return len(self.table)

    def optional(self, role: str) -> NDArray[np.float64]:
        """A column of numbers, NaN throughout where the file has none."""
        name = self.columns.find(role)
        return np.full(len(self), np.nan) if name is None else numbers(self.table, name, self.faults)

    def fault(self, at: int | np.integer[Any], problem: str, remedy: str) -> None:
        self.faults.add(self.table.row[int(at)], problem, remedy)


def read_samples(files: InputFiles, settings: Settings, crs: str) -> SoilSamples:
    """
    Every reading of the samples file in the field's system ``crs``, those outside the boundary still among them.

    Raises
    ------
    InputFileError
        If a column is missing or a row cannot be used; the rows are named.
    """
    section = settings.samples
    source = files.source(section.file, "samples.file")
    gate = Gate(files=files, source=source, section="samples", accept=section.accept)
    places = read_places(
        files, source, crs=crs, given_crs=section.crs, mapping=section.columns, key="samples.columns", roles=_ROLES,
        placeless=section.areas is not None,
    )  # fmt: skip
    rows = _Rows(files, source, places)
    ask_about_applied(files, source, rows.table, settings)
    kind, sample_id = _kinds(rows), _ids(rows)
    area_id, areas = _areas(rows, section, crs)
    coordinates_m = _located(rows, kind, sample_id, area_id, areas)
    soil = np.array([one in ("field", "duplicate") for one in kind], dtype=bool)
    column = gate.nitrate(
        rows.columns.need("nitrate_ppm", "nitrate_mg_kg"),
        section,
        said=gate.said(rows.table, rows.columns.mapped.values()),
    )
    top_in, bottom_in = read_depths(
        files, source, rows.table, rows.columns, rows.faults, needed=soil, gate=gate,
        header=stated_depth(gate, section.depth, column),
    )  # fmt: skip
    if (years := re.findall(r"(?<!\d)20\d\d(?!\d)", column.header)) and str(settings.header.season) not in years:
        files.warn("samples.header-of-another-year", source, column=column.header, season=str(settings.header.season))
    nitrate_ppm, below = _nitrate(rows, column)
    nominal_ppm = _nominal(rows, gate, section, column)
    for i in range(len(rows)):
        if kind[i] == "standard" and np.isnan(nominal_ppm[i]):
            rows.fault(i, "a check standard without nominal_ppm", "Write what the standard should read.")
    water_pct = _water(rows, gate, section)
    days_column = rows.columns.find("sampled_on")
    days: list[date | None] = [None] * len(rows)
    if days_column is not None:
        days = dates(rows.table, days_column, rows.faults)
    handling = read_handling(rows.table, rows.columns, days, rows.faults)
    rows.faults.raise_if_any()
    if column.per_area:
        nitrate_ppm = _per_depth(rows, settings.nitrogen, column, nitrate_ppm, top_in, bottom_in, soil)
    nitrate_ppm = _as_dry_no3_n(rows, section, column, nitrate_ppm, water_pct, soil)
    judged = soil & ~below & np.isfinite(nitrate_ppm)
    ranges.judge(gate, ranges.NITRATE, nitrate_ppm[judged], rows=[*compress(rows.table.row, judged.tolist())])
    if column.substance is None:
        _like_something_else(gate, column.header, nitrate_ppm[judged])
    if section.reported_as == "NO3-N" and column.substance != "NO3-N" and section.accept is None:
        _perhaps_no3(gate, column.header, nitrate_ppm[judged & (top_in == 0)])
    return SoilSamples(
        sample_id=sample_id, crs=crs, coordinates_m=coordinates_m, top_in=top_in, bottom_in=bottom_in,
        nitrate_ppm=nitrate_ppm, kind=tuple(kind), sampled_on=tuple(days), nominal_ppm=nominal_ppm,
        below_detection=below, area_id=tuple(area_id), areas=areas, row=np.array(rows.table.row, dtype=np.intp),
        source=source.name, handling=handling,
    )  # fmt: skip


def _ids(rows: _Rows) -> tuple[str, ...]:
    """Names of the samples; their rows where the file gives none."""
    name = rows.columns.find("sample_id", "id", "sample")
    if name is None:
        rows.files.note("ingest.no-sample-ids", rows.source)
        return tuple(str(row) for row in rows.table.row)
    names = tuple(map(str.strip, rows.table.column(name)))
    return names if all(names) else tuple([own or str(row) for own, row in zip(names, rows.table.row, strict=True)])


def _kinds(rows: _Rows) -> list[str]:
    name = rows.columns.find("kind")
    if name is None:
        return ["field"] * len(rows)
    kinds = []
    for i, cell in enumerate(rows.table.column(name)):
        kind = cell.strip().lower() or "field"
        if kind not in _KINDS:
            near = nearest(kind, list(_KINDS))
            rows.fault(i, f'kind is "{cell}"', f"Did you mean {near}?" if near else f"Use one of {', '.join(_KINDS)}.")
        kinds.append(kind)
    return kinds


def _areas(rows: _Rows, section: SampleSection, crs: str) -> tuple[list[str], dict[str, shapely.Geometry]]:
    """Area of each composite, and the outlines."""
    name = rows.columns.find("area_id")
    ids = [cell.strip() for cell in rows.table.column(name)] if name is not None else [""] * len(rows)
    if section.areas is None:
        lost = [i for i, area in enumerate(ids) if area and np.isnan(rows.coordinates_m[i]).any()]
        if lost:
            where = f"{rows.source}: {rows.table.row_word} {rows.table.row[lost[0]]}"
            problem = f"{where} is a composite of area {ids[lost[0]]}, and no areas are given."
            raise InputFileError(problem, 'Name the polygons: [samples.areas] file = "areas.geojson".')
        if any(ids):
            rows.files.note("ingest.areas-not-given", rows.source)
        return [""] * len(rows), {}
    if not any(ids):
        rows.source.refuse(
            "[samples.areas] is given, and no row has an area_id.", "Add the column area_id, or remove [samples.areas]."
        )
    source = rows.files.source(section.areas.file, "samples.areas.file")
    areas = read_areas(rows.files, source, None, crs)
    column = areas.table.find(section.areas.column)
    if column is None:
        source.refuse(
            f"there is no column {section.areas.column} (columns: {areas.table.named}).",
            "Name the one that holds the area's id by samples.areas.column.",
        )
    outlines: dict[str, shapely.Geometry] = {}
    for area, polygon in zip(areas.table.column(column), areas.polygons, strict=True):
        key = _plain_id(area)
        outlines[key] = shapely.union(outlines[key], polygon) if key in outlines else polygon
    ids = [_plain_id(area) for area in ids]
    for i, area in enumerate(ids):
        if area and area not in outlines:
            near = nearest(area, list(outlines))
            rows.fault(i, f"area {area} is not in {source}", f"Did you mean {near}?" if near else "Add that polygon.")
    sampled = set(ids)
    empty = [area for area in outlines if area not in sampled]
    if empty:
        rows.files.warn("ingest.areas-without-reading", source, areas=", ".join(empty[:6]))
    return ids, {area: outlines[area] for area in outlines if area in sampled}


def _plain_id(area: str) -> str:
    """``3.0`` and ``3`` are the same area: the first comes from a file that keeps numbers."""
    return area.strip().removesuffix(".0")


def _located(
    rows: _Rows, kind: list[str], sample_id: tuple[str, ...], area_id: list[str], areas: dict[str, shapely.Geometry]
) -> NDArray[np.float64]:
    """Where each reading stands: a point, or a point inside its area; a duplicate stands where its sample does."""
    places = rows.coordinates_m.copy()
    placed = np.isfinite(places).sum(axis=1) == 2
    if bool(placed.all()) and not areas:
        return places
    at = {name: i for i, name in enumerate(sample_id) if kind[i] == "field" and placed[i]}
    for i, area in enumerate(area_id):
        if area in areas:
            places[i] = shapely.get_coordinates(shapely.point_on_surface(areas[area]))[0]
        elif not placed[i] and not area:
            if kind[i] == "duplicate" and sample_id[i] in at:
                places[i] = places[at[sample_id[i]]]
            elif kind[i] in ("field", "duplicate"):
                rows.fault(i, "a reading without a place", "Fill in longitude and latitude, or delete the row.")
    return places


def _nitrate(rows: _Rows, column: NitrateColumn) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Readings in ppm, or in lb/ac where the column is one of areas; half the limit where they are below detection."""
    name = column.header
    values, limit = limited_numbers(rows.table, name, rows.faults)
    for i in np.flatnonzero(values < 0):
        rows.fault(i, f"{name} is {values[i]:g}", "A reading is 0 or more; leave the cell empty if it was not tested.")
    for i in np.flatnonzero(values * column.factor > ranges.NITRATE.most * (10 if column.per_area else 1)):
        rows.fault(i, f"{name} is {values[i]:g}", ranges.NITRATE.doubt)
    values = values * column.factor
    below, above = limit < 0, limit > 0
    if below.any():
        rows.files.note("ingest.below-detection", rows.source, readings=int(below.sum()))
    if above.any():
        first = str(rows.table.row[int(np.flatnonzero(above)[0])])
        rows.files.warn("ingest.above-range", rows.source, readings=int(above.sum()), row=first)
    return np.where(below, values / 2, values), below


def _nominal(rows: _Rows, gate: Gate, section: SampleSection, column: NitrateColumn) -> NDArray[np.float64]:
    """What standards should read, as NO3-N in ppm."""
    name = rows.columns.find("nominal_ppm")
    if name is None:
        return np.full(len(rows), np.nan)
    own = gate.nitrate(name, section, role="nominal_ppm")
    return rows.optional("nominal_ppm") * own.factor * _share(own.reported_as or column.reported_as)


def _share(reported_as: str | None) -> float:
    """NO3-N in 1 of what is reported."""
    return NO3_N_SHARE if reported_as == "NO3" else 1.0


def _water(rows: _Rows, gate: Gate, section: SampleSection) -> NDArray[np.float64]:
    """Water of each row in percent of the dry soil; a header that says moist or wet is of the moist soil's weight."""
    if section.water_pct is not None:
        ranges.judge(gate, ranges.WATER, np.array([section.water_pct]))
    if (name := rows.columns.find("water_pct")) is None:
        return np.full(len(rows), np.nan)
    given = rows.optional("water_pct") * gate.factor(name, "water_pct")
    if read_header(name).basis == "moist":
        rows.files.note("ingest.water-of-moist-soil", rows.source, column=name)
        given = np.where(given < 100, 100 * given / np.maximum(100 - given, 1e-9), given)
    ranges.judge(gate, ranges.WATER, given, rows=rows.table.row)
    return given


def _per_depth(
    rows: _Rows,
    nitrogen: NitrogenSection,
    column: NitrateColumn,
    amount_lb_ac: NDArray[np.float64],
    top_in: NDArray[np.float64],
    bottom_in: NDArray[np.float64],
    soil: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Readings in ppm from lb/ac in each core: divided by its depth × bulk density × 0.226613."""
    if nitrogen.texture is not None and nitrogen.bulk_density_g_cm3 is None:
        rows.source.refuse(
            f'the header "{column.header}" gives an amount on an area, and the bulk density is not given.',
            "Write bulk_density_g_cm3 in [nitrogen]; the texture alone does not give it here.",
        )
    for i in np.flatnonzero(~soil & np.isfinite(amount_lb_ac)):
        rows.fault(i, f"a standard or blank in {column.header}, which needs a depth", "Give readings in ppm.")
    rows.faults.raise_if_any()
    density = nitrogen.bulk_density_g_cm3 or BULK_DENSITY_G_CM3
    deep = nitrogen.deep_bulk_density_g_cm3 or density
    of_core = np.where((top_in == 0) | (bottom_in <= _TOP_FOOT_IN), density, deep)
    tell = rows.files.note if nitrogen.bulk_density_g_cm3 is not None else rows.files.warn
    tell("ingest.area-converted", rows.source, column=column.header, density=Quantity("number", density))
    return amount_lb_ac / (LB_AC_PER_PPM_IN * (bottom_in - top_in) * of_core)


def _as_dry_no3_n(
    rows: _Rows,
    section: SampleSection,
    column: NitrateColumn,
    nitrate_ppm: NDArray[np.float64],
    water_pct: NDArray[np.float64],
    soil: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Readings as NO3-N of dry soil; check standards keep their basis."""
    files, source = rows.files, rows.source
    if column.reported_as is None:
        files.warn("ingest.reported-as-missing", "samples.reported_as")
    elif column.reported_as == "NO3":
        nitrate_ppm = nitrate_ppm * NO3_N_SHARE
        files.note("ingest.no3-converted", source, factor=Quantity("number", NO3_N_SHARE))
    if column.moisture_basis is None:
        files.warn("ingest.moisture-basis-missing", "samples.moisture_basis")
        return nitrate_ppm
    if column.moisture_basis == "dry" or column.per_area:  # an amount on an area is the same of moist and dry soil
        return nitrate_ppm
    water = np.where(np.isnan(water_pct), np.nan if section.water_pct is None else section.water_pct, water_pct)
    for i in np.flatnonzero(soil & ~(np.nan_to_num(water, nan=-1.0) >= 0) | (water >= 100)):
        shown = "is not given" if np.isnan(water[i]) else f"is {water[i]:g}"
        rows.fault(i, f"water_pct {shown}, and readings are of moist soil",
                   "Give water_pct in [samples] or as a column: water in percent of the dry weight.")  # fmt: skip
    rows.faults.raise_if_any()
    dry = np.where(soil, nitrate_ppm * (1 + water / 100), nitrate_ppm)
    files.note("ingest.moist-converted", source, water=Quantity("percent", float(np.nanmean(water[soil]))))
    return dry


def _like_something_else(gate: Gate, header: str, ppm: NDArray[np.float64]) -> None:
    """Under a header that names nothing: numbers such as a pH or an electrical conductivity has."""
    one_decimal = np.allclose(ppm * 10, np.round(ppm * 10), atol=1e-6)
    if len(ppm) >= _FEW_ALIKE and one_decimal and ppm.min() >= 4.0 and ppm.max() <= 9.0:
        gate.files.warn("ingest.like-ph", gate.source, column=header)
    elif len(ppm) >= _FEW_ALIKE and ppm.max() <= 3.0 and ppm.max() > 0:
        gate.files.warn("ingest.like-conductivity", gate.source, column=header)


def _perhaps_no3(gate: Gate, header: str, ppm: NDArray[np.float64]) -> None:
    """Ask where only the field file says NO3-N, and a field so rich that it would need nothing may be one in NO3."""
    median = float(np.median(ppm)) if len(ppm) >= _FEW_ALIKE else 0.0
    if ENOUGH_PPM < median <= SELDOM_PPM:
        gate.files.warn(
            "samples.no3-or-no3-n", gate.source, median=Quantity("concentration", median), column=header,
            enough=Quantity("concentration", ENOUGH_PPM), real=Quantity("concentration", median * NO3_N_SHARE),
        )  # fmt: skip


def read_handling(
    table: CellTable, columns: Columns, days: list[date | None], faults: RowFaults
) -> tuple[Handling, ...]:
    """Columns ``cores``, ``instrument``, ``read_at`` and ``stored`` of a samples table; none of them is needed."""
    names = {role: name for role in _ROLES if (name := columns.find(role)) is not None}
    groups = groups_of(table, {name for role, name in names.items() if role not in ("cores", "stored")})
    if not (groups or any(role in names for role in HANDLING_ROLES) or _laboratory(table)):
        return (Handling(),) * len(table)
    cores = _cores(table, columns.find("cores"), faults)
    read_at = _times(table, columns.find("read_at"), days, faults)
    stored = _stored(table, columns.find("stored"), faults)
    instrument = columns.find("instrument") or _laboratory(table)
    read_by = [cell.strip() for cell in table.column(instrument)] if instrument is not None else [""] * len(table)
    of_row = zip(*([(name, cell) for cell in cells] for name, cells in groups), strict=True) if groups else repeat(())
    every = zip(cores, read_by, read_at, stored, of_row, strict=False)
    return tuple(Handling(cores=a, instrument=b, read_at=c, stored=d, groups=e) for a, b, c, d, e in every)


def _laboratory(table: CellTable) -> str | None:
    """The column of laboratories, which read as an instrument does; not one of numbers that each sample has its own."""
    name = table.find("laboratory", "lab")
    return name if name is not None and len({*table.column(name)}) <= _MOST_LABORATORIES else None


def _cores(table: CellTable, name: str | None, faults: RowFaults) -> list[int | None]:
    if name is None:
        return [None] * len(table)
    found = numbers(table, name, faults)
    for i in np.flatnonzero(np.isfinite(found) & ((found < 1) | (found > _MOST_CORES) | (found % 1 != 0))):
        faults.add(table.row[i], f"{name} is {found[i]:g}", "Write how many cores were mixed, as 8.")
    return [int(value) if np.isfinite(value) else None for value in found]


def _times(table: CellTable, name: str | None, days: list[date | None], faults: RowFaults) -> list[datetime | None]:
    """Date and time of each reading, on the clock of the place; a time alone is of the day it was pulled."""
    times: list[datetime | None] = [None] * len(table)
    for i, cell in enumerate(table.column(name) if name is not None else []):
        if not cell.strip():
            continue
        try:
            written = cell.strip()
            if days[i] is not None and re.fullmatch(r"\d?\d:\d\d(:\d\d)?", written):
                written = f"{days[i]}T{written.rjust(len(written) + (written[1] == ':'), '0')}"
            times[i] = datetime.fromisoformat(written).replace(tzinfo=None)
        except ValueError:
            faults.add(table.row[i], f'{name} is "{cell.strip()[:30]}", which is not an ISO date and time',
                       "Write when it was read as 2026-06-18T14:30.")  # fmt: skip
    return times


def _stored(table: CellTable, name: str | None, faults: RowFaults) -> list[str]:
    if name is None:
        return [""] * len(table)
    kept = [cell.strip().lower() for cell in table.column(name)]
    for i, word in enumerate(kept):
        if word and word not in _STORED:
            near = nearest(word, list(_STORED))
            faults.add(table.row[i], f'{name} is "{word[:30]}"',
                       f"Did you mean {near}?" if near else f"Use one of {', '.join(_STORED)}.")  # fmt: skip
    return kept
