"""`tsfit fit`."""
