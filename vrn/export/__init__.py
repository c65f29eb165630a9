"""Prescription to files."""
