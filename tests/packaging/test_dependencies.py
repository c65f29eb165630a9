"""What is declared is what is imported: nothing missing in an empty environment, nothing installed for no use."""

import ast
import functools
import re
import subprocess
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def _name(requirement: str) -> str:
    """``dask[distributed]>=2024.1`` → ``dask``."""
    return re.match(r"[A-Za-z0-9_.-]+", requirement)[0].lower().replace("_", "-")


BASE = {_name(one) for one in PROJECT["dependencies"]}
EXTRAS = {_name(one) for name, ones in PROJECT["optional-dependencies"].items() if name != "test" for one in ones}


@functools.cache
def _imported() -> dict[str, Path]:
    """Distributions that the package imports, at the top or inside a function, typing aside."""
    owners = packages_distributions()
    found: dict[str, Path] = {}

    def visit(node: ast.AST, path: Path) -> None:
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            return
        names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            names = [node.module]
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "files" and isinstance(node.args[0], ast.Constant):
            names = [str(node.args[0].value)]  # its data alone are used
        for top in {name.split(".")[0] for name in names} - sys.stdlib_module_names - {"vrn"}:
            for owner in owners.get(top, [top]):
                found.setdefault(_name(owner), path)
        for child in ast.iter_child_nodes(node):
            visit(child, path)

    for path in (ROOT / "vrn").rglob("*.py"):
        visit(ast.parse(path.read_text(encoding="utf-8")), path)
    return found


SAME = {"distributed": "dask"}  # dask[distributed] brings it
BY_OTHERS = {"python-multipart"}  # loaded by starlette, where a form is sent


def test_what_is_imported_is_declared() -> None:
    """Every library that a module imports is a dependency or an extra of its own."""
    missing = {name: str(path) for name, path in _imported().items() if SAME.get(name, name) not in BASE | EXTRAS}
    assert not missing


def test_what_is_declared_is_imported() -> None:
    """No library is installed that no module imports."""
    assert not (BASE | EXTRAS) - BY_OTHERS - {SAME.get(name, name) for name in _imported()}


def test_test_extra_brings_the_other_extras() -> None:
    """The tests of an extra run where the tests are installed."""
    (own,) = [one for one in PROJECT["optional-dependencies"]["test"] if _name(one) == "vrn"]
    assert set(own.split("[")[1].rstrip("]").split(",")) == set(PROJECT["optional-dependencies"]) - {"test"}


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, installed by pip without its dependencies into a folder of its own."""
    pytest.importorskip("hatchling")
    folder = tmp_path_factory.mktemp("installed")
    code = f"import hatchling.build as b; print(b.build_wheel({str(folder)!r}))"
    subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=True, capture_output=True, text=True)
    (wheel,) = folder.glob("*.whl")
    site = folder / "site"
    subprocess.run(
        [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-index", "--no-compile",
         "--disable-pip-version-check", "--target", str(site), str(wheel)],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    return site


def test_vrn_imports_in_an_empty_environment(installed: Path) -> None:
    """With no other library about, ``import vrn`` works and shows the door."""
    code = f"import sys; sys.path.insert(0, {str(installed)!r}); import vrn; print(vrn.__file__, *dir(vrn))"
    shown = subprocess.run([sys.executable, "-I", "-S", "-c", code], capture_output=True, text=True, check=True)
    file, *names = shown.stdout.split()
    assert Path(file).is_relative_to(installed)
    assert {"build", "read_field", "write", "Field"} <= set(names)
