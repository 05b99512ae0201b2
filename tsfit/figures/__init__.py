"""Matplotlib only: one function a figure, each returns a Figure."""
