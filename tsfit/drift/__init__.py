"""Drift: a log of one driver's fits against its hours of use, what changed in it, and where it settles."""
