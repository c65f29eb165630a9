"""``report.html`` and ``report.pdf``: one page for the grower, then the file."""

import base64
from importlib import import_module
from pathlib import Path

from markupsafe import Markup

from vrn.pages.map_page_words import page_words
from vrn.pages.page_parts import page_asset, templates
from vrn.pages.report_file import file_parts
from vrn.pages.report_grower import grower_page
from vrn.pages.report_parts import Picture, Report
from vrn.pages.report_phrases import facts
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"


def write_reports(
    prescription: Prescription, html_path: Path, pdf_path: Path, *, made: tuple[bytes, bytes] | None = None
) -> None:
    """
    Write the report as a page and as paper, from the same content.

    Parameters
    ----------
    prescription : Prescription
    html_path, pdf_path : Path
    made : (bytes, bytes), optional
        Page and paper, where another process set them.
    """
    page, paper = made or reports_of(prescription)
    html_path.write_bytes(page)
    pdf_path.write_bytes(paper)


def reports_of(prescription: Prescription) -> tuple[bytes, bytes]:
    """
    Set the report as a page and as paper, from the same content.

    Parameters
    ----------
    prescription : Prescription

    Returns
    -------
    page, paper : bytes
        HTML and PDF.
    """
    from vrn.pages.report_pdf import report_pdf

    report = report_of(prescription)
    return _html(report).encode(), report_pdf(report, prescription)


def load_libraries() -> None:
    """Load what `reports_of` needs, ahead of its first prescription."""
    for name in ("matplotlib.backends.backend_agg", "matplotlib.figure", "PIL.Image", "fpdf", "vrn.pages.report_pdf"):
        import_module(name)


def write_report(prescription: Prescription, path: Path) -> None:
    """
    Write the report as a page.

    Parameters
    ----------
    prescription : Prescription
    path : Path
    """
    path.write_text(_html(report_of(prescription)), encoding="utf-8", newline="\n")


def report_of(prescription: Prescription) -> Report:
    """
    Content of the report, before it is set as a page or on paper.

    Parameters
    ----------
    prescription : Prescription

    Returns
    -------
    report : Report
    """
    settings = prescription.field.settings
    shown = UnitFormat(metric=settings.units == "metric")
    return Report(
        field=prescription.field.name, season=settings.header.season, facts=tuple(facts(prescription, shown)),
        approved=settings.approved, state=page_words(prescription, shown)["state"],
        grower=grower_page(prescription, shown), file=file_parts(prescription, shown),
    )  # fmt: skip


def _html(report: Report) -> str:
    template = templates().get_template("report.html")
    return template.render(
        policy=_POLICY, css=Markup(page_asset("report.css")), report=report, kind=lambda piece: type(piece).__name__,
        picture=_data_uri,
    )  # fmt: skip


def _data_uri(picture: Picture) -> Markup:
    return Markup("data:image/png;base64,") + base64.b64encode(picture.png).decode("ascii")
