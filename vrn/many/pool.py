"""Building many fields by processes here or on a Dask cluster that may not see this disk: a row for each."""

import logging
import multiprocessing
import socket
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from vrn.errors import InputFileError, MissingExtraError, VrnError
from vrn.many.manifest import Job
from vrn.many.shipping import build_shipped, pack, unpack
from vrn.many.task import Row, build_field, prepare_worker

_TRIES = 2
_TICK_S = 0.25  # how often a night looks up from its work
_GRACE_S = 4.0  # how long fields in work may go on once the user stops
_LONGEST_GREETING = 1_000_000  # bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class _WorkerPool:
    """An executor, how many fields it works on at once, and how many more are handed out ahead."""

    executor: Executor
    size: int
    waiting: int = 1
    local: bool = True
    idle_s: Callable[[], float] = lambda: 0.0  # since somebody was there to work


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """When a night gives up: on a field that takes too long, on workers that nobody sees, and what then."""

    field_s: float = 900.0
    worker_s: float = 60.0
    else_here: bool = False  # when a cluster is lost, the rest is built on this computer


def build_many(
    jobs: Sequence[Job], out: Path, *, workers: int = 1, scheduler: str | None = None, ship: bool = False,
    stop: Callable[[], bool] = lambda: False, patience: Patience | None = None,
) -> Iterator[Row]:  # fmt: skip
    """Build fields into ``out / job.name`` here or on a Dask cluster, and yield each one's row as it is done.

    ``ship`` sends each field's files with its task, and its outputs back, for workers that do not see this disk. Once
    ``stop`` says yes, no other field is begun, and those in work have a few seconds to come to their end. A field's own
    failure is a row; VrnError says that there is nobody to do the work. A field that takes longer than its time is a
    row, and its worker is ended. Where no worker is left, or the scheduler is lost, the fields in work are rows and the
    rest is not begun, or all of it is built here.

    A local worker that dies takes the fields in work with it. Each of them is then tried alone: the one that kills its
    worker again is the row that failed.
    """
    queue, patience = deque(jobs), patience or Patience()
    if scheduler is not None:
        try:
            with _dask_pool(scheduler) as pool:
                shift = _Shift(pool, queue, out, stop, patience, ship=ship)
                yield from shift.rows()
            queue.extend(shift.suspects)
        except InputFileError:  # no scheduler answers, or it has no worker
            if not patience.else_here:
                raise
        if not patience.else_here:
            return
        ship = False
    while queue and not stop():
        with _local_pool(min(workers, len(queue))) as pool:
            shift = _Shift(pool, queue, out, stop, patience, ship=ship)
            yield from shift.rows()
        for job in shift.suspects:
            if stop():
                break
            with _local_pool(1) as pool:
                alone = _Shift(pool, deque([job]), out, stop, patience, ship=ship)
                yield from alone.rows()
            if alone.suspects and not stop():
                problem = "The worker process died while it built this field, twice."
                remedy = "It may be short of memory: use fewer workers, or build this field alone."
                yield _failed(job, out, problem, remedy)


class _Shift:
    """One pool's work on a queue, until it is empty, the user stops, a worker died, or nobody is there to work."""

    def __init__(
        self, pool: _WorkerPool, queue: deque[Job], out: Path, stop: Callable[[], bool], patience: Patience, *,
        ship: bool,
    ) -> None:  # fmt: skip
        self.pool, self.queue, self.out, self.stop, self.ship = pool, queue, out, stop, ship
        self.patience = patience
        self.begun: dict[Future[Row], float] = {}
        self.stopped_at: float | None = None
        self.over = False  # nothing more is handed out
        self.refused: deque[Row] = deque()
        self.in_work: dict[Future[Row], tuple[Job, int]] = {}
        self.suspects: list[Job] = []

    def rows(self) -> Iterator[Row]:
        """Rows as they are done."""
        while True:
            self._fill()
            while self.refused:
                yield self.refused.popleft()
            if self.over and not self.pool.local:
                yield from self._lost("The scheduler of the cluster was lost.")
            if not self.in_work:
                return
            done, _ = wait(self.in_work, timeout=_TICK_S, return_when=FIRST_COMPLETED)
            for future in done:
                row = self._take(future)
                if row is not None:
                    yield row
            yield from self._lose_patience()

    def _lose_patience(self) -> Iterator[Row]:
        """Rows of fields that took too long; the end of all where the user stops or nobody is there to work."""
        now = time.monotonic()
        if self.stop():
            self.stopped_at = self.stopped_at or now
            if now - self.stopped_at > _GRACE_S:
                self._leave()
            return
        if self.pool.idle_s() > self.patience.worker_s:
            yield from self._lost("No worker of the cluster was seen for {seconds:.0f} s.")
            return
        at_work = list(self.in_work)[: self.pool.size]  # they begin in the order in which they were handed out
        late = [future for future in at_work if now - self.begun.setdefault(future, now) > self.patience.field_s]
        for future in late:
            job, _ = self.in_work.pop(future)
            problem = f"It took longer than {self.patience.field_s:.0f} s and was given up."
            yield _failed(job, self.out, problem, "Look at its files, or give it more time with --field-timeout.")
        if late and self.pool.local:
            self.queue.extendleft(job for job, _ in reversed(self.in_work.values()))  # their worker goes too
            self._leave()

    def _lost(self, problem: str) -> Iterator[Row]:
        """The end of a cluster: what was in work is a row, or is built here."""
        lost = [job for job, _ in self.in_work.values()]
        if self.patience.else_here:
            self.queue.extendleft(reversed(lost))
        else:
            remedy = "Start workers and run the same command again, or add --else-here to build the rest here."
            for job in lost:
                yield _failed(job, self.out, problem.format(seconds=self.patience.worker_s), remedy)
        self._leave()

    def _leave(self) -> None:
        """Wait for nobody any more; workers of this computer are ended."""
        self.over = True
        self.in_work.clear()
        if self.pool.local:
            for child in multiprocessing.active_children():
                child.kill()

    def _fill(self) -> None:
        """Begin as many fields as the pool can hold."""
        if self.stop():
            if self.pool.local:  # to ask a cluster that is lost would wait for it
                self.in_work = {future: work for future, work in self.in_work.items() if not future.cancel()}
            return
        while (
            self.queue
            and not self.over
            and not self.suspects
            and len(self.in_work) < self.pool.size + self.pool.waiting
        ):
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
        except Exception:
            if self.pool.local:
                raise
            self.queue.appendleft(job)
            self.over = True
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
            if self.patience.else_here and not self.pool.local:
                self.suspects.append(job)
                return None
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
        client: Any = Client(address, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise _nobody(address, error) from None
    over = threading.Event()
    try:
        _same_version(client, address)
        threads = sum(client.nthreads().values())
        yield _WorkerPool(executor=client.get_executor(pure=False), size=threads, waiting=threads, local=False,
                          idle_s=_watch(client, over))  # fmt: skip
    finally:
        over.set()
        with suppress(Exception):  # the scheduler may be lost
            client.close(timeout=2)


def _watch(client: Any, over: threading.Event) -> Callable[[], float]:
    """Seconds since the cluster had a worker, looked up beside the work: a lost scheduler does not answer."""
    seen = time.monotonic()

    def look() -> None:
        nonlocal seen
        while not over.wait(1.0):
            with suppress(Exception):
                if client.nthreads():
                    seen = time.monotonic()

    threading.Thread(target=look, daemon=True, name="sees workers").start()
    return lambda: time.monotonic() - seen


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
