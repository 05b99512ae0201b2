"""How well a fit meets what was measured."""

import math
from collections.abc import Callable, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tsfit.base.arrays import Complex, Mask, Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.driver.curve import State
from tsfit.driver.fit_result import FitResult, FittedLine, FittedState
from tsfit.plots.style import (
    LINES,
    QUIET,
    Dash,
    frequency_axis,
    log_value_axis,
    new_plot,
    note,
    resonance,
    spread,
    third_octave_mean,
    value_axis,
)

LABEL_WIDTH = 0.19
"""Room that a state's name takes, as a part of the panel's width."""
AROUND = 4.0
"""So many times below the lowest and above the highest resonance the panels of the resonances reach."""
DEGREES_PER_PERCENT = np.degrees(0.01)
BEYOND: Dash = (0, (1.0, 2.0))
DOT_PT, DOTS_APART_PT = 3.4, 8.0
"""Width of a dot, and the least distance from one to the next; points in between have none."""


def fit_plot(fit: FitResult) -> Figure:
    """Draw every state, measured as dots and fitted as lines: the resonances, the coil's range, and what the fit misses.

    What it misses is measured over fitted impedance, less one: the real part is the error of the magnitude, in percent, the
    imaginary part that of the phase, in degrees. The lines through it are its mean over a third of an octave, bands one
    standard deviation either way. Points that were left out are grey; lines are dotted below and above all that were not.

    Raises TsfitError ``no_curves`` when `fit` was read back from a file and holds no measured curve.
    """
    if not fit.states:
        message = f"{fit.driver.name}: this fit holds no measured curve to draw; fit the recordings again with --plot."
        raise TsfitError(message, code="no_curves")
    names = [state_name(state.state) for state in fit.states]
    kinds = list(dict.fromkeys(names))
    subtitle = "dots: measured, thinned where they would touch; lines: fitted"
    figure, panels = new_plot([2.2, 1.2, 1.3, 1.2, 1.2], fit.driver.name, subtitle, breaks=(1, 2))
    magnitude, phase, coil, *errors = panels
    low = min(float(state.curve.frequency_hz[0]) for state in fit.states)
    high = max(float(state.curve.frequency_hz[-1]) for state in fit.states)
    peaks = [float(state.curve.frequency_hz[resonance(np.abs(state.fitted_ohm))]) for state in fit.states]
    near = max(low, min(peaks) / AROUND), min(high, AROUND * max(peaks))
    above = min(near[1], 0.5 * high), high
    used = [state.curve.frequency_hz[state.used] for state in fit.states if state.used.any()]
    fitted = (min(float(f[0]) for f in used), max(float(f[-1]) for f in used)) if used else (low, high)
    for name, state in zip(names, fit.states, strict=True):
        look = (*LINES[kinds.index(name) % len(LINES)], name)
        _state(magnitude, state, np.abs, near, look)
        _state(phase, state, lambda z: np.degrees(np.angle(z)), near, look)
        _state(coil, state, np.abs, above, look)
        _errors(errors, state, look)
    frequency_axis(phase, *near)
    frequency_axis(coil, *above)
    frequency_axis(errors[-1], *fitted)
    log_value_axis(magnitude, "impedance, Ω")
    value_axis(phase, "phase, °", steps=(1, 1.5, 3, 4.5, 9, 10))
    log_value_axis(coil, "impedance, Ω")
    value_axis(errors[0], "error of |Z|, %")
    value_axis(errors[1], "error of phase, °")
    note(coil, "the coil's range", (0.0, 1.0), QUIET, (0, 1.5), xycoords="axes fraction", va="bottom")
    if fitted[1] < 0.97 * high:
        coil.axvline(fitted[1], color=QUIET, linewidth=0.8)
        note(coil, "not fitted above", (fitted[1], 0.05), QUIET, (3, 0), xycoords=("data", "axes fraction"))
    key = "lines: mean over a third of an octave; bands: ±1σ"
    note(errors[0], key, (1.0, 1.0), QUIET, (0, 1.5), xycoords="axes fraction", ha="right", va="bottom")
    _name_states(magnitude, [fit.states[names.index(kind)] for kind in kinds], kinds)
    return figure


def state_name(state: State) -> str:
    """Name a state by its kind and size; repeats of a state have the same name."""
    name: str = state.kind
    if state.kind == "added mass" and state.mass is not None:
        name = f"added mass {in_figures(1e3 * state.mass, 3)} g"
    elif state.kind == "closed box" and state.volume is not None:
        name = f"closed box {in_figures(1e3 * state.volume, 3)} l"
    return name if state.wiring is None else f"{name}, {state.wiring}"


