"""Several samples of one type, parameter by parameter."""

import numpy as np
from matplotlib.figure import Figure

from tsfit.check.lot import LotResult
from tsfit.plots.style import HAIR, INK, LINES, QUIET, TEXT, new_plot, note

ROW_IN = 0.3


def lot_plot(data: LotResult) -> Figure:
    """Draw one row a parameter: every sample off the mean in percent, the tolerance interval, and where the sheet stands.

    Levels, which are no ratios, are left to the table.
    """
    rows = [one for one in data.lot if one.spread_db is None]
    told = data.tolerance_interval
    subtitle = f"dots: samples; bars: {100.0 * told.fraction:g} % of the type, {100.0 * told.confidence:g} % sure"
    if any(one.published for one in rows):
        subtitle += "; ◇ sheet"
    figure, (panel,) = new_plot([ROW_IN * (len(rows) + 0.4)], f"{len(data.samples)} samples of one type", subtitle)
    for row, one in enumerate(rows):
        low, high = (100.0 * (end / one.mean - 1.0) for end in one.tolerance_interval)
        off = 100.0 * (np.asarray(one.values, dtype=float) / one.mean - 1.0)
        panel.barh(row, high - low, left=low, height=0.5, color=HAIR)
        panel.plot(off, np.full(len(off), row), "o", color=LINES[0][0], markersize=4.0, alpha=0.7, markeredgewidth=0)
        if one.published:
            panel.plot(100.0 * (one.published / one.mean - 1.0), row, "D", color=LINES[1][0], markerfacecolor="none")
        if one.outlier is not None:
            note(
                panel, data.samples[one.outlier], (float(off[one.outlier]), row), LINES[0][0], (0, 5), ha="center",
                parse_math=False,
            )  # fmt: skip
    panel.axvline(0.0, color=QUIET, linewidth=0.9)
    panel.set_yticks(range(len(rows)), [one.name for one in rows])
    panel.set_ylim(len(rows) - 0.4, -0.6)
    panel.grid(False, axis="y")
    reach = 1.08 * max(map(abs, panel.get_xlim()))
    panel.set_xlim(-reach, reach)
    panel.set_xlabel("off the mean of all samples, %", fontsize=TEXT, color=INK)
    return figure
