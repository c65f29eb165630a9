"""Cells to management zones: cut, tidy, outline. Gets arrays and sizes; knows no agronomy."""

from vrn.zones.draw import by_layers, draw, from_polygons
from vrn.zones.finish import by_steps
from vrn.zones.model import ZoneChoice, Zones, ZonesReport

__all__ = ["ZoneChoice", "Zones", "ZonesReport", "by_layers", "by_steps", "draw", "from_polygons"]
