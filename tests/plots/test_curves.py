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


def test_a_name_stands_beside_its_curve_where_the_curves_are_far_apart():
    """Two levels that part above 100 Hz: both names stand there, one above and one below, each on a short leader."""
    hz = np.geomspace(10.0, 1000.0, 200)
    lower = 90.0 - 5.0 * np.maximum(np.log10(hz / 100.0), 0.0)
    figure = curves_plot(hz, [Quantity("level, dB", {"one": 180.0 - lower, "other": lower}, span=40.0)], "title", "beneath")
    panel = figure.axes[0]
    for text, below in zip(panel.texts, (False, True), strict=True):
        point, place = text.xy, text.get_position()
        assert point[0] > 300.0
        share = (point[1] - panel.get_ylim()[0]) / 40.0
        assert 0.03 < abs(place[1] - share) < 0.15
        assert (place[1] < share) == below


def test_a_name_without_room_beside_its_curve_stands_above_the_panel():
    level = np.full(200, 90.0)
    levels = {"one": level, "other": level + 0.5, "third": level + 1.0}
    figure = curves_plot(np.geomspace(10.0, 1000.0, 200), [Quantity("level, dB", levels, span=40.0)], "title", "beneath")
    heights = {text.get_text(): text.get_position()[1] for text in figure.axes[0].texts}
    assert heights["other"] > 1.0
