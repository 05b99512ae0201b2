"""Which limit stops whom where, written along the foot of a panel."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tsfit.figures.style import LINES, SMALL

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ROW_PT = 11.0
NARROWEST = 0.04
"""Least share of the panel's width in which a name is written."""


def limit_rows(
    panel: Axes,
    frequency_hz: NDArray[np.float64],
    rows: Mapping[str, tuple[NDArray[np.float64], Sequence[str]]],
    styles: Mapping[str, int],
) -> None:
    """Make room below the curves of `panel` for one row a system: a line broken where another limit takes over, and named.

    Parameters
    ----------
    frequency_hz : (n_freq,)
    rows : by system, its curve (n_freq,), on which a dot marks each change, and the name of its limit (n_freq,)
    styles : by system, the number of its line in `LINES`
    """
    figure = panel.get_figure(root=True)
    assert figure is not None
    height_pt = 72.0 * figure.get_figheight() * panel.get_position().height
    bottom, top = panel.get_ylim()
    step = ROW_PT / height_pt
    share = step * (len(rows) + 0.4)
    panel.set_ylim(bottom - (top - bottom) * share / (1.0 - share), top)
    low, high = np.log(frequency_hz[[0, -1]])
    for number, (name, (curve, limits)) in enumerate(rows.items()):
        colour, dash = LINES[styles[name] % len(LINES)]
        y = step * (len(rows) - 0.6 - number)
        found = np.asarray(limits)
        edges = np.flatnonzero(found[1:] != found[:-1]) + 1
        panel.plot(frequency_hz[edges], np.asarray(curve)[edges], "o", markersize=3.5, color=colour, zorder=3)
        bounds = [0, *edges.tolist(), len(found)]
        for start, stop in pairwise(bounds):
            ends = [(np.log(frequency_hz[k]) - low) / ((high - low) or 1.0) for k in (start, min(stop, len(found) - 1))]
            _stretch(panel, ends, y, str(found[start]), colour, dash)


def _stretch(panel: Axes, ends: Sequence[float], y: float, name: str, colour: str, dash: Any) -> None:
    gap = 0.004
    foot = panel.transAxes
    panel.plot([ends[0] + gap, ends[1] - gap], [y, y], color=colour, linestyle=dash, linewidth=1.2, transform=foot)
    if ends[1] - ends[0] >= NARROWEST:
        panel.text(
            0.5 * (ends[0] + ends[1]), y, name, transform=foot, ha="center", va="center", fontsize=SMALL, color=colour,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
        )  # fmt: skip
