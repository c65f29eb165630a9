"""The pieces a report is made of, the same for the web page and the paper: text, lists, tables, pictures."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A paragraph; ``small`` for what is only looked up."""

    text: str
    small: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Bullets:
    """A list of sentences."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """
    A table with its caption.

    Parameters
    ----------
    rows : tuple of tuple of str
        As long as the header.
    numbers : tuple of int
        Columns set flush right.
    widths : tuple of float
        Shares of the width on paper; even when empty.
    strong_last : bool
        Whether the last row is a sum.
    narrow : bool
        Whether paper may set a long one in two columns.
    """

    caption: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...] = ()
    widths: tuple[float, ...] = ()
    strong_last: bool = False
    narrow: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A plot as PNG with the words that stand in for it; ``width`` is its share of the page."""

    caption: str
    alt: str
    png: bytes
    width: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Lines:
    """Empty lines to write on, each with what belongs there."""

    labels: tuple[str, ...]


Piece = Text | Bullets | Table | Picture | Lines


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A headed part of the report."""

    title: str
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """
    The whole report.

    Parameters
    ----------
    title, heading, foot : str
        Of the document, over its first page, at the foot of each sheet of paper.
    facts : tuple of str
        One line under the heading.
    draft : str
        Beside the heading; empty once it is signed.
    state : str
        Signed by whom, or not yet.
    grower : tuple of Part
        What fits the first page.
    file : tuple of Part
        Everything else.
    """

    title: str
    heading: str
    foot: str
    facts: tuple[str, ...]
    draft: str
    state: str
    grower: tuple[Part, ...] = ()
    file: tuple[Part, ...]
