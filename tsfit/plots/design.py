"""Trade-off map of vented boxes: what each volume and tuning gives."""

from collections.abc import Callable
from typing import Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.contour import QuadContourSet
from matplotlib.figure import Figure
from matplotlib.path import Path
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from tsfit.base.arrays import Mask, Real
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
JUMPS: dict[Quantity, float] = {"f3": 0.08, "ripple": 0.3, "group delay": 0.3}
"""What changes by so large a share, or by so many dB, from a box to the next one jumps there: no contour has a place."""
STEEP_DB = 5.0
"""Ripple beyond the highest contour, where no jump is looked for."""
JUMP = "here f3 or ripple jumps:\na dip in the level comes or goes"
SHORTEST = 0.1
"""Pieces of contours that reach over a smaller share of the panel, in width and height, are left out."""


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
    jumps = np.any([_beside_jumps(design.over(values[one][0]), one) for one in quantities], axis=0)
    excess = design.over(design.boxes.excess)
    # Shaded up to the first box beyond: none that keeps the limits lies in the shade.
    panel.contourf(litres, design.tuning, excess > ROUNDING, levels=[0.95, 1.5], colors=[QUIET], alpha=0.16)
    panel.set_xscale("log")
    log_value_axis(panel, "tuning, Hz")
    named = _name_jumps(panel, litres, design.tuning, jumps) if jumps.any() else []
    if chosen is not None:
        named += _mark(panel, 1e3 * chosen[0] / filling, chosen[1], (litres, design.tuning))
    for quantity in quantities:
        data, write = values[quantity]
        colour, dash = styles[quantity]
        levels = EVEN_STEPS if quantity == "ripple" else _steps(data)
        drawn = panel.contour(
            litres,
            design.tuning,
            without_teeth(np.where(jumps, np.nan, design.over(data)), 2 * (quantity == "ripple")),
            levels=levels,
            colors=colour,
            linestyles=[dash],
            linewidths=1.3,
        )
        _name_contours(panel, drawn, write, named)
    panel.set_xlabel("net volume, l", fontsize=TEXT, color=INK)
    panel.xaxis.set_major_locator(FixedLocator(preferred_numbers(float(litres[0]), float(litres[-1]))))
    panel.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    panel.xaxis.set_minor_locator(NullLocator())
    return figure


def _name_contours(panel: Axes, drawn: QuadContourSet, write: Callable[[float], str], named: list[Real]) -> None:
    """Write its number on every contour, off the edges and off what is `named` already; leave out what is too short."""
    places, paths = [], []
    low, high = np.log([panel.get_xlim()[0], panel.get_ylim()[0]]), np.log([panel.get_xlim()[1], panel.get_ylim()[1]])
    for path in drawn.get_paths():
        path.should_simplify = False
        longest, kept = np.empty((0, 2)), []
        for piece in (np.asarray(one, dtype=float) for one in path.to_polygons(closed_only=False)):
            share = (np.log(piece) - low) / (high - low)
            if np.max(np.ptp(share, axis=0)) < SHORTEST:
                continue
            kept.append(Path(piece))
            longest = max(longest, share[np.all((share > EDGE) & (share < 1.0 - EDGE), axis=1)], key=len)
        readable = len(longest) >= LEAST_POINTS
        paths.append(Path.make_compound_path(*kept) if readable else Path(np.empty((0, 2))))
        if not readable:
            continue
        tried = longest[[int(along * len(longest)) for along in PLACES]]
        free = [one for one in tried if all(np.any(np.abs(one - other) > APART) for other in named)]
        if free:
            named.append(free[0])
            places.append(tuple(np.exp(low + free[0] * (high - low)).tolist()))
    drawn.set_paths(paths)
    panel.clabel(drawn, fmt=write, fontsize=SMALL, inline_spacing=3, manual=places)


