"""Drivers side by side in one condition."""

from __future__ import annotations

from typing import TYPE_CHECKING

from matplotlib.figure import Figure

from tsfit.figures.curves import Quantity, curves_figure

if TYPE_CHECKING:
    from tsfit.compare import CaseResult, Comparison

SPAN_DB = 35.0
TITLES = {"equal power": "1 W, dB", "limits": "loudest, dB"}


def compare_figure(comparison: Comparison, case: CaseResult) -> Figure:
    """Draw level at equal power and the loudest of every driver, and below each what the others have over the first.

    Bands are the 95 % intervals of the differences.
    """
    names = [one.driver.name for one in comparison.candidates]
    shown = case.frequency_hz <= 500.0
    frequency = case.frequency_hz[shown]
    quantities = []
    for way, label in TITLES.items():
        if way not in case.level_db:
            continue
        levels = {name: level[shown] for name, level in zip(names, case.level_db[way], strict=True)}
        quantities.append(Quantity(label, levels, span=SPAN_DB, height=2.0))
        curves, bands = {}, {}
        for name, one in zip(names[1:], case.differences[way], strict=True):
            curves[name] = one.db[shown]
            if one.low_db is not None and one.high_db is not None:
                bands[name] = (one.low_db[shown], one.high_db[shown])
        zero = (0.0, names[0])
        quantities.append(Quantity(f"over {names[0]}, dB"[:24], curves, bands or None, limit=zero, height=1.2, signed=True))
    return curves_figure(frequency, quantities, " · ".join(names), f"{case.name}; 1 m, half space")
