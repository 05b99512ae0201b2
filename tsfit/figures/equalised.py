"""A box with and without its equaliser: level, gain, travel, headroom."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from tsfit.figures.curves import Quantity, curves_figure
from tsfit.figures.limits import limit_rows

if TYPE_CHECKING:
    from tsfit.box.equalised import AtLevel, Equalised

SPAN_DB = 35.0
PLAIN, AFTER, TARGET = "alone", "with equaliser", "target"


def equalised_figure(equalised: Equalised, taken: AtLevel) -> Figure:
    """Draw level, gain, travel and boost headroom, with the limit that comes first named at the foot of the last."""
    low, high = equalised.played_hz
    frequency = equalised.frequency_hz
    shown = (frequency >= 0.5 * low) & (frequency <= 2.5 * high)
    levels = {PLAIN: equalised.before_db, AFTER: equalised.after_db}
    if equalised.target_db is not None:
        levels[TARGET] = equalised.target_db
    quantities = [
        Quantity("level, dB", {name: taken.level_db + db[shown] for name, db in levels.items()}, span=SPAN_DB, height=2.2),
        Quantity("gain, dB", {AFTER: equalised.gain_db[shown]}, limit=(0.0, ""), height=1.2),
        _travel(equalised, taken, shown),
    ]
    if taken.headroom_db is not None and taken.headroom_before_db is not None:
        spare = {PLAIN: taken.headroom_before_db[shown], AFTER: taken.headroom_db[shown]}
        quantities.append(Quantity("headroom, dB", spare, limit=(0.0, "the limit"), height=1.9))
    subtitle = f"{equalised.box.enclosure.kind}; {taken.level_db:.1f} dB in the mid-band, 1 m, half space"
    figure = curves_figure(frequency[shown], quantities, equalised.box.enclosure.driver.name, subtitle)
    if taken.headroom_db is not None:
        row = {AFTER: (taken.headroom_db[shown], list(taken.limited_by[shown]))}
        limit_rows(figure.axes[-1], frequency[shown], row, {AFTER: 1})
    return figure


def _travel(equalised: Equalised, taken: AtLevel, shown: np.ndarray) -> Quantity:
    curves = {PLAIN: taken.excursion_before_mm[shown], AFTER: taken.excursion_mm[shown]}
    xmax = equalised.box.ratings.xmax_m
    limit = None if xmax is None else (1e3 * xmax, f"Xmax {1e3 * xmax:.3g} mm")
    return Quantity("travel, mm peak", curves, limit=limit, height=1.3)
