"""Panels over frequency: each quantity and its band as given, a name for each system, the range that each asks for."""

import numpy as np
import pytest
from helpers.read_plot import texts
from matplotlib.collections import FillBetweenPolyCollection

from tsfit.plots.curves import Quantity, curves_plot

HZ = np.array([10.0, 100.0, 1000.0])


def test_each_panel_holds_its_curves_and_names_stand_once():
    level, travel = {"one": [80.0, 90.0, 91.0], "other": [70.0, 88.0, 92.0]}, {"other": [5.0, 2.0, 0.1]}
    drawn = curves_plot(HZ, [Quantity("level, dB", level, span=40.0), Quantity("travel, mm", travel)], "title", "beneath")
    first, second = drawn.axes
    for panel, curves in ((first, level), (second, travel)):
        assert {line.get_label(): list(line.get_ydata()) for line in panel.lines if line.get_label() in level} == curves
    assert sorted(text for text in texts(drawn) if text in level) == ["one", "other"]
    colours = {line.get_label(): line.get_color() for line in first.lines}
    assert colours["one"] != colours["other"]
    assert next(line.get_color() for line in second.lines if line.get_label() == "other") == colours["other"]


@pytest.mark.parametrize(
    ("quantity", "limits"),
    [
        (Quantity("level, dB", {"x": [80.0, 90.0, 91.0]}, span=40.0), (55.0, 95.0)),
        (Quantity("difference, dB", {"x": [-4.0, 0.0, 2.0]}, signed=True), (-4.6, 4.6)),
        (Quantity("difference, dB", {"x": [-0.1, 0.0, 0.2]}, signed=True), (-1.0, 1.0)),
        (Quantity("travel, mm", {"x": [5.0, np.nan, 10.0]}), (0.0, 11.0)),
        (Quantity("travel, mm", {"x": [5.0, 2.0, 10.0]}, limit=(16.0, "Xmax")), (0.0, 18.48)),
        (Quantity("travel, mm", {"x": [5.0, 2.0, 10.0]}, limit=(21.0, "Xmax")), (0.0, 11.0)),
    ],
)
def test_range(quantity, limits):
    """A limit beyond twice the largest value is neither drawn nor made room for."""
    drawn = curves_plot(HZ, [quantity], "title", "beneath")
    (panel,) = drawn.axes
    assert panel.get_ylim() == pytest.approx(limits)
    drawn.canvas.draw()
    assert ("Xmax" in " ".join(texts(drawn))) == (limits[1] == 18.48)


def test_a_band_reaches_from_its_lower_to_its_upper_bound():
    bands = {"x": ([79.0, 89.0, 90.0], [82.0, 91.0, 93.0])}
    drawn = curves_plot(HZ, [Quantity("level, dB", {"x": [80.0, 90.0, 91.0]}, bands, span=40.0)], "title", "beneath")
    (band,) = [item for item in drawn.axes[0].collections if isinstance(item, FillBetweenPolyCollection)]
    corners = {tuple(corner) for corner in band.get_paths()[0].vertices}
    assert corners == {(f, y) for bound in bands["x"] for f, y in zip(HZ, bound, strict=True)}
