"""What another driver changes in the boxes that were planned for the first."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tsfit.base.arrays import Real
from tsfit.base.figures import in_figures
from tsfit.box.compare.consequence import BandCurve, Consequence
from tsfit.plots.style import INK, LINES, QUIET, SMALL, frequency_axis, new_plot, note, value_axis

LEAST_SPAN_DB = 1.5


def consequence_plot(name: str, boxes: Sequence[Consequence]) -> Figure:
    """Draw for each box the change of level at the same voltage and of the most level, with their 95 % bands.

    There is at least one box, and all have the same frequencies.
    """
    figure, panels = new_plot(
        [1.7] * len(boxes), name, "level with the measured driver less the printed one; bands 95 %", gap_in=0.3
    )
    changes = [_curves(box) for box in boxes]
    ends = np.abs([(band.low, band.high) for box in changes for _, band in box])
    span = max(LEAST_SPAN_DB, 1.2 * float(np.max(ends, initial=0.0, where=np.isfinite(ends))))
    for panel, box, curves in zip(panels, boxes, changes, strict=True):
        frequency = box.frequency_hz
        panel.axhline(0.0, color=QUIET, linewidth=0.9)
        for (label, band), (colour, dash) in zip(curves, LINES, strict=False):
            panel.fill_between(frequency, band.low, band.high, color=colour, alpha=0.18, linewidth=0.0)
            panel.plot(frequency, band.value, color=colour, linestyle=dash, linewidth=1.6, label=label)
        _name_curves(panel, frequency, curves)
        value_axis(panel, "change, dB")
        panel.set_ylim(-span, span)
        panel.set_title(_title(box), loc="left", fontsize=SMALL + 1.0, color=INK, parse_math=False)
    frequency_axis(panels[-1], float(boxes[0].frequency_hz[0]), float(boxes[0].frequency_hz[-1]))
    return figure


def _curves(box: Consequence) -> list[tuple[str, BandCurve]]:
    most = box.maximum_change_db
    return [("at the same voltage", box.level_change_db), *([] if most is None else [("loudest, by printed limits", most)])]


def _title(box: Consequence) -> str:
    size = "" if box.volume_l is None else f", {in_figures(box.volume_l, 3)} l"
    tuned = "" if box.tuning_hz is None else f", tuned to {in_figures(box.tuning_hz, 3)} Hz"
    return f"{box.box[:1].upper()}{box.box[1:]}{size}{tuned}"


def _name_curves(panel: Axes, frequency: Real, curves: Sequence[tuple[str, BandCurve]]) -> None:
    """Write each curve's name where it is furthest from the other, above the upper and below the lower one."""
    values = [band.value for _, band in curves]
    apart = np.abs(values[0] - values[1]) if len(values) == 2 else np.zeros(len(frequency))
    place = int(np.argmax(apart[1:-2])) + 1
    for k, (label, _) in enumerate(curves):
        other = values[1 - k][place] if len(values) == 2 else -np.inf
        above = values[k][place] > other or (k == 0 and values[k][place] == other)
        note(
            panel, label, (frequency[place], values[k][place]), LINES[k][0], (0, 6 if above else -6),
            va="bottom" if above else "top",
        )  # fmt: skip
