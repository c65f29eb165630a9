"""Demo fields, read and built once."""

from collections.abc import Callable

import pytest

from vrn.model.field import Field
from vrn.prescription.model import Prescription


@pytest.fixture(scope="session")
def cedar_bend_field(cedar_bend: Prescription) -> Field:
    """Cedar Bend as its files say it."""
    return cedar_bend.field


@pytest.fixture(scope="session")
def cedar_bend(demo_built: Callable[[str], Prescription]) -> Prescription:
    """Cedar Bend, built."""
    return demo_built("cedar_bend")
