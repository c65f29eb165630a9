"""A manifest names fields, each with a folder of its own, or is refused at once."""

import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from vrn.errors import InputFileError
from vrn.many.manifest import read_manifest
from vrn.many.task import build_field


def _write(path: Path, text: str) -> str:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return str(path)


def test_paths_are_relative_to_the_manifest(tmp_path: Path) -> None:
    """A row's path starts at the manifest's folder, and its folders name the output."""
    manifest = _write(tmp_path / "farm" / "june.csv", "field\nnorth/cedar/field.toml\n../river/ash.toml\n")
    jobs = read_manifest(manifest)
    assert [job.name for job in jobs] == ["north_cedar", "river_ash"]
    assert jobs[0].field_file == tmp_path / "farm" / "north" / "cedar" / "field.toml"
    assert jobs[1].shown == "../river/ash.toml (june.csv row 3)"


def test_folder_column_names_the_output(tmp_path: Path) -> None:
    """A column folder gives a field's output the name that the user wants, made safe."""
    manifest = _write(tmp_path / "june.csv", "field;folder\na/field.toml;Jansen: west 40\nb/field.toml;\n")
    assert [job.name for job in read_manifest(manifest)] == ["Jansen_west_40", "b"]


def test_glob_finds_fields_in_order(tmp_path: Path) -> None:
    """A glob's fields come sorted by path, named by what differs."""
    for name in ("b", "a/deep"):
        _write(tmp_path / "valley" / name / "field.toml", "")
    jobs = read_manifest(str(tmp_path / "valley" / "**" / "field.toml"))
    assert [job.name for job in jobs] == ["a_deep", "b"]


def test_missing_field_file_is_still_a_job(tmp_path: Path) -> None:
    """A field file that is not there fails when it is built; it does not stop the others."""
    assert len(read_manifest(_write(tmp_path / "june.csv", "field\nnowhere/field.toml\n"))) == 1


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("path\na/field.toml\n", r"no column field \(columns: path\)"),
        ("field,folder\n,x\n", r"row 2 names no field file"),
        ("field\n", r"a header and no row"),
        ("", r"empty"),
    ],
)
def test_broken_manifest_is_refused(tmp_path: Path, text: str, problem: str) -> None:
    """A manifest that cannot mean what it says is refused before any field is begun, naming the row."""
    with pytest.raises(InputFileError, match=problem):
        read_manifest(_write(tmp_path / "june.csv", text))


def test_missing_manifest_and_empty_glob_are_refused(tmp_path: Path) -> None:
    """No such file, a pattern that finds nothing, a field file instead of a list: each is told with its remedy."""
    with pytest.raises(InputFileError, match=r"no file june\.csv"):
        read_manifest(str(tmp_path / "june.csv"))
    with pytest.raises(InputFileError, match="no file is called so"):
        read_manifest(str(tmp_path / "*" / "field.toml"))
    with pytest.raises(InputFileError, match="vrn build"):
        read_manifest(_write(tmp_path / "field.toml", ""))


def test_a_line_that_cannot_be_told_from_another_is_refused_alone(tmp_path: Path) -> None:
    """A field listed twice, and one that would write over another's output, are refused; their first lines stand."""
    manifest = _write(tmp_path / "june.csv", "field,folder\na/f.toml,x\na/f.toml,x\nb/f.toml,X\nc/f.toml,\n")
    jobs = read_manifest(manifest)
    assert [job.refused is not None for job in jobs] == [False, True, True, False]
    assert len({job.name.casefold() for job in jobs}) == 4
    assert "listed twice" in jobs[1].refused[0]
    assert "row 4" in jobs[2].refused[0]


def test_fields_with_one_id_are_both_refused(tmp_path: Path) -> None:
    """Nobody can say whose the id is; the same id in another season is the same field, and stands."""
    for name, season in (("a", 2026), ("b", 2026), ("c", 2025)):
        _write(tmp_path / name / "field.toml", f'[field]\nid = "n40"\nname = "{name}"\nseason = {season}\n')
    jobs = read_manifest(str(tmp_path / "*" / "field.toml"))
    assert [(job.field, job.id, job.refused is not None) for job in jobs] == [
        ("a", "n40", True), ("b", "n40", True), ("c", "n40", False)]  # fmt: skip


@pytest.mark.parametrize("number", [errno.ESTALE, errno.EIO, errno.ENOTCONN, errno.EHOSTDOWN])
def test_a_field_on_a_lost_share_is_a_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int) -> None:
    """Whatever the system says of the share, the list is read, and the field fails with a remedy and no trace."""
    (tmp_path / "june.csv").write_text("field\nlost/field.toml\n", encoding="utf-8")

    def refuse(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    (job,) = _on_share(monkeypatch, refuse, lambda: read_manifest(str(tmp_path / "june.csv")), tmp_path / "lost")
    row = _on_share(monkeypatch, refuse, lambda: build_field(job.name, str(job.field_file), str(tmp_path / "rx")),
                    tmp_path / "lost")  # fmt: skip
    assert (row.status, row.trace) == ("failed", "")
    assert row.problem
    assert row.remedy


def _on_share(monkeypatch: pytest.MonkeyPatch, refuse: Any, work: Callable[[], Any], share: Path) -> Any:
    """What comes of some work while nothing below a folder can be read or asked for."""
    with monkeypatch.context() as patch:
        for name in ("open", "stat"):
            usual = getattr(Path, name)

            def guarded(self: Path, *given: Any, usual: Any = usual, **more: Any) -> Any:
                return refuse() if self.is_relative_to(share) else usual(self, *given, **more)

            patch.setattr(Path, name, guarded)
        return work()
