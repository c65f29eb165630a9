"""Every notebook runs from top to bottom, offline, with nothing of another one."""

import ast
import json
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

NOTEBOOKS = sorted((Path(__file__).resolve().parents[2] / "notebooks").glob("*.ipynb"))
IN_SHORT = ("02", "07")  # a field, a trial; the others in the long run


@pytest.fixture(scope="module")
def kernel() -> Iterator[Any]:
    """One kernel for all notebooks, so that libraries load once."""
    manager = pytest.importorskip("jupyter_client").KernelManager(kernel_name="python3")
    yield manager
    manager.shutdown_kernel(now=True)


@pytest.mark.filterwarnings("ignore")  # the kernel's own libraries warn about their future; ours run inside the kernel
@pytest.mark.parametrize("path", [
    pytest.param(path, id=path.stem, marks=() if path.name[:2] in IN_SHORT else pytest.mark.long) for path in NOTEBOOKS
])  # fmt: skip
def test_notebook_runs(path: Path, kernel: Any) -> None:
    """A notebook runs without an error and shows something."""
    nbformat = pytest.importorskip("nbformat")
    nbclient = pytest.importorskip("nbclient")
    notebook = nbformat.read(path, as_version=4)
    notebook.cells.insert(0, nbformat.v4.new_code_cell("%reset -f"))
    folder = {"metadata": {"path": str(path.parent)}}
    client = nbclient.NotebookClient(notebook, km=kernel, timeout=240, resources=folder)
    try:
        client.execute()
    finally:
        client.kc.stop_channels()
    outputs = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    assert outputs
    assert not [output for output in outputs if output.output_type == "error"]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_what_a_notebook_takes_from_vrn_is_there(path: Path) -> None:
    """Each name that it imports, and each it asks of ``vrn`` itself."""
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    nodes = [node for cell in cells if cell["cell_type"] == "code"
             for node in ast.walk(ast.parse("".join(cell["source"])))]  # fmt: skip
    asked = [(node.module, name.name) for node in nodes if isinstance(node, ast.ImportFrom) for name in node.names]
    of_vrn = [node for node in nodes if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name)]
    asked += [("vrn", node.attr) for node in of_vrn if node.value.id == "vrn"]
    assert ("vrn", "build") in asked or any(str(module).startswith("vrn.") for module, _ in asked)
    assert not [one for one in asked if str(one[0]).startswith("vrn") and not hasattr(import_module(one[0]), one[1])]


def test_saved_pictures_are_small_and_of_no_computer() -> None:
    """Whoever reads without running sees pictures: 150 kB a notebook at most, no error, no path of whoever ran it."""
    texts = [path.read_text(encoding="utf-8") for path in NOTEBOOKS]
    assert sum('"image/png"' in text for text in texts) >= 6
    assert max(map(len, texts)) < 150_000
    assert not [text for text in texts if '"error"' in text or "/tmp" in text or "/home/" in text or "/root/" in text]


def test_notebooks_are_numbered_without_a_gap() -> None:
    """There are notebooks, and their names begin 01, 02, 03 …."""
    assert NOTEBOOKS
    assert [path.name[:2] for path in NOTEBOOKS] == [f"{number:02d}" for number in range(1, len(NOTEBOOKS) + 1)]
