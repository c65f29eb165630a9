"""Results of a field: applied totals, strip yields, stalk tests and trials, read, classed and fitted."""

import math
import os
from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Final

import numpy as np

from vrn.errors import InputFileError, OutOfRangeError
from vrn.findings import Finding, Quantity, note
from vrn.many.book import Entry
from vrn.many.book_events import FROM_FILE
from vrn.model.applied import Comparison
from vrn.model.season import Outcome, ZoneStalks
from vrn.model.trials import PastTrial, StripResponse
from vrn.nitrogen.late_spring import next_year_cut_share, stalk_class
from vrn.response import fit_response
from vrn.response.fit import fit_quadratic
from vrn.response.loss import ANCHOR
from vrn.response.payoff import GRAIN_LB_BU

_KINDS = ("applied_n_lb", "applied_product", "strip_yield_bu_ac", "stalk_nitrate_ppm")


def read_outcomes(path: Path, entries: tuple[Entry, ...]) -> tuple[tuple[Outcome, ...], tuple[Finding, ...]]:
    """Outcomes from a CSV, and what the files that it names left to tell.

    Its columns are field (a name or an id), what, value and, where they apply, grower, farm, zone, rate_n_lb_ac, file,
    note and on, the day it was. ``applied_n_lb`` without a value takes it zone by zone from an as-applied ``file``,
    relative to the table. A strip with a ``zone`` and no rate has the rate that was prescribed there. InputFileError
    names the row of a field that is not in the book, an unknown ``what``, or a value that is no number.
    """
    from vrn.ingest.input_files import InputFiles
    from vrn.ingest.tables import read_csv_table

    files = InputFiles(path.absolute().parent)
    table = read_csv_table(files, files.source(path.name, "--record"))
    columns: dict[str, list[str]] = {}
    for name in ("field", "what", "value", "grower", "farm", "zone", "rate_n_lb_ac", "file", "note", "on"):
        column = table.find(name)
        if column is None and name in ("field", "what"):
            problem = f"{path.name}: there is no column {name} (columns: {', '.join(table.columns)})."
            remedy = (
                "The columns are field, what, value, and if need be grower, farm, zone, rate_n_lb_ac, file, note, on."
            )
            raise InputFileError(problem, remedy)
        columns[name] = table.column(column) if column is not None else [""] * len(table)
    found: dict[tuple[object, ...], int] = {}
    outcomes: list[Outcome] = []
    told: list[Finding] = []
    for row, *texts in zip(table.row, *columns.values(), strict=True):
        cells = {name: text.strip() for name, text in zip(columns, texts, strict=True)}
        place = f"{path.name} row {row}"
        if cells["file"] and not cells["value"]:
            from vrn.audit import compare

            entry = entry_of(cells["field"], place, entries, grower=cells["grower"], farm=cells["farm"])
            if cells["what"] != "applied_n_lb":
                problem = f"{place}: a file stands for applied_n_lb only, not for {cells['what']}."
                raise InputFileError(problem, "Give the value.")
            comparison = compare(entry.folder, path.absolute().parent / cells["file"])
            outcomes += applied_outcomes(comparison, key=entry.key, on=_day(cells["on"], place))
            told += [replace(one, about=f"{place}, {one.about}") for one in comparison.findings]
            continue
        item = _outcome(cells, place, entries)
        same = (item.key or item.field, item.what, item.zone, item.rate_n_lb_ac, item.note)
        if same in found:
            problem = f"{path.name}: rows {found[same]} and {row} are of the same field, kind, zone, rate and note."
            raise InputFileError(problem, "Tell them apart by zone or note; the later would take the earlier's place.")
        found[same] = row
        outcomes.append(item)
    return tuple(outcomes), tuple(told)


