"""Trade-off map of vented boxes: what each volume and tuning gives."""

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.contour import QuadContourSet
from matplotlib.figure import Figure
from matplotlib.path import Path
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from tsfit.base.arrays import Mask, Real
from tsfit.base.figures import in_figures
from tsfit.box.design.jumps import QUANTITIES, Jumps, Quantity, jumps
from tsfit.box.design.search import DesignMap
from tsfit.plots.style import INK, LINES, QUIET, SMALL, TEXT, log_value_axis, new_plot, note, preferred_numbers

USUAL: tuple[Quantity, ...] = ("f3", "ripple")
"""What a map shows where nothing else is asked for; more than two families of contours nobody reads."""
EVEN_STEPS = (0.1, 0.5, 1.0, 2.0, 4.0)
HEIGHT_IN = 5.2
FINER = 3
"""Into so many parts a mesh of the map is cut, so that a contour ends close to a jump and not a mesh before it."""
PALE = "#bdc0c4"
WIDE_PT = 11.0
"""Width of the line where numbers jump, nearly three meshes: what contours leave out of the mesh is covered."""
EDGE, LEAST_POINTS = 0.08, 8 * FINER
"""No label of a contour stands nearer to an edge than this share of the panel, or on a piece of fewer points."""
PLACES = (0.5, 0.25, 0.75, 0.4, 0.6, 0.15, 0.85)
"""Where on its longest stretch a contour may be named, as a share of it, the earlier the better."""
APART = (0.09, 0.05)
"""Shares of the panel's width and height that two names keep between them."""
JUMP = "here f3 or ripple jumps:\na dip in the level comes or goes"
HALO: Final[dict[str, Any]] = {"linewidth": 2.0, "foreground": "white"}
"""Lifts words off the lines behind them; a filled ground would look like boxes within the limits."""
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
    found = {one: jumps(design, one) for one in {*quantities, "ripple"}}
    merits = design.boxes.merits
    values: dict[Quantity, tuple[Real, Callable[[float], str]]] = {
        "f3": (design.over(merits.f3_hz), lambda v: f"{in_figures(v, 4)} Hz"),
        "ripple": (without_teeth(design.over(merits.unevenness_db), found["ripple"], 2), lambda v: f"{v:g} dB"),
        "group delay": (design.over(1e3 * merits.delay_s), lambda v: f"{v:g} ms"),
    }
    uneven = values["ripple"][0] - search.limits.ripple_db
    over = np.max([uneven.ravel() if limit == "ripple" else by for limit, by in design.boxes.exceeded.items()], axis=0)
    area = panel.contourf(litres, design.tuning, design.over(over), levels=[0.0, 1e9], colors=[QUIET], alpha=0.16)
    area.set_antialiased(True)
    panel.set_xscale("log")
    log_value_axis(panel, "tuning, Hz")
    named: list[Real] = []
    if len(pieces := np.concatenate([found[one].pieces for one in quantities])):
        named += _name_jumps(panel, litres, design.tuning, pieces * [1e3 / filling, 1.0])
    if chosen is not None:
        named += _mark(panel, 1e3 * chosen[0] / filling, chosen[1], (litres, design.tuning))
    for quantity in quantities:
        data, write = values[quantity]
        colour, dash = styles[quantity]
        levels = EVEN_STEPS if quantity == "ripple" else _steps(data)
        drawn = panel.contour(
            _finer(litres), _finer(design.tuning), finer(data, found[quantity]),
            levels=levels, colors=colour, linestyles=[dash], linewidths=1.3,
        )  # fmt: skip
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


def without_teeth(values: Real, jump: Jumps, times: int) -> Real:
    """Take from `values` (n_tuning, n_volume) the teeth that come of frequencies 2 % apart, by means of neighbours.

    No neighbour beyond a jump or an edge counts: there the line through the other one goes on.
    """
    for _ in range(times):
        for axis, cut in ((0, jump.upwards), (1, jump.across)):
            step = np.moveaxis(np.diff(values, axis=axis), axis, 0)
            cut = np.moveaxis(cut, axis, 0)
            none = np.full_like(step[:1], np.nan)
            ahead = np.concatenate([np.where(cut, np.nan, step), none])
            behind = np.concatenate([none, ahead[:-1]])
            bend = np.nan_to_num(ahead - behind)
            values = values + 0.25 * np.moveaxis(bend, 0, axis)
    return values


def finer(values: Real, jump: Jumps) -> Real:
    """Return `values` (n_tuning, n_volume) with straight lines between neighbours, but NaN between those that jump."""
    upright = _between(values, jump.upwards)
    between = np.repeat(jump.across[:-1] | jump.across[1:], FINER, axis=0)
    between[::FINER] = jump.across[:-1]
    return _between(upright.T, np.concatenate([between, jump.across[-1:]]).T).T


def _between(values: Real, cut: Mask) -> Real:
    share = np.arange(FINER)[:, np.newaxis] / FINER
    steps = np.where(cut, np.nan, np.diff(values, axis=0))[:, np.newaxis]
    parts = values[:-1, np.newaxis] + share * steps
    parts[:, 0] = values[:-1]
    return np.concatenate([parts.reshape(-1, values.shape[1]), values[-1:]])


def _finer(axis: Real) -> Real:
    """Cut the steps of an axis that is even in its logarithm."""
    return np.geomspace(axis[0], axis[-1], FINER * (axis.size - 1) + 1)


def _name_jumps(panel: Axes, litres: Real, tuning: Real, pieces: Real) -> list[Real]:
    """Shade the lines (`pieces`, as in `Jumps`, of litres) where contours end, say why, and return what that takes."""
    # In its logarithm both axes are even, so that a straight piece stays straight.
    panel.add_collection(LineCollection(list(pieces), colors=PALE, linewidths=WIDE_PT, capstyle="round", zorder=2.5))
    middles = pieces.mean(axis=1)
    litre, hertz = middles[np.argsort(middles[:, 0])[len(middles) // 2]].tolist()
    share = [np.log(at / each[0]) / np.log(each[-1] / each[0]) for at, each in ((litre, litres), (hertz, tuning))]
    words = float(np.clip(share[0], 0.2, 0.8)), float(share[1] - 0.13 if share[1] > 0.2 else share[1] + 0.25)
    note(
        panel, JUMP, (litre, hertz), INK, words, textcoords="axes fraction",
        ha="center", va="center", zorder=4,
        path_effects=[withStroke(**HALO)],
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
        path_effects=[withStroke(**HALO)],
    )  # fmt: skip
    return [np.array([x + (-1.0 if left else 1.0) * along, y + 0.03]) for along in (0.0, 0.07, 0.14)]
