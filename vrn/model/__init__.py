"""The nouns: a field, its grid, its surfaces, its samples, and the settings of the field file."""

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
