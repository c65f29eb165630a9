"""Building many fields by processes here or on a Dask cluster that may not see this disk: a row for each."""

import logging
import multiprocessing
import os
import socket
import tempfile
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any
from urllib.parse import urlsplit

from vrn.errors import InputFileError, MissingExtraError, OutputError, VrnError
from vrn.many.manifest import Job
from vrn.many.task import Row, build_field, prepare_worker, sha256_of, summary_in

_TRIES = 2
_LONGEST_GREETING = 1_000_000  # bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class _WorkerPool:
    """An executor, how many fields it works on at once, and how many more are handed out ahead."""

    executor: Executor
    size: int
    waiting: int = 1


def build_many(
    jobs: Sequence[Job], out: Path, *, workers: int = 1, scheduler: str | None = None, ship: bool = False,
    stop: Callable[[], bool] = lambda: False,
) -> Iterator[Row]:  # fmt: skip
    """Build fields into ``out / job.name`` here or on a Dask cluster, and yield each one's row as it is done.

    ``ship`` sends each field's files with its task, and its outputs back, for workers that do not see this disk. Once
    ``stop`` says yes, the fields in work come to their end and no other is begun. A field's own failure is a row;
    VrnError says that there is nobody to do the work.

    A local worker that dies takes the fields in work with it. Each of them is then tried alone: the one that kills its
    worker again is the row that failed.
    """
    queue = deque(jobs)
    if scheduler is not None:
        with _dask_pool(scheduler) as pool:
            yield from _Shift(pool, queue, out, stop, ship=ship).rows()
        return
    while queue and not stop():
        with _local_pool(min(workers, len(queue))) as pool:
            shift = _Shift(pool, queue, out, stop, ship=ship)
            yield from shift.rows()
        for job in shift.suspects:
            if stop():
                break
            with _local_pool(1) as pool:
                alone = _Shift(pool, deque([job]), out, stop, ship=ship)
                yield from alone.rows()
            if alone.suspects and not stop():
                problem = "The worker process died while it built this field, twice."
                remedy = "It may be short of memory: use fewer workers, or build this field alone."
                yield _failed(job, out, problem, remedy)


class _Shift:
    """One pool's work on a queue, until the queue is empty, the user stops, or a worker died."""

    def __init__(
        self, pool: _WorkerPool, queue: deque[Job], out: Path, stop: Callable[[], bool], *, ship: bool
    ) -> None:
        self.pool, self.queue, self.out, self.stop, self.ship = pool, queue, out, stop, ship
        self.refused: deque[Row] = deque()
        self.in_work: dict[Future[Row], tuple[Job, int]] = {}
        self.suspects: list[Job] = []

    def rows(self) -> Iterator[Row]:
        """Rows as they are done."""
        while True:
            self._fill()
            while self.refused:
                yield self.refused.popleft()
            if not self.in_work:
                return
            done, _ = wait(self.in_work, return_when=FIRST_COMPLETED)
            for future in done:
                row = self._take(future)
                if row is not None:
                    yield row

    def _fill(self) -> None:
        """Begin as many fields as the pool can hold."""
        if self.stop():
            self.in_work = {future: work for future, work in self.in_work.items() if not future.cancel()}
            return
        while self.queue and not self.suspects and len(self.in_work) < self.pool.size + self.pool.waiting:
            self._begin(self.queue.popleft(), 1)

    def _begin(self, job: Job, tries: int) -> None:
        known = (job.name, str(job.field_file), str(self.out / job.name))
        submit = self.pool.executor.submit
        try:
            future = submit(build_shipped, *known, pack(job.field_file)) if self.ship else submit(build_field, *known)
        except BrokenExecutor:
            self.suspects.append(job)
            return
        except VrnError as error:
            self.refused.append(_failed(job, self.out, error.problem, error.remedy))
            return
        self.in_work[future] = (job, tries)

    def _take(self, future: Future[Row]) -> Row | None:
        """A finished field's row; None when it is tried again or its worker died."""
        job, tries = self.in_work.pop(future)
        try:
            row = unpack(future.result())
        except BrokenExecutor:
            self.suspects.append(job)
            return None
        except Exception as error:  # noqa: BLE001 - what a far worker, or the way to it, raised
            why = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
            problem = f"The worker, or the way to it, was lost ({why})."
            remedy = "Check the workers of the cluster, then run the same command again."
            return _failed(job, self.out, problem, remedy)
        if row.may_pass and tries < _TRIES and not self.stop() and not self.suspects:
            self._begin(job, tries + 1)
            return None
        return row


