"""vrn: from in-season soil nitrate samples to a variable-rate nitrogen prescription.

>>> import vrn
>>> ledger = vrn.nitrogen.method("iowa-lsnt").need(nitrate_ppm=15.0)
>>> ledger.need_lb_ac
80.0
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from vrn import door
from vrn.errors import VrnError

if TYPE_CHECKING:
    from vrn import nitrogen, prescription, surface, zones
    from vrn.ingest import read_field
    from vrn.model.field import Field
    from vrn.model.grid import Grid
    from vrn.model.surface import Surface
    from vrn.pipeline import build, grid_of
    from vrn.pipeline.order import write
    from vrn.prescription.model import Prescription

__version__ = "0.1.0"
__all__ = [
    "Field",
    "Grid",
    "Prescription",
    "Surface",
    "VrnError",
    "build",
    "grid_of",
    "nitrogen",
    "prescription",
    "read_field",
    "surface",
    "write",
    "zones",
]

_ROOMS = ("nitrogen", "prescription", "surface", "zones")
_DOOR = {
    "Field": "vrn.model.field",
    "Grid": "vrn.model.grid",
    "Prescription": "vrn.prescription.model",
    "Surface": "vrn.model.surface",
    "build": "vrn.pipeline",
    "grid_of": "vrn.pipeline",
    "read_field": "vrn.ingest",
    "write": "vrn.pipeline.order",
}
door.offer(
    {
        "Book.trials": ("vrn.many.questions", "trials_at"),
        "Field.from_frames": ("vrn.ingest.read", "field_from_tables"),
        "Field.html": ("vrn.pages.notebook", "field_html"),
        "Ledger.html": ("vrn.pages.notebook", "ledger_html"),
        "Prescription.explore": ("vrn.pages.notebook", "explore"),
        "Prescription.html": ("vrn.pages.notebook", "prescription_html"),
    }
)


def __getattr__(name: str) -> Any:
    """Open a room when it is first asked for, so that ``import vrn`` costs next to nothing."""
    if name in _ROOMS:
        return import_module(f"vrn.{name}")
    if name in _DOOR:
        return getattr(import_module(_DOOR[name]), name)
    message = f"module 'vrn' has no attribute {name!r}"
    raise AttributeError(message)


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
