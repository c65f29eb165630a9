"""Cells to management zones: cut, tidy, outline. Gets arrays and sizes; knows no agronomy."""

from vrn.zones.draw import draw
from vrn.zones.layers import by_layers
from vrn.zones.model import ZoneChoice, Zones
from vrn.zones.own import from_polygons

__all__ = ["ZoneChoice", "Zones", "by_layers", "draw", "from_polygons"]
