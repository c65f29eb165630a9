"""A manifest names fields, each with a folder of its own, or is refused at once."""

from pathlib import Path

import pytest

from vrn.errors import InputFileError
from vrn.many.manifest import read_manifest


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
        ("field\na/field.toml\na/field.toml\n", r"both write to the folder a"),
        ("field,folder\na/field.toml,x\nb/field.toml,X\n", r"row 2.* and .*row 3.* both write to the folder X"),
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
