"""What is shipped: the wheel carries the demo fields and the pages, and nothing of the tests."""

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    """The wheel, built from the checkout with the build backend itself (no network)."""
    pytest.importorskip("hatchling")
    folder = tmp_path_factory.mktemp("wheel")
    code = f"import hatchling.build as b; print(b.build_wheel({str(folder)!r}))"
    subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=True, capture_output=True, text=True)
    (path,) = folder.glob("*.whl")
    return zipfile.ZipFile(path)


def test_wheel_carries_the_demo_fields(wheel: zipfile.ZipFile) -> None:
    """All three demo fields lie inside the package, with every file their field file names."""
    names = set(wheel.namelist())
    for field in ("cedar_bend", "heron_flat", "mill_race"):
        for path in (ROOT / "demo_fields" / field).iterdir():
            assert f"vrn/demo_fields/{field}/{path.name}" in names


def test_wheel_carries_every_module_and_page(wheel: zipfile.ZipFile) -> None:
    """Every tracked file of the package is in the wheel, and no test is."""
    names = set(wheel.namelist())
    for path in (ROOT / "vrn").rglob("*"):
        if path.is_file() and "__pycache__" not in path.parts:
            assert path.relative_to(ROOT).as_posix() in names
    assert not [name for name in names if name.startswith("tests/")]


@pytest.mark.long
def test_demo_runs_from_the_wheel(wheel: zipfile.ZipFile, tmp_path: Path) -> None:
    """`vrn demo` works from an unpacked wheel in an empty folder, away from the checkout."""
    site = tmp_path / "site"
    wheel.extractall(site)
    empty = tmp_path / "empty"
    empty.mkdir()
    code = "import sys; sys.path.insert(0, sys.argv[1]); from vrn.cli import main; sys.exit(main(['demo', 'out']))"
    done = subprocess.run(
        [sys.executable, "-c", code, str(site)], cwd=empty, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert list((empty / "out").rglob("summary.json"))
