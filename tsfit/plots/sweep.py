"""What one sweep, or several of one state, found: impedance against frequency with its noise."""

from collections.abc import Sequence

import numpy as np
from matplotlib.figure import Figure

from tsfit.driver.curve import ImpedanceCurve
from tsfit.plots.style import HAIR, LINES, QUIET, frequency_axis, log_value_axis, new_plot, note, value_axis


def sweep_plot(curve: ImpedanceCurve, title: str, subtitle: str, repeats: Sequence[ImpedanceCurve] = ()) -> Figure:
    """Draw magnitude and phase of `curve`, with the `repeats` it is the average of, and its standard uncertainty.

    The uncertainty is the noise of the magnitude, in percent of it: the square root of half the variance of Z.
    """
    noisy = curve.variance_ohm2 is not None
    figure, panels = new_plot([2.6, 1.5, *([1.2] if noisy else [])], title, subtitle)
    magnitude, phase = panels[:2]
    colour, _ = LINES[0]
    for one in repeats:
        magnitude.plot(one.frequency_hz, np.abs(one.impedance_ohm), color=QUIET, linewidth=0.5)
        phase.plot(one.frequency_hz, np.degrees(np.angle(one.impedance_ohm)), color=QUIET, linewidth=0.5)
    frequency, size = curve.frequency_hz, np.abs(curve.impedance_ohm)
    magnitude.plot(frequency, size, color=colour, linewidth=1.2)
    phase.plot(frequency, np.degrees(np.angle(curve.impedance_ohm)), color=colour, linewidth=1.2)
    phase.axhline(0.0, color=HAIR, linewidth=0.8, zorder=0)
    peak = int(np.argmax(size * (frequency < 0.1 * frequency[-1])))
    note(
        magnitude, f"{size[peak]:.3g} Ω at {frequency[peak]:.3g} Hz", (float(frequency[peak]), float(size[peak])),
        colour, (6, 0), va="center",
    )  # fmt: skip
    log_value_axis(magnitude, "impedance, Ω")
    value_axis(phase, "phase, °", steps=(1, 1.5, 3, 4.5, 9, 10))
    if curve.variance_ohm2 is not None:
        panels[2].plot(frequency, 100.0 * np.sqrt(0.5 * curve.variance_ohm2) / size, color=colour, linewidth=1.0)
        log_value_axis(panels[2], "noise, %")
    frequency_axis(panels[-1], float(frequency[0]), float(frequency[-1]))
    return figure
