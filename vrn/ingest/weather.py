"""Daily weather from a table in °F and inches or °C and millimetres."""

from datetime import date

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import counted
from vrn.ingest.cells import RowFaults, dates, numbers
from vrn.ingest.intake import Intake, Source
from vrn.ingest.table import Table
from vrn.ingest.tables import read_table
from vrn.model.settings import Settings
from vrn.model.weather import Weather
from vrn.units import IN_M

_MM_PER_IN = IN_M * 1000.0
_COLDEST_F, _HOTTEST_F, _WETTEST_IN = -80.0, 140.0, 30.0


def read_weather(intake: Intake, settings: Settings) -> Weather | None:
    """
    Weather that the field file names.

    Parameters
    ----------
    intake : Intake
    settings : Settings

    Returns
    -------
    weather : Weather or None
        Days in order; None when no file is named.

    Raises
    ------
    InputFileError
        If a column is missing, a row cannot be used, or a day stands twice.
    """
    if settings.weather is None:
        return None
    source = intake.source(settings.weather.file, "weather.file")
    weather = _read(intake, source)
    known = weather.days
    missing = (known[-1] - known[0]).days + 1 - len(known)
    if missing:
        intake.warn(source, f"Missing between {known[0]} and {known[-1]}: {counted(missing, 'day')}.", "Fill the gaps.")
    if not any(day.year == settings.header.season for day in known):
        intake.warn(source, f"It covers {known[0]} to {known[-1]}, and the season is {settings.header.season}.",
                    "Give the weather of this season.")  # fmt: skip
    if not all(np.isfinite(part).all() for part in (weather.rain_in, weather.tmin_f, weather.tmax_f)):
        intake.note(source, "Some days have no temperature or no rain.", "Fill them in from a station near by.")
    return weather


def read_normals(intake: Intake, settings: Settings) -> Weather | None:
    """
    Long-term daily means that the field file names; rain may be left out.

    Parameters
    ----------
    intake : Intake
    settings : Settings

    Returns
    -------
    normals : Weather or None
        None when no file is named.

    Raises
    ------
    InputFileError
        If a column is missing, a row cannot be used, or a day of the year stands twice.
    """
    if settings.weather is None or settings.weather.normals is None:
        return None
    source = intake.source(settings.weather.normals, "weather.normals")
    normals = _read(intake, source, rain_wanted=False)
    if len({(day.month, day.day) for day in normals.days}) < len(normals.days):
        problem = f"{source}: it holds more than one year."
        raise InputFileError(problem, "Give one row for each day of the year: the mean of that day over the years.")
    return normals


def _read(intake: Intake, source: Source, *, rain_wanted: bool = True) -> Weather:
    """Days of one table in order."""
    table = read_table(intake, source)
    faults = RowFaults(table)
    column = table.find("date", "day")
    if column is None:
        problem = f"{source}: there is no column date (columns: {', '.join(table.columns)})."
        raise InputFileError(problem, "Add it; dates are written as 2026-06-18.")
    days = dates(table, column, faults)
    tmin_f, tmax_f = _temperature(table, "tmin", faults), _temperature(table, "tmax", faults)
    rain_in = _rain(table, faults) if rain_wanted else np.full(len(table), np.nan)
    seen: dict[date, int] = {}
    for i, (day, row) in enumerate(zip(days, table.row, strict=True)):
        if day is None:
            faults.add(row, "the date is empty", "Fill it in, or delete the row.")
        elif day in seen:
            faults.add(row, f"{day} stands in row {seen[day]} too", "Keep one of them.")
        else:
            seen[day] = row
        if tmin_f[i] > tmax_f[i]:
            faults.add(row, "the least temperature is above the greatest", "Swap or mend them.")
    faults.raise_if_any()
    order = sorted(range(len(days)), key=lambda i: days[i] or date.min)
    known = tuple(day for i in order if (day := days[i]) is not None)
    return Weather(days=known, tmin_f=tmin_f[order], tmax_f=tmax_f[order], rain_in=rain_in[order], source=source.name)


def _either(table: Table, us: str, metric: str) -> tuple[str, bool]:
    """The column there is, and whether it is metric."""
    for name, is_metric in ((us, False), (metric, True)):
        found = table.find(name)
        if found is not None:
            return found, is_metric
    problem = f"{table.name}: there is no column {us} or {metric} (columns: {', '.join(table.columns)})."
    raise InputFileError(problem, "Add one of them; the unit ends the name.")


def _temperature(table: Table, what: str, faults: RowFaults) -> NDArray[np.float64]:
    name, metric = _either(table, f"{what}_f", f"{what}_c")
    values = numbers(table, name, faults)
    degrees_f = values * 1.8 + 32.0 if metric else values
    for i in np.flatnonzero((degrees_f < _COLDEST_F) | (degrees_f > _HOTTEST_F)):
        faults.add(
            table.row[i], f"{name} is {values[i]:g}", "Check the temperature and its unit; leave unknown days empty."
        )
    return degrees_f


def _rain(table: Table, faults: RowFaults) -> NDArray[np.float64]:
    name, metric = _either(table, "rain_in", "rain_mm")
    values = numbers(table, name, faults)
    rain_in = values / _MM_PER_IN if metric else values
    for i in np.flatnonzero((rain_in < 0) | (rain_in > _WETTEST_IN)):
        faults.add(table.row[i], f"{name} is {values[i]:g}", "Check the rain and its unit; leave unknown days empty.")
    return rain_in
