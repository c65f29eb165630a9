"""Cells to management zones: cut, tidy, outline."""
