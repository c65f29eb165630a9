"""A nitrogen trial of the user's own: plots or strips with their total nitrogen and their yield."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NitrogenTrial:
    """
    What was applied in all, and what was harvested, plot by plot.

    Parameters
    ----------
    n_lb_ac : ndarray, shape (n,)
        Total nitrogen of the season. [lb/ac]
    yield_bu_ac : ndarray, shape (n,)
        [bu/ac]
    block : tuple of str, length n
        Replicate, zone or strip pair; empty texts when the file names none.
    source : str
        File, for messages.

    Raises
    ------
    OutOfRangeError
        If the columns differ in length.
    """

    n_lb_ac: NDArray[np.float64]
    yield_bu_ac: NDArray[np.float64]
    block: tuple[str, ...]
    source: str

    def __post_init__(self) -> None:
        if not len(self.n_lb_ac) == len(self.yield_bu_ac) == len(self.block):
            problem = f"The columns of {self.source} differ in length."
            raise OutOfRangeError(problem, "Give every column one value for each plot.")
