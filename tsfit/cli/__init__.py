"""The command line: each command parses, calls one function, prints. Nothing is computed here.

Commands are loaded when they are called, so that ``tsfit --help`` is immediate.
"""

from tsfit.cli.entry import main, run, tsfit

__all__ = ["main", "run", "tsfit"]
