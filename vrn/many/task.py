"""One field, one task: what a worker does, the row it hands back, and whether a folder still holds what it would do."""

import ctypes
import errno
import functools
import gc
import hashlib
import json
import os
import platform
import threading
from dataclasses import dataclass, field, fields, replace
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vrn.door import lighten
from vrn.errors import OutputError, VrnError
from vrn.findings import Quantity, warning

if TYPE_CHECKING:
    from collections.abc import Callable

    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from vrn.audit import Verification
    from vrn.files.signature import Earlier
    from vrn.many.sign import ReportBeside
    from vrn.model.field import Field
    from vrn.prescription.model import Prescription

# maps, plots and raster libraries keep state of their own: one field at a time in a process
_ONE_FIELD = threading.Lock()
_TRIM_THRESHOLD, _MMAP_THRESHOLD = -1, -3  # of mallopt, as glibc's malloc.h numbers them
# a patch of these may move a rate or an outline in its last digit
_EXACT = ("vrn", "numpy", "scipy", "shapely", "pyproj", "rasterio", "pyogrio")
# what a busy disk or a network drive may say once and not again
_PASSING = (errno.EIO, errno.EAGAIN, errno.EBUSY, errno.EINTR, errno.ETIMEDOUT, errno.ESTALE, errno.EMFILE,
            errno.ENFILE)  # fmt: skip

