"""A fit as a plot: every state with its residuals, told apart without colour."""

import numpy as np
import pytest
from helpers.read_plot import png, texts

from tsfit.base.errors import TsfitError
from tsfit.circuit.load import added_mass, free_air
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import FitResult, FittedState
from tsfit.driver.record import Driver
from tsfit.plots.fit import fit_plot

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346, Xmax=0.006)


def fitted(states, frequency, seed=1):
    rng = np.random.default_rng(seed)
    out = []
    for state, load in states:
        z = impedance(frequency, HERON.values(), Circuit(), load)
        sigma = 0.003 * np.abs(z)
        noise = rng.normal(size=(2, frequency.size))
        curve = ImpedanceCurve(frequency, z + sigma * (noise[0] + 1j * noise[1]))
        out.append(FittedState(curve, state, frequency < 0.7 * frequency[-1], z, sigma))
    return FitResult(HERON, {}, (), np.zeros((0, 0)), states=tuple(out))


FREE = (State(), free_air())
MASS = (State("added mass", mass=0.04), added_mass(0.04))


def test_a_fit_shows_every_state_and_its_residuals_in_percent():
    fit = fitted([FREE, MASS], np.geomspace(10.0, 20e3, 200))
    figure = fit_plot(fit)
    assert [panel.get_ylabel() for panel in figure.axes] == ["impedance, Ω", "phase, °", "error, %", "error, %"]
    assert texts(figure)[:2] == ["free air", "added mass 40 g"]
    state = fit.states[1]
    magnitude, *_ = figure.axes[3].lines[1:]
    expected = 100.0 * np.log(np.abs(state.curve.impedance_ohm / state.fitted_ohm))[state.used]
    np.testing.assert_allclose(magnitude.get_ydata(), expected, atol=0.02)
    assert np.max(np.abs(expected)) > 0.5
    assert png(figure)


def test_repeats_of_a_state_share_one_label():
    figure = fit_plot(fitted([FREE, FREE, MASS, MASS], np.geomspace(20.0, 200.0, 40)))
    assert [text.get_text() for text in figure.axes[0].texts] == ["free air", "added mass 40 g"]
    assert len(figure.axes) == 6


def test_lines_differ_in_dash_so_that_a_photocopy_keeps_them_apart():
    figure = fit_plot(fitted([FREE, MASS], np.geomspace(20.0, 200.0, 40)))
    lines = [line for line in figure.axes[0].lines if line.get_linestyle() != "None"]
    assert len(lines) == len({(line.get_linestyle(), line.get_dash_capstyle()) for line in lines}) == 2


def test_a_fit_read_back_without_curves_is_refused():
    with pytest.raises(TsfitError, match="no measured curve") as refused:
        fit_plot(FitResult(HERON, {}, (), np.zeros((0, 0))))
    assert refused.value.code == "no_curves"
