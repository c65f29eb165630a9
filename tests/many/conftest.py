"""Invented valleys of fields, and running the program as a user does."""

import hashlib
import importlib.util
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from vrn.files.staging import BUILT_FROM
from vrn.many.pool import _WorkerPool

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="session")
def write_valley() -> Callable[..., Path]:
    """Writes fields, some of them spoiled, and a manifest of them."""
    path = ROOT / "tests" / "benchmarks" / "valley.py"
    spec = importlib.util.spec_from_file_location("many_valley", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.write_valley


@pytest.fixture(scope="session")
def run_apart() -> Callable[..., subprocess.CompletedProcess[str]]:
    """Runs the program in a process of its own, where that is the point."""

    def run(*arguments: object, **options: object) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "vrn", *map(str, arguments)]
        return subprocess.run(command, capture_output=True, text=True, check=False, timeout=3600, **options)

    return run


@pytest.fixture
def built_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Local workers are a thread of this process, which has its libraries: for tests of what is built, not by whom."""

    @contextmanager
    def pool(count: int) -> Iterator[_WorkerPool]:
        with ThreadPoolExecutor(1) as executor:
            yield _WorkerPool(executor=executor, size=count)

    monkeypatch.setattr("vrn.many.pool._local_pool", pool)


@pytest.fixture(scope="session")
def tree_of() -> Callable[[Path], dict[str, str]]:
    """Hashes of all files below a folder, by path, but of the note where on this computer its field file is."""

    def tree(folder: Path) -> dict[str, str]:
        return {
            path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(folder.rglob("*"))
            if path.is_file() and path.name != BUILT_FROM
        }

    return tree


class Server:
    """Debian's own PostgreSQL with PostGIS, on a socket of its own, its data in a folder that goes with it."""

    def __init__(self, programs: Path) -> None:
        self.programs, self.folder, self.made = programs, Path(tempfile.mkdtemp(prefix="vrn-pg-")), 0
        self.user = {"user": "postgres"} if os.geteuid() == 0 else {}  # the server never runs as root
        if self.user:
            shutil.chown(self.folder, "postgres")
        self._run("initdb", "-A", "trust", "-U", "postgres", "--no-sync", "-E", "UTF8", "--locale", "C.UTF-8", "-D",
                  self.data)  # fmt: skip
        rules = "local all locked,kept scram-sha-256\nlocal all all trust\n"
        (self.data / "pg_hba.conf").write_text(rules, encoding="ascii")
        self.start()
        self.sql("CREATE ROLE locked LOGIN PASSWORD 'right'")
        self.sql("CREATE DATABASE maps")
        self.sql("CREATE EXTENSION postgis", "maps")

    @property
    def data(self) -> Path:
        """Where the server keeps its files."""
        return self.folder / "data"

    def _run(self, program: str, *arguments: object) -> None:
        subprocess.run([self.programs / program, *map(str, arguments)], check=True, capture_output=True, cwd="/",
                       timeout=120, **self.user)  # fmt: skip

    def start(self) -> None:
        """Start it, and wait until it answers."""
        options = f"-c listen_addresses= -c unix_socket_directories={self.folder} -c fsync=off -c shared_buffers=16MB"
        command = [self.programs / "pg_ctl", "-D", self.data, "-w", "-l", self.folder / "log", "-o", options, "start"]
        for again in (True, True, True, False):  # what was killed may take a moment to be gone
            done = subprocess.run(command, check=not again, cwd="/", timeout=120, stdout=subprocess.DEVNULL,
                                  stderr=subprocess.DEVNULL, **self.user)  # fmt: skip
            if done.returncode == 0:
                return
            time.sleep(1)

    def kill(self) -> None:
        """End it as a power cut would: no process of it gets to say a word."""
        own = int((self.data / "postmaster.pid").read_text(encoding="ascii").split()[0])
        every = subprocess.run(["ps", "-o", "pid=", "--ppid", str(own)], capture_output=True, text=True, check=False)
        for pid in (own, *map(int, every.stdout.split())):
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)

    def stop(self) -> None:
        """End it, and take its files away."""
        with suppress(subprocess.CalledProcessError):
            self._run("pg_ctl", "-D", self.data, "-m", "immediate", "stop")
        shutil.rmtree(self.folder, ignore_errors=True)

    def sql(self, statement: str, database: str = "postgres") -> None:
        """Carry out a statement as the server's administrator."""
        self._run("psql", "-q", "-v", "ON_ERROR_STOP=1", "-h", self.folder, "-U", "postgres", "-d", database, "-c",
                  statement)  # fmt: skip

    def new(self) -> str:
        """Name of a new database."""
        self.made += 1
        name = f"season{self.made}"
        self.sql(f"CREATE DATABASE {name} TEMPLATE maps")
        return name

    def address(self, database: str, root: Path = Path("/")) -> str:
        """Address of a book in a database."""
        return f"postgresql://postgres@/{database}?host={self.folder}&root={root}"


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A server of this run's own; skipped where Debian's is not installed."""
    pytest.importorskip("sqlalchemy", reason="the extra postgis is not installed")
    pytest.importorskip("psycopg", reason="the extra postgis is not installed")
    programs = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if not programs or not sorted(Path("/usr/share/postgresql").glob("*/extension/postgis.control")):
        pytest.skip("PostgreSQL with PostGIS is not installed (Debian: postgresql, postgresql-postgis)")
    started = Server(programs[-1].parent)
    yield started
    started.stop()
