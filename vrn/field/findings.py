"""What was assumed, and what a person must decide."""

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
