"""The plot of drivers side by side: a heavier cone loses what 20·lg of the masses says."""

from dataclasses import replace

import numpy as np
from helpers.made_fit import made_driver

from tsfit.box.compare.conditions import Candidate, in_baffle
from tsfit.box.compare.drivers import compare
from tsfit.plots.compare import compare_plot


def test_the_difference_is_that_of_the_masses_far_above_resonance():
    """Level above resonance goes as Bl/(Re·Mms): where Fs, Qms and Qes stay, Bl² goes as Mms, the level as its root."""
    first = replace(made_driver(), coil="simple", coil_values={"Le": 0.0})
    other = replace(first, name="heavier", Mms=2.0 * first.Mms)
    case = compare([Candidate(first), Candidate(other)], [in_baffle()]).cases[0]
    figure = compare_plot([first.name, other.name], case)
    panel = figure.axes[1]
    line = next(line for line in panel.lines if line.get_label() == "heavier")
    assert panel.get_ylabel() == "difference, dB"
    np.testing.assert_allclose(line.get_ydata()[-1], -10.0 * np.log10(2.0), atol=0.01)
    assert line.get_xdata()[-1] <= 500.0
