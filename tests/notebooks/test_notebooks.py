"""Every notebook runs from top to bottom, offline, in an empty folder."""

from pathlib import Path

import pytest

NOTEBOOKS = sorted((Path(__file__).resolve().parents[2] / "notebooks").glob("*.ipynb"))


@pytest.mark.filterwarnings("ignore")  # the kernel's own libraries warn about their future; ours run inside the kernel
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path: Path, tmp_path: Path) -> None:
    """A notebook runs without an error and shows something."""
    nbformat = pytest.importorskip("nbformat")
    nbclient = pytest.importorskip("nbclient")
    notebook = nbformat.read(path, as_version=4)
    client = nbclient.NotebookClient(
        notebook, timeout=240, kernel_name="python3", resources={"metadata": {"path": str(path.parent)}}
    )
    client.execute()
    outputs = [output for cell in notebook.cells if cell.cell_type == "code" for output in cell.outputs]
    assert outputs
    assert not [output for output in outputs if output.output_type == "error"]


def test_notebooks_are_numbered_without_a_gap() -> None:
    """There are notebooks, and their names begin 01, 02, 03 …."""
    assert NOTEBOOKS
    assert [path.name[:2] for path in NOTEBOOKS] == [f"{number:02d}" for number in range(1, len(NOTEBOOKS) + 1)]
