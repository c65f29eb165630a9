"""Harvest records from CSV, shapefile or GeoPackage, several files and years, as the machine wrote them."""

import re
from datetime import UTC, datetime

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import Quantity
from vrn.ingest import ranges
from vrn.ingest.cells import Columns, RowFaults, numbers
from vrn.ingest.gate import Gate
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.points import read_places
from vrn.ingest.table import CellTable
from vrn.model.layers import YieldLog, YieldLogLayer
from vrn.model.settings import YieldPotentialLayer
from vrn.units import BU_AC_T_HA, FT_M, MPH_M_S

# our name → factor to the unit of the noun; the first that the file has is taken
_YIELD = {"yield_bu_ac": 1.0, "yield_t_ha": 1.0 / BU_AC_T_HA}
_SPEED = {"speed_m_s": 1.0, "speed_mph": MPH_M_S, "speed_km_h": 1.0 / 3.6}
_SWATH = {"swath_m": 1.0, "swath_ft": FT_M}
_MOISTURE = {"moisture_pct": 1.0}
LOG_ROLES = ("longitude", "latitude", *_YIELD, *_SPEED, *_SWATH, *_MOISTURE, "time", "time_s", "header_down", "pass_id",
             "machine_id", "season")  # fmt: skip
_DOWN = {"1", "1.0", "true", "down", "yes", "on", "working"}
_UP = {"0", "0.0", "false", "up", "no", "off"}
_REACH_M = 200.0  # records further from the field belong to another
_BROKEN_SHARE = 0.05  # of a file's rows that may be unreadable before the file is refused


def read_yield_logs(
    files: InputFiles, section: YieldPotentialLayer, boundary: shapely.Geometry, crs: str
) -> YieldLogLayer:
    """
    Every harvest file of ``kind = "yield_log"``: one log a file, records in the order of the file.

    ``column`` of the section names the yield, ``columns`` the others. Refuses a file that cannot be read, has no yield,
    or lies elsewhere.
    """
    names = section.files or ((section.file,) if section.file is not None else ())
    key = "layers.yield_potential." + ("files" if section.files else "file")
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        problem = f"{key}: {', '.join(twice)} is named twice."
        raise InputFileError(problem, "Name each harvest once.")
    logs = tuple(_read_log(files, files.source(name, key), section, boundary, crs) for name in names)
    seasons = [log.season for log in logs if log.season is not None]
    if len(seasons) < len(logs):
        files.note("ingest.harvest-year-unknown", key)
    return YieldLogLayer(name="yield_bu_ac", crs=crs, logs=logs, source=", ".join(log.source for log in logs))


def _read_log(
    files: InputFiles, source: Source, section: YieldPotentialLayer, boundary: shapely.Geometry, crs: str
) -> YieldLog:
    mapping = dict(section.columns)
    if section.column is not None:
        mapping.setdefault("yield_bu_ac", section.column)
    places = read_places(
        files, source, crs=crs, given_crs=section.crs, mapping=mapping, key="layers.yield_potential.columns",
        roles=LOG_ROLES, lenient=True, shared=len(section.files) > 1,
    )  # fmt: skip
    near = _near(places.coordinates_m, boundary)
    if not near.any():
        source.refuse(
            "no record lies near the field.",
            "Check that it is of this field, its system, and the order of its coordinates.",
        )
    away = int((~near & np.isfinite(places.coordinates_m).all(axis=1)).sum())
    if away:
        reach = Quantity("distance", _REACH_M / FT_M)
        files.note("ingest.records-far-away", source, records=away, distance=reach)
    table = places.table if near.all() else places.table.rows(np.flatnonzero(near).tolist())
    columns = Columns(table, None, key=places.columns.key, roles=LOG_ROLES)
    columns.mapped = places.columns.mapped
    gate = Gate(files=files, source=source, section="layers.yield_potential", accept=section.accept)
    reader = _Reader(gate, table, columns)
    log = YieldLog(
        source=source.name, season=reader.season(), coordinates_m=places.coordinates_m[near],
        yield_bu_ac=reader.needed(_YIELD), time_s=reader.time_s(), moisture_pct=reader.quantity(_MOISTURE),
        speed_m_s=reader.quantity(_SPEED), swath_m=reader.quantity(_SWATH), header_down=reader.header_down(),
        pass_id=reader.whole("pass_id"), machine_id=reader.whole("machine_id"),
    )  # fmt: skip
    reader.report()
    return log


