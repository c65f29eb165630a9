"""Building many fields by worker processes of this machine or a Dask cluster: each a task, each a row."""

import logging
import multiprocessing
import os
import socket
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from vrn.errors import InputFileError, MissingExtraError, VrnError
from vrn.many.manifest import Job
from vrn.many.shipping import build_shipped, pack, unpack
from vrn.many.task import Row, build_field, prepare_worker

_TRIES = 2
_LONGEST_GREETING = 1_000_000  # bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkerPool:
    """
    An executor and how many fields it works on at once.

    Parameters
    ----------
    size : int
        Fields in work at once.
    waiting : int
        Fields handed out ahead, so that nobody waits for the next.
    """

    executor: Executor
    size: int
    waiting: int = 1


def build_many(
    jobs: Sequence[Job],
    out: Path,
    *,
    workers: int = 1,
    scheduler: str | None = None,
    ship: bool = False,
    stop: Callable[[], bool] = lambda: False,
) -> Iterator[Row]:
    """
    Build fields, and yield each one's row as it is done.

    Parameters
    ----------
    out : Path
        Folder of all; each field gets ``out / job.name``.
    workers : int
        Local worker processes.
    scheduler : str, optional
        Address of a Dask scheduler, whose workers are used instead.
    ship : bool
        Send each field's files with its task, and its outputs back, for workers that do not see this disk.
    stop : callable
        Asked before a field is begun; once it says yes, those in work come to their end and no other is begun.

    Raises
    ------
    VrnError
        If there is nobody to do the work. A field's own failure is a row.

    Notes
    -----
    A local worker that dies takes the fields in work with it. Each of them is then tried alone: the one that kills its
    worker again is the row that failed.
    """
    queue = deque(jobs)
    if scheduler is not None:
        with dask_pool(scheduler) as pool:
            yield from _Shift(pool, queue, out, stop, ship=ship).rows()
        return
    while queue and not stop():
        with local_pool(min(workers, len(queue))) as pool:
            shift = _Shift(pool, queue, out, stop, ship=ship)
            yield from shift.rows()
        for job in shift.suspects:
            if stop():
                break
            with local_pool(1) as pool:
                alone = _Shift(pool, deque([job]), out, stop, ship=ship)
                yield from alone.rows()
            if alone.suspects and not stop():
                problem = "The worker process died while it built this field, twice."
                remedy = "It may be short of memory: use fewer workers, or build this field alone."
                yield _failed(job, out, problem, remedy)


class _Shift:
    """One pool's work on a queue, until the queue is empty, the user stops, or a worker died."""

    def __init__(self, pool: WorkerPool, queue: deque[Job], out: Path, stop: Callable[[], bool], *, ship: bool) -> None:
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
            problem = (
                f"The worker, or the way to it, was lost ({type(error).__name__}{f': {error}' if str(error) else ''})."
            )
            remedy = "Check the workers of the cluster, then run the same command again."
            return _failed(job, self.out, problem, remedy)
        if row.may_pass and tries < _TRIES and not self.stop() and not self.suspects:
            self._begin(job, tries + 1)
            return None
        return row


def _failed(job: Job, out: Path, problem: str, remedy: str) -> Row:
    folder = str(out / job.name)
    return Row(
        name=job.name, field_file=str(job.field_file), folder=folder, status="failed", problem=problem, remedy=remedy
    )


def usable_processors() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


@contextmanager
def local_pool(count: int) -> Iterator[WorkerPool]:
    """Worker processes of this machine, started fresh."""
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(count, mp_context=context, initializer=prepare_worker) as executor:
        yield WorkerPool(executor=executor, size=count)


@contextmanager
def dask_pool(address: str) -> Iterator[WorkerPool]:
    """
    Workers of a Dask cluster.

    Parameters
    ----------
    address : str
        Of its scheduler, as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    MissingExtraError
        If ``dask.distributed`` is not installed.
    InputFileError
        If no scheduler answers, it has no worker, or a worker has another version of vrn.
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
        yield WorkerPool(executor=client.get_executor(pure=False), size=threads, waiting=threads)


def knock(address: str) -> None:
    """
    Refuse an address where no Dask scheduler listens, before the cluster's own library waits for one.

    Parameters
    ----------
    address : str
        As ``tcp://10.0.0.5:8786``.

    Raises
    ------
    InputFileError
    """
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


def version_here() -> str:
    """Version of vrn where this runs."""
    from vrn import __version__

    return __version__


def _same_version(client: Any, address: str) -> None:
    """Refuse workers that have no vrn, or another."""
    try:
        versions = client.run(version_here)
    except Exception as error:  # noqa: BLE001 - whatever the far side raises
        problem = f"The workers at {address} cannot run vrn: {type(error).__name__}: {error}."
        raise InputFileError(problem, "Install the same vrn on every worker.") from None
    if not versions:
        problem = f"The Dask scheduler at {address} has no worker."
        raise InputFileError(problem, f"Start some with: dask worker {address} --nthreads 1")
    others = sorted({version for version in versions.values() if version != version_here()})
    if others:
        problem = f"Workers at {address} have vrn {', '.join(others)}; here it is {version_here()}."
        raise InputFileError(problem, "Install the same vrn on every worker.")
