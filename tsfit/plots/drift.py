"""Drift: causes against hours of use, and a box with the driver as it was and as it is."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tsfit.base.figures import in_figures
from tsfit.base.intervals import COVERAGE_FACTOR
from tsfit.drift.box import BoxedChange
from tsfit.drift.history import CauseHistory, History
from tsfit.plots.style import HAIR, INK, LINES, QUIET, TEXT, frequency_axis, new_plot, note, value_axis

POINTS = 300
LEVEL_SPAN_DB = 40.0


def drift_plot(history: History) -> Figure:
    """Draw each cause against hours of use, in percent of where it began, with its course and the band of its end.

    Bars are two standard deviations of an entry; the grey band around nothing is as wide as those of a usual entry.
    """
    causes = list(history.causes.values())
    first, last = history.entries[0].hours, history.entries[-1].hours
    driver = history.entries[0].driver
    entries = f"{len(history.entries)} entries, {first:g} to {last:g} h"
    subtitle = f"at 20 °C, reference air; {entries}; bars ±2σ; grey: ±2σ of one"
    figure, panels = new_plot(
        [1.35 if one.drifted else 0.9 for one in causes],
        driver.name if driver.serial is None else f"{driver.name}, {driver.serial}",
        subtitle,
        gap_in=0.24,
    )
    for index, (panel, one) in enumerate(zip(panels, causes, strict=True)):
        _cause(panel, one, LINES[index % len(LINES)][0], last)
    panels[-1].set_xlabel("hours of use", fontsize=TEXT, color=INK)
    return figure


def _cause(panel: Axes, one: CauseHistory, colour: str, last: float) -> None:
    settling = one.settling
    told = settling.enough and settling.course != "constant"
    zero = float(settling.at(one.hours[:1])[0]) if settling.enough else float(one.logarithm[0])

    def percent(logarithm: np.ndarray) -> np.ndarray:
        return np.asarray(100.0 * np.expm1(logarithm - zero))

    values = percent(one.logarithm)
    usual = COVERAGE_FACTOR * 100.0 * float(np.median(one.stdev))
    panel.axhspan(-usual, usual, color=HAIR, alpha=0.6, lw=0)
    bars = 100.0 * COVERAGE_FACTOR * one.stdev
    panel.errorbar(one.hours, values, bars, fmt="o", markersize=3.0, color=colour, elinewidth=0.7, capsize=0.0)
    if settling.enough:
        hours = np.linspace(float(one.hours[0]), last, POINTS)
        panel.plot(hours, percent(settling.at(hours)), color=colour, linewidth=1.3, label=one.cause)
    if told and settling.band95 is not None and settling.course != "log-time":
        low, high = percent(np.array(settling.band95))
        panel.axhspan(float(low), float(high), color=colour, alpha=0.18, linewidth=0.0)
        end = float(percent(np.array([settling.end]))[0])
        text = f"ends at {end:+.1f} % ({low:+.1f} to {high:+.1f})"
        note(panel, text, (1.0, 1.0), colour, (0, 2), xycoords="axes fraction", ha="right", va="bottom")
    value_axis(panel, "change, %")
    low, high = float(np.min(values - bars)), float(np.max(values + bars))
    panel.set_ylim(low - 0.1 * (high - low), high + 0.1 * (high - low))
    note(
        panel, f"{one.cause} ({one.figure})", (0.0, 1.0), colour, (0, 2), xycoords="axes fraction", va="bottom",
        fontsize=TEXT,
    )  # fmt: skip


def box_drift_plot(boxed: BoxedChange) -> Figure:
    """Draw the level in one box with the driver of both entries, and below the difference with its 95 % band."""
    found, name = boxed.found, boxed.first.driver.name
    size = "" if found.volume_l is None else f", {in_figures(found.volume_l, 3)} l"
    figure, (levels, panel) = new_plot(
        [2.2, 1.4],
        name,
        f"{found.box}{size}; {in_figures(boxed.before.enclosure.voltage, 3)} V RMS, 1 m, half space, coil at 20 °C",
    )
    pair = (boxed.first, boxed.before), (boxed.other, boxed.after)
    top = 5.0 * np.ceil((max(float(np.max(box.curves.spl_db)) for _, box in pair) + 2.0) / 5.0)
    apart = boxed.after.curves.spl_db - boxed.before.curves.spl_db
    # Named where they differ most of what is drawn, the upper one from above.
    seen = np.where(boxed.before.curves.spl_db > top - 0.6 * LEVEL_SPAN_DB, np.abs(apart), 0.0)
    at = int(np.argmax(seen))
    upper = int(apart[at] > 0.0)
    for index, (entry, box) in enumerate(pair):
        colour, dash = LINES[index]
        frequency, level = box.curves.frequency_hz, box.curves.spl_db
        levels.plot(frequency, level, color=colour, linestyle=dash, linewidth=1.4)
        f3 = box.f3_hz
        text = f"{entry.hours:g} h" if f3 is None else f"{entry.hours:g} h, f3 {in_figures(f3, 3)} Hz"
        note(
            levels, text, (float(frequency[at]), float(level[at])), colour, (-26, 22) if index == upper else (26, -22),
            ha="right" if index == upper else "left",
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.6, "shrinkA": 1.0, "shrinkB": 1.0},
        )  # fmt: skip
    levels.set_ylim(top - LEVEL_SPAN_DB, top)
    value_axis(levels, f"level at {in_figures(boxed.before.enclosure.voltage, 3)} V, dB at 1 m")
    change = found.level_change_db
    panel.fill_between(found.frequency_hz, change.low, change.high, color=LINES[1][0], alpha=0.2, linewidth=0.0)
    panel.plot(found.frequency_hz, change.value, color=LINES[1][0], linewidth=1.2, marker="o", markersize=2.6)
    panel.axhline(0.0, color=QUIET, linewidth=0.8)
    value_axis(panel, "change, dB")
    frequency = boxed.before.curves.frequency_hz
    frequency_axis(panel, float(frequency[0]), float(frequency[-1]))
    return figure
