"""Where Windows differs: nothing that only POSIX has, consoles of other code pages, names and files in use."""

import ast
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from vrn.errors import OutputError
from vrn.files import staging
from vrn.files.staging import write_staged

ROOT = Path(__file__).resolve().parents[2]
Run = Callable[..., subprocess.CompletedProcess[str]]
BLOCKED = """
import os, sys

class Blocked:
    def find_spec(self, name, path=None, target=None):
        if name in {"fcntl", "resource", "pwd", "grp", "termios", "syslog"}:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)

for name in ("fcntl", "resource", "pwd", "grp", "termios", "syslog"):
    sys.modules.pop(name, None)
sys.meta_path.insert(0, Blocked())
for name in ("fork", "forkpty", "sched_getaffinity", "geteuid", "getuid", "getpgid", "setsid", "nice", "chown"):
    delattr(os, name)
"""


@pytest.fixture
def on_windows(tmp_path: Path) -> dict[str, str]:
    """Environment in which the program and its workers find nothing that only POSIX has."""
    folder = tmp_path / "blocked"
    folder.mkdir()
    (folder / "sitecustomize.py").write_text(BLOCKED, encoding="utf-8")
    paths = os.pathsep.join([str(folder), str(ROOT)])
    return {**os.environ, "PYTHONPATH": paths}


