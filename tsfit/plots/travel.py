"""Force factor, compliance and inductance over travel, with the limits marked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tsfit.base.intervals import NORMAL_95
from tsfit.driver.travel_result import CRITERIA, DISTORTION, SIDES, TravelResult
from tsfit.plots.style import INK, LINES, QUIET, TEXT, new_plot, note, value_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANELS = {"Bl": ("Bl", "T·m"), "C": ("compliance", "mm/N"), "L": ("inductance", "mH")}

HELD = {"Bl": 1.0, "L": 1e3}
"""Curves on which sweeps of a cone held aside are drawn, in which unit; what they tell of the stiffness is its slope."""


def travel_plot(told: TravelResult) -> Figure:
    """Draw each curve with its 95 % band, where it reaches its limits, and what sweeps at held offsets say."""
    curves = told.curves
    compliance = 1e3 / curves.K
    drawn = {
        "Bl": (curves.Bl, curves.Bl_stdev),
        "C": (compliance, compliance * curves.K_stdev / curves.K),
        "L": (1e3 * curves.L, 1e3 * curves.L_stdev),
    }
    driver = told.driver
    title = driver.name if driver.serial is None else f"{driver.name}, {driver.serial}"
    figure, panels = new_plot([2.0, 2.0, 2.0], title, "; ".join(told.answers()[:1]) + " Bands 95 %.", gap_in=0.28)
    x = 1e3 * curves.x_m
    for panel, (name, (value, stdev)), (colour, _) in zip(panels, drawn.items(), LINES, strict=False):
        panel.fill_between(x, value - NORMAL_95 * stdev, value + NORMAL_95 * stdev, color=colour, alpha=0.25, linewidth=0.0)
        panel.plot(x, value, color=colour, linewidth=1.3)
        panel.axvline(0.0, color=QUIET, linewidth=0.7)
        for held in told.offsets if name in HELD else ():
            y, spread, scale = getattr(held, name), getattr(held, f"{name}_stdev"), HELD[name]
            panel.errorbar(
                1e3 * held.x_m, scale * y, NORMAL_95 * scale * spread, NORMAL_95 * 1e3 * held.x_stdev_m, fmt=".", color=INK,
                elinewidth=0.9,
            )  # fmt: skip
        value_axis(panel, ", ".join(PANELS[name]))
        _limits(panel, told, name)
    panels[-1].set_xlabel(f"travel, mm; {told.side('outward')} is positive", fontsize=TEXT, color=INK)
    return figure


def _limits(panel: Axes, told: TravelResult, curve: str) -> None:
    """Mark the limits of one curve; that of the coil's impedance stands with the inductance."""
    of = {"L": ("L", "Z")}.get(curve, (curve,))
    counting = [name for names in DISTORTION.values() for name in names]
    for name, both in told.limits.items():
        if CRITERIA[name].curve not in of:
            continue
        for side in SIDES:
            limit = getattr(both, side)
            if limit.value is not None:
                at = 1e3 * limit.value * (1.0 if side == "outward" else -1.0)
                look = "solid" if name in counting else (0, (1.5, 2.0))
                panel.axvline(at, color=QUIET, linewidth=0.9, linestyle=look)
                note(panel, name, (at, 1.0), INK, (0, 2), xycoords=("data", "axes fraction"), ha="center", va="bottom")
