"""Measure low-frequency drivers, judge their datasheets, and carry the result into the box.

From Python: `fit`, `fit_bench`, `read_curve`, and the records they take; each is imported when it is first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tsfit.air import Air
    from tsfit.api import Fit, fit, fit_bench
    from tsfit.errors import TsfitError
    from tsfit.fitting.curve import read_curve
    from tsfit.fitting.model import Known
    from tsfit.records import ImpedanceCurve, State

__all__ = ["Air", "Fit", "ImpedanceCurve", "Known", "State", "TsfitError", "fit", "fit_bench", "read_curve"]

_HOMES = {
    **dict.fromkeys(("Fit", "fit", "fit_bench"), "api"),
    **dict.fromkeys(("ImpedanceCurve", "State"), "records"),
    "Air": "air",
    "Known": "fitting.model",
    "TsfitError": "errors",
    "read_curve": "fitting.curve",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'tsfit' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"tsfit.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return [*globals(), *__all__]
