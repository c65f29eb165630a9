"""The ledger: every pound of nitrogen as a line that says how it was reached and who published it."""

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn import door
from vrn.errors import OutOfRangeError
from vrn.findings import Finding, Quantity

OWN_NEED: Final = "own-need"  # what stands for the method where the need is the user's own
Number = float | NDArray[np.float64]
# inputs whose pattern may count in part → what is said of what was found, and by what other names lines have them
_COUNTED: Final = {
    "yield_goal_bu_ac": ("bu/ac expected here",),
    "organic_matter_pct": ("% here", "organic_matter_counted_pct"),
    "nitrate_ppm": ("ppm here",),
    "deep_nitrate_ppm": ("ppm here",),
}


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
    template : str
        The basis with the names of the ledger's inputs in braces, so that an area's means can be written in.
    code : str
        Name of the label in the catalogue of words; empty for a line of the user's own.
    quantities : dict of str to Quantity
        What that label is filled with, as the depths of the core.
    """

    label: str
    lb_ac: Number
    basis: str
    source: str
    key: str
    template: str = ""
    code: str = ""
    quantities: dict[str, Quantity] = field(default_factory=dict)

    __repr__ = door.brief


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
    findings : tuple of Finding
        What a person should know: assumptions, values from memory, a method outside its calibration.
    low_lb_ac, high_lb_ac : float, ndarray or None
        Published or stated band of the unclipped sum, where the method has one. [lb/ac]
    inputs : dict of str to float or ndarray
        What the lines were worked from, by name with unit.
    source : str
        Who stands for the arithmetic: who published the method, or where a need of the user's own comes from.
    published : bool
        Whether a published method worked it out, and may be credited. A ledger made by hand is not, whatever it calls
        its method.

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
    findings: tuple[Finding, ...] = ()
    low_lb_ac: Number | None = None
    high_lb_ac: Number | None = None
    inputs: dict[str, Number] = field(default_factory=dict)
    source: str = ""
    published: bool = False

    @property
    def key(self) -> str:
        """What files call the method: its key where it may be credited, else ``own-need``."""
        return self.method if self.published else OWN_NEED

    @property
    def unclipped_lb_ac(self) -> Number:
        """Sum of the lines; negative where the soil holds more than the crop wants. [lb/ac]"""
        return total_of(line.lb_ac for line in self.lines)

    @property
    def need_lb_ac(self) -> Number:
        """max(0, the unclipped sum); NaN where anything is unknown. [lb/ac]"""
        total = self.unclipped_lb_ac
        if isinstance(total, np.ndarray) and len(self.lines) > 1:  # a sum of its own: no second array is wanted
            return np.maximum(total, 0.0, out=total)
        return as_number(np.maximum(total, 0.0))

    @property
    def band_lb_ac(self) -> tuple[Number, Number] | None:
        """Lowest and highest need of the method's band, neither below 0; None where it has none. [lb/ac]"""
        if self.low_lb_ac is None or self.high_lb_ac is None:
            return None
        return as_number(np.maximum(self.low_lb_ac, 0.0)), as_number(np.maximum(self.high_lb_ac, 0.0))

    def printed_lb_ac(self, *, decimals: int = 1) -> tuple[float, ...]:
        """
        Lines rounded so that what is printed adds up to the printed sum (largest remainder).

        Parameters
        ----------
        decimals : int
            Digits after the point.

        Raises
        ------
        OutOfRangeError
            If the ledger holds arrays: reduce it to an area first.

        Examples
        --------
        >>> lines = tuple(Line(label="", lb_ac=x, basis="", source="", key="") for x in (10.04, 10.04, 10.04))
        >>> Ledger(lines=lines, method="").printed_lb_ac()  # 30.12 is printed as 30.1
        (10.1, 10.0, 10.0)
        """
        if any(np.ndim(line.lb_ac) for line in self.lines):
            problem = "A ledger of many cells has no single printed line."
            raise OutOfRangeError(problem, "Call reduce() for the cells of one area first.")
        return largest_remainder([float(line.lb_ac) for line in self.lines], decimals=decimals)

    def plus(
        self, *lines: Line, findings: tuple[Finding, ...] = (), inputs: Mapping[str, Number] | None = None
    ) -> "Ledger":
        """The ledger with further lines, findings and inputs of their templates; its band moves with the lines."""
        moved = sum((line.lb_ac for line in lines), start=0.0)
        return replace(
            self, lines=self.lines + lines, findings=self.findings + findings, inputs={**self.inputs, **(inputs or {})},
            low_lb_ac=None if self.low_lb_ac is None else self.low_lb_ac + moved,
            high_lb_ac=None if self.high_lb_ac is None else self.high_lb_ac + moved,
        )  # fmt: skip

    def counted_at(self, weight: float, name: str, found: Number) -> "Ledger":
        """The ledger that says, in the first line worked from an input, what was found and how much of it counts.

        `weight`: of the input's pattern. `name`: of the input. `found` (n,): the input before its pattern was weighted.

        >>> line = Line(label="Crop", lb_ac=206.0, basis="", source="", key="crop", template="{yield_goal_bu_ac} × 1.0")
        >>> ledger = Ledger(lines=(line,), method="", inputs={"yield_goal_bu_ac": 206.0})
        >>> ledger.counted_at(0.5, "yield_goal_bu_ac", 212.0).lines[0].basis
        '212 bu/ac expected here, the pattern counted at 0.5: 206 × 1.0'
        """
        words, *places = _COUNTED[name]
        here = _HERE + name
        inputs = {**self.inputs, here: found}
        lines = list(self.lines)
        for i, line in enumerate(lines):
            if any(f"{{{place}}}" in line.template for place in (name, *places)):
                template = f"{{{here}}} {words}, the pattern counted at {weight:g}: {line.template}"
                lines[i] = replace(line, template=template, basis=worded(template, inputs, line.lb_ac))
                break
        return replace(self, lines=tuple(lines), inputs=inputs)

    def spread(self, cells: NDArray[np.intp], size: int) -> "Ledger":
        """
        Ledger of some cells as a ledger of all: NaN elsewhere.

        Parameters
        ----------
        cells : ndarray of int, shape (n,)
            Where the arrays of this ledger stand among all cells.
        size : int
            Number of all cells.

        Returns
        -------
        ledger : Ledger
            Arrays of shape (size,); scalars stay scalars.

        Examples
        --------
        >>> line = Line(label="Soil", lb_ac=np.array([1.0, 2.0]), basis="", source="", key="soil")
        >>> Ledger(lines=(line,), method="").spread(np.array([0, 2]), 3).unclipped_lb_ac
        array([ 1., nan,  2.])
        """

        def put(value: Number) -> Number:
            if not np.ndim(value):
                return value
            whole = np.full(size, np.nan)
            whole[cells] = value
            return whole

        return replace(
            self,
            lines=tuple(replace(line, lb_ac=put(line.lb_ac)) for line in self.lines),
            low_lb_ac=None if self.low_lb_ac is None else put(self.low_lb_ac),
            high_lb_ac=None if self.high_lb_ac is None else put(self.high_lb_ac),
            inputs={name: put(value) for name, value in self.inputs.items()},
        )

    def __repr__(self) -> str:
        by = f"by {self.method}" if self.published else f"of your own ({self.source or 'no source given'})"
        return door.card(
            f"Ledger {by}: need {door.span(self.need_lb_ac, unit='lb/ac')}",
            *(f"{line.label}: {door.span(line.lb_ac, unit='lb/ac')}" for line in self.lines),
        )

    def take(self, cells: NDArray[np.intp]) -> "Ledger":
        """
        Ledger of some of the cells.

        Examples
        --------
        >>> line = Line(label="Soil", lb_ac=np.array([1.0, 2.0, 3.0]), basis="", source="", key="soil")
        >>> Ledger(lines=(line,), method="").take(np.array([0, 2])).unclipped_lb_ac
        array([1., 3.])
        """

        def pick(value: Number) -> Number:
            return value[cells] if isinstance(value, np.ndarray) and value.ndim else value

        return replace(
            self, lines=tuple(replace(line, lb_ac=pick(line.lb_ac)) for line in self.lines),
            low_lb_ac=None if self.low_lb_ac is None else pick(self.low_lb_ac),
            high_lb_ac=None if self.high_lb_ac is None else pick(self.high_lb_ac),
            inputs={name: pick(value) for name, value in self.inputs.items()},
        )  # fmt: skip

    def _repr_html_(self) -> str:
        return str(door.call("Ledger.html", self))

    def reduce(self, mean: Callable[[NDArray[np.float64]], float], *, size: int) -> "Ledger":
        """
        Ledger of an area: each line averaged by ``mean`` over the same cells.

        Parameters
        ----------
        mean : callable
            Takes an array of shape (size,), returns its mean over the area.
        size : int
            Number of cells of the arrays.
        """

        def reduced(value: Number) -> float:
            if np.ndim(value) == 0:
                return float(value)
            return float(mean(np.broadcast_to(np.asarray(value, float), (size,))))

        inputs: dict[str, Number] = {name: reduced(value) for name, value in self.inputs.items()}
        lines = tuple(
            replace(line, lb_ac=pounds, basis=worded(line.template, inputs, pounds) if line.template else line.basis)
            for line, pounds in ((line, reduced(line.lb_ac)) for line in self.lines)
        )
        return replace(
            self, lines=lines, inputs=inputs,
            low_lb_ac=None if self.low_lb_ac is None else reduced(self.low_lb_ac),
            high_lb_ac=None if self.high_lb_ac is None else reduced(self.high_lb_ac),
        )  # fmt: skip