def applied_outcomes(comparison: Comparison, *, key: str = "", on: date | None = None) -> tuple[Outcome, ...]:
    """Nitrogen applied by zone, no-apply ground as zone 0, and what went beyond all zones. [lb N]

    A check strip is a zone of its own, and has its own row. The note is the name of the machine's file: the same file
    again takes its own place. ``key`` is the field's in the book.
    """
    total = comparison.applied_product * comparison.n_lb_per_unit
    by_zone = {zone.zone: zone.total_n_lb for zone in comparison.zones if zone.zone or zone.total_n_lb}
    note = f"{FROM_FILE}{Path(comparison.source).name}"
    beyond = total - sum(by_zone.values())
    rows: list[tuple[int | None, float]] = [*by_zone.items()]
    rows += [(None, beyond)] if beyond > 1e-6 * total else []
    return tuple(
        Outcome(field=comparison.field, season=comparison.season, what="applied_n_lb", value=n_lb, note=note, zone=zone,
                key=key, on=on)
        for zone, n_lb in rows
    )  # fmt: skip


def _outcome(cells: dict[str, str], place: str, entries: tuple[Entry, ...]) -> Outcome:
    """One row of the table that says its own value."""
    what = cells["what"]
    entry = entry_of(cells["field"], place, entries, grower=cells["grower"], farm=cells["farm"])
    if what not in _KINDS:
        problem = f"{place}: {what!r} is nothing a season book keeps."
        raise InputFileError(problem, f"Take one of {', '.join(_KINDS)}.")
    value = _number(cells["value"], f"{place}, value")
    rate = _number(cells["rate_n_lb_ac"], f"{place}, rate_n_lb_ac") if cells["rate_n_lb_ac"] else None
    zone = _zone(cells["zone"], place, entry)
    if rate is None and zone is not None and what == "strip_yield_bu_ac":
        rate = _rates(entry).get(zone)
    return Outcome(
        field=entry.field, season=entry.season or 0, what=what, value=value, rate_n_lb_ac=rate, note=cells["note"],
        zone=zone, key=entry.key, on=_day(cells["on"], place),
    )  # fmt: skip


def _day(text: str, place: str) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError:
        problem = f"{place}, on: {text!r} is not a day."
        raise InputFileError(problem, "Write it as 2026-06-18.") from None


def _rates(entry: Entry) -> dict[int, float]:
    """Prescribed rate of each zone. [lb N/ac]"""
    return {int(zone["zone"]): float(zone["rate_n_lb_ac"]) for zone in entry.summary.get("zones", ())}


def _zone(text: str, place: str, entry: Entry) -> int | None:
    """Zone of a row; one that the prescription does not have is refused."""
    if not text:
        return None
    known = _rates(entry)
    if not text.isdecimal() or (known and int(text) not in known):
        problem = f"{place}: {text!r} is no zone of {entry.field}."
        zones = ", ".join(map(str, sorted(known))) or "numbered from 1"
        raise InputFileError(problem, f"Its zones: {zones}.")
    return int(text)


def entry_of(field: str, place: str, entries: Iterable[Entry], *, grower: str = "", farm: str = "") -> Entry:
    """The book's one field of a name or an id, in its last season; of several, the grower's and farm's."""
    known = [entry for entry in entries if entry.season is not None]
    mine = [entry for entry in known if field == entry.field or field in (entry.key, *entry.keys)]
    mine = [one for one in mine if (not grower or one.grower == grower) and (not farm or one.farm == farm)]
    mine = [one for one in mine if one.season == max(other.season or 0 for other in mine)]
    if not mine:
        names = sorted({entry.field for entry in known})
        whose = "".join(f", {name}" for name in (grower, farm) if name)
        problem = f"{place}: the field {field!r}{whose} is not in the book."
        raise InputFileError(problem, f"Fields in the book: {', '.join(names) or 'none'}.")
    if len(mine) > 1:
        whose = " and ".join(", ".join(filter(None, (one.grower, one.farm, one.field_file))) for one in mine)
        problem = f"{place}: the book has {len(mine)} fields called {field!r} ({whose})."
        raise InputFileError(
            problem, "Say which: fill in grower and farm, or give the field's id in place of its name."
        )
    return mine[0]


