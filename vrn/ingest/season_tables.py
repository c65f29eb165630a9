"""The user's own trials: a table whose columns end in their unit, and the season book with those of earlier years."""

import hashlib
import json
import math
import sqlite3
from contextlib import closing
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vrn import door
from vrn.errors import InputFileError
from vrn.ingest import ranges
from vrn.ingest.cells import Columns, RowFaults, numbers
from vrn.ingest.gate import Gate, Role
from vrn.ingest.input_files import InputFiles
from vrn.ingest.tables import holds_table, read_table
from vrn.ingest.vectors import read_features
from vrn.model.job import LearningSection
from vrn.model.settings import NitrogenSection
from vrn.model.trials import NitrogenTrial, PastTrial, TrialPlot
from vrn.units import BU_AC_T_HA, LB_AC_KG_HA

_N_RATE = {"n_lb_ac": 1.0, "n_kg_ha": 1.0 / LB_AC_KG_HA}
_YIELD = {"yield_bu_ac": 1.0, "yield_t_ha": 1.0 / BU_AC_T_HA}
_ROLE: Final[dict[str, Role]] = {
    "n_lb_ac": "applied_n", "n_kg_ha": "applied_n", "yield_bu_ac": "bu_ac", "yield_t_ha": "t_ha",
}  # fmt: skip
_KEY = "nitrogen.response_columns"
_MOST_N_LB_AC, _MOST_BU_AC = 600.0, 500.0


def read_trial(files: InputFiles, section: NitrogenSection) -> NitrogenTrial | None:
    """
    Trial that ``[nitrogen] response_trial`` names; None when it names no file.

    The columns are n_lb_ac (or n_kg_ha), yield_bu_ac (or yield_t_ha) and, if there are any, block; ``response_columns``
    names others, whose own unit counts where their header says one. Plots without a rate
    or a yield are left out, with a finding; a number that is no rate or no yield is refused.
    """
    if section.response_trial is None:
        if section.response_columns:
            problem = "nitrogen.response_columns is given, and there is no trial."
            raise InputFileError(problem, 'Name its file: response_trial = "trial.csv" in [nitrogen].')
        return None
    source = files.source(section.response_trial, "nitrogen.response_trial")
    table = read_table(files, source) if holds_table(files, source) else read_features(files, source).table
    columns = Columns(table, section.response_columns, key=_KEY, roles=(*_N_RATE, *_YIELD, "block"))
    gate = Gate(files=files, source=source, section="", accept=None)
    faults = RowFaults(table)
    n_lb_ac = _quantity(gate, columns, _N_RATE, faults, _MOST_N_LB_AC)
    yield_bu_ac = _quantity(gate, columns, _YIELD, faults, _MOST_BU_AC)
    faults.raise_if_any()
    column = columns.find("block", "replicate", "rep")
    block = [cell.strip() for cell in table.column(column)] if column is not None else [""] * len(table)
    known = np.isfinite(n_lb_ac) & np.isfinite(yield_bu_ac)
    if not known.any():
        source.refuse("no plot has both a rate and a yield.", "Fill in the rate and the yield of each plot.")
    ranges.judge(gate, ranges.APPLIED, n_lb_ac[known])
    ranges.judge(gate, ranges.YIELD, yield_bu_ac[known])
    if not known.all():
        files.note("ingest.plots-left-out", source, plots=int((~known).sum()))
    kept = np.flatnonzero(known)
    return NitrogenTrial(
        n_lb_ac=n_lb_ac[kept], yield_bu_ac=yield_bu_ac[kept], block=tuple(block[i] for i in kept), source=source.name
    )


def _quantity(
    gate: Gate, columns: Columns, units: dict[str, float], faults: RowFaults, most: float
) -> NDArray[np.float64]:
    """A column from 0 up in trade units, by whichever unit ends our name, or by that of the header it is mapped to."""
    table = columns.table
    role = next((name for name in units if columns.find(name) is not None), None)
    if role is None:
        problem = f"{table.name}: there is no column {' or '.join(units)} (columns: {table.named})."
        raise InputFileError(problem, f'Add one of them, or name it: {next(iter(units))} = "…" under [{_KEY}].')
    column, factor = columns.need(role), units[role]
    if role in columns.mapped:
        factor = gate.factor(column, _ROLE[role], default=factor)
    values = numbers(table, column, faults)
    for i in np.flatnonzero((values < 0) | (values * factor > most)):
        faults.add(table.row[i], f"{column} is {values[i]:g}", "Check the number and its unit.")
    return values * factor


