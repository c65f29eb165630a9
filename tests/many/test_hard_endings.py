"""Killed at any moment, on a full disk, without a network: outputs are the old ones whole or the new ones whole."""

import random
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from vrn.audit import verify
from vrn.many.book import history, latest

Run = Callable[..., subprocess.CompletedProcess[str]]
Tree = Callable[[Path], dict[str, str]]
FEW_KILLS, MANY_KILLS = 1, 50
MANY_DISKS = 20
REPORTS = {"report.html", "report.pdf", "load_sheet.pdf"}  # short in this module, but for one test
pytestmark = pytest.mark.usefixtures("quick_elsewhere")


@pytest.fixture(scope="module")
def two_states(
    quick_elsewhere: None,
    write_valley: Callable[..., Path],
    run_vrn: Run,
    tree_of: Tree,
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Path, dict[str, str], dict[str, str], float]:
    """A field built before and after a change: its folder, both outputs' hashes, and how long a build takes [s]."""
    root = tmp_path_factory.mktemp("states")
    write_valley(root / "valley", 1, acres=15.0, samples=16)
    field = root / "valley" / "field_000" / "field.toml"
    old = run_vrn("build", field, "--out", root / "old")
    assert old.returncode in (0, 1), old.stdout  # an odd reading among the fields is a warning
    text = field.read_text(encoding="utf-8")
    field.write_text(text.replace("yield_goal_bu_ac = 200", "yield_goal_bu_ac = 215"), encoding="utf-8")
    begun = time.monotonic()
    assert run_vrn("build", field, "--out", root / "new").returncode in (0, 1)
    seconds = 1.0 + time.monotonic() - begun  # a process of its own loads its libraries first
    return root, tree_of(root / "old"), tree_of(root / "new"), seconds


def _kill_often(
    states: tuple[Path, dict[str, str], dict[str, str], float], tree_of: Tree, work: Path, kills: int
) -> None:
    root, old, new, seconds = states
    moments = random.Random(20260617)
    out = work / "rx"
    command = [
        sys.executable,
        "-m",
        "vrn",
        "build",
        str(root / "valley" / "field_000" / "field.toml"),
        "--out",
        str(out),
    ]
    staged, parked = work / ".rx.vrn-new", work / ".rx.vrn-old"
    killed = 0
    for number in range(kills):
        if not out.exists() or tree_of(out) != old:
            for leftover in (out, staged, parked):
                shutil.rmtree(leftover, ignore_errors=True)
            shutil.copytree(root / "old", out)
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        if (
            number % 2
        ):  # within the whole run, or once the last file is staged and the folders are about to change places
            time.sleep(moments.uniform(0.0, 0.7 * seconds))
        else:
            while process.poll() is None and not (staged / "summary.json").exists():
                time.sleep(0.005)
            time.sleep(moments.uniform(0.0, seconds / 20))
        process.kill()
        killed += process.wait() != 0
        if out.exists():
            assert tree_of(out) in (old, new), f"kill {number}"
        else:  # between the two renames: the old folder waits beside, whole
            assert tree_of(parked) == old, f"kill {number}"
    assert killed >= kills // 2
    assert subprocess.run(command, capture_output=True, check=False).returncode in (0, 1)
    assert tree_of(out) == new
    assert [path.name for path in work.iterdir()] == ["rx"]


def test_killed_build_leaves_old_or_new_whole(
    two_states: tuple[Path, dict[str, str], dict[str, str], float], tree_of: Tree, tmp_path: Path
) -> None:
    """Kill -9 while old and new change places: the output is the old one or the new one, and the next run clears up."""
    _kill_often(two_states, tree_of, tmp_path, FEW_KILLS)


@pytest.mark.long
def test_killed_build_leaves_old_or_new_whole_at_fifty_moments(
    two_states: tuple[Path, dict[str, str], dict[str, str], float], tree_of: Tree, tmp_path: Path
) -> None:
    """The same at fifty moments."""
    _kill_often(two_states, tree_of, tmp_path, MANY_KILLS)


def _own_namespace(*flags: str) -> bool:
    """Whether this machine lets a user have a namespace of their own."""
    if shutil.which("unshare") is None:
        return False
    return subprocess.run(["unshare", "-r", *flags, "true"], capture_output=True, check=False).returncode == 0


def _on_small_disk(disk: Path, room: int, script: str) -> subprocess.CompletedProcess[str]:
    """Run a shell script where ``disk`` is a file system of ``room`` bytes; what it copies elsewhere stays."""
    mounted = f"mount -t tmpfs -o size={room} tmpfs '{disk}' && {script}"
    command = ["unshare", "-r", "-m", "sh", "-c", mounted]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=600)


