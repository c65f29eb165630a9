"""Inputs to checked nouns."""
