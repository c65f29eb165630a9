"""Agronomy as arithmetic on arrays."""