def _on_disk(folder: Path) -> int:
    """Bytes of a folder's files, each in whole pages."""
    return sum(4096 * -(-path.stat().st_size // 4096) for path in folder.rglob("*") if path.is_file())


@pytest.mark.skipif(not _own_namespace("-m"), reason="no mount namespace for this user on this machine")
@pytest.mark.parametrize(
    "share", [0.9, *(pytest.param(i / MANY_DISKS, marks=pytest.mark.long) for i in range(1, MANY_DISKS))]
)
def test_full_disk_leaves_the_old_output_whole(
    two_states: tuple[Path, dict[str, str], dict[str, str], float], tree_of: Tree, tmp_path: Path, share: float
) -> None:
    """With room for a part of the new output only, the build is refused and the old output is untouched."""
    root, old, _, _ = two_states
    disk, after = tmp_path / "disk", tmp_path / "after"
    disk.mkdir()
    room = _on_disk(root / "old") + int(share * _on_disk(root / "new")) + 4096 * 2
    field = root / "valley" / "field_000" / "field.toml"
    script = (
        f"cp -r '{root / 'old'}' '{disk}/rx' && '{sys.executable}' -m vrn build '{field}' --out '{disk}/rx'; "
        f"status=$?; cp -a '{disk}/.' '{after}'; exit $status"
    )
    done = _on_small_disk(disk, room, script)
    assert done.returncode == 2, done.stdout + done.stderr
    assert "No space left on device" in done.stderr
    assert "Traceback" not in done.stderr
    assert tree_of(after / "rx") == old
    assert [path.name for path in after.iterdir()] == ["rx"]


@pytest.mark.skipif(not _own_namespace("-m"), reason="no mount namespace for this user on this machine")
def test_full_disk_in_a_batch_is_a_row_and_the_book_reads(
    two_states: tuple[Path, dict[str, str], dict[str, str], float], tmp_path: Path
) -> None:
    """A batch on a disk that holds the book and half a field ends with a row, and the book still reads."""
    root, old, _, _ = two_states
    disk, after = tmp_path / "disk", tmp_path / "after"
    disk.mkdir()
    size = sum(path.stat().st_size for path in (root / "old").rglob("*") if path.is_file())
    pattern = root / "valley" / "*" / "field.toml"
    script = (
        f"'{sys.executable}' -m vrn fields '{pattern}' --out '{disk}/rx' --workers 1; status=$?; "
        f"cp -a '{disk}/.' '{after}'; exit $status"
    )
    done = _on_small_disk(disk, size // 2 + 200_000, script)
    assert done.returncode == 1, done.stdout + done.stderr
    assert "No space left on device" in done.stdout
    assert [entry.status for entry in latest(after / "rx" / "season.db")] == ["failed"]
    assert not (after / "rx" / "field_000").exists()
    assert old


@pytest.mark.long
@pytest.mark.parametrize("moment", [k / 10 for k in range(1, 11)])
@pytest.mark.parametrize("who", ["parent", "worker"])
def test_a_killed_night_loses_nothing_and_the_next_goes_on(
    write_valley: Callable[..., Path], run_apart: Run, tmp_path: Path, who: str, moment: float
) -> None:
    """Whoever is killed whenever: the night ends by itself, and after the next every field is whole, and once."""
    psutil = pytest.importorskip("psutil", reason="psutil is not installed")
    manifest, out = write_valley(tmp_path / "valley", 4, acres=15.0, samples=16), tmp_path / "rx"
    command = [sys.executable, "-m", "vrn", "fields", str(manifest), "--out", str(out), "--workers", "2"]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as night:
        time.sleep(moment * 12.0)
        if night.poll() is None:
            own = psutil.Process(night.pid)
            workers = [one for one in own.children() if "spawn_main" in " ".join(one.cmdline())]
            (own if who == "parent" or not workers else workers[0]).kill()
        assert night.wait(timeout=300) is not None
    told = latest(out / "season.db") if (out / "season.db").exists() else ()
    assert all(verify(Path(one.folder)).ok for one in told if one.status == "built")
    assert run_apart("fields", manifest, "--out", out, "--workers", "2").returncode in (0, 1)
    after = history(out / "season.db")
    assert sorted(one.field for one in after if one.status == "built") == [f"Field {k:03d}" for k in range(4)]
    assert all(verify(Path(one.folder)).ok for one in latest(out / "season.db"))


NO_SOCKETS = """
import socket, sys

def refuse(*_arguments, **_options):
    raise AssertionError("the network was asked for")

socket.socket.connect = socket.socket.connect_ex = refuse
socket.getaddrinfo = socket.create_connection = refuse
from vrn.cli import main
sys.exit(main(sys.argv[1:]))
"""


def test_no_network_is_ever_asked_for(
    two_states: tuple[Path, dict[str, str], dict[str, str], float], tree_of: Tree, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """A build with the network cut writes the same bytes and asks for no connection, no name."""
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).resolve().parents[2]))  # with its reports
    root, _, new, _ = two_states
    field = root / "valley" / "field_000" / "field.toml"
    command = [sys.executable, "-c", NO_SOCKETS, "build", str(field), "--out", str(tmp_path / "rx")]
    if _own_namespace("-n"):
        command = ["unshare", "-r", "-n", *command]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600)
    assert done.returncode in (0, 1), done.stderr
    written = tree_of(tmp_path / "rx")
    assert {name for name in new if written.get(name) != new[name]} == REPORTS | {"summary.json"}  # it has their hashes
    assert written.keys() == new.keys()
    assert verify(tmp_path / "rx").ok
