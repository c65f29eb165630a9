"""Building many fields: each a task, each a row, whatever happens to the others."""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Future, wait
from pathlib import Path

from vrn.errors import VrnError
from vrn.many.manifest import Job
from vrn.many.parcel import build_parcel, pack, unpack
from vrn.many.task import Row, build_field
from vrn.many.workers import Crew, dask_crew, local_crew

_TRIES = 2


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
    jobs : sequence of Job
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

    Yields
    ------
    row : Row

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
        with dask_crew(scheduler) as crew:
            yield from _Shift(crew, queue, out, stop, ship=ship).rows()
        return
    while queue and not stop():
        with local_crew(min(workers, len(queue))) as crew:
            shift = _Shift(crew, queue, out, stop, ship=ship)
            yield from shift.rows()
        for job in shift.suspects:
            if stop():
                break
            with local_crew(1) as crew:
                alone = _Shift(crew, deque([job]), out, stop, ship=ship)
                yield from alone.rows()
            if alone.suspects and not stop():
                problem = "The worker process died while it built this field, twice."
                remedy = "It may be short of memory: use fewer workers, or build this field alone."
                yield _failed(job, out, problem, remedy)


class _Shift:
    """One crew's work on a queue, until the queue is empty, the user stops, or a worker died."""

    def __init__(self, crew: Crew, queue: deque[Job], out: Path, stop: Callable[[], bool], *, ship: bool) -> None:
        self.crew, self.queue, self.out, self.stop, self.ship = crew, queue, out, stop, ship
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
        """Begin as many fields as the crew can hold."""
        if self.stop():
            self.in_work = {future: work for future, work in self.in_work.items() if not future.cancel()}
            return
        while self.queue and not self.suspects and len(self.in_work) < self.crew.size + self.crew.waiting:
            self._begin(self.queue.popleft(), 1)

    def _begin(self, job: Job, tries: int) -> None:
        known = (job.name, str(job.field_file), str(self.out / job.name))
        submit = self.crew.executor.submit
        try:
            future = submit(build_parcel, *known, pack(job.field_file)) if self.ship else submit(build_field, *known)
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
