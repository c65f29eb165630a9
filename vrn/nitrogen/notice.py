"""What nitrogen arithmetic assumed, and what a person must decide before a rate is driven."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """
    One thing to tell beside an answer.

    Parameters
    ----------
    level : {"note", "warning"}
        ``note``: assumed, and stated. ``warning``: a person must decide.
    about : str
        The part it belongs to: a key of the field file, or a word such as ``"method"``.
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


def note(about: str, problem: str, remedy: str) -> Notice:
    """
    Something assumed, and stated.

    Examples
    --------
    >>> note("need", "Half is counted.", "Set the share.").level
    'note'
    """
    return Notice(level="note", about=about, problem=problem, remedy=remedy)


def warn(about: str, problem: str, remedy: str) -> Notice:
    """
    Something a person must decide.

    Examples
    --------
    >>> str(warn("need", "It is unknown.", "Give the layer."))
    'need: It is unknown. Give the layer.'
    """
    return Notice(level="warning", about=about, problem=problem, remedy=remedy)