def _beside_jumps(values: Real, quantity: Quantity) -> Mask:
    """Return which of `values` (n_tuning, n_volume) stand on either side of a jump."""
    scale = np.minimum(values, STEEP_DB) if quantity == "ripple" else np.log(values)
    beside = np.full(values.shape, False)
    for axis in (0, 1):
        jump = np.abs(np.diff(scale, axis=axis)) > JUMPS[quantity]
        for side in ((1, 0), (0, 1)):
            beside |= np.pad(jump, [side if each == axis else (0, 0) for each in (0, 1)])
    return beside


def without_teeth(values: Real, times: int) -> Real:
    """Take from `values` (n_tuning, n_volume) the teeth that come of frequencies 2 % apart, by means of neighbours.

    NaN stays, and no neighbour counts it.
    """
    known = np.isfinite(values)
    for _ in range(times):
        for axis in (0, 1):
            both = np.stack([np.where(known, values, 0.0), known], axis=-1)
            width = [(1, 1) if each == axis else (0, 0) for each in range(3)]
            edged = np.pad(both, width, mode="reflect", reflect_type="odd")
            count = values.shape[axis]
            before, here, after = (np.take(edged, np.arange(k, k + count), axis=axis) for k in range(3))
            total = before + 2.0 * here + after
            values = np.where(known, total[..., 0] / np.where(known, total[..., 1], 1.0), np.nan)
    return values


def _name_jumps(panel: Axes, litres: Real, tuning: Real, jumps: Mask) -> list[Real]:
    """Shade where contours end because what they tell `jumps` (n_tuning, n_volume), say why, and return what that takes."""
    panel.contourf(litres, tuning, jumps, levels=[0.02, 1.5], colors=[QUIET], alpha=0.45)
    rows, columns = np.nonzero(jumps)
    middle = int(np.argsort(columns)[len(columns) // 2])
    lowest = int(np.min(rows[columns == columns[middle]]))
    share = columns[middle] / (len(litres) - 1), lowest / (len(tuning) - 1)
    words = float(np.clip(share[0], 0.2, 0.8)), share[1] - 0.13 if share[1] > 0.2 else share[1] + 0.25
    note(
        panel, JUMP, (litres[columns[middle]], tuning[lowest]), INK, words, textcoords="axes fraction",
        ha="center", va="center", zorder=4,
        bbox={"boxstyle": "round,pad=0.2", "facecolor": "white", "edgecolor": "none", "alpha": 0.85},
        arrowprops={"arrowstyle": "-", "color": INK, "linewidth": 0.6},
    )  # fmt: skip
    return [np.array([words[0] + along, words[1]]) for along in (-0.15, -0.07, 0.0, 0.07, 0.15)]


def _steps(data: Real) -> list[float]:
    """Round numbers within what most of the map holds, eight or so."""
    low, high = np.nanquantile(data, [0.01, 0.95])
    return [float(step) for step in MaxNLocator(9, steps=[1, 2, 5, 10]).tick_values(low, high)]


def _mark(panel: Axes, litres: float, tuning: float, ends: tuple[Real, Real]) -> list[Real]:
    """Mark and name a box on a map of `ends` (volumes and tunings), and return what that takes of the panel."""
    panel.plot([litres], [tuning], marker="o", markersize=7, markerfacecolor="white", markeredgecolor=INK, zorder=5)
    x, y = (
        float(np.log(at / each[0]) / np.log(each[-1] / each[0])) for at, each in zip((litres, tuning), ends, strict=True)
    )
    left = x > 0.6
    note(
        panel, f"{in_figures(litres, 3)} l, {in_figures(tuning, 3)} Hz", (litres, tuning), INK, (-9 if left else 9, 9),
        ha="right" if left else "left", fontsize=TEXT, weight="bold",
        bbox={"boxstyle": "round,pad=0.2", "facecolor": "white", "edgecolor": "none", "alpha": 0.85},
    )  # fmt: skip
    return [np.array([x + (-1.0 if left else 1.0) * along, y + 0.03]) for along in (0.0, 0.07, 0.14)]