def _near(xy: NDArray[np.float64], boundary: shapely.Geometry) -> NDArray[np.bool_]:
    west, south, east, north = shapely.bounds(shapely.buffer(boundary, _REACH_M))
    x, y = xy[:, 0], xy[:, 1]
    return np.asarray((x > west) & (x < east) & (y > south) & (y < north), dtype=bool)  # NaN is nowhere


class _Reader:
    """Columns of one log in the noun's units; cells that are no number are unknown, and counted."""

    def __init__(self, gate: Gate, table: CellTable, columns: Columns) -> None:
        self.gate, self.files, self.source = gate, gate.files, gate.source
        self.table, self.columns = table, columns
        self.faults = RowFaults(table)

    def quantity(self, units: dict[str, float]) -> NDArray[np.float64] | None:
        """The first of several columns that the file has, in the noun's unit."""
        for role, factor in units.items():
            name = self.columns.find(role)
            if name is not None:
                if role in _YIELD:
                    factor = self.gate.factor(name, "bu_ac" if factor == 1.0 else "t_ha", default=factor)
                return numbers(self.table, name, self.faults) * factor
        return None

    def needed(self, units: dict[str, float]) -> NDArray[np.float64]:
        """The same; the file must have one of them."""
        found = self.quantity(units)
        if found is None:
            self.columns.need(next(iter(units)))
        if found is None or not np.isfinite(found).any():
            self.faults.raise_if_any()
            self.source.refuse("no record has a yield.", "Check the column that holds the dry yield.")
        ranges.judge(self.gate, ranges.YIELD, np.array([np.nanmedian(found[found > 0])] if (found > 0).any() else []))
        return found

    def whole(self, role: str) -> NDArray[np.intp] | None:
        """Numbers or names of passes or machines, as numbers from 0 in the order of their first record."""
        name = self.columns.find(role)
        if name is None:
            return None
        order: dict[str, int] = {}
        return np.array([order.setdefault(cell.strip(), len(order)) for cell in self.table.column(name)], dtype=np.intp)

    def header_down(self) -> NDArray[np.bool_] | None:
        """Whether the header was at work; a word that says neither counts as up."""
        name = self.columns.find("header_down")
        if name is None:
            return None
        words = [cell.strip().lower() for cell in self.table.column(name)]
        strange = sorted({word for word in words if word not in _DOWN and word not in _UP and word})
        if strange:
            self.files.warn("ingest.header-unclear", self.source, column=name, word=strange[0][:20])
        return np.array([word in _DOWN for word in words], dtype=bool)

    def time_s(self) -> NDArray[np.float64] | None:
        """Seconds: given as such, or from ISO times."""
        if self.columns.find("time_s") is not None:
            return self.quantity({"time_s": 1.0})
        name = self.columns.find("time")
        if name is None:
            return None
        seconds = np.full(len(self.table), np.nan)
        for i, cell in enumerate(self.table.column(name)):
            if not cell.strip():
                continue
            try:
                moment = datetime.fromisoformat(cell.strip())
            except ValueError:
                self.faults.add(
                    self.table.row[i],
                    f'{name} is "{cell[:30]}", which is not an ISO time',
                    "Write 2025-10-04T14:30:05.",
                )
                continue
            seconds[i] = (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
        return seconds

    def season(self) -> int | None:
        """Year of the harvest: a column, the times, or the file's name."""
        name = self.columns.find("season", "year")
        if name is not None:
            years = numbers(self.table, name, self.faults)
            if np.isfinite(years).any():
                return int(np.nanmedian(years))
        name = self.columns.find("time")
        found = re.match(r"\s*((?:19|20)\d{2})-", self.table.column(name)[0]) if name is not None else None
        found = found or re.search(r"(?<!\d)((?:19|20)\d{2})(?!\d)", self.source.name)
        return int(found[1]) if found is not None else None

    def report(self) -> None:
        """Refuse a file that is mostly unreadable; single records are a finding."""
        broken = {row for row, _, _ in self.faults.faults}
        if len(broken) > _BROKEN_SHARE * len(self.table):
            self.faults.raise_if_any()
        if broken:
            row, problem, _ = min(self.faults.faults)
            self.files.note("ingest.cells-unreadable", self.source, records=len(broken), row=str(row), cell=problem)
