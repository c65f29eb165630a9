"""Cells to management zones: cut, tidy, outline. Gets arrays and sizes; knows no agronomy."""

from vrn.zones.draw import by_layers, draw
from vrn.zones.model import ZoneChoice, Zones, ZonesReport
from vrn.zones.own import from_polygons

__all__ = ["ZoneChoice", "Zones", "ZonesReport", "by_layers", "draw", "from_polygons"]