def read_learning(
    files: InputFiles, section: LearningSection | None, season: int
) -> tuple[LearningSection | None, tuple[PastTrial, ...]]:  # fmt: skip
    """Trials of earlier seasons in the book that ``[learning]`` names, and the section, a server's without a password.

    The hash is of the trials, not of the whole book.
    """
    if section is None:
        return None, ()
    if "://" in section.book:
        name, found = door.call("Book.trials", section.book)
    else:
        name, found = section.book, trials_in(files.source(section.book, "learning.book").path)
    trials = tuple(trial for trial in found if trial.season < season)
    files.inputs[f"{name}{TRIALS}"] = digest_of(trials)
    files.input_keys[f"{name}{TRIALS}"] = "learning.book"
    return replace(section, book=name), trials


TRIALS: Final = "#trials"  # ends the name of a book among a field's inputs
_PAPER: Final = 0x56524E31  # application id of a season book


def trials_in(book: Path) -> tuple[PastTrial, ...]:
    """
    Every harvested trial of a season book, by season, field and block; none in a book from before there were any.

    Raises
    ------
    InputFileError
        If the file is no season book or cannot be read.
    """
    problem, remedy = f"{book} is not a season book.", "Give the season.db that vrn fields or vrn harvest wrote."
    if not book.is_file():
        raise InputFileError(problem, remedy)
    try:
        with closing(sqlite3.connect(f"{book.absolute().as_uri()}?mode=ro", uri=True)) as opened:
            opened.row_factory = sqlite3.Row
            if opened.execute("PRAGMA application_id").fetchone()[0] != _PAPER:
                raise InputFileError(problem, remedy)
            if not opened.execute("SELECT 1 FROM sqlite_master WHERE name = 'trial'").fetchone():
                return ()
            return read_trials(opened)
    except sqlite3.Error as error:
        problem = f"{book} cannot be read: {error}."
        raise InputFileError(problem, remedy) from error


def read_trials(book: Any) -> tuple[PastTrial, ...]:
    """Every harvested trial, from an open connection to a book whose rows give their values by name."""
    plots: dict[int, list[TrialPlot]] = {}
    for row in book.execute("SELECT * FROM plot ORDER BY rowid"):
        plots.setdefault(row["trial"], []).append(_plot(row))
    rows = book.execute("SELECT * FROM trial ORDER BY season, field, block, id").fetchall()
    return tuple(_past_trial(row, tuple(plots.get(row["id"], ()))) for row in rows)


def digest_of(trials: tuple[PastTrial, ...]) -> str:
    """SHA-256 of what trials say."""
    text = json.dumps([asdict(trial) for trial in trials], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _plot(row: Any) -> TrialPlot:
    planned, n_lb_ac, sd, grain = (
        math.nan if row[name] is None else float(row[name])
        for name in ("planned_n_lb_ac", "n_lb_ac", "sd_n_lb_ac", "yield_bu_ac")
    )
    return TrialPlot(
        label=row["label"], planned_n_lb_ac=planned, n_lb_ac=n_lb_ac, sd_n_lb_ac=sd, yield_bu_ac=grain,
        points=row["points"], x_ft=row["x_ft"], y_ft=row["y_ft"], why=row["why"], outline=row["outline"],
    )  # fmt: skip


def _past_trial(row: Any, plots: tuple[TrialPlot, ...]) -> PastTrial:
    plain = {name: row[name] for name in ("field", "season", "block", "rx", "method", "need_lb_ac", "acres",
                                          "harvest_sha256", "applied_sha256")}  # fmt: skip
    return PastTrial(**plain, approved=bool(row["approved"]), supplies=json.loads(row["supplies"]),
                     typical=json.loads(row["typical"]), plots=plots)  # fmt: skip
