"""A desk in this process: a folder with one small field, a browser that opened it, and no second process."""

import functools
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from starlette.testclient import TestClient

from vrn.desk import fields, zones
from vrn.desk.app import make_app
from vrn.desk.session import Sessions
from vrn.desk.work import Job, Worker
from vrn.errors import VrnError

if TYPE_CHECKING:
    from vrn.prescription.model import Prescription

DEMO = Path(__file__).resolve().parents[2] / "demo_fields"
ORIGIN = "http://127.0.0.1:8000"


class Here(Worker):
    """Carries a job out at once, in this process."""

    def __init__(self) -> None:
        self.jobs = {}

    def submit(self, field_name: str, what: str, task: Any, *, after: Any = lambda _found: None, **given: Any) -> Job:
        """As the worker does, and waits for it."""
        job = Job(field=field_name, what=what, task=task, given=given, after=after, state="running")
        self.jobs[job.id] = job
        try:
            job.result = task(step=lambda _name: None, **given)
            after(job.result)
            job.state = "done"
        except VrnError as error:
            job.state, job.problem, job.remedy = "failed", error.problem, error.remedy
        return job

    def close(self) -> None:
        """Nothing runs."""


@pytest.fixture
def farm(tmp_path: Path) -> Path:
    """A folder with one field."""
    shutil.copytree(DEMO / "mill_race", tmp_path / "farm" / "mill_race")
    return tmp_path / "farm"


@pytest.fixture
def open_desk() -> Callable[..., TestClient]:
    """A browser that opens the address of a desk on a folder."""

    def opened(folder: Path, **limits: Any) -> TestClient:
        sessions = Sessions(hosts=(ORIGIN.removeprefix("http://"),))
        app = make_app(folder, sessions, **limits)
        app.state.desk.worker.close()
        app.state.desk.worker = Here()
        browser = TestClient(app, base_url=ORIGIN, headers={"origin": ORIGIN})
        assert browser.get(f"/?token={sessions.token}").status_code == 200
        return browser

    return opened


@pytest.fixture
def client(farm: Path, open_desk: Callable[..., TestClient]) -> TestClient:
    """A browser on the farm's desk."""
    return open_desk(farm)


@pytest.fixture
def quick_look(demo_built: "Callable[[str], Prescription]", monkeypatch: pytest.MonkeyPatch) -> None:
    """What a look at Mill Race finds, found once for all tests."""
    found = functools.cache(lambda: fields.look_of(demo_built("mill_race")))
    monkeypatch.setattr(fields, "look", lambda step, *, field_file, out: found())
    trial = functools.cache(zones.look_for_trial)
    monkeypatch.setattr(zones, "look_for_trial", lambda step, *, field_file: trial(print, field_file=field_file))


@pytest.fixture
def quick(client: TestClient, quick_look: None, demo_built: "Callable[[str], Prescription]") -> TestClient:
    """The same where every build and every sketch gives what is known already, at once."""
    found = fields.look_of(demo_built("mill_race"))
    known = {"look": found, "build": found, "sign": found, "sketch": zones._sketch_of(demo_built("mill_race")),
             "plan_field": (), "start": fields.Started(name="a", taken=(), questions=()), "hold_against": (),
             "read_harvest": ()}  # fmt: skip
    worker = client.app.state.desk.worker  # type: ignore[attr-defined]
    really = worker.submit

    def submit(field_name: str, what: str, task: Any, **given: Any) -> Job:
        name = getattr(task, "__name__", "")
        return really(field_name, what, (lambda step, **_: known[name]) if name in known else task, **given)

    worker.submit = submit
    return client
