"""How well a fit meets what was measured."""

from collections.abc import Callable

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from tsfit.base.arrays import Complex, Real
from tsfit.base.errors import TsfitError
from tsfit.driver.curve import State
from tsfit.driver.fit_result import FitResult, FittedState
from tsfit.plots.style import HAIR, LINES, QUIET, Dash, frequency_axis, log_value_axis, new_plot, note, spread, value_axis

LABEL_WIDTH = 0.19
"""Room that a state's name takes, as a part of the panel's width."""


def fit_plot(fit: FitResult) -> Figure:
    """Draw magnitude and phase of every state, measured as dots and fitted as lines, and each state's residuals.

    Residuals are measured over fitted impedance, less one, in percent: the real part is the error of the magnitude (dots),
    the imaginary part that of the phase (rings, 1 % is 0.57°). The band is one standard deviation either way. Points
    that the fit left out are grey.

    Raises TsfitError ``no_curves`` when `fit` was read back from a file and holds no measured curve.
    """
    if not fit.states:
        message = f"{fit.driver.name}: this fit holds no measured curve to draw; fit the recordings again with --plot."
        raise TsfitError(message, code="no_curves")
    names = [state_name(state.state) for state in fit.states]
    kinds = list(dict.fromkeys(names))
    heights = [2.3, 1.3, *[1.05] * len(fit.states)]
    subtitle = f"coil {fit.driver.coil}, suspension {fit.driver.suspension}; dots measured, lines fitted"
    figure, panels = new_plot(heights, fit.driver.name, subtitle)
    magnitude, phase, *residuals = panels
    low = min(float(state.curve.frequency_hz[0]) for state in fit.states)
    high = max(float(state.curve.frequency_hz[-1]) for state in fit.states)
    for index, (state, panel) in enumerate(zip(fit.states, residuals, strict=True)):
        colour, dash = LINES[kinds.index(names[index]) % len(LINES)]
        _state(magnitude, state, np.abs, colour, dash, names[index])
        _state(phase, state, lambda z: np.degrees(np.angle(z)), colour, dash, names[index])
        key = "" if index else ":  ● magnitude  ○ phase  ▬ ±1σ"
        _residual(panel, state, names[index] + key, colour)
    log_value_axis(magnitude, "impedance, Ω")
    value_axis(phase, "phase, °", steps=(1, 1.5, 3, 4.5, 9, 10))
    frequency_axis(panels[-1], low, high)
    _name_states(magnitude, [fit.states[names.index(kind)] for kind in kinds], kinds)
    return figure


def state_name(state: State) -> str:
    """Name a state by its kind and size; repeats of a state have the same name."""
    name: str = state.kind
    if state.kind == "added mass" and state.mass is not None:
        name = f"added mass {1e3 * state.mass:.3g} g"
    elif state.kind == "closed box" and state.volume is not None:
        name = f"closed box {1e3 * state.volume:.3g} l"
    return name if state.wiring is None else f"{name}, {state.wiring}"


def _state(panel: Axes, state: FittedState, of: Callable[[Complex], Real], colour: str, dash: Dash, name: str) -> None:
    frequency, measured = state.curve.frequency_hz, of(state.curve.impedance_ohm)
    for chosen, shade in ((state.used, colour), (~state.used, QUIET)):
        panel.plot(frequency[chosen], measured[chosen], ".", color=shade, markersize=4.5, alpha=0.3, markeredgewidth=0)
    panel.plot(frequency, of(state.fitted_ohm), color=colour, linestyle=dash, linewidth=0.9, label=name)


def _residual(panel: Axes, state: FittedState, caption: str, colour: str) -> None:
    frequency, used = state.curve.frequency_hz, state.used
    percent = 100.0 * (state.curve.impedance_ohm / state.fitted_ohm - 1.0)
    sigma = 100.0 * state.sigma_ohm / np.abs(state.fitted_ohm)
    panel.fill_between(frequency, -sigma, sigma, color=HAIR, linewidth=0.0)
    panel.axhline(0.0, color=QUIET, linewidth=0.7)
    for part, filling in ((percent.real, colour), (percent.imag, "none")):
        panel.plot(
            frequency[used], part[used], "o", markersize=1.9, markeredgewidth=0.4, color=colour, markerfacecolor=filling
        )
    shown = np.abs(np.concatenate([percent.real[used], percent.imag[used], sigma[used]]))
    reach = 1.15 * float(np.max(shown, initial=0.0)) or 1.0
    panel.set_ylim(-reach, reach)
    value_axis(panel, "error, %")
    note(panel, caption, (1.0, 1.0), colour, (0, 1.5), xycoords="axes fraction", ha="right", va="bottom")


def _name_states(panel: Axes, states: list[FittedState], names: list[str]) -> None:
    """Write each state's name above the panel, once for all its repeats, with a leader to the peak of its curve."""
    low, high = np.log(panel.get_xlim())
    peaks = [int(np.argmax(np.abs(state.fitted_ohm))) for state in states]
    at = [float(state.curve.frequency_hz[peak]) for state, peak in zip(states, peaks, strict=True)]
    places = spread([float((np.log(f) - low) / (high - low)) for f in at], LABEL_WIDTH)
    for index, (state, peak, name) in enumerate(zip(states, peaks, names, strict=True)):
        colour, _ = LINES[index % len(LINES)]
        note(
            panel, name, (at[index], float(np.abs(state.fitted_ohm[peak]))), colour, (places[index], 1.04),
            textcoords="axes fraction", ha="center",
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.6, "shrinkA": 1.0, "shrinkB": 2.0},
        )  # fmt: skip
