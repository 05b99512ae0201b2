"""Measure low-frequency drivers, judge their datasheets, and carry the result into the box.

From Python: `sweep`, `fit_bench`, `fit` and `heat` measure, `check_sheet` judges a datasheet, `log_fit` and `track` follow
a driver through its hours, `explore` turns the knobs of a box in a notebook, `read_curve` reads curves made elsewhere; each
is imported when it is first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tsfit.api import Check, Drift, Fit, Heat, Sweep, check_sheet, explore, fit, fit_bench, heat, log_fit, sweep, track
    from tsfit.base.errors import TsfitError
    from tsfit.driver.air import Air
    from tsfit.driver.curve import ImpedanceCurve, State
    from tsfit.fitting.sweep import Known
    from tsfit.formats.curve import read_curve

_API = (
    "Check", "Drift", "Fit", "Heat", "Sweep", "Travel", "check_sheet", "explore", "fit", "fit_bench", "heat", "log_fit",
    "sweep", "track", "travel_bench",
)  # fmt: skip
__all__ = [
    "Air", "Check", "Drift", "Fit", "Heat", "ImpedanceCurve", "Known", "State", "Sweep", "Travel", "TsfitError",
    "check_sheet", "explore", "fit", "fit_bench", "heat", "log_fit", "read_curve", "sweep", "track", "travel_bench",
]  # fmt: skip


_HOMES = {
    **dict.fromkeys(_API, "api"),
    **dict.fromkeys(("ImpedanceCurve", "State"), "driver.curve"),
    "Air": "driver.air",
    "Known": "fitting.model",
    "TsfitError": "base.errors",
    "read_curve": "formats.curve",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'tsfit' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"tsfit.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    return [*globals(), *__all__]
