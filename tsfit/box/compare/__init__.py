"""Drivers against each other in the same boxes."""
