"""Quantities of systems against frequency, one panel a quantity, and along its foot which limit stops whom where."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from numpy.typing import ArrayLike

from tsfit.base.arrays import Real
from tsfit.plots.style import (
    LINES,
    SMALL,
    WIDTH_IN,
    frequency_axis,
    mark_swept,
    name_level,
    new_plot,
    note,
    spread,
    value_axis,
)

NAME_WIDTH = 0.24
"""Room that a curve's name takes above the panel, as a part of its width."""


@dataclass(frozen=True)
class Quantity:
    """One panel: a curve for each system, and what stands beside it."""

    label: str  # with unit ("level, dB")
    curves: Mapping[str, ArrayLike]  # by system, (n_freq,)
    bands: Mapping[str, tuple[ArrayLike, ArrayLike]] | None = None  # by system, lower and upper bound (n_freq,)
    span: float | None = None  # of the vertical axis below its top, None to start at zero
    limit: tuple[float, str] | None = None  # value and its name, drawn as a quiet line
    height: float = 1.4
    signed: bool = False  # a difference, drawn around zero


def curves_plot(
    frequency_hz: ArrayLike, quantities: Sequence[Quantity], title: str, subtitle: str,
    swept_hz: tuple[float, float] | None = None,
) -> Figure:  # fmt: skip
    """Draw every quantity in a panel of its own, and name the systems once, above the first; mark what was swept."""
    frequency = np.asarray(frequency_hz, dtype=float)
    figure, panels = new_plot([quantity.height for quantity in quantities], title, subtitle)
    systems = list(dict.fromkeys(name for quantity in quantities for name in quantity.curves))
    for panel, quantity in zip(panels, quantities, strict=True):
        for name, values in quantity.curves.items():
            colour, dash = LINES[systems.index(name) % len(LINES)]
            y = np.asarray(values, dtype=float)
            panel.plot(frequency, y, color=colour, linestyle=dash, linewidth=1.5, label=name)
            if quantity.bands and name in quantity.bands:
                low, high = (np.asarray(bound, dtype=float) for bound in quantity.bands[name])
                panel.fill_between(frequency, low, high, color=colour, alpha=0.18, linewidth=0.0, label=name)
        value_axis(panel, quantity.label)
        _range(panel, quantity)
        if quantity.limit is not None and panel.get_ylim()[0] <= quantity.limit[0] <= panel.get_ylim()[1]:
            name_level(panel, *quantity.limit)
    drawn = float(frequency[0]), float(frequency[-1])
    frequency_axis(panels[-1], *drawn)
    mark_swept(panels, drawn, swept_hz)
    if len(systems) > 1:
        _name(panels[0], frequency, quantities[0], systems)
    return figure


def _range(panel: Axes, quantity: Quantity) -> None:
    values = np.concatenate([np.asarray(curve, dtype=float) for curve in quantity.curves.values()])
    values = values[np.isfinite(values)]
    if not len(values):
        return
    if quantity.signed:
        reach = max(1.0, 1.15 * float(np.abs(values).max()))
        panel.set_ylim(-reach, reach)
    elif quantity.span is not None:
        top = 5.0 * np.ceil((float(values.max()) + 2.0) / 5.0)
        panel.set_ylim(top - quantity.span, top)
    else:
        top = float(values.max())
        if quantity.limit is not None and quantity.limit[0] <= 2.0 * top:
            top = max(top, 1.05 * quantity.limit[0])
        panel.set_ylim(min(0.0, 1.1 * float(values.min())), 1.1 * top or 1.0)


