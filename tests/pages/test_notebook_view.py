"""Ledger, Prescription and Field show themselves in a notebook as tables that add up, text never markup."""

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from vrn.findings import note
from vrn.nitrogen.ledger import Ledger, Line
from vrn.prescription.model import Prescription

Make = Callable[..., Prescription]
NASTY = "<img src=x onerror=alert(1)>"


def test_ledger_shows_lines_that_add_up(prescription: Prescription) -> None:
    """The printed lines of a ledger sum to its printed sum (198.4 − 80.4 − 29.4 = 88.6)."""
    html = prescription.rates[0].ledger._repr_html_()
    lines = [float(text.replace("−", "-")) for text in re.findall(r"<td>([+−][\d.]+)</td>", html)]
    assert lines == [198.4, -80.4, -29.4]
    assert html.count(">88.6<") == 2


def test_ledger_of_cells_shows_its_range() -> None:
    """Many cells show the least and the greatest of each line; an unknown one does not hide them."""
    cells = Line(label="Soil", lb_ac=np.array([-10.0, np.nan, -30.0]), basis="", source="", key="soil")
    assert "−30.0 to −10.0" in Ledger(lines=(cells,), method="remaining-need")._repr_html_()


def test_prescription_shows_rates_and_totals(prescription: Prescription) -> None:
    """Zones with rates, the total, DRAFT and the flat rate stand in the view."""
    html = prescription._repr_html_()
    assert html.count("<tr>") == 4
    for words in ("DRAFT", f"{prescription.total_n_lb:,.0f} lb N", "110 lb N/ac"):
        assert words in html


def test_field_shows_what_was_read(prescription: Prescription) -> None:
    """Name, acres, readings and depths stand in the view."""
    html = prescription.field._repr_html_()
    for words in ("Small Field, season 2026", "57.3 of 59.3 ac", "5 readings", "(0–12 in)"):
        assert words in html


def test_text_of_a_file_stays_text_in_a_notebook(make: Make) -> None:
    """A name or a label that is markup is escaped in all three views."""
    prescription = make(name=NASTY)
    line = replace(prescription.rates[0].ledger.lines[0], label=NASTY, basis=NASTY, source=NASTY)
    ledger = Ledger(
        lines=(line,), method=NASTY, findings=(note("nitrogen.product-unknown", "applications", product=NASTY),)
    )
    for html in (prescription._repr_html_(), prescription.field._repr_html_(), ledger._repr_html_()):
        assert "<img" not in html
        assert "&lt;img src=x" in html