def _failed(job: Job, out: Path, problem: str, remedy: str) -> Row:
    return Row(name=job.name, field_file=str(job.field_file), folder=str(out / job.name), status="failed",
               problem=problem, remedy=remedy)  # fmt: skip


def usable_processors() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def _local_pool(count: int) -> Iterator[_WorkerPool]:
    """Worker processes of this machine, started fresh."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(count, mp_context=context, initializer=prepare_worker) as executor:
        yield _WorkerPool(executor=executor, size=count)


@contextmanager
def _dask_pool(address: str) -> Iterator[_WorkerPool]:
    """Workers of the Dask cluster whose scheduler has an address as ``tcp://10.0.0.5:8786``.

    MissingExtraError if ``dask.distributed`` is not installed; InputFileError if no scheduler answers, it has no
    worker, or a worker has another version of vrn.
    """
    try:
        from distributed import Client
    except ImportError:
        problem = "A Dask cluster was asked for, and dask.distributed is not installed."
        raise MissingExtraError(problem, 'Install it with: pip install "vrn[cluster]"') from None
    knock(address)
    for name in ("distributed", "distributed.client", "distributed.core", "distributed.comm"):  # each has its own level
        logging.getLogger(name).setLevel(logging.CRITICAL)  # what goes wrong with a field is told in its row
    try:
        client: Any = Client(address, timeout="10s", set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise _nobody(address, error) from None
    with client:
        _same_version(client, address)
        threads = sum(client.nthreads().values())
        yield _WorkerPool(executor=client.get_executor(pure=False), size=threads, waiting=threads)


def knock(address: str) -> None:
    """InputFileError where no Dask scheduler listens, before the cluster's own library waits for one."""
    parts = urlsplit(address)
    try:
        if not parts.scheme or parts.hostname is None or parts.port is None:
            raise ValueError
    except ValueError:
        problem = f"{address} is not the address of a Dask scheduler."
        raise InputFileError(problem, "Give it as dask scheduler tells it, as tcp://10.0.0.5:8786.") from None
    if parts.scheme == "tcp":
        try:
            with socket.create_connection((parts.hostname, parts.port), timeout=10.0) as line:
                _greeted(line)
        except OSError as error:
            raise _nobody(address, error) from None


def _greeted(line: socket.socket) -> None:
    """A Dask scheduler speaks first, and begins with the length of what it says: eight bytes, little end first."""
    with line.makefile("rb") as file:
        length = file.read(8)
    if len(length) < 8 or int.from_bytes(length, "little") > _LONGEST_GREETING:
        message = "something else listens there"
        raise ConnectionRefusedError(message)


def _nobody(address: str, error: Exception) -> InputFileError:
    problem = f"No Dask scheduler answers at {address}: {error}."
    return InputFileError(problem, "Start one with: dask scheduler; its first lines tell the address.")


def _version_here() -> str:
    from vrn import __version__

    return __version__


def _same_version(client: Any, address: str) -> None:
    """Refuse workers that have no vrn, or another."""
    try:
        versions = client.run(_version_here)
    except Exception as error:  # noqa: BLE001 - whatever the far side raises
        problem = f"The workers at {address} cannot run vrn: {type(error).__name__}: {error}."
        raise InputFileError(problem, "Install the same vrn on every worker.") from None
    if not versions:
        problem = f"The Dask scheduler at {address} has no worker."
        raise InputFileError(problem, f"Start some with: dask worker {address} --nthreads 1")
    others = sorted({version for version in versions.values() if version != _version_here()})
    if others:
        problem = f"Workers at {address} have vrn {', '.join(others)}; here it is {_version_here()}."
        raise InputFileError(problem, "Install the same vrn on every worker.")


