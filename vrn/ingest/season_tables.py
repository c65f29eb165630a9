"""The user's own nitrogen trial: a table whose columns end in their unit, trade or metric."""

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.ingest import ranges
from vrn.ingest.cells import RowFaults, numbers
from vrn.ingest.gate import Gate
from vrn.ingest.input_files import InputFiles
from vrn.ingest.table import CellTable
from vrn.ingest.tables import holds_table, read_table
from vrn.ingest.vectors import read_features
from vrn.model.layers import NitrogenTrial
from vrn.units import BU_AC_T_HA, LB_AC_KG_HA

_N_RATE = {"n_lb_ac": 1.0, "n_kg_ha": 1.0 / LB_AC_KG_HA}
_YIELD = {"yield_bu_ac": 1.0, "yield_t_ha": 1.0 / BU_AC_T_HA}
_MOST_N_LB_AC, _MOST_BU_AC = 600.0, 500.0


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
    gate = Gate(files=files, source=source, section="", accept=None)
    ranges.judge(gate, ranges.APPLIED, n_lb_ac[known])
    ranges.judge(gate, ranges.YIELD, yield_bu_ac[known])
    if not known.all():
        files.note("ingest.plots-left-out", source, plots=int((~known).sum()))
    kept = np.flatnonzero(known)
    return NitrogenTrial(
        n_lb_ac=n_lb_ac[kept], yield_bu_ac=yield_bu_ac[kept], block=tuple(block[i] for i in kept), source=source.name
    )


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