def _name(panel: Axes, frequency: Real, quantity: Quantity, systems: list[str]) -> None:
    """Write each system's name beside its curve, with a short leader, where the curves are far apart.

    Where a curve has no room beside it the name stands above the panel.
    """
    bottom, top = panel.get_ylim()
    places = np.log(frequency / frequency[0]) / (np.log(frequency[-1] / frequency[0]) or 1.0)
    curves = {
        name: (np.asarray(quantity.curves[name], dtype=float) - bottom) / (top - bottom)
        for name in systems
        if name in quantity.curves
    }
    above = _above(panel, frequency, quantity, systems)
    taken: list[Box] = []
    for number, name in enumerate(systems):
        if name not in curves:
            continue
        room = _beside(panel, places, name, curves, taken)
        at, place = above[number] if room is None else room
        taken.append(_box(panel, place, name))
        colour, _ = LINES[number % len(LINES)]
        look = {"arrowstyle": "-", "color": colour, "linewidth": 0.6, "shrinkA": 1.0, "shrinkB": 1.0}
        point = (float(frequency[at]), float(np.asarray(quantity.curves[name], dtype=float)[at]))
        note(
            panel, name, point, colour, place, textcoords="axes fraction", ha="center", va="center", arrowprops=look,
            parse_math=False, label=name,
        )  # fmt: skip


Place = tuple[float, float]
Box = tuple[float, float, float, float]
NARROW_PT = 213.0
"""Width of a panel on a narrow page: there, too, names have their room."""


def _box(panel: Axes, place: Place, name: str) -> Box:
    """Left, lower, right and upper end of a name whose middle is at `place`, in shares of the panel."""
    figure = panel.get_figure(root=True)
    assert figure is not None
    wide = 0.5 * (0.56 * SMALL * len(name) + 4.0) / NARROW_PT
    high = 0.7 * SMALL / (72.0 * figure.get_figheight() * panel.get_position().height)
    return place[0] - wide, place[1] - high, place[0] + wide, place[1] + high


