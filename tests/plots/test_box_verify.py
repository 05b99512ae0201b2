"""The plot of a finished box: dots where it was measured, its resonances named."""

import numpy as np
from helpers.made_fit import made_fit
from helpers.made_page import built_box
from helpers.read_plot import texts

from tsfit.plots.box_verify import verify_plot


def test_dots_are_measured_and_the_tuning_is_named():
    built = built_box(made_fit())
    figure = verify_plot(built)
    magnitude, error = figure.axes
    dots = next(line for line in magnitude.lines if line.get_marker() == ".")
    np.testing.assert_allclose(dots.get_ydata(), np.hypot(built.curve.measured_ohm.real, built.curve.measured_ohm.imag))
    assert {"built", "planned"} <= {line.get_label() for line in magnitude.lines}
    # The made box is tuned to 36 Hz.
    assert any(text.startswith("fb 36 Hz") or text.startswith("fb 36.0 Hz") for text in texts(figure))
    missed = next(line for line in error.lines if line.get_marker() == ".").get_ydata()
    assert np.max(np.abs(missed)) < 2.5
