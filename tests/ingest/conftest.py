"""A small sound field folder that every test of reading starts from."""

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # so that tests can share sound.py and spoiled.py

import sound


@pytest.fixture
def field_folder(tmp_path: Path) -> Path:
    """Folder of a sound field: boundary, twelve samples, organic matter at points."""
    return sound.write_field(tmp_path / "field")


@pytest.fixture
def rewrite(field_folder: Path) -> Callable[..., Path]:
    """Write the field file again with some keys changed (``samples__file="x.csv"``; None removes a key)."""

    def write(**changes: Any) -> Path:
        return sound.write_toml(field_folder, changes)

    return write


@pytest.fixture
def put(field_folder: Path) -> Callable[[str, Any], Path]:
    """Put a file into the field folder: text, bytes, or an object as JSON."""

    def write(name: str, content: Any) -> Path:
        path = field_folder / name
        if isinstance(content, bytes):
            path.write_bytes(content)
        elif isinstance(content, str):
            path.write_text(content, encoding="utf-8", newline="")
        else:
            path.write_text(json.dumps(content), encoding="utf-8")
        return path

    return write
