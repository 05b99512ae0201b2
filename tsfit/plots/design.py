"""Trade-off map of vented boxes: what each volume and tuning gives."""

from collections.abc import Callable
from typing import Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.contour import QuadContourSet
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from tsfit.base.arrays import Real
from tsfit.base.figures import in_figures
from tsfit.box.design.search import DesignMap
from tsfit.plots.style import INK, LINES, QUIET, SMALL, TEXT, log_value_axis, new_plot, note, preferred_numbers

Quantity = Literal["f3", "ripple", "group delay"]
QUANTITIES: tuple[Quantity, ...] = ("f3", "ripple", "group delay")
USUAL: tuple[Quantity, ...] = ("f3", "ripple")
"""What a map shows where nothing else is asked for; more than two families of contours nobody reads."""
EVEN_STEPS = (0.1, 0.5, 1.0, 2.0, 4.0)
HEIGHT_IN = 5.2
ROUNDING = 1e-6
"""Share of a limit by which the box that was found may lie beyond it."""
EDGE, LEAST_POINTS = 0.08, 8
"""No label of a contour stands nearer to an edge than this share of the panel, or on a piece of fewer points."""
PLACES = (0.5, 0.25, 0.75, 0.4, 0.6, 0.15, 0.85)
"""Where on its longest stretch a contour may be named, as a share of it, the earlier the better."""
APART = (0.09, 0.05)
"""Shares of the panel's width and height that two names keep between them."""
JUMPS: dict[Quantity, float] = {"f3": 0.08, "ripple": 0.5, "group delay": 0.3}
"""What changes by so large a share, or by so many dB, from a box to the next one jumps there: no contour has a place."""


def map_plot(
    design: DesignMap,
    chosen: tuple[float, float] | None = None,
    quantities: tuple[Quantity, ...] = USUAL,
    *,
    filling: float = 1.0,
) -> Figure:
    """Draw contours of `quantities` over volume and tuning; what breaks the limits is shaded.

    Each has its own dash, and its number with unit on every contour. `chosen` (volume in m³ that acts, tuning in Hz) is
    marked and named. What acts is `filling` times the net volume, which is drawn.
    """
    search = design.search
    styles = dict(zip(QUANTITIES, LINES, strict=False))
    names = ", ".join(
        f"{one} {dash}"
        for one, dash in zip(QUANTITIES, ("solid", "dashed", "dash-dotted"), strict=True)
        if one in quantities
    )
    figure, (panel,) = new_plot(
        [HEIGHT_IN], search.bare.driver.name, f"vented boxes, contours of {names}; shaded: outside the limits"
    )
    litres = 1e3 * design.volume / filling
    merits = design.boxes.merits
    values: dict[Quantity, tuple[Real, Callable[[float], str]]] = {
        "f3": (merits.f3_hz, lambda v: f"{in_figures(v, 4)} Hz"),
        "ripple": (merits.unevenness_db, lambda v: f"{v:g} dB"),
        "group delay": (1e3 * merits.delay_s, lambda v: f"{v:g} ms"),
    }
    named: list[Real] = []
    excess = design.over(design.boxes.excess)
    # Shaded up to the first box beyond: none that keeps the limits lies in the shade.
    panel.contourf(litres, design.tuning, excess > ROUNDING, levels=[0.95, 1.5], colors=[QUIET], alpha=0.16)
    for quantity in quantities:
        data, write = values[quantity]
        colour, dash = styles[quantity]
        levels = EVEN_STEPS if quantity == "ripple" else _steps(data)
        drawn = panel.contour(
            litres,
            design.tuning,
            _steady(design.over(data), quantity),
            levels=levels,
            colors=colour,
            linestyles=[dash],
            linewidths=1.3,
        )
        _name_contours(panel, drawn, write, named)
    panel.set_xscale("log")
    panel.set_xlabel("net volume, l", fontsize=TEXT, color=INK)
    panel.xaxis.set_major_locator(FixedLocator(preferred_numbers(float(litres[0]), float(litres[-1]))))
    panel.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    panel.xaxis.set_minor_locator(NullLocator())
    log_value_axis(panel, "tuning, Hz")
    if chosen is not None:
        _mark(panel, 1e3 * chosen[0] / filling, chosen[1])
    return figure


def _name_contours(panel: Axes, drawn: QuadContourSet, write: Callable[[float], str], named: list[Real]) -> None:
    """Write its number on every contour that is long enough, off the edges and off what is `named` already."""
    places = []
    low, high = np.log([panel.get_xlim()[0], panel.get_ylim()[0]]), np.log([panel.get_xlim()[1], panel.get_ylim()[1]])
    for path in drawn.get_paths():
        longest = np.empty((0, 2))
        for piece in (np.asarray(one, dtype=float) for one in path.to_polygons(closed_only=False)):
            share = (np.log(piece) - low) / (high - low)
            longest = max(longest, share[np.all((share > EDGE) & (share < 1.0 - EDGE), axis=1)], key=len)
        if len(longest) < LEAST_POINTS:
            continue
        tried = longest[[int(along * len(longest)) for along in PLACES]]
        free = [one for one in tried if all(np.any(np.abs(one - other) > APART) for other in named)]
        if free:
            named.append(free[0])
            places.append(tuple(np.exp(low + free[0] * (high - low)).tolist()))
    panel.clabel(drawn, fmt=write, fontsize=SMALL, inline_spacing=3, manual=places)


def _steady(values: Real, quantity: Quantity) -> Real:
    """`values` (n_tuning, n_volume) without those beside a jump: NaN there."""
    scale = values if quantity == "ripple" else np.log(values)
    steady = values.copy()
    for axis in (0, 1):
        jump = np.abs(np.diff(scale, axis=axis)) > JUMPS[quantity]
        for side in ((1, 0), (0, 1)):
            steady[np.pad(jump, [side if each == axis else (0, 0) for each in (0, 1)])] = np.nan
    return steady


def _steps(data: Real) -> list[float]:
    """Round numbers within what most of the map holds, eight or so."""
    low, high = np.nanquantile(data, [0.01, 0.95])
    return [float(step) for step in MaxNLocator(9, steps=[1, 2, 5, 10]).tick_values(low, high)]


def _mark(panel: Axes, litres: float, tuning: float) -> None:
    panel.plot([litres], [tuning], marker="o", markersize=7, markerfacecolor="white", markeredgecolor=INK, zorder=5)
    left = np.log(litres / panel.get_xlim()[0]) > 0.6 * np.log(panel.get_xlim()[1] / panel.get_xlim()[0])
    note(
        panel, f"{in_figures(litres, 3)} l, {in_figures(tuning, 3)} Hz", (litres, tuning), INK, (-9 if left else 9, 9),
        ha="right" if left else "left", fontsize=TEXT, weight="bold",
        bbox={"boxstyle": "round,pad=0.2", "facecolor": "white", "edgecolor": "none", "alpha": 0.85},
    )  # fmt: skip
