"""Whether an output folder still holds what its field file would build today."""

import hashlib
import json
import platform
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any


def sha256_of(path: Path) -> str:
    """Hash of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def summary_in(folder: Path) -> dict[str, Any] | None:
    """
    The summary of a whole output folder.

    Returns
    -------
    summary : dict or None
        None when there is none, or it cannot be read.
    """
    try:
        summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return summary if isinstance(summary, dict) else None


def is_unchanged(field_file: Path, folder: Path) -> bool:
    """
    Whether the folder's inputs, files and versions are all what they were when it was written.

    Parameters
    ----------
    folder : Path
        Of the output.
    """
    summary = summary_in(folder)
    if summary is None:
        return False
    try:
        inputs, files, versions = summary["inputs"], summary["files"], summary["versions"]
        return (
            field_file.name in inputs
            and bool(files)
            and all(_version_here(name) == was for name, was in versions.items())
            and all(sha256_of(field_file.parent / name) == was for name, was in inputs.items())
            and all(sha256_of(folder / name) == was for name, was in files.items())
        )
    except (OSError, KeyError, TypeError, AttributeError, ValueError):
        return False


@cache
def _version_here(name: str) -> str | None:
    if name == "python":
        return platform.python_version()
    if name == "vrn":
        from vrn import __version__

        return __version__
    try:
        return version(name)
    except PackageNotFoundError:
        return None
