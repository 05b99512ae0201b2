"""The driver: its formulas, its record, its air, and what passes between the rooms about it."""
