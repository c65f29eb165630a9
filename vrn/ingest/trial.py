"""The user's own nitrogen trial: rates and yields from a table or the attributes of a vector file."""

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import counted
from vrn.ingest.cells import RowFaults, numbers
from vrn.ingest.intake import Intake
from vrn.ingest.table import Table
from vrn.ingest.tables import holds_table, read_table
from vrn.ingest.vectors import read_features
from vrn.model.trial import NitrogenTrial
from vrn.units import BU_AC_T_HA, LB_AC_KG_HA

_RATE = {"n_lb_ac": 1.0, "n_kg_ha": 1.0 / LB_AC_KG_HA}
_YIELD = {"yield_bu_ac": 1.0, "yield_t_ha": 1.0 / BU_AC_T_HA}
_MOST_N_LB_AC, _MOST_BU_AC = 600.0, 500.0


def read_trial(intake: Intake, name: str | None) -> NitrogenTrial | None:
    """
    Trial that ``[nitrogen] response_trial`` names.

    Parameters
    ----------
    intake : Intake
    name : str or None
        File with columns n_lb_ac (or n_kg_ha), yield_bu_ac (or yield_t_ha) and, if there are any, block.

    Returns
    -------
    trial : NitrogenTrial or None
        None when no file is named; plots without a rate or a yield are left out and told.

    Raises
    ------
    InputFileError
        If a column is missing or a number is no rate or no yield.
    """
    if name is None:
        return None
    source = intake.source(name, "nitrogen.response_trial")
    table = read_table(intake, source) if holds_table(intake, source) else read_features(intake, source).table
    faults = RowFaults(table)
    n_lb_ac = _quantity(table, _RATE, faults, _MOST_N_LB_AC)
    yield_bu_ac = _quantity(table, _YIELD, faults, _MOST_BU_AC)
    faults.raise_if_any()
    column = table.find("block", "replicate", "rep")
    block = [cell.strip() for cell in table.column(column)] if column is not None else [""] * len(table)
    known = np.isfinite(n_lb_ac) & np.isfinite(yield_bu_ac)
    if not known.any():
        problem = f"{source} ({source.key}): no plot has both a rate and a yield."
        raise InputFileError(problem, "Fill in n_lb_ac and yield_bu_ac.")
    if not known.all():
        intake.note(
            source, f"Left out for want of a rate or a yield: {counted(int((~known).sum()), 'plot')}.", "Fill them in."
        )
    kept = np.flatnonzero(known)
    return NitrogenTrial(
        n_lb_ac=n_lb_ac[kept], yield_bu_ac=yield_bu_ac[kept], block=tuple(block[i] for i in kept), source=source.name
    )


def _quantity(table: Table, units: dict[str, float], faults: RowFaults, most: float) -> NDArray[np.float64]:
    """A column in trade units, by whichever unit ends its name."""
    for name, factor in units.items():
        column = table.find(name)
        if column is None:
            continue
        values = numbers(table, column, faults)
        for i in np.flatnonzero((values < 0) | (values * factor > most)):
            faults.add(table.row[i], f"{column} is {values[i]:g}", "Check the number and its unit.")
        return values * factor
    shown = " or ".join(units)
    problem = f"{table.name}: there is no column {shown} (columns: {', '.join(table.columns) or 'none'})."
    raise InputFileError(problem, "Add one of them; the unit ends the name.")
