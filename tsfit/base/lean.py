"""lmfit without what no command asks of it, which takes longer to load than a fit takes.

lmfit makes use of pandas, matplotlib and others where they are installed, and takes distributions and splines of SciPy. A
command has no use for any; a notebook may, so that there all is loaded as ever.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from threading import current_thread, main_thread
from types import ModuleType
from typing import Any

UNASKED = ("pandas", "matplotlib", "emcee", "numdifftools")
"""What lmfit does without where it is not installed."""
LATER = ("scipy.stats", "scipy.interpolate")
"""What is loaded once something of it is asked."""

_asked: list[bool] = []
"""Holds something where a command runs."""


def for_a_command() -> None:
    """Let this process, which runs one command, load a lean lmfit."""
    _asked.append(True)


def load_lmfit() -> None:
    """Load lmfit, which is there from then on; a lean one in a command. Called before each import of it."""
    if not _asked or "lmfit" in sys.modules or current_thread() is not main_thread():
        # Other threads could come by what stands in.
        return
    # What else it needs is loaded first, so that nothing but lmfit itself sees what stands in.
    import scipy.optimize
    import scipy.sparse.linalg  # noqa: F401

    try:
        with _stood_in():
            import lmfit  # noqa: F401
    except Exception:  # a version that asks for more: then it gets all
        for name in [name for name in sys.modules if name.partition(".")[0] == "lmfit"]:
            del sys.modules[name]


class _Later:
    """A distribution or function of a module, which is loaded once something is asked of it."""

    def __init__(self, module: str, name: str) -> None:
        self._place = module, name

    def _found(self) -> Any:
        module, name = self._place
        return getattr(import_module(module), name)

    def __getattr__(self, part: str) -> Any:
        return getattr(self._found(), part)

    def __call__(self, *arguments: Any, **named: Any) -> Any:
        return self._found()(*arguments, **named)


def _stand_in(module: str) -> ModuleType:
    def later(name: str) -> _Later:
        if name.startswith("__"):
            raise AttributeError(name)
        return _Later(module, name)

    found = ModuleType(module)
    found.__getattr__ = later  # type: ignore[method-assign]
    return found


@contextmanager
def _stood_in() -> Iterator[None]:
    """Keep `UNASKED` from being found, and `LATER` from being loaded; what is loaded already stays as it is."""
    absent = [name for name in (*UNASKED, *LATER) if name not in sys.modules]
    for name in absent:
        sys.modules[name] = _stand_in(name) if name in LATER else None  # type: ignore[assignment]
    try:
        yield
    finally:
        for name in absent:
            sys.modules.pop(name, None)
