"""Enclosures as loads for the one circuit: planned, evaluated, limited by what gives first, cut into boards.

The folders design them, equalise them, compare drivers in them, and verify finished ones.
"""
