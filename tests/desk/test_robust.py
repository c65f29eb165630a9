"""The desk under hard use: any request, a full disk, a build that fails, kill -9, and many at once."""

import errno
import json
import os
import random
import signal
import subprocess
import sys
import tomllib
import urllib.parse
import urllib.request
from http.cookiejar import CookieJar
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from vrn.desk import fields, form, handover, readings, zones
from vrn.desk.edit import digest_of

ROUTES = tuple(one[:2] for room in (fields, form, readings, zones, handover) for one in room.ROUTES)
TEXTS = st.one_of(
    st.sampled_from(("", "0", "1", "2", "-1", "nan", "1e999", "mill_race", "samples", "yes", "split", "merge", "move",
                     "undo", "[[0, 0], [1, 1]]", "[[]]", "null", "{}", "A. Marsh", "9" * 400, "../..", "\0", "gal/ac")),
    st.text(max_size=12),
)  # fmt: skip
NAMES = (
    "seen", "name", "role", "sample", "reason", "again", "by", "why", "note", "id", "accept", "zone", "rate", "tool",
    "points", "other", "field", "to", "approved_only", "unit", "width", "back", "zones.count", "crop.yield_goal_bu_ac",
    "machine.rate_step_n_lb_ac", "samples.columns", "crop.application_date", "said", "field.no_apply.0.setback_ft",
    "next", "save", "layers.extra.0.name", "applications.1.date", "lay", "key", "secret", "as_planned",
)  # fmt: skip


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(
    route=st.sampled_from(ROUTES), field=st.one_of(st.just("mill_race"), st.just("mill_race"), TEXTS), other=TEXTS,
    typed=st.dictionaries(st.sampled_from(NAMES), TEXTS, max_size=6), fresh=st.booleans(),
    body=st.one_of(st.none(), st.none(), st.binary(max_size=60)),
    file=st.one_of(st.none(), st.tuples(TEXTS, st.binary(max_size=200))),
    kind=st.sampled_from(("application/json", "multipart/form-data; boundary=b", "multipart/form-data", "text/plain",
                          "application/x-www-form-urlencoded")),
)  # fmt: skip
def test_no_request_breaks_the_desk(
    quick: TestClient, farm: Path, route: tuple[str, str], field: str, other: str, typed: dict[str, str], fresh: bool,
    body: bytes | None, file: tuple[str, bytes] | None, kind: str,
) -> None:  # fmt: skip
    """Whatever is asked or sent: an answer, and the field file is one that can be read."""
    from urllib.parse import quote

    method, path = route
    for name in ("{field}", "{job}", "{name:path}", "{name}"):
        path = path.replace(name, quote(field if name == "{field}" else other, safe=""))
    if fresh:
        typed = typed | {"seen": digest_of((farm / "mill_race" / "field.toml").read_bytes())}
    sent: dict[str, Any] = {}
    if method == "POST":
        sent = {"data": typed} if body is None else {"content": body, "headers": {"content-type": kind}}
        if body is None and file is not None:
            sent["files"] = {"files": file}
    answer = quick.request(method, path, params=typed if method == "GET" else None, **sent)
    assert answer.status_code < 500
    form.form_of(quick.app.state.desk.file(quick.app.state.desk.places()[0]).values())  # type: ignore[attr-defined]


@pytest.mark.parametrize("fault", [errno.ENOSPC, errno.EACCES])
def test_a_full_disk_or_a_folder_that_may_not_be_written_costs_nothing(
    quick: TestClient, farm: Path, monkeypatch: pytest.MonkeyPatch, fault: int
) -> None:
    """An answer that says so, every file as it was, no part of a file left; afterwards the same is kept."""
    path, folder = farm / "mill_race" / "field.toml", farm / "mill_race"
    before = {one: one.read_bytes() for one in folder.rglob("*") if one.is_file()}
    setting = {"seen": digest_of(path.read_bytes()), "machine.swath_ft": "45"}
    reading = {"device": "phone-one", "key": "plan", "kept": {"done": ["A"]}, "text": "sample_id\nA\n"}
    upload = {"data": {"role": "samples", "seen": setting["seen"]}, "files": {"files": ("a.csv", b"x,y\n1,2\n")}}

    def full(*_: object, **__: object) -> None:
        raise OSError(fault, os.strerror(fault))

    with monkeypatch.context() as broken:
        for name in ("vrn.desk.edit.os.fsync", "vrn.desk.edit.copyfileobj"):
            broken.setattr(name, full)
        answers = [quick.post("/fields/mill_race/settings", data=setting), quick.post("/edge/mill_race", json=reading),
                   quick.post("/fields/mill_race/files", **upload)]  # type: ignore[arg-type]  # fmt: skip
    assert [one.status_code for one in answers] == [409, 409, 409]
    after = {one: one.read_bytes() for one in folder.rglob("*") if one.is_file()}
    journal = folder / "readings_by_hand.jsonl"
    assert {one: content for one, content in after.items() if one != journal} == before
    assert quick.post("/fields/mill_race/settings", data=setting).status_code == 200
    assert quick.post("/edge/mill_race", json=reading).status_code == 200
    assert tomllib.loads(path.read_text(encoding="utf-8"))["machine"]["swath_ft"] == 45
    assert json.loads(journal.read_text(encoding="utf-8").splitlines()[-1])["kept"] == {"done": ["A"]}


