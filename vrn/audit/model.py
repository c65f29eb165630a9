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
    """One thing that was checked: ``audit.code`` names its sentence, ``about`` the file, or ``all files``."""

    code: str
    ok: bool
    about: str
    quantities: dict[str, Quantity] = field(default_factory=dict, hash=False)

    @property
    def level(self) -> Level:
        """``warning`` when a person must look."""
        return "note" if self.ok else "warning"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FileZones:
    """Zones as one file gives them, a row for each single polygon, the rate in ``unit``.

    ``columns`` are the names of the rate, zone and unit columns, where it has any; ``stated_n_lb_ac`` is the nitrogen
    that it states beside product, empty where it does not.
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

    @property
    def never(self) -> shapely.Geometry:
        """Ground that gets nothing: no-apply ground and the boundary's holes."""
        holes = [shapely.Polygon(ring) for part in shapely.get_parts(self.boundary) for ring in part.interiors]
        return shapely.union_all([self.no_apply, *holes])


class UnreadableError(Exception):
    """A file cannot be read at all; the text says why."""


class Reading:
    """Makes an UnreadableError of a file that is not there, and of what its damages raise while it is read."""

    def __init__(self, path: Path, *damages: type[Exception]) -> None:
        if not path.is_file():
            problem = f"{path.name} is missing"
            raise UnreadableError(problem)
        self.damages = damages

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        if isinstance(error, self.damages):
            problem = f"it cannot be read ({type(error).__name__}: {error})"
            raise UnreadableError(problem) from error


def passed(code: str, about: str, **quantities: Quantity | int | str | date) -> Check:
    """A check that nobody needs to look at; a bare int is a count, a bare str a text."""
    return Check(code=code, ok=True, about=about, quantities=note(code, about, **quantities).quantities)


def failed(code: str, about: str, **quantities: Quantity | int | str | date) -> Check:
    """A check that a person must look at; quantities as in `passed`."""
    return Check(code=code, ok=False, about=about, quantities=note(code, about, **quantities).quantities)


def checked(good: bool, code: str, otherwise: str, about: str, **quantities: Quantity | int | str | date) -> Check:
    """Passed under one code where all is good, failed under another where it is not."""
    return passed(code, about, **quantities) if good else failed(otherwise, about, **quantities)