def _state(
    panel: Axes, state: FittedState, of: Callable[[Complex], Real], ends: tuple[float, float], look: tuple[str, Dash, str]
) -> None:
    """Draw one state between the frequencies `ends`; `look` is colour, dash and name."""
    frequency = state.curve.frequency_hz
    colour, dash, name = look
    line = state.line or FittedLine(frequency, state.fitted_ohm)
    # One point more at either end, so that lines reach the edge.
    first, last = np.searchsorted(line.frequency_hz, ends)
    part = slice(max(int(first) - 1, 0), int(last) + 1)
    f, fitted = line.frequency_hz[part], of(line.ohm[part])
    known = frequency[state.used]
    inside = (f >= known[0]) & (f <= known[-1]) if len(known) else np.full(len(f), False)
    for shown, width, style in ((inside, 1.1, dash), (_beyond(inside), 0.9, BEYOND)):
        if shown.any():
            panel.plot(f, np.where(shown, fitted, np.nan), color=colour, linestyle=style, linewidth=width, label=name)
    seen = (frequency >= ends[0]) & (frequency <= ends[1])
    measured = of(state.curve.impedance_ohm)
    for chosen, shade in ((seen & state.used, colour), (seen & ~state.used, QUIET)):
        dots = np.flatnonzero(chosen)
        dots = dots[_apart(panel, frequency[dots], measured[dots], ends, of is np.abs)]
        panel.plot(frequency[dots], measured[dots], "o", color=shade, markersize=DOT_PT, alpha=0.75, markeredgewidth=0)


def _apart(panel: Axes, frequency: Real, values: Real, ends: tuple[float, float], log: bool) -> Mask:
    """Return which of the points (n,) have a dot, each so far from the last one that they do not run into a band."""
    figure = panel.get_figure(root=True)
    assert figure is not None
    size, place = 72.0 * figure.get_size_inches(), panel.get_position()
    y = np.log(values) if log else values
    across = size[0] * place.width * np.log(frequency) / np.log(ends[1] / ends[0])
    up = size[1] * place.height * y / (np.ptp(y) if len(y) and np.ptp(y) else 1.0)
    kept = np.full(len(values), False)
    last = (-math.inf, 0.0)
    for number, spot in enumerate(zip(across.tolist(), up.tolist(), strict=True)):
        if math.dist(spot, last) >= DOTS_APART_PT:
            kept[number], last = True, spot
    return kept


def _beyond(inside: Mask) -> Mask:
    """What is not `inside` (n,), with the points where it meets it."""
    near = inside.copy()
    near[1:] &= inside[:-1]
    near[:-1] &= inside[1:]
    return ~near


def _errors(panels: Sequence[Axes], state: FittedState, look: tuple[str, Dash, str]) -> None:
    used = state.used
    if not used.any():
        return
    frequency, (colour, dash, name) = state.curve.frequency_hz[used], look
    off = 100.0 * (state.curve.impedance_ohm / state.fitted_ohm - 1.0)[used]
    sigma = 100.0 * (state.sigma_ohm / np.abs(state.fitted_ohm))[used]
    dot = float(np.clip(40.0 / math.sqrt(len(frequency)), 1.8, DOT_PT))
    for panel, part, unit in zip(panels, (off.real, off.imag), (1.0, DEGREES_PER_PERCENT), strict=True):
        panel.axhline(0.0, color=QUIET, linewidth=0.7)
        panel.fill_between(frequency, -unit * sigma, unit * sigma, color=colour, alpha=0.1, linewidth=0.0, label=name)
        panel.plot(frequency, unit * part, "o", color=colour, markersize=dot, alpha=0.5, markeredgewidth=0, label=name)
        panel.plot(
            frequency, unit * third_octave_mean(frequency, part), color=colour, linestyle=dash, linewidth=1.2, label=name
        )  # fmt: skip
        reach = 1.1 * unit * float(np.max(np.abs(part)))
        panel.set_ylim(-max(reach, *map(abs, panel.get_ylim()), 1e-3), max(reach, *map(abs, panel.get_ylim()), 1e-3))


def _name_states(panel: Axes, states: list[FittedState], names: list[str]) -> None:
    """Write each state's name above the panel, once for all its repeats, with a leader to the peak of its curve."""
    low, high = np.log(panel.get_xlim())
    peaks = [resonance(np.abs(state.fitted_ohm)) for state in states]
    at = [float(state.curve.frequency_hz[peak]) for state, peak in zip(states, peaks, strict=True)]
    places = spread([float((np.log(f) - low) / (high - low)) for f in at], LABEL_WIDTH)
    for index, (state, peak, name) in enumerate(zip(states, peaks, names, strict=True)):
        colour, _ = LINES[index % len(LINES)]
        note(
            panel, name, (at[index], float(np.abs(state.fitted_ohm[peak]))), colour, (places[index], 1.04),
            textcoords="axes fraction", ha="center",
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.6, "shrinkA": 1.0, "shrinkB": 2.0},
        )  # fmt: skip
