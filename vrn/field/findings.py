"""What was assumed, and what a person must decide, in words."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """
    One thing the tool noticed about its inputs or its own answer.

    Parameters
    ----------
    level : {"note", "warning"}
        ``note``: assumed or done, and stated. ``warning``: a person must decide.
    about : str
        Where it belongs: a file, a file and row, a key path of the field file, or a part of the answer.
    problem : str
        What was noticed, in one sentence.
    remedy : str
        What to do about it, in one sentence.
    """

    level: Literal["note", "warning"]
    about: str
    problem: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.about}: {self.problem} {self.remedy}"


def counted(count: int, one: str, many: str | None = None) -> str:
    """
    A count with its noun.

    Examples
    --------
    >>> counted(1, "row"), counted(1200, "row")
    ('1 row', '1,200 rows')
    """
    return f"{count:,} {one if count == 1 else many or one + 's'}"
