"""``vrn verify``: every written file read again by other readers, and held against the boundary and the summary."""

from pathlib import Path

from vrn.audit.map_checks import area_checks, total_checks
from vrn.audit.model import Check, Verification, passed
from vrn.audit.opened import Opened, open_folder
from vrn.audit.paper_checks import hash_checks, sum_checks, table_checks, zone_checks
from vrn.audit.rate_checks import rate_checks
from vrn.audit.task_checks import raster_checks, task_checks


def verify(folder: str | Path) -> Verification:
    """
    Read a written prescription again and check it.

    Parameters
    ----------
    folder : path
        As ``vrn build`` wrote it.

    Returns
    -------
    verification : Verification
        Its checks say what was compared, with the numbers; a failed one names what is wrong.

    Raises
    ------
    InputFileError
        If the folder has no readable ``summary.json``.

    Notes
    -----
    The readers share no code with the writers: struct, ``xml.etree``, sqlite3 and the json module.
    """
    opened = open_folder(Path(folder))
    checks: list[Check] = [*hash_checks(opened), *opened.checks, *_faultless(opened)]
    checks += sum_checks(opened)
    checks += table_checks(opened)
    checks += zone_checks(opened)
    checks += area_checks(opened)
    checks += task_checks(opened)
    checks += raster_checks(opened)
    checks += total_checks(opened)
    checks += rate_checks(opened)
    return Verification(folder=Path(folder), checks=tuple(checks))


def _faultless(opened: Opened) -> list[Check]:
    """What each file's own structure was found to be, where nothing was wrong with it."""
    wrong = {check.name for check in opened.checks}
    return [passed(name, note) for file in opened.vectors.values() for name, note in file.notes if name not in wrong]