_LEAST_SHORT_AC = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What became of one field: ``built``, ``unchanged`` or ``failed``, with problem and remedy.

    ``name`` is its output's folder below the folder of all. ``may_pass`` marks a failure that trying again may mend,
    ``trace`` where an error that nobody foresaw came from; ``crop`` is as in the season book, ``files`` are those of a
    task that was shipped.
    """

    name: str
    field_file: str
    folder: str
    status: str
    problem: str = ""
    remedy: str = ""
    warnings: int = 0
    seconds: float = 0.0
    may_pass: bool = False
    trace: str = ""
    crop: dict[str, str | None] = field(default_factory=dict)
    files: dict[str, bytes] = field(default_factory=dict)

    def as_plain(self) -> dict[str, object]:
        """The row for a machine to read: plain values, without the files."""
        return {item.name: getattr(self, item.name) for item in fields(self) if item.name not in ("files", "may_pass")}


def prepare_worker() -> None:
    """
    Make a process fit to be one of several local workers.

    One thread in each linear-algebra library, Ctrl-C left to the parent, and an end when the parent ends.
    """
    import signal
    from multiprocessing import connection, parent_process

    lighten()
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS", "GDAL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = parent_process()
    if parent is None:
        return

    def follow() -> None:
        connection.wait([parent.sentinel])
        os._exit(1)

    threading.Thread(target=follow, daemon=True, name="ends with its parent").start()


def build_field(name: str, field_file: str, folder: str) -> Row:
    """Read, build, write and verify one field; every failure becomes a row."""
    import time
    import traceback

    start = time.perf_counter()
    _keep_memory()
    row = Row(name=name, field_file=field_file, folder=folder, status="failed")
    with _ONE_FIELD:
        try:
            row = replace(row, status="built", **_built(field_file, folder))
        except VrnError as error:
            passing = isinstance(error.__cause__, OSError) and error.__cause__.errno in _PASSING
            row = replace(row, problem=error.problem, remedy=error.remedy, may_pass=passing)
        except MemoryError:
            row = replace(row, problem="There was not enough memory.", remedy="Use fewer workers, or a larger cell_m.")
        except OSError as error:
            remedy = "Check the disk and the permissions, then run the same command again."
            passing = error.errno in _PASSING
            row = replace(row, problem=f"The system refused: {error}.", remedy=remedy, may_pass=passing)
        except Exception as error:  # noqa: BLE001 - one field's bug must not stop the batch
            problem = f"An error nobody foresaw: {type(error).__name__}: {error}"
            remedy = "This is a fault of vrn: report it with the field's files and the trace that --json tells."
            row = replace(row, problem=problem, remedy=remedy, trace=traceback.format_exc())
    _settle()
    return replace(row, seconds=time.perf_counter() - start)


@functools.cache
def _keep_memory() -> None:
    """
    Keep the memory that one field frees for the next, where the system's C library is told so by ``mallopt``.

    Else every larger array is asked for anew, page by page: a tenth of a field, and more in a worker of a Dask cluster,
    whose memory is given back at once.
    """
    try:
        tell = ctypes.CDLL(None).mallopt
    except (OSError, TypeError, AttributeError):
        return
    tell(_MMAP_THRESHOLD, 32 << 20)
    tell(_TRIM_THRESHOLD, 128 << 20)


@functools.cache
def _settle() -> None:
    """
    Spare the collector of cycles what the first field left loaded: modules, fonts, tables stay as long as the process.

    Looking through them again and again costs a tenth of a field, and a quarter in a worker of a cluster.
    """
    gc.collect()
    gc.freeze()


def _built(field_file: str, folder: str) -> dict[str, Any]:
    """Build one field and tell what the book wants to know of it."""
    from vrn.files.signature import earlier_in
    from vrn.ingest import read_field
    from vrn.pipeline import build
    from vrn.pipeline.order import succeeding, write

    read = read_field(field_file)
    prescription = succeeding(build(read), earlier_in(Path(folder)))
    write(prescription, Path(folder), check=_verified, sources={"field": Path(field_file)})
    sampled = [day for day in read.samples.sampled_on if day is not None]
    crop = read.settings.crop
    return {
        "warnings": sum(finding.level == "warning" for finding in prescription.findings),
        "crop": {
            "growth_stage": crop.growth_stage or (prescription.season and prescription.season.stage_name),
            "sampled_on": max(sampled).isoformat() if sampled else None,
            "application_date": crop.application_date.isoformat() if crop.application_date else None,
        },
    }


def _verified(staged: Path) -> None:
    """Refuse what does not check: with nobody looking, it must not lie where the good ones lie."""
    from vrn.audit import verify
    from vrn.words import UnitFormat, say

    found = verify(staged)
    if not found.ok:
        shown = UnitFormat.of(found.units)
        wrong = " ".join(f"{check.about}: {say(shown, check.code, **check.quantities)}" for check in found.failed[:3])
        problem = f"What was written for this field does not check, and was taken away again. {wrong}"
        raise OutputError(problem, "Build it alone with vrn build and look at what it says, or report it.")


def built_from(
    field_file: Path, review: Path | None, remaining: Path | None, *, top_up: bool = False,
    earlier: "Earlier | None" = None, step: "Callable[[str], None]",
) -> "Prescription":  # fmt: skip
    """Read and build a field, or what is left of it, and hold its approval against what lies in the folder."""
    from vrn.ingest import read_field
    from vrn.pipeline import build as build_prescription
    from vrn.pipeline.order import succeeding, with_export_findings

    step("reading")
    field = read_field(field_file, review=review)
    prescription = build_prescription(field, progress=step)
    if remaining is not None:
        prescription = _rest_of(prescription, field, remaining, top_up=top_up)
    return with_export_findings(succeeding(prescription, earlier))


def write_checked(
    prescription: "Prescription", out: Path | None, usb: Path | None, report: "ReportBeside | None", *,
    sources: dict[str, Path | None], key: "Ed25519PrivateKey | None" = None,
) -> "Verification":  # fmt: skip
    """Write to the folder, the stick, or both, and verify what was staged before anything is swapped in."""
    from tempfile import TemporaryDirectory

    from vrn.audit import verify
    from vrn.many.stick import carried, put, refuse_strange_stick
    from vrn.pipeline.order import write, write_controls

    checked: list[Verification] = []

    def check(staged: Path) -> None:
        checked.append(verify(staged))

    if usb is not None:
        refuse_strange_stick(usb)
    if out is not None:
        given = {name: path for name, path in sources.items() if path is not None}
        write(prescription, out, check=check, report=report, sources=given, key=key)
        if usb is not None:
            put(usb, [carried(out)])
    elif usb is not None:
        with TemporaryDirectory(prefix="vrn-") as scratch:
            write_controls(prescription, Path(scratch))
            check(Path(scratch))
            put(usb, [carried(Path(scratch))])
    return checked[0]


def _rest_of(prescription: "Prescription", field: "Field", as_applied: Path, *, top_up: bool) -> "Prescription":
    """The same rates on the ground that the as-applied file leaves; on request what is missing on the rest."""
    from vrn.audit import Sold, covered
    from vrn.prescription import remaining as rest_of

    product = prescription.product
    sold = Sold(name=product.name, unit=product.unit, n_lb_per_unit=product.n_lb_per_unit,
                rate_unit=prescription.rate_unit)  # fmt: skip
    zones = {rate.zone: (rate.outline, rate.rate_n_lb_ac) for rate in prescription.rates}
    found = covered(as_applied, field, sold, zones)
    rest = rest_of(prescription, [found.ground], narrowest_m=found.narrowest_m, short_ac=found.short_ac,
                   top_up=found.short if top_up else ())  # fmt: skip
    field, told = replace(rest.field, inputs={**rest.field.inputs, **found.inputs}), found.findings
    if top_up and rest.remaining is not None:
        told = tuple(one for one in told if one.code != "audit.short-ground")
        if rest.remaining.short_ac >= _LEAST_SHORT_AC:
            told = (*told, warning("audit.short-left", as_applied.name, area=Quantity("area", rest.remaining.short_ac)))
    return replace(rest, field=field, findings=(*rest.findings, *told))


def sha256_of(path: Path) -> str:
    """Hash of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def summary_in(folder: Path) -> dict[str, Any] | None:
    """The summary of a whole output folder; None when there is none, or it cannot be read."""
    try:
        summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return summary if isinstance(summary, dict) else None


