"""Daily weather: temperatures and rain by the words and the unit of their headers, held against that unit."""

import re
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.ingest.cells import RowFaults, dates, numbers
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.table import CellTable
from vrn.ingest.tables import read_table
from vrn.model.layers import Weather
from vrn.model.settings import Settings
from vrn.units import IN_M

Array = NDArray[np.float64]
_TRACE: Final = {"t", "tr", "trace"}  # rain too little to measure: 0, as the National Weather Service adds it up
_MISSING: Final = {"m", "mm", "msg"}  # an observation that is missing, in the Service's tables
_SUMMER: Final = (6, 7, 8)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Unit:
    """A unit of the weather: the end of our name, its words, and what a value is in °F or inches."""

    ending: str
    words: frozenset[str]
    factor: float = 1.0
    offset: float = 0.0


_F = _Unit(ending="f", words=frozenset(("f", "degf", "fahrenheit")))
_C = _Unit(ending="c", words=frozenset(("c", "degc", "celsius", "centigrade")), factor=1.8, offset=32.0)
_IN = _Unit(ending="in", words=frozenset(("in", "inch", "inches")))
_MM = _Unit(
    ending="mm", words=frozenset(("mm", "millimeter", "millimeters", "millimetre", "millimetres")),
    factor=1.0 / (IN_M * 1000.0),
)  # fmt: skip
_CM = _Unit(ending="cm", words=frozenset(("cm", "centimeters", "centimetres")), factor=1.0 / (IN_M * 100.0))
_UNITS: Final = {"tmin": (_F, _C), "tmax": (_F, _C), "rain": (_IN, _MM, _CM)}
_WORDS: Final = {
    "tmin": frozenset(("tmin", "mintemp", "min", "minimum", "low", "lo", "mint")),
    "tmax": frozenset(("tmax", "maxtemp", "max", "maximum", "high", "hi", "maxt")),
    "rain": frozenset(("rain", "rainfall", "precip", "precipitation", "prcp", "pcp", "pcpn", "ppt")),
}
_BESIDE: Final = frozenset(("temp", "temperature", "air", "daily", "deg", "degrees", "total", "sum", "t"))
# what no day holds. °F: 134 and -80 are the records of the world and of the States; rain: 12 in is beyond the day of
# record of most of the corn states, 60 in the month of record of the States: from memory
_COLDEST_F, _HOTTEST_F, _WETTEST_DAY_IN, _WETTEST_MONTH_IN = -80.0, 134.0, 12.0, 60.0
_WET_DAY_IN: Final = 2.0  # mean of the days with rain that no season has; a third of an inch is usual: from memory
_COLD_SUMMER_F: Final = {"tmin": 25.0, "tmax": 42.0}  # no day of June to August in the corn states: from memory
_LEVEL_DAYS: Final = 3  # whose night is as warm as the day, which is seldom so once: common practice, no source
_FEW: Final = 3
_A_FORTNIGHT: Final = 14  # days of which one has rain enough to tell its unit
_MOST_GAPS: Final = 0.1  # of the days, without a value, that a person need not look at: a choice of this project
_DRY_DAYS: Final = 40  # in a row without rain, which corn ground seldom has in a season: common practice, no source


def read_weather(files: InputFiles, settings: Settings) -> Weather | None:
    """Weather that the field file names, its days in order; None when no file is named."""
    if settings.weather is None:
        return None
    source = files.source(settings.weather.file, "weather.file")
    weather, season = _read_days(files, source), settings.header.season
    first, last = weather.days[0], weather.days[-1]
    missing = (last - first).days + 1 - len(weather.days)
    if missing:
        files.warn("weather.days-missing", source, first=first, last=last, days=missing)
    if not any(day.year == season for day in weather.days):
        files.warn("weather.of-another-season", source, first=first, last=last, season=str(season))
    gaps = max(float(np.isnan(part).mean()) for part in (weather.rain_in, weather.tmin_f, weather.tmax_f))
    if gaps:
        (files.warn if gaps > _MOST_GAPS else files.note)("weather.has-gaps", source)
    level = int((weather.tmax_f - weather.tmin_f <= 0).sum())
    if level > _LEVEL_DAYS:
        files.warn("weather.no-night", source, days=level)
    if len(weather.days) >= _DRY_DAYS and not np.nansum(weather.rain_in):
        files.warn("weather.no-rain", source, days=len(weather.days))
    return weather


def read_normals(files: InputFiles, settings: Settings) -> Weather | None:
    """Long-term daily means that the field file names, one of each day of the year; rain may be left out."""
    if settings.weather is None or settings.weather.normals is None:
        return None
    source = files.source(settings.weather.normals, "weather.normals")
    normals = _read_days(files, source, rain_wanted=False)
    if len({(day.month, day.day) for day in normals.days}) < len(normals.days):
        source.refuse(
            "it holds more than one year.",
            "Give one row for each day of the year: the mean of that day over the years.",
        )
    return normals


