"""Harvest records of several files and years, as the machine wrote them; a yield, or the flow that makes one."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final, NoReturn

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import Quantity
from vrn.ingest import ranges
from vrn.ingest.cells import Columns, RowFaults, numbers
from vrn.ingest.contents import read_header
from vrn.ingest.gate import Gate
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.points import read_places
from vrn.ingest.table import CellTable
from vrn.model.layers import YieldLog, YieldLogLayer
from vrn.model.settings import YieldPotentialLayer
from vrn.units import AC_M2, BU_AC_T_HA, CORN_BU_LB, FT_M, IN_M, LB_KG, MPH_M_S

_Numbers = NDArray[np.float64]

_LENGTHS: Final = {
    "ft": (FT_M, r"ft|feet|foot|'"), "m": (1.0, r"m|met(er|re)s?"), "in": (IN_M, r'in|inch(es)?|"'), "cm": (0.01, "cm"),
}  # fmt: skip
_PER_S: Final = r" ?(/|per)? ?s(ec(onds?)?)?"
# quantity → how a header calls it; unit, as one of our names ends → factor to the noun's unit, how it is written
_QUANTITIES: Final = {
    "flow": (r"(grain |mass |crop |wet )*flow( rate)?|mass (flow )?rate",
             {"lb_s": (1.0, rf"(lbs?|pounds?){_PER_S}"), "kg_s": (1 / LB_KG, rf"(kgs?|kilograms?){_PER_S}"),
              "t_h": (1e3 / 3600 / LB_KG, r"(t|tonnes?) ?(/|per)? ?h(r|our)?")}),
    "interval": (r"(log(ging)? |record(ing)? )?(interval|duration|period)|cycle( time)?|sec(ond)?s?( between records)?",
                 {"s": (1.0, r"s|sec(ond)?s?"), "ms": (1e-3, "ms|milliseconds?")}),
    "distance": (r"dist(ance)?( travel+ed)?|travel+ed( distance)?|advance", _LENGTHS),
    "swath": (r"(cut(ting)? |swath |header |working |harvest(ed)? )*(width|swath|cut)", _LENGTHS),
    "speed": (r"(ground |vehicle |harvest(er)? )?(speed|velocity)",
              {"mph": (MPH_M_S, r"mph|mi(les)? ?(/|per)? ?h(r|our)?"), "m_s": (1.0, rf"m{_PER_S}|mps"),
               "km_h": (1 / 3.6, r"km ?(/|per)? ?h(r|our)?|kph"), "ft_s": (FT_M, rf"(ft|feet){_PER_S}|fps")}),
    "moisture": (r"(grain |crop )?moist(ure)?( content)?", {"pct": (1.0, "%|pct|percent")}),
}  # fmt: skip
_YIELD: Final = {"yield_bu_ac": 1.0, "yield_t_ha": 1.0 / BU_AC_T_HA}
LOG_ROLES: Final = (
    "longitude", "latitude", *_YIELD, "time", "time_s", "header_down", "pass_id", "machine_id", "season",
    *(f"{quantity}_{unit}" for quantity, (_, units) in _QUANTITIES.items() for unit in units),
)  # fmt: skip
_MOISTURE_OF_CORN: Final = 15.5  # percent, of the 56 lb bushel
_ALIKE = 0.02  # of their size, up to which two columns of one quantity say the same
_PARTS: Final = {
    "flow": "the flow with its unit (lb/s or kg/s)", "swath": "the width that was cut (ft or m)",
    "moisture": "the moisture of the grain (%)", "pace": "the speed (mph, km/h), or distance (ft, m) and seconds",
}  # fmt: skip
_NOUN_UNITS: Final = {"interval": "seconds", "swath": "meters", "moisture": "percent"}
_YIELD_UNITS: Final = ("bu/ac", "t/ha", "kg/ha", "lb/ac")
_SENSIBLE: Final = {"interval": (0.1, 30.0), "swath": (0.3, 25.0), "moisture": (5.0, 45.0)}  # medians; common practice
_PACE_APART: Final = 1.4  # how far distance over seconds and speed may differ before one has the wrong unit
_CORN: Final = re.compile(r"(yellow |white |dent |field |grain )*(corn|maize)( grain)?", re.IGNORECASE)
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
    speed_m_s, swath_m, time_s = reader.quantity("speed"), reader.quantity("swath"), reader.time_s()
    log = YieldLog(
        source=source.name, season=reader.season(), coordinates_m=places.coordinates_m[near],
        yield_bu_ac=reader.yield_bu_ac(speed_m_s, swath_m, time_s), time_s=time_s, moisture_pct=reader.moisture_pct(),
        speed_m_s=speed_m_s, swath_m=swath_m, header_down=reader.header_down(),
        pass_id=reader.whole("pass_id"), machine_id=reader.whole("machine_id"), fields=reader.fields(),
    )  # fmt: skip
    reader.report()
    return log


def _near(xy: NDArray[np.float64], boundary: shapely.Geometry) -> NDArray[np.bool_]:
    west, south, east, north = shapely.bounds(shapely.buffer(boundary, _REACH_M))
    x, y = xy[:, 0], xy[:, 1]
    return np.asarray((x > west) & (x < east) & (y > south) & (y < north), dtype=bool)  # NaN is nowhere


@dataclass(frozen=True, slots=True, kw_only=True)
class LogColumn:
    """A column of a log: its header, the unit it says as one of our names ends ("" for none), the factor of that."""

    header: str
    unit: str
    factor: float = 1.0


def log_columns(headers: Iterable[str]) -> dict[str, list[LogColumn]]:
    """
    What headers of a harvest log hold, by their words and units: flow, interval, distance, swath, speed, moisture.

    Factors go to lb/s, seconds, meters, m/s and percent.

    Examples
    --------
    >>> found = log_columns(["Mass Flow (lb/s)", "SwathWidth_ft", "Seconds", "Yield"])
    >>> [(name, column.unit) for name, (column, *_) in found.items()]
    [('flow', 'lb_s'), ('swath', 'ft'), ('interval', 's')]
    """
    found: dict[str, list[LogColumn]] = {}
    for header in headers:
        text = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", header)
        text = " ".join(re.sub(r"[^a-z0-9/%'\"]+", " ", text.lower()).split())
        for quantity, (words, units) in _QUANTITIES.items():
            called = re.match(rf"({words})(?![a-z])", text)
            if called is None:
                continue
            left = re.sub(r"^(in|of) ", "", text[called.end() :].strip())
            if quantity == "interval" and not left and text.startswith("sec"):
                left = "s"
            unit = next((name for name, (_, written) in units.items() if re.fullmatch(written, left)), "")
            if unit or not left:
                factor = units[unit][0] if unit else 1.0
                found.setdefault(quantity, []).append(LogColumn(header=header, unit=unit, factor=factor))
    return found


class _Reader:
    """Columns of one log in the noun's units; cells that are no number are unknown, and counted."""

    def __init__(self, gate: Gate, table: CellTable, columns: Columns) -> None:
        self.gate, self.files, self.source = gate, gate.files, gate.source
        self.table, self.columns = table, columns
        self.faults = RowFaults(table)
        named = set(columns.mapped.values())
        self.by_words = log_columns(header for header in table.columns if header not in named)

    def quantity(self, quantity: str, *, unsaid: bool = False) -> _Numbers | None:
        """
        One by the field file, our own name, or the words of a header; None without one whose unit is known.

        ``unsaid`` takes a header without a unit for the unit of the noun.
        """
        units = _QUANTITIES[quantity][1]
        for unit, (factor, _) in units.items():
            header = self.columns.find(f"{quantity}_{unit}")
            if header is None:
                continue
            said = next((column.unit for column in log_columns([header]).get(quantity, [])), "")
            if said not in ("", unit):
                self.gate.refuse(
                    f'the header "{header}" says {said.replace("_", "/")}, and it is named {quantity}_{unit}',
                    f"Name it {quantity}_{said} under [layers.yield_potential.columns].",
                )
            return numbers(self.table, header, self.faults) * factor
        known = [column for column in self.by_words.get(quantity, []) if column.unit or unsaid]
        values = [numbers(self.table, column.header, self.faults) * column.factor for column in known]
        if any(not np.allclose(values[0], other, rtol=_ALIKE, equal_nan=True) for other in values[1:]):
            headers = " and ".join(column.header for column in known)
            self.gate.refuse(
                f"the columns {headers} differ, and each could be the {quantity}",
                f'Name the one that is meant under [{self.columns.key}]: {quantity}_{next(iter(units))} = "…".',
            )
        return values[0] if values else None

    def moisture_pct(self) -> _Numbers | None:
        """Grain moisture; a header that says no unit is of percent."""
        return self.quantity("moisture", unsaid=True)

    def yield_bu_ac(self, speed_m_s: _Numbers | None, swath_m: _Numbers | None, time_s: _Numbers | None) -> _Numbers:
        """Dry yield of every record, from its column or else from the flow of grain."""
        found = self._logged_yield()
        flows = [unit for unit in _QUANTITIES["flow"][1] if self.columns.find(f"flow_{unit}") is not None]
        if found is None and (flows or "flow" in self.by_words):
            found = self._yield_of_flow(speed_m_s, swath_m, time_s)
        if found is None:
            self.columns.need("yield_bu_ac")
        if found is None or not np.isfinite(found).any():
            self.faults.raise_if_any()
            self.source.refuse("no record has a yield.", "Check the column that holds the dry yield.")
        ranges.judge(self.gate, ranges.YIELD, np.array([np.nanmedian(found[found > 0])] if (found > 0).any() else []))
        return found

    def _logged_yield(self) -> _Numbers | None:
        """The column of yields: ours, or the only one that says yield and a unit, of dry grain before any other."""
        for role, usual in _YIELD.items():
            name = self.columns.find(role)
            if name is not None:
                if read_header(name).basis not in (None, "dry"):
                    self.gate.refuse(f'the header "{name}" says moist grain', "Name the column of the dry yield.")
                factor = self.gate.factor(name, "bu_ac" if usual == 1.0 else "t_ha", default=usual)
                return numbers(self.table, name, self.faults) * factor
        said = [read_header(name) for name in self.table.columns]
        said = [one for one in said if one.substance == "grain yield" and one.unit in _YIELD_UNITS]
        said = [one for one in said if one.basis == "dry"] or [one for one in said if one.basis is None]
        if len(said) != 1:
            return None
        self.files.note("ingest.column-taken-as", self.source, column=said[0].header, role="yield_bu_ac")
        return numbers(self.table, said[0].header, self.faults) * self.gate.factor(said[0].header, "bu_ac")

    def _yield_of_flow(self, speed_m_s: _Numbers | None, swath_m: _Numbers | None, time_s: _Numbers | None) -> _Numbers:
        """
        Dry yield from the flow of wet grain; NaN where a record stands still or lacks a part.

        References
        ----------
        Luck and Fulton, Best Management Practices for Collecting Accurate Yield Data, University of Nebraska-Lincoln
        Extension EC2004: flow × seconds × 43,560 / (distance × width × 56), brought to 15.5 % moisture.
        """
        flow, distance_m, interval_s = self.quantity("flow"), self.quantity("distance"), self.quantity("interval")
        moisture = self.moisture_pct()
        if interval_s is None and time_s is not None:
            step = np.diff(time_s, prepend=np.nan)
            interval_s = np.where((step > 0) & (step <= _SENSIBLE["interval"][1]), step, np.nan)
        pace_m_s = speed_m_s  # distance over seconds, where both are there
        if distance_m is not None and interval_s is not None:
            self._sensible("interval", interval_s)
            pace_m_s = distance_m / np.where(interval_s > 0, interval_s, np.nan)
            self._same_pace(pace_m_s, speed_m_s)
        if flow is None or swath_m is None or moisture is None or pace_m_s is None:
            self._ask_for_parts(flow=flow, swath=swath_m, moisture=moisture, pace=pace_m_s, distance=distance_m)
        self._sensible("swath", swath_m)
        self._sensible("moisture", moisture)
        self._corn()
        area = np.where(pace_m_s * swath_m > 0, pace_m_s * swath_m, np.nan)  # m² in a second
        grain = np.where((moisture > 0) & (moisture < 100), 100.0 - moisture, np.nan) / (100.0 - _MOISTURE_OF_CORN)
        found = flow * AC_M2 / area / CORN_BU_LB * grain
        if np.isfinite(found).any():
            median = Quantity("yield", float(np.nanmedian(found)))
            self.files.note("ingest.yield-from-flow", self.source, records=int(np.isfinite(found).sum()), median=median)
        return np.asarray(found)

    def _ask_for_parts(self, **parts: _Numbers | None) -> NoReturn:
        """Refuse a log that lacks a part of the yield, naming every part at once."""
        missing = [name for name in _PARTS if parts[name] is None]
        called = {**_PARTS, **({"pace": "the seconds between records"} if parts["distance"] is not None else {})}
        bare = [column.header for columns in self.by_words.values() for column in columns if not column.unit]
        silent = f" No unit is said by {', '.join(bare)}." if bare else ""
        self.source.refuse(
            f"there is a flow of grain and no yield, and a yield needs {'; '.join(called[name] for name in missing)} "
            f"(columns: {self.table.named}).{silent}",
            "Write the unit in the header, or name the column under [layers.yield_potential.columns], "
            'as flow_lb_s = "…", swath_ft = "…", distance_ft = "…", interval_s = "…", moisture_pct = "…".',
        )

    def _same_pace(self, pace_m_s: _Numbers, speed_m_s: _Numbers | None) -> None:
        """Refuse a distance, seconds and a speed that cannot all be in the units they say."""
        both = (pace_m_s > 0) & (speed_m_s > 0) if speed_m_s is not None else np.zeros(len(pace_m_s), dtype=bool)
        apart = float(np.median(pace_m_s[both] / speed_m_s[both])) if speed_m_s is not None and both.any() else 1.0
        if not 1 / _PACE_APART < apart < _PACE_APART:
            self.gate.refuse(
                f"distance over seconds is {apart:.3g} times the speed",
                "One of the three is in another unit: check it.",
            )

    def _sensible(self, quantity: str, values: _Numbers) -> None:
        """Refuse a column of which the usual value is none that a harvester has."""
        known, (low, high) = values[values > 0], _SENSIBLE[quantity]
        clock = quantity == "interval" and known.size > 2 and bool((np.diff(known) > 0).all())
        if known.size and (clock or not low <= np.median(known) <= high):
            self.gate.refuse(
                f"the usual {quantity} is {np.median(known):.4g} {_NOUN_UNITS[quantity]}",
                "Check the column and its unit: a clock is no interval, inches are no feet, a share is no percent.",
            )

    def _corn(self) -> None:
        """Refuse a flow of another crop, where a column says which."""
        name = self.table.find("crop", "grain", "commodity", "grain_type", "crop type")
        crops = {cell.strip() for cell in self.table.column(name)} - {""} if name is not None else set()
        other = sorted(crop for crop in crops if not _CORN.fullmatch(crop))
        if other:
            self.gate.refuse(
                f"the column {name} says {', '.join(other[:3])}, and the yield is worked out for corn",
                "Keep the records of corn, or give the yield itself.",
            )

    def whole(self, role: str) -> NDArray[np.intp] | None:
        """Numbers or names of passes or machines, as numbers from 0 in the order of their first record."""
        name = self.columns.find(role)
        if name is None:
            return None
        order: dict[str, int] = {}
        return np.array([order.setdefault(cell.strip(), len(order)) for cell in self.table.column(name)], dtype=np.intp)

    def fields(self) -> tuple[str, ...]:
        """Names of fields that the records say."""
        name = self.table.find("field", "field_name", "field name")
        return () if name is None else tuple(sorted({cell.strip() for cell in self.table.column(name)} - {""}))

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
        stamp = self.columns.find("time_s")
        if stamp is not None:
            return numbers(self.table, stamp, self.faults)
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
