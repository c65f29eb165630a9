"""What an audit returns: checks, each with its outcome in words, and the zones as a file really gives them."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """
    One thing that was checked.

    Parameters
    ----------
    name : str
        What it is about, as ``"shapefile columns"``.
    ok : bool
    level : {"note", "warning"}
        ``warning`` when a person must look.
    detail : str
        What was found, with its numbers.
    """

    name: str
    ok: bool
    level: Literal["note", "warning"]
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """
    All checks of one folder.

    Parameters
    ----------
    folder : Path
    checks : tuple of Check
        In the order they were made.
    """

    folder: Path
    checks: tuple[Check, ...]

    @property
    def ok(self) -> bool:
        """Whether nobody needs to look."""
        return all(check.ok for check in self.checks)

    @property
    def failed(self) -> tuple[Check, ...]:
        """Checks that a person must look at."""
        return tuple(check for check in self.checks if not check.ok)

    def to_plain(self) -> dict[str, Any]:
        """Plain values for a machine."""
        return {
            "ok": self.ok,
            "checks": [
                {"name": check.name, "ok": check.ok, "level": check.level, "detail": check.detail}
                for check in self.checks
            ],
        }


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FileZones:
    """
    Zones as one file gives them, a row for each single polygon.

    Parameters
    ----------
    source : str
        The file.
    zone : ndarray of int, shape (n,)
    rate : ndarray, shape (n,)
        In ``unit``.
    unit : tuple of str, length n
    polygons : ndarray of shapely Polygon, shape (n,)
        In ``crs``.
    crs : str
    faults : tuple of (check, fault)
        What is wrong with the file itself: the check's name and what was found.
    notes : tuple of (check, note)
        What was found in order.
    """

    source: str
    zone: NDArray[np.int64]
    rate: NDArray[np.float64]
    unit: tuple[str, ...]
    polygons: NDArray[np.object_]
    crs: str
    faults: tuple[tuple[str, str], ...] = ()
    notes: tuple[tuple[str, str], ...] = ()
    extra: dict[str, Any] = field(default_factory=dict)


class UnreadableError(Exception):
    """A file cannot be read at all; the text says why."""


def passed(name: str, detail: str) -> Check:
    """A check that nobody needs to look at."""
    return Check(name=name, ok=True, level="note", detail=detail)


def failed(name: str, detail: str) -> Check:
    """A check that a person must look at."""
    return Check(name=name, ok=False, level="warning", detail=detail)
