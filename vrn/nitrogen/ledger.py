"""The ledger: every pound of nitrogen as a line that says how it was reached and who published it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Number = float | NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """
    One line of the ledger.

    Parameters
    ----------
    label : str
        What it is, as ``"Nitrate in the soil, 0–12 in"``.
    lb_ac : float or ndarray
        Positive adds to the need, negative supplies it. [lb/ac]
    basis : str
        The arithmetic in words and numbers, as ``"11 ppm × 12 in × 1.35 g/cm³ × 0.2266"``.
    source : str
        Who published it, or "common practice, no source", or "from memory", or "field file".
    key : str
        Short stable name, the same for every cell, zone and method, as ``"soil_nitrate"``.
    """

    label: str
    lb_ac: Number
    basis: str
    source: str
    key: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ledger:
    """
    Nitrogen still needed, as lines that add up.

    Parameters
    ----------
    lines : tuple of Line
        Their sum is ``unclipped_lb_ac`` (to 1e-9).
    method : str
        Key of the method.
    notes : tuple of str
        What a person should know: assumptions, values from memory, a method outside its calibration.
    low_lb_ac, high_lb_ac : float, ndarray or None
        Published or stated band of the answer, where the method has one. [lb/ac]

    Examples
    --------
    >>> crop = Line(label="Crop", lb_ac=100.0, basis="", source="", key="crop")
    >>> soil = Line(label="Soil", lb_ac=-130.0, basis="", source="", key="soil")
    >>> ledger = Ledger(lines=(crop, soil), method="remaining-need")
    >>> ledger.unclipped_lb_ac, ledger.need_lb_ac
    (-30.0, 0.0)
    """

    lines: tuple[Line, ...]
    method: str
    notes: tuple[str, ...] = ()
    low_lb_ac: Number | None = None
    high_lb_ac: Number | None = None
    inputs: dict[str, Any] = field(default_factory=dict)

    @property
    def unclipped_lb_ac(self) -> Number:
        """Sum of the lines; negative where the soil holds more than the crop wants. [lb/ac]"""
        total: Number = 0.0
        for line in self.lines:
            total = total + line.lb_ac
        return total

    @property
    def need_lb_ac(self) -> Number:
        """max(0, the unclipped sum); NaN where anything is unknown. [lb/ac]"""
        total = np.maximum(self.unclipped_lb_ac, 0.0)
        return total if np.ndim(total) else float(total)

    def reduce(self, mean: Callable[[NDArray[np.float64]], float], *, size: int) -> "Ledger":
        """
        Ledger of an area: each line averaged by ``mean`` over the same cells.

        Parameters
        ----------
        mean : callable
            Takes an array of shape (size,), returns its mean over the area.
        size : int
            Number of cells of the arrays.

        Returns
        -------
        ledger : Ledger
            Of scalars; means are linear, so its lines add up to the mean of the unclipped sums.
        """

        def reduced(value: Number | None) -> float | None:
            return None if value is None else float(mean(np.broadcast_to(np.asarray(value, float), (size,))))

        lines = tuple(
            Line(label=line.label, lb_ac=reduced(line.lb_ac) or 0.0, basis=line.basis, source=line.source, key=line.key)
            for line in self.lines
        )
        return Ledger(
            lines=lines, method=self.method, notes=self.notes,
            low_lb_ac=reduced(self.low_lb_ac), high_lb_ac=reduced(self.high_lb_ac),
        )  # fmt: skip
