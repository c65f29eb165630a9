"""Demo fields, read and built once."""

from pathlib import Path

import pytest

import vrn
from vrn.model.field import Field
from vrn.prescription.model import Prescription

DEMO_FIELDS = Path(__file__).resolve().parents[2] / "demo_fields"


@pytest.fixture(scope="session")
def cedar_bend_field() -> Field:
    """Cedar Bend as its files say it."""
    return vrn.read_field(DEMO_FIELDS / "cedar_bend" / "field.toml")


@pytest.fixture(scope="session")
def cedar_bend(cedar_bend_field: Field) -> Prescription:
    """Cedar Bend, built."""
    return vrn.build(cedar_bend_field)