def key_of_folder(folder: Path, field: str, entries: tuple[Entry, ...]) -> str:
    """Key of the field whose prescription lies in a folder, or whose name it has; empty where the book has neither."""
    there = os.path.realpath(folder)
    for entry in entries:
        if os.path.realpath(entry.folder) == there:
            return entry.key
    return entry_of(field, str(folder), entries).key if any(entry.field == field for entry in entries) else ""


def _number(text: str, place: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0 <= value < 1e9:
        problem = f"{place}: {text.strip()!r} is not a number from 0 up."
        raise InputFileError(problem, "Give plain numbers, without unit or thousands separator.")
    return value


def strip_responses(
    strips: tuple[Outcome, ...], *, lies_in: Mapping[int, int] | None = None, corn_per_bu: float | None = None,
    n_per_lb: float | None = None,
) -> tuple[StripResponse, ...]:  # fmt: skip
    """Fit the strips of one field that have a rate, each zone (or pair, by its note) by itself.

    ``lies_in`` leads from a check strip's zone to that of the need it was laid in. Rates are those of the pass: what
    was on before shifts a response and does not bend it.

    >>> rates = (60.0, 100.0, 140.0, 180.0)
    >>> strips = tuple(Outcome(field="Ash", season=2026, what="strip_yield_bu_ac", value=100 + n - 0.0025 * n * n,
    ...                        rate_n_lb_ac=n) for n in rates)
    >>> round(strip_responses(strips, corn_per_bu=4.0, n_per_lb=0.4)[0].optimum_n_lb_ac, 3)
    180.0
    """
    within, groups = lies_in or {}, dict[str, list[Outcome]]()
    for item in strips:
        where = item.note if item.zone is None else f"zone {within.get(item.zone, item.zone)}"
        if item.rate_n_lb_ac is not None:
            groups.setdefault(where, []).append(item)
    return tuple(_response(where or "strips", mine, corn_per_bu, n_per_lb) for where, mine in sorted(groups.items()))


def _response(where: str, strips: list[Outcome], corn_per_bu: float | None, n_per_lb: float | None) -> StripResponse:
    rates, grain = [item.rate_n_lb_ac or 0.0 for item in strips], [item.value for item in strips]
    try:
        fit = fit_response(rates, grain, block=[""] * len(strips))
    except InputFileError as error:
        low, high = int(np.argmin(rates)), int(np.argmax(rates))
        if rates[low] == rates[high]:
            why = note("nitrogen.strips-unused", where, problem=error.problem, remedy=error.remedy)
        else:
            least, most = (Quantity("rate", rates[place]) for place in (low, high))
            gain = Quantity("yield", grain[high] - grain[low])
            why = note("season.trial-strips", where, plots=len(strips), least=least, most=most, gain=gain)
        return StripResponse(findings=(why,), where=where)
    shape = note("nitrogen.trial-response", where, **fit.quantities())
    (_, b, c), (_, b_se, c_se) = fit.coefficients.tolist(), fit.errors.tolist()
    found = StripResponse(findings=(shape,), where=where, form=fit.form, observations=fit.observations, b=b,
                          b_se=_known(b_se), c=c, c_se=_known(c_se))  # fmt: skip
    if corn_per_bu is None or n_per_lb is None:
        return replace(found, findings=(shape, note("nitrogen.strips-without-prices", where)))
    best, low_n, high_n = fit.best(price_ratio=n_per_lb / corn_per_bu)
    band = fit.band(corn_per_bu=corn_per_bu, n_per_lb=n_per_lb)
    paying = fit.paying("nitrogen.strips-best-rate", where, corn_per_bu, n_per_lb)
    return replace(
        found, findings=(shape, *paying), optimum_n_lb_ac=best, least_n_lb_ac=_known(low_n),
        most_n_lb_ac=_known(high_n), low_n_lb_ac=band.low_n_lb_ac, high_n_lb_ac=band.high_n_lb_ac,
    )  # fmt: skip


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def stalks_by_zone(stalks: tuple[Outcome, ...]) -> tuple[ZoneStalks, ...]:
    """Class of each zone's mean stalk nitrate, and what it says for next year.

    >>> test = Outcome(field="Ash", season=2026, what="stalk_nitrate_ppm", value=2600.0, zone=2)
    >>> stalks_by_zone((test,))
    (ZoneStalks(zone=2, stalk_ppm=2600.0, stalk_class='excess', cut_share=0.25),)
    """
    found = []
    for zone in sorted({item.zone for item in stalks}, key=lambda zone: (zone is None, zone or 0)):
        values = [item.value for item in stalks if item.zone == zone]
        mean = sum(values) / len(values)
        found.append(ZoneStalks(zone=zone, stalk_ppm=mean, stalk_class=stalk_class(mean)[0],
                                cut_share=next_year_cut_share(mean)[0]))  # fmt: skip
    return tuple(found)


_LITTLE_BU_AC: Final = 5.0  # a gain below it is none that a grower would see: a choice of this project
_CONFIDENCE: Final = 0.90


def says_alone(trial: PastTrial, *, price_ratio: float = ANCHOR) -> Finding:
    """What the yields of one trial say of the best rate, by a quadratic and Fieller's interval."""
    kept = [plot for plot in trial.plots if not plot.why]
    rates, grain = (np.array([getattr(plot, name) for plot in kept]) for name in ("n_lb_ac", "yield_bu_ac"))
    least, most = Quantity("rate", float(rates.min())), Quantity("rate", float(rates.max()))
    try:
        fit = fit_quadratic(rates, grain)
    except OutOfRangeError:
        gain = Quantity("yield", float(grain[rates.argmax()] - grain[rates.argmin()]))
        return note("season.trial-strips", trial.block, plots=len(kept), gain=gain, least=least, most=most)
    best = fit.optimum(price_ratio=price_ratio, confidence=_CONFIDENCE)
    ends = np.vander([rates.min(), rates.max()], 3, increasing=True)
    rise = (ends[1] - ends[0]) @ fit.coefficients
    error = float(np.sqrt((ends[1] - ends[0]) @ fit.covariance @ (ends[1] - ends[0])))
    bends = bool(fit.coefficients[2] < 0)
    told = {"least": least, "most": most, "gain": Quantity("yield", float(rise))}
    peak = float(np.ptp(np.vander(np.linspace(rates.min(), rates.max(), 25), 3, increasing=True) @ fit.coefficients))
    if peak < _LITTLE_BU_AC:
        return note("season.trial-flat", trial.block, **told)
    if rise > 1.645 * error and (not bends or best.point >= rates.max()):
        return note("season.trial-rising", trial.block, **told)
    if best.kind != "between" or not bends:
        return note("season.trial-unbounded", trial.block, **told)
    low, high = (Quantity("rate", float(np.clip(end, rates.min(), rates.max()))) for end in (best.low, best.high))
    point = Quantity("rate", float(np.clip(best.point, rates.min(), rates.max())))
    code = "season.trial-bounded" if best.high <= rates.max() else "season.trial-or-more"
    return note(code, trial.block, point=point, low=low, high=high, **told)


def balance_of(trial: PastTrial) -> Finding:
    """Nitrogen applied on the plots of a trial less what their grain took away."""
    kept = [plot for plot in trial.plots if not plot.why]
    applied, grain = (float(np.mean([getattr(plot, name) for plot in kept])) for name in ("n_lb_ac", "yield_bu_ac"))
    return note("season.trial-balance", trial.block, applied=Quantity("rate", applied), grain=Quantity("yield", grain),
                left=Quantity("rate", applied - GRAIN_LB_BU * grain))  # fmt: skip
