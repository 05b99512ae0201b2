"""A box with and without its equaliser: level, gain, travel, headroom."""

import numpy as np
from matplotlib.figure import Figure

from tsfit.base.arrays import Real
from tsfit.base.figures import in_figures
from tsfit.box.equaliser.form import EqualiserForm
from tsfit.plots.curves import Quantity, curves_plot, limit_rows

SPAN_DB = 35.0
ALONE, AFTER, TARGET = "alone", "with equaliser", "target"


def equalised_plot(data: EqualiserForm) -> Figure:
    """Draw level, gain, travel and boost headroom, with the limit that comes first named at the foot of the last."""
    low, high = data.played_hz
    shown = (data.frequency_hz >= 0.5 * low) & (data.frequency_hz <= 2.5 * high)
    frequency = data.frequency_hz[shown]

    def bands(name: str) -> dict[str, tuple[Real, Real]] | None:
        sure = None if data.bands is None else data.bands.curves.get(name)
        return None if sure is None else {AFTER: (sure.low[shown], sure.high[shown])}

    levels = {ALONE: data.before_db[shown], AFTER: data.after_db[shown]}
    if data.target_db is not None:
        levels[TARGET] = data.target_db[shown]
    travel = {ALONE: data.excursion_before_mm[shown], AFTER: data.excursion_after_mm[shown]}
    limit = None if data.xmax_mm is None else (data.xmax_mm, f"Xmax {in_figures(data.xmax_mm, 3)} mm")
    quantities = [
        Quantity("level, dB at 1 m", levels, bands=bands("after_db"), span=SPAN_DB, height=2.2),
        Quantity("gain, dB", {AFTER: data.gain_db[shown]}, limit=(0.0, ""), height=1.2),
        Quantity("travel, mm peak", travel, bands=bands("excursion_after_mm"), limit=limit, height=1.3),
    ]
    if data.headroom_before_db is not None and data.headroom_after_db is not None:
        spare = {ALONE: data.headroom_before_db[shown], AFTER: data.headroom_after_db[shown]}
        sure = bands("headroom_after_db")
        quantities.append(Quantity("headroom, dB", spare, bands=sure, limit=(0.0, "the limit"), height=1.9))
    subtitle = f"{data.enclosure}; {data.level_db:.1f} dB in the mid-band, 1 m, half space"
    figure = curves_plot(frequency, quantities, data.driver, subtitle)
    if data.headroom_after_db is not None and data.headroom_limited_by is not None:
        limits = np.asarray(data.headroom_limited_by)[shown].tolist()
        limit_rows(figure.axes[-1], frequency, {AFTER: (data.headroom_after_db[shown], limits)}, {AFTER: 1})
    return figure
