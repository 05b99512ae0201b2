"""Drivers side by side in one condition."""

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure

from tsfit.box.compare.result import CaseResult
from tsfit.plots.curves import ROW_PT, Quantity, curves_plot, limit_rows

SPAN_DB = 35.0
HIGHEST_HZ = 500.0
TITLES = {"equal power": "level at 1 W, dB at 1 m", "limits": "loudest, dB at 1 m"}


def compare_plot(names: Sequence[str], case: CaseResult, *, differences: bool = True) -> Figure:
    """Draw level at equal power and the loudest of every driver, and below each the `differences`: what the others have
    over the first.

    Bands are the 95 % intervals of the differences. At the foot of the loudest stands which limit stops whom where.
    """
    frequency = case.frequency_hz
    shown = frequency <= HIGHEST_HZ

    quantities = []
    for way, label in TITLES.items():
        if way not in case.level_db:
            continue
        levels = {name: level[shown] for name, level in zip(names, case.level_db[way], strict=True)}
        height = (2.0 if differences else 1.6) + (ROW_PT * len(names) / 72.0 if way == "limits" else 0.0)
        quantities.append(Quantity(label, levels, span=SPAN_DB, height=height))
        if not differences:
            continue
        pairs = list(zip(names[1:], case.differences[way], strict=True))
        bands = {
            name: (one.low_db[shown], one.high_db[shown])
            for name, one in pairs
            if one.low_db is not None and one.high_db is not None
        }
        curves = {name: one.db[shown] for name, one in pairs}
        zero = (0.0, names[0])
        quantities.append(Quantity("difference, dB", curves, bands or None, limit=zero, height=1.2, signed=True))
    figure = curves_plot(frequency[shown], quantities, " · ".join(names), f"{case.case}; half space")
    if "limits" in case.level_db and case.limited_by is not None:
        loudest = next(panel for panel in figure.axes if panel.get_ylabel() == TITLES["limits"])
        each = zip(names, case.level_db["limits"], case.limited_by, strict=True)
        rows = {name: (level[shown], np.asarray(limits)[shown].tolist()) for name, level, limits in each}
        limit_rows(loudest, frequency[shown], rows, {name: number for number, name in enumerate(names)})
    return figure
