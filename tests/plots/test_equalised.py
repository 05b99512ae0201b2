"""The plot of an equalised box: what is drawn after is what was before and the gain of the sections by hand."""

import numpy as np
import pytest
from helpers.boxes import closed_box
from helpers.made_fit import made_driver
from helpers.read_plot import texts

from tsfit.box.equaliser.equalised import at_level, equalise
from tsfit.box.equaliser.form import equaliser_form
from tsfit.box.equaliser.sections import FilterSection
from tsfit.plots.equalised import equalised_plot


def test_the_gain_is_drawn_and_added():
    equalised = equalise(closed_box(made_driver(), qtc=0.8), [FilterSection("peaking", 40.0, 1.2, 6.0)])
    figure = equalised_plot(equaliser_form(equalised, at_level(equalised, 85.0)))
    level, gain = figure.axes[:2]
    drawn = {line.get_label(): np.asarray(line.get_ydata()) for line in level.lines}
    at = int(np.argmin(np.abs(gain.lines[0].get_xdata() - 40.0)))
    assert gain.lines[0].get_ydata()[at] == pytest.approx(6.0, abs=0.01)
    assert drawn["with equaliser"][at] - drawn["alone"][at] == pytest.approx(6.0, abs=0.01)
    assert "travel, mm peak" in [panel.get_ylabel() for panel in figure.axes]
    assert any("Xmax" in text for text in texts(figure)) == (made_driver().Xmax is not None)
