"""Measure low-frequency drivers, judge their datasheets, and carry the result into the box."""