def _read_days(files: InputFiles, source: Source, *, rain_wanted: bool = True) -> Weather:
    """Days of one table in order."""
    table = read_table(files, source)
    faults = RowFaults(table)
    column = table.find("date", "day")
    if column is None:
        source.refuse(f"there is no column date (columns: {table.named}).", "Add it; write dates as 2026-06-18.")
    days = dates(table, column, faults)
    tmin_f, tmax_f = (_column(files, source, table, what, days, faults) for what in ("tmin", "tmax"))
    rain_in = _column(files, source, table, "rain", days, faults) if rain_wanted else np.full(len(table), np.nan)
    seen: dict[date, int] = {}
    for i, (day, row) in enumerate(zip(days, table.row, strict=True)):
        if day is None:
            faults.add(row, "the date is empty", "Fill it in, or delete the row.")
        elif day in seen:
            faults.add(row, f"{day} is in row {seen[day]} too", "Keep one of them.")
        else:
            seen[day] = row
        if tmin_f[i] > tmax_f[i]:
            faults.add(row, "the low temperature is above the high", "Swap or fix them.")
    faults.raise_if_any()
    order = sorted(range(len(days)), key=lambda i: days[i] or date.min)
    known = tuple(day for i in order if (day := days[i]) is not None)
    return Weather(days=known, tmin_f=tmin_f[order], tmax_f=tmax_f[order], rain_in=rain_in[order], source=source.name)


def has_weather(table: CellTable) -> bool:
    """Whether a table is one of days: a date, and two of low, high and rain by the words of their headers."""
    known = sum(any(_is_called(column, what) for column in table.columns) for what in _UNITS)
    return table.find("date", "day") is not None and known >= 2


def _is_called(column: str, what: str) -> bool:
    """Whether a header says one thing of the weather and nothing else, its unit aside."""
    words = _words(column)
    units = frozenset().union(*(unit.words for unit in _UNITS[what]))
    return bool(words & _WORDS[what]) and not words - _WORDS[what] - _BESIDE - units


def _header(table: CellTable, what: str) -> tuple[str, _Unit]:
    """The column of one thing and its unit, by our own name or by the words of the header."""
    own = [(name, unit) for unit in _UNITS[what] if (name := table.find(f"{what}_{unit.ending}")) is not None]
    if len(own) > 1:
        problem = f"{table.name}: {own[0][0]} and {own[1][0]} are both there."
        raise InputFileError(problem, "Keep one of them.")
    if own:
        return own[0]
    found: list[tuple[str, list[_Unit]]] = []
    for column in table.columns:
        words = _words(column)
        if _is_called(column, what):
            found.append((column, [unit for unit in _UNITS[what] if words & unit.words]))
    names = " or ".join(f"{what}_{unit.ending}" for unit in _UNITS[what][:2])
    if len(found) != 1:
        seen = f"{' and '.join(column for column, _ in found)} could each be it" if found else f"columns: {table.named}"
        problem = f"{table.name}: there is no column {names} ({seen})."
        raise InputFileError(problem, "Add one of them; the unit ends the name.")
    column, units = found[0]
    if len(units) != 1:
        problem = f"{table.name}: the column {column} does not say its unit."
        raise InputFileError(problem, f"Call it {names}.")
    return column, units[0]


def _words(header: str) -> frozenset[str]:
    """Words of a header, lower case: ``TMAX (°F)`` → tmax, f."""
    plain = header.lower().replace('"', " inches ").replace("°", " ").replace("º", " ")
    return frozenset(re.findall(r"[a-z]+", plain))


def _column(files: InputFiles, source: Source, table: CellTable, what: str, days: list[date | None],
            faults: RowFaults) -> Array:  # fmt: skip
    """One thing in °F or inches; a column whose values contradict its unit is refused."""
    name, unit = _header(table, what)
    ours = f"{what}_{unit.ending}"
    if name.lower() != ours:
        files.note("ingest.column-taken-as", source, column=name, role=ours)
    at, trace = table.columns.index(name), 0
    cells = []
    for row in table.cells:
        cell = row[at].strip().lower()
        drop = what == "rain" and cell in _TRACE
        trace += drop
        cells.append([*row[:at], "0" if drop else "" if cell in _MISSING else row[at], *row[at + 1 :]])
    if trace:
        files.note("weather.trace-of-rain", source, days=trace)
    plain = CellTable(name=table.name, columns=table.columns, cells=cells, row=table.row, delimiter=table.delimiter,
                      row_word=table.row_word)  # fmt: skip
    values = numbers(plain, name, faults)
    converted = values * unit.factor + unit.offset
    months = np.array([0 if day is None else day.month for day in days], dtype=int)
    reason = _rain_reason(converted, days) if what == "rain" else _heat_reason(what, converted, months)
    other = next(one for one in _UNITS[what] if one is not unit)
    remedy = f"Look up what its unit is. If it is {_SPELLED[other.ending]}, call the column {what}_{other.ending}."
    if reason:
        source.refuse(f"{name} runs from {np.nanmin(values):g} to {np.nanmax(values):g}. {reason}", remedy)
    if what == "rain" and _doubtful(converted):
        files.warn("weather.rain-in-doubt", source, column=name)
    if what != "rain":
        cold = np.isin(months, _SUMMER) & (converted < _COLD_SUMMER_F[what])
        if cold.any():
            first = str(table.row[int(np.flatnonzero(cold)[0])])
            files.warn("weather.cold-summer", source, column=name, days=int(cold.sum()), row=first)
    low, high = (0.0, _WETTEST_DAY_IN) if what == "rain" else (_COLDEST_F, _HOTTEST_F)
    remedy = f"Check that value and its unit; leave unknown days empty. {remedy}"
    for i in np.flatnonzero((converted < low) | (converted > high)):
        faults.add(table.row[i], f"{name} is {values[i]:g}", remedy)
    return converted


