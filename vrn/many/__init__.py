"""Many fields: the demo fields, a manifest of fields, the season book."""