_LARGEST = 500_000_000  # bytes in one shipment
_NAMES_FILES = ("boundary", "file", "table", "files", "response_trial")


def pack(field_file: Path) -> dict[str, bytes]:
    """Every file of a field's folder; InputFileError if it names one outside, or is too large to send."""
    from vrn.ingest import read_settings
    from vrn.model.settings import as_plain

    for name in _named(as_plain(read_settings(field_file))):
        named = PurePosixPath(name.replace("\\", "/"))
        if named.is_absolute() or PureWindowsPath(name).drive or ".." in named.parts:
            problem = f"{field_file.name} names {name}, outside the field's folder, which is all that is sent along."
            raise InputFileError(problem, "Copy that file into the folder, or let the workers see this disk.")
    files: dict[str, bytes] = {}
    size = 0
    for path in _inside(field_file.parent):
        size += path.stat().st_size
        if size > _LARGEST:
            problem = f"The folder {field_file.parent} holds more than {_LARGEST // 1_000_000} MB."
            raise InputFileError(problem, "Leave only the field's own files in it, or let the workers see this disk.")
        files[path.relative_to(field_file.parent).as_posix()] = path.read_bytes()
    return files


def _named(value: Any, key: str = "") -> Iterator[str]:
    """Names of files in plain settings."""
    if isinstance(value, dict):
        for inner, item in value.items():
            yield from _named(item, inner)
    elif isinstance(value, list):
        for item in value:
            yield from _named(item, key)
    elif isinstance(value, str) and key in _NAMES_FILES:
        yield value


def _inside(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.iterdir()):
        if path.name.startswith("."):
            continue
        if path.is_dir():
            if not (path / "summary.json").exists():
                yield from _inside(path)
        elif path.is_file():
            yield path


def build_shipped(name: str, field_file: str, folder: str, files: dict[str, bytes]) -> Row:
    """Build a field from its shipped files on this machine, and send the outputs back in the row.

    The paths in the row are those of the machine that sent the files.
    """
    with tempfile.TemporaryDirectory(prefix="vrn-") as scratch:
        here, out = Path(scratch) / "field", Path(scratch) / "out"
        for path, content in files.items():
            target = here / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
        row = build_field(name, str(here / Path(field_file).name), str(out))
        made = {
            path.relative_to(out).as_posix(): path.read_bytes() for path in sorted(out.rglob("*")) if path.is_file()
        }
    # the worker's folders mean nothing to the reader
    problem = row.problem.replace(str(here), str(Path(field_file).parent)).replace(str(out), folder)
    return replace(row, field_file=field_file, folder=folder, problem=problem, files=made)


def unpack(row: Row) -> Row:
    """Put the outputs that came back into their folder, all or nothing; the row failed when it cannot be written."""
    from vrn.files.signature import earlier_in
    from vrn.files.staging import note_source, write_files

    if row.status != "built" or not row.files:
        return row
    folder = Path(row.folder)
    earlier = earlier_in(folder)

    def check(staged: Path) -> None:
        _arrived(staged)
        new_id = str((summary_in(staged) or {}).get("id"))
        replaces = None if earlier is None else earlier.replaced_by(new_id)
        note_source(staged, folder, {"field": Path(row.field_file)}, replaces)

    try:
        write_files(row.files, folder, check=check)
    except VrnError as error:
        return replace(row, status="failed", problem=error.problem, remedy=error.remedy, files={})
    return replace(row, files={})


def _arrived(staged: Path) -> None:
    """Refuse outputs that are not what the worker verified and hashed."""
    files = (summary_in(staged) or {}).get("files", {})
    if not files or any(sha256_of(staged / name) != was for name, was in files.items()):
        problem = "The outputs that came back are not those the worker wrote."
        raise OutputError(problem, "Run the same command again.")