def staleness(field_file: Path, folder: Path) -> tuple[str, dict[str, str]] | None:
    """Why a field must be built: code and places of a sentence of the season's words; None where nothing changed.

    Of Python and the libraries that draw pages, only another release (1.2, not 1.2.3) counts; of those that have a hand
    in a rate or an outline, any other version.
    """
    summary = summary_in(folder)
    if summary is None:
        return "stale-new", {}
    try:
        inputs, files, versions = summary["inputs"], summary["files"], summary["versions"]
        if field_file.name not in inputs or not files:
            return "stale-new", {}
        for name, was in inputs.items():
            if _input_now(field_file, name, summary["season"]) != was:
                return "stale-input", {"file": name}
        for name, was in files.items():
            if _sha256_or_none(folder / name) != was:
                return "stale-output", {"file": name}
        for name, was in versions.items():
            now = _version_here(name)
            if now is None or (now if name in _EXACT else _release(now)) != (was if name in _EXACT else _release(was)):
                return "stale-version", {"name": name, "was": str(was), "now": now or "-"}
    except (KeyError, TypeError, AttributeError, ValueError):
        return "stale-new", {}
    return None


def _sha256_or_none(path: Path) -> str | None:
    try:
        return sha256_of(path)
    except OSError:
        return None


def _input_now(field_file: Path, name: str, season: int) -> str | None:
    """Hash of an input as it is now: of a file, or of the earlier trials in a season book."""
    from vrn.ingest import read_settings
    from vrn.ingest.season_tables import TRIALS, digest_of, trials_in
    from vrn.many.questions import trials_at

    if not name.endswith(TRIALS):
        return _sha256_or_none(field_file.parent / name)
    try:
        if "://" in name:  # only the field file has the whole address
            learning = read_settings(field_file).learning
            trials = trials_at(learning.book)[1] if learning else ()
        else:
            trials = trials_in(field_file.parent / name.removesuffix(TRIALS))
    except VrnError:
        return None
    return digest_of(tuple(trial for trial in trials if trial.season < season))


def _release(version_: str) -> list[str]:
    return version_.split(".")[:2]


@cache
def _version_here(name: str) -> str | None:
    if name == "python":
        return platform.python_version()
    if name == "vrn":
        from vrn import __version__

        return __version__
    try:
        return version(name)
    except PackageNotFoundError:
        return None
