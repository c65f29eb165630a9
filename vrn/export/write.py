"""Everything at once or nothing: staged beside the target, checked, then swapped in by renaming."""

import errno
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final, Protocol

from vrn.errors import OutputError, VrnError
from vrn.export.guard import check_before_writing
from vrn.prescription.model import Prescription

_JUNK: Final = (".DS_Store", "Thumbs.db", "desktop.ini")  # what a desktop leaves behind
_SIDECARS: Final = (".aux.xml", ".gpkg-wal", ".gpkg-shm")  # what a viewer leaves behind
_NEXT_TO_NOTHING: Final = 4_000_000  # bytes free


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
    prescription : Prescription
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
    prescription = told(prescription)
    check_before_writing(prescription)
    target = Path(out_dir).resolve()
    _mend(target)
    _refuse_strangers(target)
    if usb is not None:
        from vrn.export.usb import refuse_strange_carrier

        refuse_strange_carrier(Path(usb))
    with _staged(target) as staged:
        if report is not None:
            report.begin(prescription)
        for write_one in _writers(report=report):
            write_one(prescription, staged)
        if check is not None:
            check(staged)
        _swap(staged, target)
    if usb is not None:
        from vrn.export.usb import write_usb

        write_usb(target, Path(usb))
    return Path(out_dir)


def write_files(files: dict[str, bytes], out_dir: str | Path, *, check: Callable[[Path], Any] | None = None) -> Path:
    """
    Write outputs that another machine made, as ``write`` would have: all of them or none.

    Parameters
    ----------
    files : dict of str to bytes
        By path below the folder, ``summary.json`` among them.
    out_dir : path
    check : callable, optional
        As in ``write``.

    Returns
    -------
    folder : Path
        ``out_dir``, complete.

    Raises
    ------
    OutputError
        As ``write`` does.
    """
    target = Path(out_dir).resolve()
    _mend(target)
    _refuse_strangers(target)
    with _staged(target) as staged:
        for name, content in files.items():
            path = staged / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        if check is not None:
            check(staged)
        _swap(staged, target)
    return Path(out_dir)


def write_carrier(prescription: Prescription, usb: str | Path, *, check: Callable[[Path], Any] | None = None) -> Path:
    """
    Write only what a terminal reads, where it reads it, with the load sheet.

    Parameters
    ----------
    prescription : Prescription
    usb : path
        Carrier for the terminal: its top gets ``TASKDATA``, ``SHAPEFILE`` and the load sheet.
    check : callable, optional
        Called with a staged folder of what is carried and what that is held against, before the carrier is touched.

    Returns
    -------
    usb : Path

    Raises
    ------
    OutputError
        As ``write`` does, and if the carrier holds something of another origin.
    """
    from vrn.export.usb import refuse_strange_carrier, write_usb

    prescription = told(prescription)
    check_before_writing(prescription)
    refuse_strange_carrier(Path(usb))
    with TemporaryDirectory(prefix="vrn-") as scratch:
        staged = Path(scratch)
        for write_one in _writers(only_controls=True):
            write_one(prescription, staged)
        if check is not None:
            check(staged)
        write_usb(staged, Path(usb))
    return Path(usb)


def told(prescription: Prescription) -> Prescription:
    """
    The prescription with what writing it has to tell among its findings.

    Parameters
    ----------
    prescription : Prescription

    Returns
    -------
    prescription : Prescription
        The same when there is nothing new to tell.
    """
    from vrn.export.iso_grid import coarser_cells
    from vrn.export.names import cleaned_names

    known = set(prescription.findings)
    new = [found for found in (*cleaned_names(prescription), *coarser_cells(prescription)) if found not in known]
    return replace(prescription, findings=(*prescription.findings, *new)) if new else prescription


def _writers(
    *, only_controls: bool = False, report: ReportMaker | None = None
) -> tuple[Callable[[Prescription, Path], None], ...]:
    """Every format, or what a terminal reads and what that is held against; the summary with its hashes last."""
    from vrn.export.geojson import write_geojson
    from vrn.export.geopackage import write_geopackage
    from vrn.export.gpx import write_gpx
    from vrn.export.iso import write_iso
    from vrn.export.load_sheet import write_load_sheet
    from vrn.export.raster import write_rasters
    from vrn.export.shapefile import write_shapefile
    from vrn.export.summary import write_summary
    from vrn.export.tables import write_tables

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
        from vrn.export.map_page import write_map

        write_map(prescription, folder / "map.html")

    def write_report_pages(prescription: Prescription, folder: Path) -> None:
        html, pdf = folder / "report.html", folder / "report.pdf"
        made = None if report is None else report.finish()
        if made is not None:
            html.write_bytes(made[0])
            pdf.write_bytes(made[1])
            return
        from vrn.export.report_page import write_reports

        write_reports(prescription, html, pdf)

    return write_map_page, write_report_pages


