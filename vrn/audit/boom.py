"""Pieces of a machine's boom in its own log: how wide, where from the antenna, at whose rate, and whether on."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vrn.audit.time_log import Element, Task, TimeLog
from vrn.errors import InputFileError

Array = NDArray[np.float64]

# entities of the public data dictionary of ISO 11783-11: widths as used and by default, offsets, work states
_WIDTHS, _X, _Y, _STATE, _CONDENSED = (67, 68), 134, 135, 141, range(161, 177)
_BIN, _SECTION, _ANTENNA = 3, 4, 7  # kinds of device elements
_ON: Final = 1  # 0 off, 2 error, 3 not there


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """
    A section, or a whole boom without sections; every array has shape (n,), an entry for each record.

    Parameters
    ----------
    source : str
        Device element that gives its rate.
    width_m, ahead_m, right_m : ndarray
        Width, and middle from the antenna. [m]
    on : ndarray
        1 on, 0 off, NaN not known.
    """

    source: str
    width_m: Array
    ahead_m: Array
    right_m: Array
    on: Array


def above(name: str, elements: dict[str, Element]) -> Iterator[str]:
    """An element and those it is part of, nearest first."""
    at: str | None = name
    seen: set[str] = set()  # a damaged file may go round in a circle
    while at is not None and at not in seen:
        yield at
        seen.add(at)
        at = elements[at].parent if at in elements else None


def holders(name: str, elements: dict[str, Element], having: set[str]) -> list[str]:
    """The nearest of an element and those above it that is in a set, or the bins of that nearest that are."""
    for one in above(name, elements):
        if one in having:
            return [one]
        bins = sorted(b for b in having if b in elements and elements[b].parent == one and elements[b].kind == _BIN)
        if bins:
            return bins
    return []


class Boom:
    """
    Device elements of one log, with their values.

    Parameters
    ----------
    elements : dict of str to Element
        Those that the log alone names are added as machines of their own.
    rate : int
        Entity of the rate.
    element : str or None
        The only element whose rate counts.
    width_m : float or None
        Where the log has no width. [m]
    """

    def __init__(
        self, task: Task, log: TimeLog, elements: dict[str, Element], *, rate: int, element: str | None,
        width_m: float | None,
    ) -> None:  # fmt: skip
        self.task, self.log, self.width_m = task, log, width_m
        self.elements = elements | {
            name: Element(name=name, kind=1, number=0, device=name, parent=None, properties={})
            for name, _ in log.values if name not in elements
        }  # fmt: skip
        rated = {name for (name, entity), values in log.values.items()
                 if entity == rate and np.isfinite(values).any()}  # fmt: skip
        if element is not None and rated and element not in rated:
            problem = f"{log.name}: {element} has no rate; {', '.join(sorted(rated))} has."
            raise InputFileError(problem, "Name one of them with --rate-column, or none.")
        self.rated = rated if element is None else rated & {element}

    def pieces(self) -> Iterator[Piece]:
        """Sections with a rate; where an element with a rate has none, itself or as many as its state counts."""
        sections = sorted(
            (one for one in self.elements.values() if one.kind == _SECTION), key=lambda one: (one.number, one.name)
        )
        found = {one.name: self._source(one.name) for one in sections}
        if len(self.rated) == 1 and not any(found.values()):  # a rate beside the boom, not above it
            (alone,) = self.rated
            found = {one.name: alone for one in sections if one.device == self.elements[alone].device}
        booms: dict[str, list[tuple[str, str]]] = {}
        for section in sections:
            source = found.get(section.name)
            if source is not None:
                booms.setdefault(section.parent or section.name, []).append((section.name, source))
        for boom, mine in booms.items():
            states = [self._state(name) for name, _ in mine]
            yield from self._laid(boom, mine, [self.size_m(name, *_WIDTHS) for name, _ in mine], states)
        taken = {one.name for one in sections} | self.rated
        for source in sorted(self.rated - set(found.values())):
            one = self.elements[source]
            boom = one.parent if one.kind == _BIN and one.parent is not None else source
            inner = {other for other in taken - {source, boom} if boom in above(other, self.elements)}
            if not inner - {other for other in self.rated if self.elements[other].kind == _BIN} and (
                self._source(boom) == source
            ):
                _, counted = self._condensed(boom)
                states = [None] if counted is None else _installed(counted)
                yield from self._laid(boom, [(boom, source)] * len(states), [None] * len(states), states)

    def value(self, name: str, *entities: int) -> Array:
        """The first of several values that an element logs or has for good; NaN where it has none."""
        for entity in entities:
            if (name, entity) in self.log.values:
                return self.log.values[name, entity]
            if entity in self.elements[name].properties:
                return np.full(len(self.log.time_s), float(self.elements[name].properties[entity]))
        return np.full(len(self.log.time_s), np.nan)

    def size_m(self, name: str, *entities: int) -> Array | None:
        """A width or an offset of an element; before it is given, as it is given first. [m]"""
        values = self.value(name, *entities)
        known = np.flatnonzero(np.isfinite(values))
        return None if len(known) == 0 else np.where(np.isfinite(values), values, values[known[0]]) / 1000

    def antenna_m(self, name: str) -> Array | None:
        """Antenna in the system of an element's device, shape (2, n): ahead and to the right; None if not told. [m]"""
        mine = self.elements[name].device
        antennas = {one.device: one.name for one in self.elements.values() if one.kind == _ANTENNA}
        if mine in antennas:
            return self._place_m(antennas[mine])
        for pair in self.task.couplings:
            for ring, hitch in (pair, pair[::-1]):
                if ring in self.elements and hitch in self.elements and self.elements[ring].device == mine:
                    seen = antennas.get(self.elements[hitch].device)
                    if seen is not None:
                        return self._place_m(ring) - self._place_m(hitch) + self._place_m(seen)
        return None

    def _place_m(self, name: str) -> Array:
        zero = np.zeros(len(self.log.time_s))
        offsets = [self.size_m(name, entity) for entity in (_X, _Y)]
        return np.array([zero if offset is None else offset for offset in offsets])

    def _nearest_m(self, name: str, *entities: int) -> Array | None:
        """Size of the nearest element that has it, from an element upwards. [m]"""
        found = (self.size_m(one, *entities) for one in above(name, self.elements))
        return next((size for size in found if size is not None), None)

    def _source(self, name: str) -> str | None:
        found = holders(name, self.elements, self.rated)
        if len(found) > 1:
            problem = f"{self.log.name}: {', '.join(found)} are tanks with a rate on the same ground."
            raise InputFileError(problem, f"Name the one to compare: --rate-column {found[0]}.")
        return found[0] if found else None

    def _laid(
        self, boom: str, mine: list[tuple[str, str]], widths: list[Array | None], states: list[Array | None]
    ) -> Iterator[Piece]:
        """Pieces of one boom where they say they are, else side by side from left to right about its middle."""
        zero = np.zeros(len(self.log.time_s))
        if any(width is None for width in widths):
            whole = self._nearest_m(boom, *_WIDTHS)
            if whole is None and self.width_m is None:
                problem = f"{self.log.name}: {boom} has no working width (entity {_WIDTHS[0]})."
                raise InputFileError(problem, "Give the width of the machine with --width-ft.")
            if whole is None:
                whole = np.full(len(zero), self.width_m)
            elif len(mine) > 1:  # the width as used shrinks with sections off
                whole = zero + whole.max()
            widths = [whole / len(mine)] * len(mine)
        known = [width for width in widths if width is not None]
        offsets = [self.size_m(name, _Y) for name, _ in mine]
        middle, ahead = self._nearest_m(boom, _Y), [self._nearest_m(name, _X) for name, _ in mine]
        left = (zero if middle is None else middle) - np.sum(known, axis=0) / 2
        edges = np.cumsum([left, *known], axis=0)
        side_by_side = any(y is None for y in offsets) or (len(mine) > 1 and mine[0] == mine[1])
        antenna = self.antenna_m(boom)
        for k, (name, source) in enumerate(mine):
            y, x = offsets[k], ahead[k]
            yield Piece(
                source=source, width_m=known[k], on=self._on(name, states[k]),
                right_m=((edges[k] + edges[k + 1]) / 2 if side_by_side or y is None else y)
                - (0.0 if antenna is None else antenna[1]),
                ahead_m=(zero if x is None else x) - (0.0 if antenna is None else antenna[0]),
            )  # fmt: skip

    def _condensed(self, name: str) -> tuple[str, Array | None]:
        """The element that counts sections, and their states, shape (n, sections): 0 … 3, NaN before they are given."""
        for one in above(name, self.elements):
            words = [self.log.values[one, entity] for entity in _CONDENSED if (one, entity) in self.log.values]
            if words:
                told = np.array(words).T[:, :, None]
                pairs = (np.nan_to_num(told).astype(np.int64) & 0xFFFFFFFF) >> np.arange(0, 32, 2) & 3
                return one, np.where(np.isnan(told), np.nan, pairs).reshape(len(told), -1)
        return name, None

    def _state(self, section: str) -> Array | None:
        """State of a section in its boom's count: sections stand in it by their element number."""
        owner, states = self._condensed(section)
        if states is None:
            return None
        counted = sorted(
            (one for one in self.elements.values() if one.kind == _SECTION and owner in above(one.name, self.elements)),
            key=lambda one: (one.number, one.name),
        )
        place = [one.name for one in counted].index(section)
        return states[:, place] if place < states.shape[1] else None

    def _on(self, name: str, counted: Array | None) -> Array:
        """On when every state that is known, of a piece and of what it is part of, says so."""
        states = [self.value(one, _STATE) for one in above(name, self.elements)]
        told = np.array([*states, *([] if counted is None else [counted])])
        known = np.isfinite(told)
        return np.where(known.any(axis=0), np.where(known, told == _ON, True).all(axis=0), np.nan)


def _installed(states: Array) -> list[Array | None]:
    """States of the sections that are there; where none is said not to be, up to the last that was ever on."""
    there = ~np.all(np.isnan(states) | (states == 3), axis=0)
    if there.all():
        there[np.max(np.flatnonzero((states == _ON).any(axis=0)), initial=0) + 1 :] = False
    return [states[:, k] for k in np.flatnonzero(there)]