_SPELLED: Final = {"f": "°F", "c": "°C", "in": "inches", "mm": "millimeters"}


def _heat_reason(what: str, degrees_f: Array, months: NDArray[np.int_]) -> str:
    """
    Why temperatures cannot be in the unit of their header; empty when they can.

    In a corn season few June days stay below 45 °F and few nights below 35 °F; few May nights go below 20 °F; ten days
    after March do not all stay below 38 °F. No record has a middle day above 113 °F (45 °C), or 95 °F from November to
    April; nor a middle night above 95 °F, or 86 °F in spring and from November on. From memory of the climate of the
    corn states.
    """
    known = np.isfinite(degrees_f)
    summer, cool = known & np.isin(months, _SUMMER), known & np.isin(months, (1, 2, 3, 4, 11, 12))
    spring = known & np.isin(months, (4, 5))
    warm = known & np.isin(months, (5, 6, 7, 8, 9))
    may = known & (months == 5)
    grown = known & (months >= 4) & (months <= 10)
    by_day = (
        (summer, "from June to August", 0.2, _FEW, 45.0), (warm, "from May to September", 0.9, 5, 45.0),
        (may, "in May", 0.3, 5, 42.0),
    )  # fmt: skip
    by_night = (
        (summer, "from June to August", 0.2, 5, 35.0), (warm, "from May to September", 0.9, 5, 35.0),
        (may, "in May", 0.2, 5, 20.0),
    )  # fmt: skip
    all_cold = (grown, "from April to October", 1.0, 10, 38.0)
    for season, name, share, days, cold_f in (*by_day, all_cold) if what == "tmax" else by_night:
        cold = degrees_f[season] <= cold_f
        if season.sum() >= days and cold.mean() >= share:
            return f"On {cold.sum()} days {name} it would be {cold_f:g} °F or less, and corn does not grow there."
    hot = 113.0 if what == "tmax" else 95.0
    for season, most in (
        (known, hot),
        (cool, 95.0 if what == "tmax" else 86.0),
        (spring, hot if what == "tmax" else 86.0),
    ):
        if season.sum() >= _FEW and np.median(degrees_f[season]) > most:
            return f"The middle one would be {np.median(degrees_f[season]):.0f} °F, which no place has."
    return ""


def _rain_reason(inches: Array, days: list[date | None]) -> str:
    """Why rain cannot be in the unit of its header; empty when it can."""
    known = np.flatnonzero(np.isfinite(inches))
    if not len(known) or (inches[known] < 0).any():
        return ""
    if (inches[known] > _WETTEST_DAY_IN).sum() > 1:  # one alone is a slip of its row
        return f"A day would have {inches[known].max():,.0f} in of rain."
    by_month: dict[tuple[int, int], float] = {}
    for i in known:
        day = days[i]
        if day is not None:
            by_month[day.year, day.month] = by_month.get((day.year, day.month), 0.0) + float(inches[i])
    if by_month and max(by_month.values()) > _WETTEST_MONTH_IN:
        return f"A month would have {max(by_month.values()):,.0f} in of rain."
    wet = inches[known][inches[known] > 0]
    if len(wet) >= 5 and wet.mean() > _WET_DAY_IN:
        return f"Its days with rain would have {wet.mean():.1f} in each on average."
    steps = np.diff(inches[known])
    if len(known) >= 10 and (steps >= 0).all() and (steps > 0).sum() >= 4:
        return "It only rises, as a running total does and rain of a day does not."
    return ""


def _doubtful(inches: Array) -> bool:
    """
    Whether the days with rain are so small, or so large, as they are in another unit than their header's.

    A day with rain brings a third of an inch or so. Under millimeters, inches make less than 1.5 mm of it, or less than
    3 mm in all, and never 5 mm; under inches, millimeters make more than 2 in. From memory of the corn states.
    """
    known = inches[np.isfinite(inches)]
    wet_mm = known[known > 0] * IN_M * 1000.0
    days = len(wet_mm)
    if not days:
        return False
    total, most = float(wet_mm.sum()), float(wet_mm.max())
    low = total < 1.5 * max(days, 2) and (days > 1 or len(known) >= _A_FORTNIGHT)
    heavy = total > _WET_DAY_IN * 25.4 * (days if days > 1 else 2)
    return low or heavy or (days >= 5 and most < 5.0) or (days >= 10 and total > 23.0 * days)