def as_number(value: ArrayLike) -> Number:
    """A float for one value, a float array for many."""
    array = np.asarray(value, dtype=np.float64)
    return array if array.ndim else float(array)


def total_of(values: Iterable[Number]) -> Number:
    """Sum from the first to the last, for arrays in one array of its own.

    Returns (n,): bit for bit the same for a cell alone and among many; the array itself when there is only one.

    >>> total_of([1.0, np.array([2.0, 3.0]), 4.0]), total_of([])
    (array([7., 8.]), 0.0)
    """
    total: Number | None = None
    own = False
    for value in values:
        if total is None:
            total = value
        elif own and isinstance(total, np.ndarray) and np.shape(value) in ((), total.shape):
            np.add(total, value, out=total)
        else:
            total, own = total + value, True
    return 0.0 if total is None else total


def negative(value: Number) -> Number:
    """The value with its sign turned; an array that is the caller's own is turned in place."""
    return np.negative(value, out=value) if isinstance(value, np.ndarray) else -value


def worded(template: str, inputs: Mapping[str, Any], lb_ac: Number = math.nan) -> str:
    """Write inputs into a basis: no more digits than the line's own tenth of a pound needs; many are "each cell's".

    `lb_ac`: the line that the basis gives; without it a number keeps six digits.

    >>> worded("{nitrate_ppm} ppm × 12 in", {"nitrate_ppm": 11.0})
    '11 ppm × 12 in'
    >>> worded("{nitrate_ppm} ppm × 12 in × 1.35 × 0.2266", {"nitrate_ppm": 18.8582}, -69.2)
    '18.86 ppm × 12 in × 1.35 × 0.2266'
    >>> worded("{nitrate_ppm} ppm × 12 in", {"nitrate_ppm": np.array([11.0, 12.0])})
    "each cell's ppm × 12 in"
    """
    known = {name: inputs[name] for name in inputs if f"{{{name}}}" in template}
    worked = [name for name in known if not name.startswith(_HERE)]
    long = [name for name in worked if np.ndim(known[name]) == 0 and f"{known[name]:.4g}" != f"{known[name]:.6g}"]
    off_lb_ac = 0.04 if len(long) == 1 else 0.01  # that a factor may move the line by

    def text(name: str, value: Any) -> str:
        if np.ndim(value):
            return "each cell's"
        if name.startswith(_HERE):
            return f"{value:.3g}"
        if np.ndim(lb_ac) == 0 and lb_ac and value:
            for decimals in range(6):
                if abs(round(value, decimals) - value) * abs(lb_ac / value) <= off_lb_ac:
                    return f"{round(value, decimals):.6g}"
        return f"{value:.6g}"

    return template.format_map({name: text(name, value) for name, value in known.items()})


_HERE: Final = "here_"  # begins the name of an input that a basis states and does not work with


def largest_remainder(values: list[float], *, decimals: int = 1) -> tuple[float, ...]:
    """Round numbers so that they add up to their rounded sum.

    No value moves by a whole unit of the last of `decimals` digits. With a NaN among them each is rounded by itself.

    >>> largest_remainder([33.3333, 33.3333, 33.3333], decimals=0)
    (34.0, 33.0, 33.0)
    """
    scale = 10.0**decimals
    scaled = [value * scale for value in values]
    if not all(np.isfinite(scaled)):
        return tuple(round(value, decimals) for value in values)
    floors = [int(np.floor(value)) for value in scaled]
    missing = round(sum(values) * scale) - sum(floors)
    by_remainder = sorted(range(len(values)), key=lambda i: (floors[i] - scaled[i], i))
    for i in by_remainder[: max(missing, 0)]:
        floors[i] += 1
    return tuple(units / scale for units in floors)
