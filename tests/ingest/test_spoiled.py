"""Spoiled inputs: refused with problem and remedy, or read with a finding; no traceback, inputs untouched."""

import hashlib
import json
import re
from pathlib import Path

import pytest
import spoiled
from spoiled import CASES, Spoiled

from vrn.cli import main


def _tree(folder: Path) -> dict[str, str]:
    """Every file under a folder with its hash; links and pipes by what they are."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        ordinary = path.is_file() and not path.is_symlink()
        found[name] = hashlib.sha256(path.read_bytes()).hexdigest() if ordinary else "no ordinary file"
    return found


def test_corpus_is_large_and_its_names_are_unique() -> None:
    """At least 120 inputs, across every kind."""
    names = [case.name for case in CASES]
    assert len(names) == len(set(names)) >= 120
    assert len({name.split("-")[0] for name in names}) >= 12


# reading a damaged file makes GDAL speak through Python's warnings in some versions; what counts is what vrn says
@pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_spoiled_input(case: Spoiled, field_folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2 with problem and remedy, or a finding; the folder is the same byte for byte afterwards."""
    case.spoil(field_folder)
    before = _tree(field_folder)
    status = main(["check", str(field_folder / "field.toml"), "--json"])
    said = capsys.readouterr()
    assert "Traceback" not in said.out + said.err
    assert _tree(field_folder) == before
    if case.outcome == spoiled.REFUSED:
        assert status == 2
        assert said.out == ""
        problem, _, remedy = said.err.rstrip().rpartition("\n")
        assert problem.startswith("vrn: ")
        assert re.search(case.says, problem, re.DOTALL), said.err
        assert re.search(case.remedy, said.err), said.err
        assert remedy.strip()
    else:
        assert status in (0, 1)
        told = [f for f in json.loads(said.out)["findings"] if re.search(case.says, f["problem"])]
        assert told, said.out
        assert re.search(case.remedy, told[0]["remedy"]), told
