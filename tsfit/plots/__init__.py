"""Plots: one function each, returns a matplotlib Figure."""
