"""A published datasheet: read, held against itself, held against a fit."""
