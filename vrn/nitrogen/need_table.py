"""The need by readings as a table between whose entries straight lines hold, for a page that cannot calculate."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

MOST_PPM: Final = 150.0  # a reading above it is looked at by a person first
CELL_PPM: Final = 5.0  # side of the cells in which both depths are tried together
_NEAR_LB_AC: Final = 0.02  # straight lines keep to the ledger within this, so that tenths agree
_FINEST_PPM: Final = 0.004  # a step of a rule lies between two entries this close
_FIRST: Final = np.arange(0.0, MOST_PPM + 1.0, CELL_PPM)
_BESIDE_PPM: Final = 40.0  # reading of the top core at which the core below is entered

# unclipped need of every place for readings (k,) of the top core and of the core below, shape (places, k) [lb/ac]
NeedOf = Callable[[NDArray[np.float64], NDArray[np.float64] | None], NDArray[np.float64]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NeedTable:
    """Unclipped need of places by the top core, and what the core below adds to it; both by straight lines."""

    ppm: NDArray[np.float64]  # readings of the top core, shape (k,)
    need_lb_ac: NDArray[np.float64]  # shape (places, k)
    deep_ppm: NDArray[np.float64]  # readings of the core below, shape (d,); empty where none is counted
    deep_lb_ac: NDArray[np.float64]  # added to the need, shape (places, d)
    # cells of 5 by 5 ppm, top by below, where both do not simply add up: the ledger alone answers there
    odd: NDArray[np.bool_]

    def answer(self, place: int, ppm: float, deep_ppm: float | None = None) -> float | None:
        """Need of a reading, never below 0; None where the table does not hold. [lb/ac]"""
        if not 0 <= ppm <= MOST_PPM:
            return None
        need = float(np.interp(ppm, self.ppm, self.need_lb_ac[place]))
        if deep_ppm is not None and len(self.deep_ppm):
            if not 0 <= deep_ppm <= MOST_PPM or self.odd[_cell(ppm), _cell(deep_ppm)]:
                return None
            need += float(np.interp(deep_ppm, self.deep_ppm, self.deep_lb_ac[place]))
        return max(need, 0.0)


def _cell(ppm: float) -> int:
    return min(int(ppm // CELL_PPM), len(_FIRST) - 2)


def need_table(need_of: NeedOf, *, deep: bool) -> NeedTable:
    """Enter readings from 0 to 150 ppm, closer together where a rule bends or steps, until straight lines do.

    A rule that steps at 20 ppm gets two entries beside it; a straight one the ends alone:

    >>> table = need_table(lambda ppm, _: np.where(ppm > 20, 0.0, 200 - 8 * ppm)[None, :], deep=False)
    >>> len(table.ppm), table.answer(0, 20.0), table.answer(0, 20.1), round(table.answer(0, 7.3), 1)
    (4, 40.0, 0.0, 141.6)
    """
    ppm = _entries(lambda at: need_of(at, None))
    need = need_of(ppm, None)
    deep_ppm, added, odd = np.empty(0), np.empty((len(need), 0)), np.zeros((len(_FIRST) - 1,) * 2, dtype=bool)
    if deep:
        alone = need_of(np.array([_BESIDE_PPM]), None)

        def by_deep(at: NDArray[np.float64]) -> NDArray[np.float64]:
            return need_of(np.full(len(at), _BESIDE_PPM), at) - alone

        deep_ppm = _entries(by_deep)
        added = by_deep(deep_ppm)
        odd = _odd_cells(need_of, by_deep)
    return NeedTable(ppm=ppm, need_lb_ac=need, deep_ppm=deep_ppm, deep_lb_ac=added, odd=odd)


def _odd_cells(need_of: NeedOf, by_deep: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> NDArray[np.bool_]:
    """Cells in which the depths do not add up at one of 25 pairs of readings."""
    at = np.arange(0.0, MOST_PPM + 0.1, CELL_PPM / 4)
    top, below = (part.ravel() for part in np.meshgrid(at, at, indexing="ij"))
    apart = np.abs(need_of(top, below) - need_of(top, None) - by_deep(below)).max(axis=0) > _NEAR_LB_AC
    grid = apart.reshape(len(at), len(at))
    cells = [
        [grid[4 * i : 4 * i + 5, 4 * j : 4 * j + 5].any() for j in range(len(at) // 4)] for i in range(len(at) // 4)
    ]
    return np.array(cells, dtype=bool)


def _entries(need_at: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> NDArray[np.float64]:
    """Readings between which straight lines keep to the need of every place."""
    ppm, need = _FIRST, need_at(_FIRST)
    while True:
        middle = (ppm[1:] + ppm[:-1]) / 2
        at_middle = need_at(middle)
        bent = np.abs(at_middle - (need[:, 1:] + need[:, :-1]) / 2).max(axis=0) > _NEAR_LB_AC
        bent &= np.diff(ppm) > _FINEST_PPM
        if not bent.any():
            break
        order = np.argsort(np.append(ppm, middle[bent]), kind="stable")
        ppm = np.append(ppm, middle[bent])[order]
        need = np.hstack([need, at_middle[:, bent]])[:, order]
    kept, last = [0], 0
    for i in range(1, len(ppm) - 1):  # leave out what lies on the line from the last entry to the next
        across = np.arange(last + 1, i + 1)
        part = (ppm[across] - ppm[last]) / (ppm[i + 1] - ppm[last])
        line = need[:, [last]] + part * (need[:, [i + 1]] - need[:, [last]])
        if np.abs(line - need[:, across]).max() > _NEAR_LB_AC:
            kept.append(i)
            last = i
    return ppm[[*kept, len(ppm) - 1]]
