"""Force factor, compliance and inductance over travel, with the limits marked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tsfit.base.intervals import NORMAL_95
from tsfit.driver.travel_result import CRITERIA, DISTORTION, SIDES, TravelResult
from tsfit.plots.style import INK, LINES, QUIET, TEXT, new_plot, note, value_axis

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PANELS = {"Bl": ("force factor", "T·m"), "C": ("compliance", "mm/N"), "L": ("inductance", "mH")}

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
    subtitle = "limits: Bl82 Bl at 82 %, L10 L 10 % off; dotted: not counted"
    figure, panels = new_plot([2.0, 2.0, 2.0], title, subtitle, gap_in=0.28)
    x = 1e3 * curves.x_m
    for panel, (name, (value, stdev)), (colour, _) in zip(panels, drawn.items(), LINES, strict=False):
        low, high = value - NORMAL_95 * stdev, value + NORMAL_95 * stdev
        label = PANELS[name][0]
        panel.fill_between(x, low, high, color=colour, alpha=0.25, linewidth=0.0, label=label)
        panel.plot(x, value, color=colour, linewidth=1.3, label=label)
        panel.axvline(0.0, color=QUIET, linewidth=0.7)
        for held in told.offsets if name in HELD else ():
            y, spread, scale = getattr(held, name), getattr(held, f"{name}_stdev"), HELD[name]
            panel.errorbar(
                1e3 * held.x_m, scale * y, NORMAL_95 * scale * spread, NORMAL_95 * 1e3 * held.x_stdev_m, fmt=".", color=INK,
                elinewidth=0.9,
            )  # fmt: skip
        value_axis(panel, ", ".join(PANELS[name]))
        panel.set_ylim(bottom=0.0)
        _limits(panel, told, name)
    panels[-1].set_xlabel(f"travel, mm; {told.side('outward')} is positive", fontsize=TEXT, color=INK)
    return figure


def _limits(panel: Axes, told: TravelResult, curve: str) -> None:
    """Mark the limits of one curve; that of the coil's impedance stands with the inductance."""
    of = {"L": ("L", "Z")}.get(curve, (curve,))
    counting = [name for names in DISTORTION.values() for name in names]
    for side, sign in zip(SIDES, (1.0, -1.0), strict=True):
        limits = {name: getattr(both, side).value for name, both in told.limits.items() if CRITERIA[name].curve in of}
        reached = sorted((value, name) for name, value in limits.items() if value is not None)
        for number, (value, name) in enumerate(reached):
            at = sign * 1e3 * value
            look = "solid" if name in counting else (0, (1.5, 2.0))
            panel.axvline(at, color=QUIET, linewidth=0.9, linestyle=look)
            # The first of several is named towards the middle and the last away from it, so that names stay apart.
            out, inner = ("left", "right") if sign > 0.0 else ("right", "left")
            aside = "center" if len(reached) == 1 else {0: inner, len(reached) - 1: out}.get(number, "center")
            note(panel, name, (at, 1.0), INK, (0, 2), xycoords=("data", "axes fraction"), ha=aside, va="bottom")
