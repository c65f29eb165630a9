"""vrn: from in-season soil nitrate samples to a variable-rate nitrogen prescription.

>>> import vrn
>>> ledger = vrn.nitrogen.method("iowa-lsnt").need(nitrate_ppm=15.0)
>>> ledger.need_lb_ac
80.0
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from vrn.errors import VrnError

if TYPE_CHECKING:
    from vrn import nitrogen, surface
    from vrn.ingest import read_field
    from vrn.model.field import Field
    from vrn.pipeline import build
    from vrn.pipeline.write import write
    from vrn.prescription.model import Prescription

__version__ = "0.1.0"
__all__ = ["Field", "Prescription", "VrnError", "build", "nitrogen", "read_field", "surface", "write"]

_DOOR = {
    "Field": "vrn.model.field",
    "Prescription": "vrn.prescription.model",
    "build": "vrn.pipeline",
    "read_field": "vrn.ingest",
    "write": "vrn.pipeline.write",
}


def __getattr__(name: str) -> Any:
    """Open a room when it is first asked for, so that ``import vrn`` costs next to nothing."""
    if name in ("nitrogen", "surface"):
        return import_module(f"vrn.{name}")
    if name in _DOOR:
        return getattr(import_module(_DOOR[name]), name)
    message = f"module 'vrn' has no attribute {name!r}"
    raise AttributeError(message)
