"""The same fields through a Dask cluster: by paths that workers see, and shipped to workers that do not."""

import csv
import json
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest

from vrn.audit import verify
from vrn.many.book import history, latest

Run = Callable[..., subprocess.CompletedProcess[str]]
Tree = Callable[[Path], dict[str, str]]
pytestmark = [
    pytest.mark.usefixtures("quick_elsewhere"),
    pytest.mark.skipif(find_spec("distributed") is None, reason="the extra cluster is not installed"),
]

CLUSTER = """
import os, sys
os.environ["OPENBLAS_NUM_THREADS"] = "1"
os.environ["DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED"] = "False"

if __name__ == "__main__":
    from distributed import LocalCluster
    with LocalCluster(n_workers=int(sys.argv[1]), threads_per_worker=1, processes=True, dashboard_address=None,
                      scheduler_port=0) as cluster:
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()
"""


def _command(folder: Path) -> list[str]:
    script = folder / "cluster.py"
    script.write_text(CLUSTER, encoding="utf-8")
    return [sys.executable, str(script), "1"]


@pytest.fixture(scope="module")
def cluster(quick_elsewhere: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a scheduler with a worker process."""
    folder, pipe = tmp_path_factory.mktemp("cluster"), subprocess.PIPE
    with subprocess.Popen(_command(folder), stdin=pipe, stdout=pipe, text=True, cwd=folder) as process:
        yield process.stdout.readline().strip()
        process.stdin.close()


@pytest.fixture(scope="module")
def valley(
    quick_elsewhere: None, write_valley: Callable[..., Path], run_vrn: Run, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """Two fields, one of them spoiled, built by a local worker."""
    root = tmp_path_factory.mktemp("valley")
    manifest = write_valley(root / "valley", 2, spoiled=1, acres=15.0, samples=16)
    assert run_vrn("fields", manifest, "--out", root / "local", "--workers", 1).returncode == 1
    return root


@pytest.mark.parametrize("ship", [False, True], ids=["by path", "shipped"])
def test_cluster_writes_the_same_bytes(
    valley: Path, cluster: str, run_apart: Run, tree_of: Tree, tmp_path: Path, ship: bool
) -> None:
    """Workers of a cluster build what a local worker builds, to the byte, and fail what it fails."""
    options = ["--ship"] if ship else []
    out = tmp_path / "rx"
    done = run_apart("fields", valley / "valley" / "june.csv", "--out", out, "--scheduler", cluster, *options)
    assert done.returncode == 1, done.stderr
    with (out / "fields.csv").open(encoding="utf-8", newline="") as file:
        assert [row["status"] for row in csv.DictReader(file)] == ["built", "failed"]
    assert tree_of(out / "field_000") == tree_of(valley / "local" / "field_000")
    assert "vrn-" not in (out / "fields.csv").read_text(encoding="utf-8")  # no worker's scratch folder in a message


def test_shipped_field_must_be_whole_in_its_folder(valley: Path, cluster: str, run_apart: Run, tmp_path: Path) -> None:
    """A field file that names a file outside its folder is a row when it is shipped; nothing outside is sent."""
    folder = tmp_path / "valley" / "a"
    folder.mkdir(parents=True)
    for path in (valley / "valley" / "field_000").iterdir():
        target = folder.parent if path.name == "organic_matter.csv" else folder
        (target / path.name).write_bytes(path.read_bytes())
    text = (folder / "field.toml").read_text(encoding="utf-8")
    (folder / "field.toml").write_text(
        text.replace('"organic_matter.csv"', '"../organic_matter.csv"'), encoding="utf-8"
    )
    arguments = ("fields", tmp_path / "valley" / "*" / "field.toml", "--out", tmp_path / "rx", "--scheduler", cluster)
    shipped = run_apart(*arguments, "--ship")
    assert shipped.returncode == 1
    assert "names ../organic_matter.csv, outside the field's folder" in shipped.stdout
    plain = run_apart(*arguments)
    assert "0 failed" in plain.stdout


@pytest.mark.long
@pytest.mark.parametrize("more_s", [0.0, 0.8])
@pytest.mark.parametrize("rows", range(5))
def test_a_night_whose_scheduler_is_killed_ends_and_the_next_goes_on(
    write_valley: Callable[..., Path], run_apart: Run, tmp_path: Path, rows: int, more_s: float
) -> None:
    """Killed before the first field or after any: fields built by then stay whole, and after the next all are, once."""
    count, out, else_here = 5, tmp_path / "rx", bool(more_s)
    manifest, pipe = write_valley(tmp_path / "valley", count, acres=15.0, samples=16), subprocess.PIPE
    with subprocess.Popen(_command(tmp_path), stdin=pipe, stdout=pipe, stderr=subprocess.DEVNULL, text=True) as cluster:
        address = cluster.stdout.readline().strip()
        arguments = ["fields", str(manifest), "--out", str(out), "--scheduler", address, "--json"]
        arguments += ["--else-here"] if else_here else []
        command = [sys.executable, "-m", "vrn", *arguments]
        with subprocess.Popen(command, stdout=pipe, stderr=pipe, text=True) as batch:
            seen = [batch.stdout.readline() for _ in range(rows)]
            time.sleep(more_s if rows else 4 * more_s)
            cluster.kill()
            rest, complaint = batch.communicate(timeout=300)
    assert "Traceback" not in complaint
    told = [json.loads(line) for line in [*seen, *rest.splitlines()]]
    if told:
        *told, total = told
        assert total["built"] + total["failed"] == count
        assert (total["failed"] == 0) or not else_here
        assert all("was lost" in row["problem"] for row in told if row["status"] == "failed")
        assert all(verify(row["folder"]).ok for row in told if row["status"] == "built")
        assert batch.returncode == (1 if total["failed"] else batch.returncode & 1)
    else:  # nobody was there any more when it asked
        assert (batch.returncode, out.exists(), else_here) == (2, False, False)
    assert run_apart("fields", manifest, "--out", out, "--workers", "2").returncode in (0, 1)
    after = history(out / "season.db")
    assert sorted(one.field for one in after if one.status == "built") == [f"Field {k:03d}" for k in range(count)]
    assert all(verify(Path(one.folder)).ok for one in latest(out / "season.db"))


def test_no_scheduler_is_refused(valley: Path, run_vrn: Run, tmp_path: Path) -> None:
    """Nobody there, no address, a listener that says something else: each ends with 2 and a remedy, without waiting."""
    with socket.create_server(("127.0.0.1", 0)) as other:

        def greet() -> None:
            line, _ = other.accept()
            with line:
                line.sendall(b"220 mail.example ready\r\n")

        threading.Thread(target=greet, daemon=True).start()
        stranger = f"tcp://127.0.0.1:{other.getsockname()[1]}"
        for address in ("tcp://127.0.0.1:9", "nonsense", "tcp://127.0.0.1", stranger):
            arguments = ("fields", valley / "valley" / "june.csv", "--out", tmp_path / "rx", "--scheduler", address)
            done = run_vrn(*arguments)
            assert done.returncode == 2, done.stderr
            assert "Dask scheduler" in done.stderr
            assert "Traceback" not in done.stderr
