"""Enclosures as loads for the one circuit."""