def _beside(
    panel: Axes, places: Real, name: str, curves: Mapping[str, Real], taken: Sequence[Box]
) -> tuple[int, Place] | None:
    """Return the point of the curve and the middle of its name where the others are farthest, or None without room."""
    own, others = curves[name], [curve for other, curve in curves.items() if other != name]
    left, low, right, high = _box(panel, (0.0, 0.0), name)
    best: tuple[float, int, Place] | None = None
    for at in range(0, len(places), max(1, len(places) // 60)):
        x = float(places[at])
        near = (places >= x + left) & (places <= x + right)
        if not (-left <= x <= 1.0 - right and 0.0 < own[at] < 1.0 and np.all(np.isfinite(own[near]))):
            continue
        apart = min((abs(float(curve[at] - own[at])) for curve in others if np.isfinite(curve[at])), default=0.0)
        for side in (1.0, -1.0):
            edge = float(own[near].max() if side > 0.0 else own[near].min())
            y = edge + side * 1.8 * high
            box = (x + left, y + low, x + right, y + high)
            free = box[1] > 0.02 and box[3] < 1.12 and not any(_meet(box, other) for other in taken)
            margin = 1.5 * high
            crossed = any(np.any((curve[near] > box[1] - margin) & (curve[near] < box[3] + margin)) for curve in others)
            between = any(min(own[at], y) < curve[at] < max(own[at], y) for curve in others)
            worth = min(apart, 0.3) - abs(edge - float(own[at]))
            if free and not crossed and not between and (best is None or worth > best[0] + 1e-9):
                best = worth, at, (x, y)
    return None if best is None else best[1:]


def _meet(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _above(panel: Axes, frequency: Real, quantity: Quantity, systems: list[str]) -> list[tuple[int, Place]]:
    """Points of the curves and places of their names above the panel, over its higher half where there is room."""
    count = len(systems)
    first, whole = 0.0, 1.0
    if count * NAME_WIDTH <= 0.5:
        curve, middle = np.asarray(quantity.curves.get(systems[0], frequency), dtype=float), len(frequency) // 2
        first, whole = 0.5 * (np.nanmean(curve[middle:]) >= np.nanmean(curve[:middle])), 0.5
    shares = [first + whole * (number + 0.5) / count for number in range(count)]
    places = spread(shares, min(NAME_WIDTH, 1.0 / count))
    ends = [int(np.clip(round(place * (len(frequency) - 1)), 0, len(frequency) - 1)) for place in places]
    return [(at, (place, 1.07)) for at, place in zip(ends, places, strict=True)]


ROW_PT = 11.0
GAP = 0.004
NARROWEST = 0.04
"""Least share of the panel's width in which a name is written."""
ON_A_PHONE = 2.2
"""So much larger a share of its panel words take there."""
Span = tuple[float, float]


def limit_rows(
    panel: Axes, frequency_hz: Real, rows: Mapping[str, tuple[Real, Sequence[str]]], styles: Mapping[str, int]
) -> None:
    """Make room below the curves of `panel` for one row a system: a line broken where another limit takes over, and named.

    `frequency_hz` (n_freq,) spans the whole panel. A row is a curve (n_freq,), on which a dot marks each change, and the
    name of its limit (n_freq,); `styles` are numbers of lines in `LINES`.
    """
    figure = panel.get_figure(root=True)
    assert figure is not None
    bottom, top = panel.get_ylim()
    step = ROW_PT / (72.0 * figure.get_figheight() * panel.get_position().height)
    share = step * (len(rows) + 0.4)
    panel.set_yticks([tick for tick in panel.get_yticks() if bottom <= tick <= top])
    panel.set_ylim(bottom - (top - bottom) * share / (1.0 - share), top)
    for artist in (*panel.lines, *panel.collections):
        artist.set_clip_path(Rectangle((0.0, share), 1.0, 1.0, transform=panel.transAxes))
    place = np.log(frequency_hz / frequency_hz[0]) / (np.log(frequency_hz[-1] / frequency_hz[0]) or 1.0)
    for number, (name, (curve, limits)) in enumerate(rows.items()):
        colour, dash = LINES[styles[name] % len(LINES)]
        found = np.asarray(limits)
        edges = np.flatnonzero(found[1:] != found[:-1]) + 1
        for k in edges[np.asarray(curve)[edges] > bottom]:
            panel.plot(frequency_hz[[k]], [curve[k]], "o", markersize=3.5, color=colour, zorder=3, label=name)
        stretches = [
            (str(found[start]), (float(place[start]), float(place[min(stop, len(found) - 1)])))
            for start, stop in pairwise([0, *edges.tolist(), len(found)])
        ]
        y = step * (len(rows) - 0.6 - number)
        named = _apart([(limit, span) for limit, span in stretches if span[1] - span[0] >= NARROWEST])
        for limit, middle in named:
            panel.text(
                middle, y, limit, transform=panel.transAxes, ha="center", va="center", fontsize=SMALL,
                color=colour, label=name,
            )  # fmt: skip
        spans = [(middle - _half(limit), middle + _half(limit)) for limit, middle in named]
        for _, (start, stop) in stretches:
            for piece in _pieces((start + GAP, stop - GAP), spans):
                panel.plot(
                    piece, [y, y], color=colour, linestyle=dash, linewidth=1.2, transform=panel.transAxes, label=name
                )


def _half(name: str) -> float:
    """Half of the part of the panel's width that `name` takes."""
    return 0.5 * (0.56 * SMALL * len(name) + 6.0) / (72.0 * 0.9 * WIDTH_IN)


def _apart(named: Sequence[tuple[str, Span]]) -> list[tuple[str, float]]:
    """Return names and where each stands: in the middle of its span, but off a neighbour that it would meet on a phone.

    Of two that would meet, the one with the longer span gives way within it.
    """
    middles = [0.5 * (start + stop) for _, (start, stop) in named]
    for k, ((name, (low, stop)), (after, (start, high))) in enumerate(pairwise(named)):
        over = middles[k] + ON_A_PHONE * (_half(name) + _half(after)) - middles[k + 1]
        if over > 0.0 and stop - low > high - start:
            middles[k] = max(middles[k] - over, min(middles[k], low + ON_A_PHONE * _half(name)))
        elif over > 0.0:
            middles[k + 1] = min(middles[k + 1] + over, max(middles[k + 1], high - ON_A_PHONE * _half(after)))
    return [(name, middle) for (name, _), middle in zip(named, middles, strict=True)]


def _pieces(span: Span, spans: Sequence[Span]) -> Iterator[Span]:
    """Yield what `spans` leave of `span`."""
    start, stop = span
    for low, high in sorted(spans):
        if high <= start or low >= stop:
            continue
        if low - start > 2.0 * GAP:
            yield start, low
        start = high
    if stop - start > 2.0 * GAP:
        yield start, stop
