"""Before and around the field: where to pull cores, where next, and whether to trust the readings."""
