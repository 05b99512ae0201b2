"""A box with and without its equaliser: level, gain, travel, headroom."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from tsfit.plots.curves import Quantity, curves_figure
from tsfit.plots.limits import limit_rows

SPAN_DB = 35.0
ALONE, AFTER, TARGET = "alone", "with equaliser", "target"


def equalised_figure(data: Mapping[str, Any]) -> Figure:
    """Draw level, gain, travel and boost headroom, with the limit that comes first named at the foot of the last.

    Parameters
    ----------
    data : machine form of `tsfit.box.equaliser.equalised.to_dict`
    """
    low, high = data["played_hz"]
    frequency = np.asarray(data["frequency_hz"], dtype=float)
    shown = (frequency >= 0.5 * low) & (frequency <= 2.5 * high)

    def part(name: str) -> NDArray[np.float64]:
        return np.asarray(np.asarray(data[name], dtype=float)[shown])

    levels = {ALONE: part("before_db"), AFTER: part("after_db")}
    if data["target_db"] is not None:
        levels[TARGET] = part("target_db")
    travel = {ALONE: part("excursion_before_mm"), AFTER: part("excursion_after_mm")}
    xmax = data["xmax_mm"]
    sure = data.get("bands") or {"curves": {}}

    def bands(name: str) -> dict[str, Any] | None:
        if name not in sure["curves"]:
            return None
        low, high = (np.asarray(sure["curves"][name][end], dtype=float)[shown] for end in ("low", "high"))
        return {AFTER: (low, high)}

    quantities = [
        Quantity("level, dB", levels, bands=bands("after_db"), span=SPAN_DB, height=2.2),
        Quantity("gain, dB", {AFTER: part("gain_db")}, limit=(0.0, ""), height=1.2),
        Quantity(
            "travel, mm peak",
            travel,
            bands=bands("excursion_after_mm"),
            limit=None if xmax is None else (xmax, f"Xmax {xmax:.3g} mm"),
            height=1.3,
        ),
    ]
    rated = data["headroom_after_db"] is not None
    if rated:
        spare = {ALONE: part("headroom_before_db"), AFTER: part("headroom_after_db")}
        quantities.append(
            Quantity("headroom, dB", spare, bands=bands("headroom_after_db"), limit=(0.0, "the limit"), height=1.9)
        )
    subtitle = f"{data['enclosure']}; {data['level_db']:.1f} dB in the mid-band, 1 m, half space"
    figure = curves_figure(frequency[shown], quantities, str(data["driver"]), subtitle)
    if rated:
        row = {AFTER: (part("headroom_after_db"), np.asarray(data["headroom_limited_by"])[shown].tolist())}
        limit_rows(figure.axes[-1], frequency[shown], row, {AFTER: 1})
    return figure
