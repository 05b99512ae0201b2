"""What another driver changes in the boxes that were planned for the first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.figure import Figure

from tsfit.plots.style import INK, LINES, QUIET, SMALL, frequency_axis, new_figure, value_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LEAST_SPAN_DB = 1.5


def consequence_figure(name: str, boxes: Sequence[Mapping[str, Any]]) -> Figure:
    """Draw for each box the change of level at the same voltage and of the most level, with their 95 % bands.

    Parameters
    ----------
    name : of the driver
    boxes : machine forms of `tsfit.box.compare.consequence.Consequence`, all at the same frequencies
    """
    figure, panels = new_figure(
        [1.7] * len(boxes), name, "level with the measured driver less that with the printed one; shaded: 95 %", gap_in=0.3
    )
    changes = [[(label, box[key]) for key, label in _CURVES if box.get(key)] for box in boxes]
    ends = [
        value for box in changes for _, band in box for end in ("low", "high") for value in band[end] if value is not None
    ]
    span = max(LEAST_SPAN_DB, 1.2 * max(map(abs, ends), default=0.0))
    for panel, box, curves in zip(panels, boxes, changes, strict=True):
        frequency = np.array(box["frequency_hz"])
        panel.axhline(0.0, color=QUIET, linewidth=0.9)
        for (label, band), (colour, dash) in zip(curves, LINES, strict=False):
            value, low, high = (np.array(band[end], dtype=float) for end in ("value", "low", "high"))
            panel.fill_between(frequency, low, high, color=colour, alpha=0.18, linewidth=0.0)
            panel.plot(frequency, value, color=colour, linestyle=dash, linewidth=1.6, label=label)
        _name_curves(panel, frequency, curves)
        value_axis(panel, "change, dB")
        panel.set_ylim(-span, span)
        panel.set_title(_title(box), loc="left", fontsize=SMALL + 1.0, color=INK, parse_math=False)
    frequency_axis(panels[-1], float(boxes[0]["frequency_hz"][0]), float(boxes[0]["frequency_hz"][-1]))
    return figure


_CURVES = (("level_change_db", "at the same voltage"), ("maximum_change_db", "at its loudest"))


def _title(box: Mapping[str, Any]) -> str:
    size = "" if box["volume_l"] is None else f", {box['volume_l']:.3g} l"
    tuned = "" if box["tuning_hz"] is None else f", tuned to {box['tuning_hz']:.3g} Hz"
    return f"{box['box'][:1].upper()}{box['box'][1:]}{size}{tuned}"


def _name_curves(panel: Axes, frequency: np.ndarray, curves: Sequence[tuple[str, Mapping[str, Any]]]) -> None:
    """Write each curve's name where it is furthest from the other, above the upper and below the lower one."""
    values = [np.array(band["value"], dtype=float) for _, band in curves]
    apart = np.abs(values[0] - values[1]) if len(values) == 2 else np.zeros(len(frequency))
    place = int(np.argmax(apart[1:-2])) + 1
    for k, (label, _) in enumerate(curves):
        other = values[1 - k][place] if len(values) == 2 else -np.inf
        above = values[k][place] > other or (k == 0 and values[k][place] == other)
        panel.annotate(
            label,
            (frequency[place], values[k][place]),
            xytext=(0, 6 if above else -6),
            textcoords="offset points",
            va="bottom" if above else "top",
            fontsize=SMALL,
            color=LINES[k][0],
        )
