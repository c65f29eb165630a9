"""Inputs to checked nouns: the field file, its boundary, samples, layers and weather."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vrn.ingest.field_file import read_settings
    from vrn.ingest.read import read_field

__all__ = ["read_field", "read_settings"]

_DOOR = {
    "read_field": "vrn.ingest.read",
    "read_settings": "vrn.ingest.field_file",
}


def __getattr__(name: str) -> Any:
    """Open a module when it is first asked for."""
    if name in _DOOR:
        return getattr(import_module(_DOOR[name]), name)
    message = f"module 'vrn.ingest' has no attribute {name!r}"
    raise AttributeError(message)