def test_a_build_that_fails_is_told_and_what_was_built_stays(client: TestClient, farm: Path) -> None:
    """A field file changed on the disk to one that cannot be built: a page says why, and the last build is there."""
    path, out = farm / "mill_race" / "field.toml", farm / "mill_race_rx"
    out.mkdir()
    (out / "zones.csv").write_text("zone\n1\n", encoding="utf-8")
    path.write_text(path.read_text(encoding="utf-8").replace("boundary =", "boundary = 3 #"), encoding="utf-8")
    answer = client.post("/fields/mill_race/build")
    assert answer.status_code == 200
    assert "problem" in answer.text
    assert client.app.state.desk.worker.jobs  # type: ignore[attr-defined]
    assert all(job.state == "failed" for job in client.app.state.desk.worker.jobs.values())  # type: ignore[attr-defined]
    assert (out / "zones.csv").read_text(encoding="utf-8") == "zone\n1\n"
    for part in ("", "/settings", "/readings", "/layers", "/sign", "/zones", "/trial"):
        assert client.get(f"/fields/mill_race{part}").status_code == 200


class _Running:
    """A desk in a process of its own, and a browser that is in."""

    def __init__(self, folder: Path) -> None:
        command = [sys.executable, "-m", "vrn", "desk", str(folder), "--no-browser"]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        address = self.process.stdout.readline().strip()
        self.origin = address.split("/?")[0]
        self.browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
        self.browser.open(address, timeout=60).read()

    def get(self, path: str) -> str:
        return str(self.browser.open(self.origin + path, timeout=60).read().decode())

    def post(self, path: str, body: bytes, kind: str = "application/x-www-form-urlencoded") -> bool:
        """Whether it was confirmed."""
        request = urllib.request.Request(self.origin + path, body, {"content-type": kind, "origin": self.origin})
        try:
            return bool(self.browser.open(request, timeout=60).status == 200)
        except OSError:
            return False

    def end(self) -> None:
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait(20)
        assert self.process.stdout is not None
        self.process.stdout.close()


@pytest.mark.parametrize("kills", [1, pytest.param(50, marks=pytest.mark.long)])
def test_a_killed_desk_loses_nothing_that_it_confirmed(farm: Path, kills: int) -> None:
    """Settings, readings, uploads and builds, ended by kill -9 at any moment: what was confirmed is there."""
    import threading

    chance, path = random.Random(24), farm / "mill_race" / "field.toml"
    goal, readings, files = 150, list[str](), list[str]()
    for turn in range(kills):
        desk = _Running(farm)
        assert 'name="seen"' in desk.get("/fields/mill_race/settings")
        desk.post("/fields/mill_race/build", b"")  # goes on while the rest is sent
        timer = threading.Timer(chance.uniform(0.05, 1.5), desk.end)
        timer.start()
        for number in range(400):
            asked = goal + 1 if goal < 299 else 150
            seen = digest_of(path.read_bytes())
            form_sent = urllib.parse.urlencode({"seen": seen, "crop.yield_goal_bu_ac": asked}).encode()
            kept = desk.post("/fields/mill_race/settings", form_sent)
            now = tomllib.loads(path.read_text(encoding="utf-8"))["crop"]["yield_goal_bu_ac"]
            assert now == asked if kept else now in (goal, asked)
            goal = now
            name = f"T{turn}N{number}"
            sent = {"device": "phone-one", "key": name, "kept": {"done": [name]}, "text": f"sample_id\n{name}\n"}
            if desk.post("/edge/mill_race", json.dumps(sent).encode(), "application/json"):
                readings.append(name)
            elif not kept:
                break
            part = (f'--b\r\nContent-Disposition: form-data; name="role"\r\n\r\nweather\r\n--b\r\nContent-Disposition: '
                    f'form-data; name="files"; filename="{name}.csv"\r\n\r\n{name * 200}\r\n--b--\r\n')  # fmt: skip
            if desk.post("/fields/mill_race/files", part.encode(), "multipart/form-data; boundary=b"):
                files.append(name)
        timer.join()
    again = _Running(farm)
    assert "mill_race" in again.get("/fields")
    again.end()
    lines = (farm / "mill_race" / "readings_by_hand.jsonl").read_bytes().splitlines()
    there = set()
    for line in lines:
        try:
            there.add(json.loads(line)["key"])
        except ValueError:
            continue
    assert readings
    assert set(readings) <= there
    assert all((farm / "mill_race" / f"{name}.csv").read_text() == name * 200 for name in files)


@pytest.mark.long
def test_two_hundred_clients_for_ten_seconds(farm: Path) -> None:
    """Every answer is the page asked for, and no file or connection is left open."""
    import threading
    import time

    desk = _Running(farm)
    cookie = next(one for one in desk.browser.handlers if isinstance(one, urllib.request.HTTPCookieProcessor)).cookiejar
    header = {"cookie": "; ".join(f"{one.name}={one.value}" for one in cookie)}
    paths = ("/fields", "/fields/mill_race/settings", "/stick", "/edge", "/assets/desk.css", "/map-of-fields")
    for path in paths:
        desk.get(path)
    open_before, answers = len(list(Path(f"/proc/{desk.process.pid}/fd").iterdir())), list[int]()
    until = time.monotonic() + 10

    def client(number: int) -> None:
        for turn in range(1_000_000):
            if time.monotonic() > until:
                return
            asked = urllib.request.Request(desk.origin + paths[(number + turn) % len(paths)], headers=header)
            try:
                with urllib.request.urlopen(asked, timeout=60) as answer:
                    answers.append(answer.status if answer.read() else 0)
            except OSError as error:
                answers.append(getattr(error, "code", -1))

    clients = [threading.Thread(target=client, args=(number,)) for number in range(200)]
    for one in clients:
        one.start()
    for one in clients:
        one.join()
    for _ in range(50):
        if (still_open := len(list(Path(f"/proc/{desk.process.pid}/fd").iterdir()))) <= open_before:
            break
        time.sleep(0.2)
    desk.end()
    assert len(answers) >= 200
    assert set(answers) == {200}
    assert still_open <= open_before
