"""The nouns: a field, its grid, its surfaces, its samples, and the settings of the field file."""

from vrn.field.findings import Finding
from vrn.field.grid import Grid
from vrn.field.layers import ConstantLayer, Layer, PointLayer, PolygonLayer, RasterLayer, YieldLog, YieldLogLayer
from vrn.field.surface import Surface
from vrn.field.weather import Weather

__all__ = [
    "ConstantLayer",
    "Finding",
    "Grid",
    "Layer",
    "PointLayer",
    "PolygonLayer",
    "RasterLayer",
    "Surface",
    "Weather",
    "YieldLog",
    "YieldLogLayer",
]
