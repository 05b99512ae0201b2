"""A finished box: the measured curve, the fit, and the plan."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tsfit.base.arrays import Complex, Real
from tsfit.base.figures import in_figures
from tsfit.box.enclosure import KIND_NAMES
from tsfit.box.verify.findings import BuiltBox
from tsfit.plots.style import (
    HAIR,
    INK,
    LINES,
    QUIET,
    frequency_axis,
    log_value_axis,
    new_plot,
    note,
    third_octave_mean,
    value_axis,
)

LEAST_ERROR = 0.1
"""Percent that the panel of the error always spans; what is less, nobody need see."""


def verify_plot(data: BuiltBox) -> Figure:
    """Draw |Z| as measured, as fitted and as planned, with the resonances marked, and what the fit misses."""
    figure, (magnitude, error) = new_plot(
        [3.0, 1.2],
        f"{data.driver} in its finished {KIND_NAMES[data.enclosure]}",
        "dots measured, lines as fitted and as planned",
    )
    f, curve = data.curve.frequency_hz, data.curve
    z, fitted, planned = (one.complex for one in (curve.measured_ohm, curve.fitted_ohm, curve.planned_ohm))
    _magnitude(magnitude, f, z, fitted, planned)
    _resonances(magnitude, data, float(f[0]))
    miss = 100.0 * (z / fitted - 1.0)
    error.axhline(0.0, color=QUIET, linewidth=0.7)
    for name, part, (colour, dash), place in zip(
        ("magnitude, %", "phase, 1 % is 0.57°"), (miss.real, miss.imag), (LINES[0], LINES[2]), (0.4, 1.0), strict=True
    ):
        error.plot(f, part, ".", markersize=3.0, color=colour, alpha=0.35, markeredgewidth=0)
        error.plot(f, third_octave_mean(f, part), color=colour, linestyle=dash, linewidth=1.2)
        note(error, name, (place, 1.0), colour, (0, 1.5), xycoords="axes fraction", ha="right", va="bottom")
    reach = max(LEAST_ERROR, 1.1 * float(np.max(np.abs([miss.real, miss.imag]))))
    error.set_ylim(-reach, reach)
    log_value_axis(magnitude, "impedance, Ω")
    value_axis(error, "error, %")
    frequency_axis(error, float(f[0]), float(f[-1]))
    return figure


def _magnitude(panel: Axes, f: Real, z: Complex, fitted: Complex, planned: Complex) -> None:
    panel.plot(f, np.abs(z), ".", color=INK, markersize=5.0, alpha=0.35, markeredgewidth=0)
    for text, line, (colour, dash) in (("built", fitted, LINES[0]), ("planned", planned, LINES[1])):
        panel.plot(f, np.abs(line), color=colour, linestyle=dash, linewidth=1.1, label=text)
    # Not at the edges, where a name would leave the panel.
    inner = (f > 1.5 * f[0]) & (f < f[-1] / 1.5)
    apart = int(np.argmax(np.abs(np.log(np.abs(planned / fitted))) * inner))
    # Each name hangs on its own curve where the two differ most, on the side away from the other.
    for text, line, (colour, _) in (("built", fitted, LINES[0]), ("planned", planned, LINES[1])):
        higher = np.abs(line[apart]) >= np.abs((fitted if line is planned else planned)[apart])
        note(
            panel, text, (float(f[apart]), float(np.abs(line[apart]))), colour, (-26 if higher else 26, -12),
            ha="right" if higher else "left", arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.6},
        )  # fmt: skip


def _resonances(panel: Axes, data: BuiltBox, lowest: float) -> None:
    for name in ("fL", "fp", "fb", "fH", "fc", "hole"):
        at = data.built[name].value if name in data.built else 0.0
        if at > lowest:
            panel.axvline(at, color=HAIR, linewidth=0.8, zorder=0)
            # fp comes close to fL, so its name stands inside.
            inside = name == "fp"
            note(
                panel, f"{name} {in_figures(at, 3)} Hz", (at, 0.9 if inside else 1.0), QUIET, (-3 if inside else 0, 0),
                xycoords=("data", "axes fraction"), ha="right" if inside else "center", va="top" if inside else "bottom",
            )  # fmt: skip
