"""The plot of harmonics over frequency."""

import numpy as np

from tsfit.box.distortion import BoxDistortion
from tsfit.plots.distortion import distortion_plot


def test_what_is_told_is_drawn():
    frequency = np.geomspace(20.0, 200.0, 5)
    second = np.array([np.nan, 3.0, 2.0, 1.0, 0.5])
    found = BoxDistortion(frequency, np.ones(5), second, 0.5 * second, np.linspace(9.0, 1.0, 5))
    harmonics, travel = distortion_plot(found, "Dunlin 12", "95 dB at 1 m").axes
    assert [line.get_label() for line in harmonics.get_lines()[:2]] == ["second harmonic", "third harmonic"]
    np.testing.assert_array_equal(harmonics.get_lines()[0].get_ydata(), second[1:])
    np.testing.assert_array_equal(harmonics.get_lines()[0].get_xdata(), frequency[1:])
    assert travel.get_ylabel() == "travel, mm peak"
