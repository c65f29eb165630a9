"""Lets the tests of this folder import the simulated fields and the rivals beside them."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
