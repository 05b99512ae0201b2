"""`tsfit drift`."""
