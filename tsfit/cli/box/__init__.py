"""`tsfit box`: a command a file."""
