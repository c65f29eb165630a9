"""Where to pull cores, and whether to trust the readings."""
