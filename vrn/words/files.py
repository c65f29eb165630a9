"""What had to be changed for a machine's files to carry the prescription."""

from typing import Final

FINDINGS: Final[dict[str, tuple[str, ...]]] = {
    "name-plain": (
        "“{name}” is written as “{plain}” in the terminal's files.",
        "Look for that name on the terminal, or use a name of up to {most} plain letters.",
    ),
    "name-one-line": (
        "“{name}” has line breaks, hidden characters or more than {most} characters. The files leave these out.",
        "Fix the name in the field file.",
    ),
    "cells-coarser": (
        "The field needs more than {most} by {most} cells of {wanted:1}. The grid has cells of {written:1}.",
        "Task controllers take no more. Split the field, or write polygons if yours takes them.",
        'In the field file: [export] iso_grid = "polygons"',
    ),
}
