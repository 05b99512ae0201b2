"""What one sweep, or several of one state, found: impedance against frequency with its noise."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tsfit.base.arrays import Real
from tsfit.base.figures import in_figures
from tsfit.driver.curve import ImpedanceCurve
from tsfit.plots.style import HAIR, LINES, QUIET, frequency_axis, log_value_axis, new_plot, note, resonance, value_axis

AROUND = 8.0
"""So many times below and above its peak the panels of the resonance reach."""
BESIDE = 9
"""Points over which the noise is drawn as one."""


def sweep_plot(curve: ImpedanceCurve, title: str, subtitle: str, repeats: Sequence[ImpedanceCurve] = ()) -> Figure:
    """Draw magnitude and phase of `curve` around its peak and the coil's range above, with the `repeats` it is the average
    of, and its standard uncertainty over all of the sweep.

    The uncertainty is the noise of the magnitude, in percent of it: the square root of half the variance of Z.
    """
    frequency, size = curve.frequency_hz, np.abs(curve.impedance_ohm)
    low, high = float(frequency[0]), float(frequency[-1])
    peak = resonance(size)
    near = max(low, float(frequency[peak]) / AROUND), min(high, AROUND * float(frequency[peak]))
    coil, noisy = near[1] < 0.5 * high, curve.variance_ohm2 is not None
    heights = [2.4, 1.4, *([1.4] if coil else []), *([1.1] if noisy else [])]
    figure, panels = new_plot(heights, title, subtitle, breaks=range(1, len(heights)))
    magnitude, phase = panels[:2]
    for one, (colour, _), width in [*((each, (QUIET, ""), 0.5) for each in repeats), (curve, LINES[0], 1.2)]:
        magnitude.plot(one.frequency_hz, np.abs(one.impedance_ohm), color=colour, linewidth=width)
        phase.plot(one.frequency_hz, np.degrees(np.angle(one.impedance_ohm)), color=colour, linewidth=width)
        if coil:
            panels[2].plot(one.frequency_hz, np.abs(one.impedance_ohm), color=colour, linewidth=width)
    phase.axhline(0.0, color=HAIR, linewidth=0.8, zorder=0)
    top_hz, top = _summit(frequency, size, peak)
    told = f"{in_figures(top, 3)} Ω at {in_figures(top_hz, 3)} Hz"
    note(magnitude, told, (top_hz, top), LINES[0][0], (6, 0), va="center")
    frequency_axis(phase, *near)
    _magnitude_axis(magnitude, frequency, size, near)
    value_axis(phase, "phase, °", steps=(1, 1.5, 3, 4.5, 9, 10))
    if coil:
        frequency_axis(panels[2], near[1], high)
        _magnitude_axis(panels[2], frequency, size, (near[1], high))
        note(panels[2], "the coil's range", (0.01, 0.95), QUIET, xycoords="axes fraction", va="top")
    if curve.variance_ohm2 is not None:
        panels[-1].plot(frequency, _noise_percent(curve), color=LINES[0][0], linewidth=1.0)
        log_value_axis(panels[-1], "noise, %")
        frequency_axis(panels[-1], low, high)
    return figure


def _noise_percent(curve: ImpedanceCurve) -> Real:
    """Noise of the magnitude in percent of it, (n_freq,): root mean square over `BESIDE` points.

    Of the few lines of a low point's band one more or less changes its own by steps.
    """
    assert curve.variance_ohm2 is not None
    share = 0.5 * curve.variance_ohm2 / np.abs(curve.impedance_ohm) ** 2
    wide = min(BESIDE, 2 * ((len(share) - 1) // 2) + 1)
    mean = np.convolve(np.pad(share, wide // 2, mode="edge"), np.full(wide, 1.0 / wide), mode="valid")
    return np.asarray(100.0 * np.sqrt(mean))


def _summit(frequency: Real, size: Real, peak: int) -> tuple[float, float]:
    """Frequency and height of the peak between the points about index `peak`: the top of a parabola in logarithms."""
    if not 0 < peak < len(size) - 1:
        return float(frequency[peak]), float(size[peak])
    x, y = (np.log(each[peak - 1 : peak + 2] / each[peak]) for each in (frequency, size))
    bend, slope, _ = np.polyfit(x, y, 2)
    off = -0.5 * slope / bend if bend < 0.0 else 0.0
    return float(frequency[peak] * np.exp(off)), float(size[peak] * np.exp((slope + bend * off) * off))


def _magnitude_axis(panel: Axes, frequency: Real, size: Real, ends: tuple[float, float]) -> None:
    """Fit the vertical axis to what lies between the frequencies `ends`."""
    seen = size[(frequency >= ends[0]) & (frequency <= ends[1])]
    panel.set_yscale("log")
    panel.set_ylim(0.93 * float(seen.min()), 1.08 * float(seen.max()))
    log_value_axis(panel, "impedance, Ω")
