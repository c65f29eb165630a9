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
    """A table with its caption; ``numbers`` are the columns set flush right, ``widths`` shares of the width on paper.

    The last row is a sum where ``strong_last``; paper may set a long one in two columns where ``narrow``.
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
    """The whole report: what fits the grower's first page, and everything else for the file.

    ``foot`` stands at the foot of each sheet of paper, ``draft`` beside the heading until it is signed; ``state`` says
    signed by whom, or not yet.
    """

    title: str
    heading: str
    foot: str
    facts: tuple[str, ...]
    draft: str
    state: str
    prepared: str = ""
    logo: str = ""
    grower: tuple[Part, ...] = ()
    file: tuple[Part, ...]
