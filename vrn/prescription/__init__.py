"""Zones to rates: limits, product, machine."""
