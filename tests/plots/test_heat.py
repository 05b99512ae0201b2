"""The plot of the coil's temperature shows what was measured and fitted, in °C over minutes."""

import pytest
from helpers.made_heat_result import heat_result

from tsfit.plots.heat import heat_plot


def test_dots_are_measured_and_lines_fitted():
    (panel,) = heat_plot(heat_result()).axes
    dots, coil, magnet, *_ = panel.get_lines()
    assert list(dots.get_xdata()) == pytest.approx([0.5 / 60, 1.0, 2.0])
    assert list(dots.get_ydata()) == pytest.approx([20.1, 60.0, 80.0])
    assert list(coil.get_ydata()) == pytest.approx([20.0, 21.0, 61.0, 81.0])
    assert list(magnet.get_ydata()) == pytest.approx([20.0, 20.0, 25.0, 29.0])
    assert "°C" in panel.get_ylabel()
    assert "min" in panel.get_xlabel()


def test_a_magnet_that_is_open_is_not_drawn():
    (panel,) = heat_plot(heat_result(told=False)).axes
    assert "magnet" not in [text.get_text() for text in panel.texts]
