"""The script that wrote the demo fields, as a module."""

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def script() -> ModuleType:
    """Generator of the demo fields, which knows their truth."""
    path = Path(__file__).resolve().parents[2] / "demo_fields" / "make_fields.py"
    spec = importlib.util.spec_from_file_location("demo_make_fields", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module
