"""One process that builds: a job at a time, told step by step, stopped when asked; nothing of it is left half done."""

import multiprocessing
import queue
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from dataclasses import field as attribute
from multiprocessing.connection import Connection
from typing import Any, Final, Literal

from vrn.errors import VrnError
from vrn.findings import note

State = Literal["waiting", "running", "done", "failed", "stopped"]
_MOST_KEPT: Final = 60  # jobs that are over
_PRIVATE: Final = frozenset({"key", "secret"})  # what a job is given and nobody keeps when it is over
_ENDED: Final = ("done", "failed", "stopped")


@dataclass(kw_only=True, eq=False)
class Job:
    """Something for the worker to do, and how it ended."""

    field: str  # folder that it is about
    what: str
    task: Callable[..., Any]
    given: dict[str, Any]
    after: Callable[[Any], None]
    id: str = attribute(default_factory=lambda: secrets.token_hex(6))
    state: State = "waiting"
    step: str = ""
    result: Any = None
    problem: str = ""
    remedy: str = ""

    @property
    def over(self) -> bool:
        """Whether nothing more becomes of it."""
        return self.state in _ENDED

    def waited(self) -> "Job":
        """Itself, when it is over, or after a minute."""
        until = time.monotonic() + 60
        while not self.over and time.monotonic() < until:
            time.sleep(0.01)
        return self


class Worker:
    """Jobs in the order they came, carried out by one process of its own, which is started again where it ends."""

    def __init__(self) -> None:
        self.jobs: dict[str, Job] = {}
        self._waiting: queue.SimpleQueue[Job | None] = queue.SimpleQueue()
        self._process: Any = None
        self._pipe: Connection | None = None
        self._lock = threading.Lock()
        self._thread = threading.Thread(target=self._run, daemon=True, name="desk's jobs")
        self._thread.start()

    def submit(
        self, field_name: str, what: str, task: Callable[..., Any], *,
        after: Callable[[Any], None] = lambda _result: None, **given: Any,
    ) -> Job:  # fmt: skip
        """A job for a function of a module, called with ``step=`` and what is given; the same job twice is one."""
        with self._lock:
            for job in self.jobs.values():
                if not job.over and (job.field, job.what, job.given) == (field_name, what, given):
                    return job
            job = Job(field=field_name, what=what, task=task, given=given, after=after)
            self.jobs[job.id] = job
            for old in [one.id for one in self.jobs.values() if one.over][:-_MOST_KEPT]:
                del self.jobs[old]
        self._waiting.put(job)
        return job

    def known(self, field_name: str, what: str, task: Callable[..., Any], **given: Any) -> Job:
        """The job that answers a page: the one that did or does, else a new one."""
        for job in self.jobs.values():
            if (job.field, job.what, job.given) == (field_name, what, given) and job.state != "stopped":
                return job
        return self.submit(field_name, what, task, **given)

    def stop(self, job: Job) -> None:
        """Stop a job: a waiting one is not begun, the process of a running one is ended."""
        with self._lock:
            running = job.state == "running"
            if not job.over:
                job.state = "stopped"
            if running and self._process is not None:
                self._process.kill()

    def close(self) -> None:
        """End the process and the thread."""
        self._waiting.put(None)
        if self._process is not None:
            self._process.kill()
            self._process.join(10)
        self._thread.join(10)

    def _run(self) -> None:
        while (job := self._waiting.get()) is not None:
            with self._lock:
                if job.state != "waiting":
                    continue
                job.state = "running"
            try:
                self._carry_out(job)
            except (OSError, EOFError, ValueError) as error:
                self._process = None
                self._end(job, "failed", *_unforeseen(error))

    def _carry_out(self, job: Job) -> None:
        """Hand a job to the process and follow it to its end."""
        if self._process is None or not self._process.is_alive():
            spawn = multiprocessing.get_context("spawn")
            self._pipe, theirs = spawn.Pipe()
            self._process = spawn.Process(target=serve, args=(theirs,), daemon=True, name="vrn desk worker")
            self._process.start()
            theirs.close()
        assert self._pipe is not None
        self._pipe.send((job.task, job.given))
        while not job.over or job.state == "stopped":
            word, *rest = self._pipe.recv()
            if word == "step":
                job.step = rest[0]
            elif word == "done":
                if job.state != "stopped":
                    job.result = rest[0]
                    job.after(job.result)
                self._end(job, "done")
                return
            else:
                self._end(job, "failed", *rest)
                return

    def _end(self, job: Job, state: State, problem: str = "", remedy: str = "") -> None:
        with self._lock:
            if job.state != "stopped":
                job.problem, job.remedy, job.state = problem, remedy, state
            job.given = {name: value for name, value in job.given.items() if name not in _PRIVATE}


def _unforeseen(error: BaseException) -> tuple[str, str]:
    from vrn.words import UnitFormat, finding_texts

    found = note("desk.unforeseen", "desk", error=f"{type(error).__name__}: {error}")
    text = finding_texts(UnitFormat(metric=False), [found])[0]
    return text.problem, text.remedy


def serve(pipe: Connection) -> None:
    """What the process does: one job after the other, until its parent ends."""
    from vrn.many.task import prepare_worker

    prepare_worker()
    while True:
        try:
            task, given = pipe.recv()
        except EOFError:
            return
        answer: tuple[Any, ...]
        try:
            answer = ("done", task(step=lambda name: pipe.send(("step", name)), **given))
        except VrnError as error:
            answer = ("refused", error.problem, error.remedy)
        except Exception as error:  # noqa: BLE001 - one field's bug must not end the desk
            answer = ("refused", *_unforeseen(error))
        pipe.send(answer)
