"""A ledger as a notebook shows it."""

from html import escape
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from vrn.nitrogen.ledger import Ledger, Number

_CELL = 'style="text-align:left"'


def ledger_html(ledger: "Ledger") -> str:
    """
    A table of the lines, their sum and the need.

    Parameters
    ----------
    ledger : Ledger
        Of one reading, or of many cells: then each line shows its least and greatest.

    Returns
    -------
    html : str
        Every text escaped.

    Examples
    --------
    >>> from vrn.nitrogen.ledger import Ledger, Line
    >>> line = Line(label="Crop <b>", lb_ac=100.0, basis="", source="", key="crop")
    >>> "Crop &lt;b&gt;" in ledger_html(Ledger(lines=(line,), method="remaining-need"))
    True
    """
    one = not any(np.ndim(line.lb_ac) for line in ledger.lines)
    numbers = (
        [_signed(value) for value in ledger.printed_lb_ac()] if one else [_span(line.lb_ac) for line in ledger.lines]
    )
    rows = "".join(
        f"<tr><td {_CELL}>{escape(line.label)}</td><td>{number}</td><td {_CELL}>{escape(line.basis)}</td>"
        f"<td {_CELL}>{escape(line.source)}</td></tr>"
        for line, number in zip(ledger.lines, numbers, strict=True)
    )
    notes = "".join(f"<li>{escape(note)}</li>" for note in ledger.notes)
    return (
        f"<table><caption>Nitrogen still needed by {escape(ledger.method)}, lb/ac</caption>"
        f"<thead><tr><th {_CELL}>line</th><th>lb/ac</th><th {_CELL}>how it was reached</th><th {_CELL}>source</th></tr>"
        f"</thead><tbody>{rows}</tbody><tfoot><tr><th {_CELL}>sum</th><th>{_span(ledger.unclipped_lb_ac)}</th>"
        f"<th></th><th></th></tr><tr><th {_CELL}>need, never below 0</th><th>{_span(ledger.need_lb_ac)}</th><th></th>"
        f"<th></th></tr></tfoot></table>" + (f"<ul>{notes}</ul>" if notes else "")
    )


def _signed(value: float) -> str:
    return "not known" if not np.isfinite(value) else f"{value:+.1f}".replace("-", "−")


def _span(value: "Number") -> str:
    """One number, or the least and the greatest of many."""
    known = np.atleast_1d(np.asarray(value, dtype=float))
    known = known[np.isfinite(known)]
    if not known.size:
        return "not known"
    low, high = (f"{number + 0.0:.1f}".replace("-", "−") for number in (known.min(), known.max()))
    return low if low == high else f"{low} to {high}"
