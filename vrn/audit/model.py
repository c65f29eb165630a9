"""What an audit returns: checks as codes with their quantities, and the zones as a file really gives them."""

from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.findings import Level, Quantity, note


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """
    One thing that was checked.

    Parameters
    ----------
    code : str
        Names the sentence in the catalogue, ``"audit.what"``.
    about : str
        The file, or ``"all files"``.
    quantities : dict of str to Quantity
        What the sentence is filled with.
    """

    code: str
    ok: bool
    about: str
    quantities: dict[str, Quantity] = field(default_factory=dict, hash=False)

    @property
    def level(self) -> Level:
        """``warning`` when a person must look."""
        return "note" if self.ok else "warning"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """
    All checks of one folder.

    Parameters
    ----------
    units : {"us", "metric"}
        In which the field's files speak.
    checks : tuple of Check
        In the order they were made.
    """

    folder: Path
    units: str
    checks: tuple[Check, ...]

    @property
    def ok(self) -> bool:
        """Whether nobody needs to look."""
        return not self.failed

    @property
    def failed(self) -> tuple[Check, ...]:
        """Checks that a person must look at."""
        return tuple(check for check in self.checks if not check.ok)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FileZones:
    """
    Zones as one file gives them, a row for each single polygon.

    Parameters
    ----------
    zone : ndarray of int, shape (n,)
    rate : ndarray, shape (n,)
        In ``unit``.
    polygons : ndarray of shapely Polygon, shape (n,)
        In ``crs``.
    checks : tuple of Check
        What was found of the file itself.
    columns : tuple of str
        Names of the rate, zone and unit columns, where it has any.
    stated_n_lb_ac : ndarray, shape (n,)
        Nitrogen that it states beside product; empty where it does not. [lb N/ac]
    """

    zone: NDArray[np.int64]
    rate: NDArray[np.float64]
    unit: tuple[str, ...]
    polygons: NDArray[np.object_]
    crs: str
    checks: tuple[Check, ...] = ()
    columns: tuple[str, ...] = ()
    stated_n_lb_ac: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """Boundary and no-apply ground as ``layers.gpkg`` gives them, in ``crs``, a projected system in metres."""

    crs: str
    boundary: shapely.Geometry
    no_apply: shapely.Geometry
    zones: FileZones


class UnreadableError(Exception):
    """A file cannot be read at all; the text says why."""


def passed(code: str, about: str, **quantities: Quantity | int | str | date) -> Check:
    """A check that nobody needs to look at; a bare int is a count, a bare str a text."""
    return Check(code=code, ok=True, about=about, quantities=note(code, about, **quantities).quantities)


def failed(code: str, about: str, **quantities: Quantity | int | str | date) -> Check:
    """A check that a person must look at; quantities as in `passed`."""
    return Check(code=code, ok=False, about=about, quantities=note(code, about, **quantities).quantities)