def _staging(target: Path) -> Path:
    return target.parent / f".{target.name}.vrn-new"


def _parked(target: Path) -> Path:
    return target.parent / f".{target.name}.vrn-old"


def _mend(target: Path) -> None:
    """Set right what a run that was cut off between its two renames left: the old folder goes back or away."""
    parked = _parked(target)
    if not parked.is_dir():
        return
    with _explained(target):
        if target.exists():
            shutil.rmtree(parked)
        else:
            parked.rename(target)


def _refuse_strangers(target: Path) -> None:
    """Only an empty folder, or one that holds nothing but what an earlier run listed, may be replaced."""
    if not target.exists():
        return
    if not target.is_dir():
        problem = f"{target} is a file."
        raise OutputError(problem, "Give the name of a folder.")
    found = {path.relative_to(target).as_posix() for path in target.rglob("*") if not path.is_dir()}
    strangers = sorted(name for name in found - _listed(target) if not _is_litter(name))
    if strangers:
        shown = ", ".join(strangers[:3]) + (f" and {len(strangers) - 3} more" if len(strangers) > 3 else "")
        problem = f"{target} holds files that vrn did not write: {shown}."
        raise OutputError(problem, "Give another folder, or move those files away.")


def _listed(folder: Path) -> set[str]:
    """Files that the folder's own summary lists, and the summary itself; none without a readable one."""
    import json

    try:
        files = json.loads((folder / "summary.json").read_text(encoding="utf-8"))["files"]
        return {*files, "summary.json"}
    except (OSError, ValueError, KeyError, TypeError):
        return set()


def _is_litter(name: str) -> bool:
    return name.rsplit("/", 1)[-1] in _JUNK or name.endswith(_SIDECARS)


@contextmanager
def _staged(target: Path) -> Iterator[Path]:
    """A locked folder beside the target, gone at the end whatever happens."""
    staged = _staging(target)
    with _explained(target):
        staged.parent.mkdir(parents=True, exist_ok=True)
        _clear_leftover(staged)
        staged.mkdir()
    lock = _lock(staged)
    try:
        with _explained(target):
            yield staged
    finally:
        if lock is not None:
            os.close(lock)
        shutil.rmtree(staged, ignore_errors=True)


def _clear_leftover(staged: Path) -> None:
    """Remove what a run that died left; refuse when that run is alive and holds its lock."""
    if not staged.exists():
        return
    lock = _lock(staged)
    if lock is not None:
        os.close(lock)
    shutil.rmtree(staged)


def _lock(folder: Path) -> int | None:
    """Hold a folder until its process ends; None where the platform has no such lock (open files guard it there)."""
    try:
        import fcntl
    except ImportError:
        return None
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        os.close(handle)
        if isinstance(error, BlockingIOError):
            problem = f"Another run is writing to {folder.parent / folder.name[1:].removesuffix('.vrn-new')}."
            raise OutputError(problem, "Wait until it is done, or give another folder.") from error
        return None
    return handle


def _swap(staged: Path, target: Path) -> None:
    """Old folder aside, new one in its place, old one away; an error in between puts the old one back."""
    parked = _parked(target)
    if target.exists():
        target.rename(parked)
    try:
        staged.rename(target)
    except OSError:
        with suppress(OSError):
            parked.rename(target)
        raise
    shutil.rmtree(parked, ignore_errors=True)


@contextmanager
def _explained(target: Path) -> Iterator[None]:
    """The platform's error as one that says what to do."""
    try:
        yield
    except OSError as error:
        problem = f"{target} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Give a folder you may write to, on a disk with room.") from error
    except VrnError:
        raise
    except Exception as error:
        # a database library on a full disk speaks of missing tables
        if shutil.disk_usage(target.parent).free > _NEXT_TO_NOTHING:
            raise
        problem = f"{target} cannot be written: {os.strerror(errno.ENOSPC)}."
        raise OutputError(problem, "Give a folder you may write to, on a disk with room.") from error
