"""The plot of a sweep: magnitude, phase and noise are those of the curve; the peak is named."""

import numpy as np
import pytest

from tsfit.driver.curve import ImpedanceCurve
from tsfit.plots.sweep import sweep_plot

F = np.geomspace(5.0, 20e3, 300)
Z = 5.0 + 45.0 / (1.0 + 4j * (F / 31.0 - 31.0 / F)) + 2j * np.pi * F * 1e-3


def _only(panel):
    return next(line for line in panel.lines if len(line.get_xdata()) == len(F))


def test_curves_are_those_of_the_sweep():
    figure = sweep_plot(ImpedanceCurve(F, Z, (0.02 * np.abs(Z)) ** 2), "Knot 8", "free air")
    magnitude, phase, coil, noise = figure.axes
    np.testing.assert_allclose(_only(coil).get_ydata(), np.abs(Z))
    assert magnitude.get_xlim()[1] == pytest.approx(coil.get_xlim()[0])
    # The peak stands in the middle of what swept it; the coil's panel holds what the coil does.
    assert np.sqrt(np.prod(magnitude.get_xlim())) == pytest.approx(31.0, rel=0.3)
    assert coil.get_ylim()[1] == pytest.approx(np.abs(Z[-1]), rel=0.1)
    np.testing.assert_allclose(_only(magnitude).get_ydata(), np.abs(Z))
    np.testing.assert_allclose(_only(phase).get_ydata(), np.degrees(np.angle(Z)))
    # 2 % of both parts together are 1.41 % of the magnitude.
    np.testing.assert_allclose(_only(noise).get_ydata(), 2.0 / np.sqrt(2.0))
    (told,) = magnitude.texts
    assert told.get_text().endswith(" Hz")


def test_noise_of_bands_with_a_line_more_or_less_is_no_comb():
    """Variances of one and two lines in turn, 1 to 1/2: a mean over many is 3/4, and the drawing stays near its root."""
    variance = (0.02 * np.abs(Z)) ** 2 / (1.0 + np.arange(len(F)) % 2)
    noise = sweep_plot(ImpedanceCurve(F, Z, variance), "Knot 8", "free air").axes[-1]
    np.testing.assert_allclose(_only(noise).get_ydata()[9:-9], np.sqrt(0.75) * 2.0 / np.sqrt(2.0), rtol=0.03)


def test_the_peak_is_named_where_it_is_and_not_at_the_nearest_point():
    """The formula on a hundred times finer a grid; the points of the curve are 2.8 % apart."""
    fine = np.geomspace(25.0, 38.0, 40_000)
    size = np.abs(5.0 + 45.0 / (1.0 + 4j * (fine / 31.0 - 31.0 / fine)) + 2j * np.pi * fine * 1e-3)
    (told,) = sweep_plot(ImpedanceCurve(F, Z), "Knot 8", "free air").axes[0].texts
    assert told.get_text() == f"{size.max():.3g} Ω at {fine[size.argmax()]:.3g} Hz"
    assert float(told.get_text().split(" at ")[1].split()[0]) == pytest.approx(31.0, rel=0.03)


def test_without_noise_there_is_no_panel_of_it_and_repeats_are_drawn():
    figure = sweep_plot(ImpedanceCurve(F, Z), "Knot 8", "", [ImpedanceCurve(F, 1.01 * Z), ImpedanceCurve(F, 0.99 * Z)])
    assert [panel.get_ylabel() for panel in figure.axes] == ["impedance, Ω", "phase, °", "impedance, Ω"]
    drawn = [line.get_ydata() for line in figure.axes[0].lines if len(line.get_xdata()) == len(F)]
    assert [float(one[0] / abs(Z[0])) for one in drawn] == pytest.approx([1.01, 0.99, 1.0])


def test_a_sweep_of_the_resonance_alone_has_no_panel_of_the_coil():
    few = F < 150.0
    figure = sweep_plot(ImpedanceCurve(F[few], Z[few]), "Knot 8", "")
    assert [panel.get_ylabel() for panel in figure.axes] == ["impedance, Ω", "phase, °"]
    (told,) = figure.axes[0].texts
    assert float(told.get_text().split(" at ")[1].split()[0]) == pytest.approx(31.0, rel=0.03)
