"""`tsfit check`."""
