"""Written files, read again by other readers."""
