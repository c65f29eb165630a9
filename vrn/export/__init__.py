"""Prescription to files."""

from vrn.export.write import write

__all__ = ["write"]