@pytest.fixture(scope="module")
def valley(write_valley: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The manifest of one small field."""
    return write_valley(tmp_path_factory.mktemp("windows") / "valley", 1, acres=15.0, samples=16)


ONE_AFTER_ANOTHER = """
import json, sys
from vrn.cli import main

for step in json.loads(sys.argv[1]):
    assert main([str(word) for word in step]) in (0, 1), step
    if step[0] == "build":  # what costs time and nothing of it is used
        assert not {"folium", "scipy.optimize", "scipy.stats"} & set(sys.modules)
"""


@pytest.mark.long
def test_every_step_works_without_posix(valley: Path, on_windows: dict[str, str], tmp_path: Path) -> None:
    """Many fields, a build in place of one, verify, plan and the season run; nothing is left beside them."""
    field, out = valley.parent / "field_000" / "field.toml", tmp_path / "out"
    steps = [
        ("fields", valley, "--out", out / "many", "--workers", 1),
        ("build", field, "--out", out / "many" / "field_000"),
        ("verify", out / "many" / "field_000"),
        ("plan", field, "--out", out / "plan"),
        ("season", out / "many" / "season.db", "--html", out / "season.html", "--gpkg", out / "season.gpkg"),
    ]
    command = [sys.executable, "-c", ONE_AFTER_ANOTHER, json.dumps(steps, default=str)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=on_windows, timeout=600)
    assert done.returncode == 0, (done.stdout, done.stderr)
    assert "Traceback" not in done.stderr
    assert (out / "many" / "field_000" / "summary.json").is_file()
    assert {path.name for path in out.iterdir()} == {"plan", "many", "season.html", "season.gpkg"}


ONLY_POSIX = {
    "os": {"fork", "kill", "killpg", "getuid", "geteuid", "getpgid", "setsid", "nice", "chown", "mkfifo", "wait",
           "waitpid", "uname", "getloadavg"},
    "signal": {"SIGKILL", "SIGHUP", "SIGALRM", "SIGUSR1", "SIGCHLD", "alarm", "pause"},
    "socket": {"AF_UNIX", "MSG_WAITALL"},
}  # fmt: skip


def test_no_module_asks_for_what_only_posix_has() -> None:
    """No attribute of the standard library that Windows lacks is used, and no text is read or written by locale."""
    for path in sorted((ROOT / "vrn").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                assert node.attr not in ONLY_POSIX.get(node.value.id, ()), f"{path}:{node.lineno}: {node.attr}"
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "write_text":
                assert {"encoding", "newline"} <= {word.arg for word in node.keywords}, f"{path}:{node.lineno}"


CONSOLES = {
    "ascii": {"PYTHONIOENCODING": "ascii"},
    "cp1252": {"PYTHONIOENCODING": "cp1252"},
    "C": {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": ""},
}
COMMANDS = {"methods": (), "check": ("field.toml",), "build": ("field.toml", "--out", "rx")}
SELDOM = {
    ("build", "cp1252"),
    ("build", "C"),
    *(("check", console) for console in CONSOLES),
}  # build says what check says, and more


@pytest.mark.parametrize(
    ("command", "console"),
    [
        pytest.param((command, *words), CONSOLES[console], id=f"{command} {console}",
                     marks=pytest.mark.long if (command, console) in SELDOM else ())
        for command, words in COMMANDS.items() for console in CONSOLES
    ],
)  # fmt: skip
def test_a_console_without_a_letter_never_ends_a_run(
    command: tuple[str, ...],
    console: dict[str, str],
    valley: Path,
    run_apart: Run,
    tmp_path: Path,
    quick_elsewhere: None,
) -> None:
    """A name that no code page of the console holds is shown as well as it can be."""
    for path in (valley.parent / "field_000").iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    text = (tmp_path / "field.toml").read_text(encoding="utf-8")
    named = text.replace('name = "', 'name = "ش Ëlm ', 1)
    (tmp_path / "field.toml").write_text(named, encoding="utf-8")
    done = run_apart(*command, cwd=tmp_path, env={**os.environ, **console}, errors="replace")
    assert done.returncode in (0, 1), done.stderr
    assert done.stdout
    assert "Traceback" not in done.stderr


def _holding(monkeypatch: pytest.MonkeyPatch, times: int) -> None:
    """A program that holds the folder for so many attempts to rename it."""
    left, replace = [times], Path.replace

    def held(self: Path, target: Path) -> Path:
        if left[0]:
            left[0] -= 1
            raise PermissionError(13, "The process cannot access the file because it is being used")
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", held)
    monkeypatch.setattr(staging, "_AGAIN_S", 0.0)


def _fill(text: str) -> Callable[[Path], None]:
    listed = '{"files": {"a.txt": ""}}'

    def fill(folder: Path) -> None:
        (folder / "a.txt").write_text(text, encoding="utf-8")
        (folder / "summary.json").write_text(listed, encoding="utf-8")

    return fill


def test_a_folder_held_for_a_moment_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A viewer or virus scanner that lets go in time changes nothing."""
    write_staged(_fill("old"), tmp_path / "rx")
    _holding(monkeypatch, staging._TRIES - 1)
    write_staged(_fill("new"), tmp_path / "rx")
    assert (tmp_path / "rx" / "a.txt").read_text(encoding="utf-8") == "new"
    assert [path.name for path in tmp_path.iterdir()] == ["rx"]


def test_a_folder_held_for_good_stays_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One error says that another program has its files, and the old folder stays as it was."""
    write_staged(_fill("old"), tmp_path / "rx")
    _holding(monkeypatch, 1000)
    with pytest.raises(OutputError, match="cannot be written") as caught:
        write_staged(_fill("new"), tmp_path / "rx")
    assert "Close the programs" in caught.value.remedy
    assert (tmp_path / "rx" / "a.txt").read_text(encoding="utf-8") == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["rx"]


def test_the_lock_without_fcntl_refuses_a_second_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a lock file cannot be removed because its run is alive, as on Windows, the second run is refused."""
    monkeypatch.setitem(sys.modules, "fcntl", None)

    def again(_staged: Path) -> None:
        unlink = Path.unlink

        def open_elsewhere(self: Path, *, missing_ok: bool = False) -> None:
            if self.suffix == ".lock":
                raise PermissionError(13, "in use")
            unlink(self, missing_ok=missing_ok)

        with monkeypatch.context() as patch:
            patch.setattr(Path, "unlink", open_elsewhere)
            with pytest.raises(OutputError, match="Another run is writing"):
                write_staged(_fill("second"), tmp_path / "rx")

    write_staged(_fill("first"), tmp_path / "rx", check=again)
    assert (tmp_path / "rx" / "a.txt").read_text(encoding="utf-8") == "first"
    assert [path.name for path in tmp_path.iterdir()] == ["rx"]
