"""Which limit stops whom where, written along the foot of a panel."""

from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Rectangle

from tsfit.base.arrays import Real
from tsfit.plots.style import LINES, SMALL, WIDTH_IN

ROW_PT = 11.0
GAP = 0.004
NARROWEST = 0.04
"""Least share of the panel's width in which a name is written."""
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
        named = [(limit, span) for limit, span in stretches if span[1] - span[0] >= NARROWEST]
        for limit, (start, stop) in named:
            panel.text(
                0.5 * (start + stop), y, limit, transform=panel.transAxes, ha="center", va="center", fontsize=SMALL,
                color=colour, label=name,
            )  # fmt: skip
        spans = [_taken(limit, span) for limit, span in named]
        for _, (start, stop) in stretches:
            for piece in _pieces((start + GAP, stop - GAP), spans):
                panel.plot(
                    piece, [y, y], color=colour, linestyle=dash, linewidth=1.2, transform=panel.transAxes, label=name
                )


def _taken(name: str, span: Span) -> Span:
    """Part of the panel's width that `name`, written in the middle of `span`, takes."""
    half = 0.5 * (0.56 * SMALL * len(name) + 6.0) / (72.0 * 0.9 * WIDTH_IN)
    middle = 0.5 * (span[0] + span[1])
    return middle - half, middle + half


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
