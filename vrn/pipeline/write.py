"""The whole prescription to a folder or a stick: every writer, the last gate before them, the summary after them."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Protocol

from vrn.files.guard import check_before_writing
from vrn.files.staging import write_staged
from vrn.prescription.model import Prescription


class ReportMaker(Protocol):
    """Sets the report of a prescription while the other files are written."""

    def begin(self, prescription: Prescription) -> None:
        """Take the prescription, and return at once."""
        ...

    def finish(self) -> tuple[bytes, bytes] | None:
        """The report as a page and as paper; None where it could not be set there."""
        ...


def write(
    prescription: Prescription,
    out_dir: str | Path,
    *,
    usb: str | Path | None = None,
    check: Callable[[Path], Any] | None = None,
    report: ReportMaker | None = None,
) -> Path:
    """
    Write every output of a prescription into one folder.

    Parameters
    ----------
    out_dir : path
        Made when it is not there; replaced whole when it holds only what an earlier run wrote.
    usb : path, optional
        Carrier for the terminal: its top gets ``TASKDATA``, ``SHAPEFILE`` and the load sheet.
    check : callable, optional
        Called with the staged folder, every file in it, before anything is swapped in; what it raises stops all.
    report : ReportMaker, optional
        Sets the report beside the other files.

    Returns
    -------
    folder : Path
        ``out_dir``, complete.

    Raises
    ------
    OutputError
        If the folder holds files of another origin, another run is writing to it, it cannot be written, or a rate
        must not leave. Nothing is changed then.
    """
    from vrn.files.usb import refuse_strange_carrier, write_usb

    prescription = with_export_findings(prescription)
    if usb is not None:
        refuse_strange_carrier(Path(usb))

    def fill(staged: Path) -> None:
        if report is not None:
            report.begin(prescription)
        for write_one in _writers(report=report):
            write_one(prescription, staged)

    folder = write_staged(fill, out_dir, check=check)
    if usb is not None:
        write_usb(folder, Path(usb))
    return folder


def write_carrier(prescription: Prescription, usb: str | Path, *, check: Callable[[Path], Any] | None = None) -> Path:
    """Write only what a terminal reads, where it reads it, with the load sheet.

    `check` is called with a staged folder of what is carried and what that is held against, before the carrier is
    touched. Raises OutputError as ``write`` does, and if the carrier holds something of another origin.
    """
    from vrn.files.usb import refuse_strange_carrier, write_usb

    prescription = with_export_findings(prescription)
    refuse_strange_carrier(Path(usb))
    with TemporaryDirectory(prefix="vrn-") as scratch:
        staged = Path(scratch)
        for write_one in _writers(only_controls=True):
            write_one(prescription, staged)
        if check is not None:
            check(staged)
        write_usb(staged, Path(usb))
    return Path(usb)


def with_export_findings(prescription: Prescription) -> Prescription:
    """The prescription with what writing it has to tell among its findings.

    Raises OutputError if a rate must not leave: the last gate before a file.
    """
    from vrn.files.iso_grid import coarser_cells
    from vrn.files.names import cleaned_names

    check_before_writing(prescription)
    known = set(prescription.findings)
    new = [found for found in (*cleaned_names(prescription), *coarser_cells(prescription)) if found not in known]
    return replace(prescription, findings=(*prescription.findings, *new)) if new else prescription


def _writers(
    *, only_controls: bool = False, report: ReportMaker | None = None
) -> tuple[Callable[[Prescription, Path], None], ...]:
    """Every format, or what a terminal reads and what that is held against; the summary with its hashes last."""
    from vrn.files.geojson import write_geojson, write_gpx
    from vrn.files.iso import write_iso
    from vrn.files.raster import write_rasters
    from vrn.files.shapefile import write_shapefile
    from vrn.files.summary import write_summary
    from vrn.files.tables import write_geopackage, write_tables
    from vrn.pages.load_sheet import write_load_sheet

    return (
        write_geojson,
        write_shapefile,
        write_iso,
        write_geopackage,
        write_tables,
        write_load_sheet,
        *(() if only_controls else (write_rasters, write_gpx, *_page_writers(report))),
        write_summary,
    )


def _page_writers(report: ReportMaker | None) -> tuple[Callable[[Prescription, Path], None], ...]:
    def write_map_page(prescription: Prescription, folder: Path) -> None:
        from vrn.pages.map_page import write_map

        write_map(prescription, folder / "map.html")

    def write_report_pages(prescription: Prescription, folder: Path) -> None:
        from vrn.pages.report_page import write_reports

        made = None if report is None else report.finish()
        write_reports(prescription, folder / "report.html", folder / "report.pdf", made=made)

    return write_map_page, write_report_pages
