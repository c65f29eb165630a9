"""Invented valleys of fields, and running the program as a user does."""

import hashlib
import importlib.util
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from vrn.files.staging import BUILT_FROM

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
