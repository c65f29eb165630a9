"""The hand-made prescription of the export tests, for the audit's."""

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from vrn.prescription.model import Prescription

sys.path.insert(0, str(Path(__file__).parent))  # so that tests can share log_writer.py


def _maker_module() -> ModuleType:
    path = Path(__file__).parents[1] / "files" / "conftest.py"
    spec = importlib.util.spec_from_file_location("hand_made_prescription", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


_MAKER = _maker_module()


@pytest.fixture(scope="session")
def maker() -> ModuleType:
    """Maker of prescriptions and the ground and products it knows."""
    return _MAKER


@pytest.fixture(scope="session")
def make() -> Callable[..., Prescription]:
    """The maker's function, for tests that vary the ground."""
    return _MAKER.make_prescription
