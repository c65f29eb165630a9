"""Daily weather and the user's own nitrogen trial: tables whose columns end in their unit, trade or metric."""

from datetime import date

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.ingest.cells import RowFaults, dates, numbers
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.table import CellTable
from vrn.ingest.tables import holds_table, read_table
from vrn.ingest.vectors import read_features
from vrn.model.layers import NitrogenTrial, Weather
from vrn.model.settings import Settings
from vrn.units import BU_AC_T_HA, IN_M, LB_AC_KG_HA

_RAIN = {"rain_in": 1.0, "rain_mm": 1.0 / (IN_M * 1000.0)}
_N_RATE = {"n_lb_ac": 1.0, "n_kg_ha": 1.0 / LB_AC_KG_HA}
_YIELD = {"yield_bu_ac": 1.0, "yield_t_ha": 1.0 / BU_AC_T_HA}
_COLDEST_F, _HOTTEST_F, _WETTEST_IN = -80.0, 140.0, 30.0
_MOST_N_LB_AC, _MOST_BU_AC = 600.0, 500.0


def read_weather(files: InputFiles, settings: Settings) -> Weather | None:
    """Weather that the field file names, its days in order; None when no file is named."""
    if settings.weather is None:
        return None
    source = files.source(settings.weather.file, "weather.file")
    weather, season = _read_days(files, source), settings.header.season
    first, last = weather.days[0], weather.days[-1]
    missing = (last - first).days + 1 - len(weather.days)
    if missing:
        files.warn("ingest.days-missing", source, first=first, last=last, days=missing)
    if not any(day.year == season for day in weather.days):
        files.warn("ingest.weather-of-another-season", source, first=first, last=last, season=str(season))
    if not all(np.isfinite(part).all() for part in (weather.rain_in, weather.tmin_f, weather.tmax_f)):
        files.note("ingest.weather-has-gaps", source)
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


def read_trial(files: InputFiles, name: str | None) -> NitrogenTrial | None:
    """
    Trial that ``[nitrogen] response_trial`` names; None when it names no file.

    The columns are n_lb_ac (or n_kg_ha), yield_bu_ac (or yield_t_ha) and, if there are any, block. Plots without a rate
    or a yield are left out, with a finding; a number that is no rate or no yield is refused.
    """
    if name is None:
        return None
    source = files.source(name, "nitrogen.response_trial")
    table = read_table(files, source) if holds_table(files, source) else read_features(files, source).table
    faults = RowFaults(table)
    n_lb_ac = _quantity(table, _N_RATE, faults, _MOST_N_LB_AC, "Check the number and its unit.")
    yield_bu_ac = _quantity(table, _YIELD, faults, _MOST_BU_AC, "Check the number and its unit.")
    faults.raise_if_any()
    column = table.find("block", "replicate", "rep")
    block = [cell.strip() for cell in table.column(column)] if column is not None else [""] * len(table)
    known = np.isfinite(n_lb_ac) & np.isfinite(yield_bu_ac)
    if not known.any():
        source.refuse("no plot has both a rate and a yield.", "Fill in the rate and the yield of each plot.")
    if not known.all():
        files.note("ingest.plots-left-out", source, plots=int((~known).sum()))
    kept = np.flatnonzero(known)
    return NitrogenTrial(
        n_lb_ac=n_lb_ac[kept], yield_bu_ac=yield_bu_ac[kept], block=tuple(block[i] for i in kept), source=source.name
    )


def _read_days(files: InputFiles, source: Source, *, rain_wanted: bool = True) -> Weather:
    """Days of one table in order."""
    table = read_table(files, source)
    faults = RowFaults(table)
    column = table.find("date", "day")
    if column is None:
        source.refuse(f"there is no column date (columns: {table.named}).", "Add it; write dates as 2026-06-18.")
    days = dates(table, column, faults)
    tmin_f, tmax_f = _temperature(table, "tmin", faults), _temperature(table, "tmax", faults)
    rain_in = np.full(len(table), np.nan)
    if rain_wanted:
        rain_in = _quantity(table, _RAIN, faults, _WETTEST_IN, "Check the rain and its unit; leave unknown days empty.")
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


def _either(table: CellTable, *names: str) -> tuple[str, str]:
    """Which of our names the table has, and what it calls that column."""
    for name in names:
        found = table.find(name)
        if found is not None:
            return name, found
    problem = f"{table.name}: there is no column {' or '.join(names)} (columns: {table.named})."
    raise InputFileError(problem, "Add one of them; the unit ends the name.")


def _quantity(
    table: CellTable, units: dict[str, float], faults: RowFaults, most: float, remedy: str
) -> NDArray[np.float64]:
    """A column from 0 up in trade units, by whichever unit ends its name."""
    name, column = _either(table, *units)
    values = numbers(table, column, faults)
    for i in np.flatnonzero((values < 0) | (values * units[name] > most)):
        faults.add(table.row[i], f"{column} is {values[i]:g}", remedy)
    return values * units[name]


def _temperature(table: CellTable, what: str, faults: RowFaults) -> NDArray[np.float64]:
    name, column = _either(table, f"{what}_f", f"{what}_c")
    values = numbers(table, column, faults)
    degrees_f = values * 1.8 + 32.0 if name.endswith("_c") else values
    for i in np.flatnonzero((degrees_f < _COLDEST_F) | (degrees_f > _HOTTEST_F)):
        problem = f"{column} is {values[i]:g}"
        faults.add(table.row[i], problem, "Check the temperature and its unit; leave unknown days empty.")
    return degrees_f
