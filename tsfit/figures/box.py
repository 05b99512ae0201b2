"""What a box does, one panel a quantity."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from tsfit.figures.style import LINES, QUIET, SMALL, frequency_axis, new_figure, value_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from tsfit.box.result import BoxResult

LEVEL_SPAN_DB = 40.0


def box_figure(result: BoxResult) -> Figure:
    """Draw level, cone travel, group delay, impedance and, with a known port, its air speed against frequency.

    The level panel names the mid-band level and f3, the travel panel Xmax where it is near.
    """
    curves, enclosure = result.curves, result.enclosure
    quantities = [
        (curves.spl_db, "level, dB", 2.0),
        (curves.excursion_mm, "travel, mm peak", 1.25),
        (curves.group_delay_ms, "group delay, ms", 1.25),
        (curves.impedance_ohm, "impedance, Ω", 1.25),
    ]
    if curves.port_speed_m_s is not None:
        quantities.append((curves.port_speed_m_s, "port, m/s peak", 1.25))
    figure, panels = new_figure([height for *_, height in quantities], enclosure.driver.name, _subtitle(result))
    colour, dash = LINES[0]
    for panel, (values, label, _) in zip(panels, quantities, strict=True):
        panel.plot(curves.frequency_hz, values, color=colour, linestyle=dash, linewidth=1.6, marker=_marker(values))
        value_axis(panel, label)
        if values is not curves.spl_db:
            panel.set_ylim(min(0.0, 1.1 * float(np.min(values))), 1.1 * float(np.max(values)) or 1.0)
    _level_panel(panels[0], result)
    _travel_panel(panels[1], result)
    frequency_axis(panels[-1], float(curves.frequency_hz[0]), float(curves.frequency_hz[-1]))
    return figure


def _marker(values: np.ndarray) -> str:
    """A curve of very few points shows them."""
    return "o" if len(values) < 3 else ""


def _subtitle(result: BoxResult) -> str:
    design, enclosure = result.design, result.enclosure
    build = {
        "closed": "closed box, {volume_l:.3g} l, Qtc {qtc:.3g}",
        "vented": "vented box, {volume_l:.3g} l, tuned to {fb_hz:.3g} Hz",
        "passive": "passive-radiator box, {volume_l:.3g} l, tuned to {fb_hz:.3g} Hz",
        "baffle": "infinite baffle, Qtc {qtc:.3g}",
        "bandpass": "band-pass box, {volume_l:.3g} l + {front_volume_l:.3g} l, tuned to {fb_hz:.3g} Hz",
    }[enclosure.kind].format(**design)
    several = f"{enclosure.count} drivers; " if enclosure.count > 1 else ""
    return f"{several}{build}; {enclosure.voltage:.3g} V RMS, 1 m, half space"


def _level_panel(panel: Axes, result: BoxResult) -> None:
    reference, f3 = result.enclosure.reference_db, result.design["f3_hz"]
    top = 5.0 * np.ceil((max(float(np.max(result.curves.spl_db)), reference) + 2.0) / 5.0)
    panel.set_ylim(top - LEVEL_SPAN_DB, top)
    _name_level(panel, reference, f"mid-band {reference:.1f} dB")
    if f3 is not None and result.curves.frequency_hz[0] <= f3 <= result.curves.frequency_hz[-1]:
        level = reference - 3.01
        panel.plot([f3], [level], marker="o", markersize=4.5, color=LINES[0][0])
        panel.annotate(
            f"f3 {f3:.3g} Hz",
            (f3, level),
            xytext=(7, -3),
            textcoords="offset points",
            va="top",
            fontsize=SMALL,
            color=LINES[0][0],
        )


def _travel_panel(panel: Axes, result: BoxResult) -> None:
    xmax = result.enclosure.driver.Xmax
    if xmax is None:
        return
    limit, top = 1e3 * xmax, panel.get_ylim()[1]
    if limit <= 2.0 * top:
        panel.set_ylim(0.0, max(top, 1.15 * limit))
        _name_level(panel, limit, f"Xmax {limit:.3g} mm")


def _name_level(panel: Axes, value: float, text: str) -> None:
    """Draw a quiet line across the panel and name it at its right end."""
    panel.axhline(value, color=QUIET, linewidth=0.9, linestyle=(0, (1.5, 2.0)))
    panel.annotate(
        text,
        (1.0, value),
        xycoords=("axes fraction", "data"),
        xytext=(0, 2.5),
        textcoords="offset points",
        ha="right",
        fontsize=SMALL,
        color=QUIET,
    )
