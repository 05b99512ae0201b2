"""Figures of drift: every cause has its panel, units stand on the axes, the end is named."""

import numpy as np
from helpers.boxes import box_plan
from helpers.made_histories import HOURS, made_history

from tsfit.drift.box import boxed_change
from tsfit.drift.history import history
from tsfit.plots.drift import box_drift_plot, drift_plot


def _texts(figure):
    return " ".join(text.get_text() for panel in figure.axes for text in panel.texts)


def test_each_cause_has_a_panel_and_the_end_is_named():
    drift = {"Cms": 1.0 + 0.15 * -np.expm1(-np.array(HOURS) / 5.0)}
    figure = drift_plot(history(made_history(np.random.default_rng(1), drift)))
    assert len(figure.axes) == 5
    texts = _texts(figure)
    for word in ("compliance", "moving mass", "motor", "losses", "coil temperature", "ends at +"):
        assert word in texts
    assert all(panel.get_ylabel() == "change, %" for panel in figure.axes)
    assert figure.axes[-1].get_xlabel() == "hours of use"


def test_few_entries_without_a_mass_can_be_drawn():
    log = made_history(np.random.default_rng(2), None, (0.0, 3.0), with_mass=False)
    assert len(drift_plot(history(log)).axes) == 4


def test_a_box_before_and_after():
    log = made_history(np.random.default_rng(3), {"Cms": np.array([1.0, 1.2])}, (0.0, 9.0))
    boxed = boxed_change(box_plan("closed", volume=0.08), *log.entries, np.random.default_rng(0))
    figure = box_drift_plot(boxed)
    assert "0 h, f3" in _texts(figure)
    assert "9 h, f3" in _texts(figure)
    assert [panel.get_ylabel() for panel in figure.axes] == ["level at 2.83 V, dB at 1 m", "change, dB"]
