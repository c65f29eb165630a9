"""``python -m vrn``."""

from vrn.cli import run

run()
