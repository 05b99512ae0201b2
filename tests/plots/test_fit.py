"""A fit as a plot: every state with its residuals, told apart without colour."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.read_plot import png, texts

from tsfit.base.errors import TsfitError
from tsfit.circuit.load import added_mass, free_air
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.driver.fit_result import FitResult, FittedState
from tsfit.driver.record import Driver
from tsfit.fitting.line import smooth_line
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
    labels = ["impedance, Ω", "phase, °", "impedance, Ω", "error of |Z|, %", "error of phase, °"]
    assert [panel.get_ylabel() for panel in figure.axes] == labels
    assert texts(figure)[:2] == ["free air", "added mass 40 g"]
    state = fit.states[1]
    ratio = (state.curve.impedance_ohm / state.fitted_ohm)[state.used]
    for panel, expected in zip(figure.axes[3:], (100.0 * np.log(np.abs(ratio)), np.degrees(np.angle(ratio))), strict=True):
        dots = [line for line in panel.lines if line.get_linestyle() == "None"]
        np.testing.assert_allclose(dots[1].get_ydata(), expected, atol=0.02)
        assert np.max(np.abs(expected)) > 0.25
    assert png(figure)


def drawn(panel, dots=False):
    return [line for line in panel.lines if (line.get_linestyle() == "None") == dots and len(line.get_xdata()) > 2]


def test_the_fitted_line_runs_smoothly_between_few_measured_points():
    """Twelve points, none at the peak: its height there is the sum of Re and Re·Qms/Qes."""
    fit = fitted([FREE], np.geomspace(10.0, 400.0, 12))
    (state,) = fit.states
    line = smooth_line(lambda f: impedance(f, HERON.values(), Circuit(), free_air()), (10.0, 400.0))
    magnitude = fit_plot(replace(fit, states=(replace(state, follow=lambda: line),))).axes[0]
    (curve,) = (one for one in drawn(magnitude) if one.get_linestyle() == "-")
    top = HERON.Re * (1.0 + HERON.Qms / HERON.Qes)
    assert np.nanmax(curve.get_ydata()) == pytest.approx(top, rel=2e-3)
    assert curve.get_xdata()[np.nanargmax(curve.get_ydata())] == pytest.approx(HERON.Fs, rel=0.01)
    assert np.max(np.abs(state.fitted_ohm)) < 0.9 * top
    (points,) = drawn(magnitude, dots=True)
    assert len(curve.get_xdata()) > 10 * len(points.get_xdata())
    np.testing.assert_allclose(
        points.get_ydata(), np.abs(state.curve.impedance_ohm)[np.isin(state.curve.frequency_hz, points.get_xdata())]
    )


@pytest.mark.parametrize("count", [30, 3000])
def test_measured_points_are_dots_that_can_be_told_apart(count):
    """At least a dot's width apart on paper, and none left out where they have room."""
    figure = fit_plot(fitted([FREE], np.geomspace(9.0, 110.0, count)))
    panel = figure.axes[0]
    dots, *left = drawn(panel, dots=True)
    assert dots.get_markersize() >= 3.0
    assert dots.get_alpha() >= 0.7
    spots = 72.0 / figure.dpi * panel.transData.transform(dots.get_xydata())
    assert np.min(np.hypot(*np.diff(spots, axis=0).T)) > dots.get_markersize()
    shown = sum(len(one.get_xdata()) for one in (dots, *left))
    assert shown == 30 if count == 30 else 40 < shown < 200


def test_what_is_missed_everywhere_alike_is_seen_through_the_noise():
    """Measured 1 % too much, with noise of 0.3 % in each part: the line is their mean, so a third octave of 26 points."""
    fit = fitted([FREE], np.geomspace(10.0, 20e3, 800))
    state = fit.states[0]
    off = replace(state, curve=replace(state.curve, impedance_ohm=1.01 * state.curve.impedance_ohm))
    figure = fit_plot(replace(fit, states=(off,)))
    (mean,) = (line for line in figure.axes[3].lines if len(line.get_xdata()) > 2 and line.get_linestyle() != "None")
    np.testing.assert_allclose(mean.get_ydata()[20:-20], 1.0, atol=4.0 * 0.3 / np.sqrt(26.0))


def test_resonances_stand_in_the_middle_and_the_coil_has_a_panel_of_its_own():
    figure = fit_plot(fitted([FREE, MASS], np.geomspace(5.0, 20e3, 400)))
    near, coil = figure.axes[0], figure.axes[2]
    low, high = near.get_xlim()
    assert low < HERON.Fs / 3.0
    assert 3.0 * HERON.Fs < high < 10.0 * HERON.Fs
    assert coil.get_xlim() == pytest.approx((high, 20e3))


def test_lines_are_dotted_where_nothing_was_fitted():
    fit = fitted([FREE], np.geomspace(10.0, 20e3, 400))
    coil = fit_plot(fit).axes[2]
    last = fit.states[0].curve.frequency_hz[fit.states[0].used][-1]
    fitted_line, beyond = (line for line in coil.lines if line.get_linestyle() != "None" and line.get_label() == "free air")
    for line, inside in ((fitted_line, True), (beyond, False)):
        shown = line.get_xdata()[np.isfinite(line.get_ydata())]
        assert np.all(shown <= last) if inside else np.all(shown >= last)
    assert beyond.get_linestyle() != fitted_line.get_linestyle()
    assert "not fitted above" in texts(fit_plot(fit))


def test_repeats_of_a_state_share_one_label():
    figure = fit_plot(fitted([FREE, FREE, MASS, MASS], np.geomspace(20.0, 200.0, 40)))
    assert [text.get_text() for text in figure.axes[0].texts] == ["free air", "added mass 40 g"]


def test_lines_differ_in_dash_so_that_a_photocopy_keeps_them_apart():
    figure = fit_plot(fitted([FREE, MASS], np.geomspace(20.0, 200.0, 40)))
    lines = [line for line in figure.axes[0].lines if line.get_linestyle() != "None"]
    assert len(lines) == len({(line.get_linestyle(), line.get_dash_capstyle()) for line in lines}) == 2


def test_a_fit_read_back_without_curves_is_refused():
    with pytest.raises(TsfitError, match="no measured curve") as refused:
        fit_plot(FitResult(HERON, {}, (), np.zeros((0, 0))))
    assert refused.value.code == "no_curves"
