"""The nouns: a field, its grid, its surfaces, its samples, and the settings of the field file."""

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from vrn.model.grid import Grid
    from vrn.model.layers import (
        ConstantLayer,
        Layer,
        PointLayer,
        PolygonLayer,
        RasterLayer,
        Weather,
        YieldLog,
        YieldLogLayer,
    )
    from vrn.model.surface import Surface

__all__ = [
    "ConstantLayer", "Grid", "Layer", "PointLayer", "PolygonLayer", "RasterLayer", "Surface", "Weather", "YieldLog",
    "YieldLogLayer",
]  # fmt: skip

_ELSEWHERE: Final = {"Grid": "grid", "Surface": "surface"}


def __getattr__(name: str) -> Any:
    """Load a noun when it is first asked for: a season's rows need no map."""
    if name not in __all__:
        message = f"module 'vrn.model' has no attribute {name!r}"
        raise AttributeError(message)
    return getattr(import_module(f"vrn.model.{_ELSEWHERE.get(name, 'layers')}"), name)
