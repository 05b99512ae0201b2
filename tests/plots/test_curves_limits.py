"""Which limit stops whom where, at the foot of a panel: named, in the look of its curve, apart from the curves."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import vented_box

from tsfit.box.equaliser.equalised import at_level, equalise, flat
from tsfit.box.equaliser.form import equaliser_form
from tsfit.box.equaliser.sections import FilterSection
from tsfit.box.ports import Port
from tsfit.driver.record import Driver
from tsfit.plots.curves import Quantity, curves_plot, limit_rows
from tsfit.plots.equalised import equalised_plot
from tsfit.plots.style import LINES

HERON = Driver("Heron 10", 5.6, 31.0, 4.6, 0.42, Mms=0.052, Sd=0.0346, Xmax=0.006, Pe=150.0)
F = np.geomspace(10.0, 1000.0, 201)


def drawn(limits):
    curves = {name: 90.0 + 20.0 * np.log10(F / 100.0) - k for k, name in enumerate(limits)}
    figure = curves_plot(F, [Quantity("loudest, dB", curves, span=30.0, height=2.5)], "x", "y")
    (panel,) = figure.axes
    before = panel.get_ylim()
    rows = {name: (curves[name], found) for name, found in limits.items()}
    limit_rows(panel, F, rows, {name: number for number, name in enumerate(limits)})
    figure.draw_without_rendering()
    return panel, before, curves


def names(panel, curves):
    return [text for text in panel.texts if text.get_text() not in curves]


@pytest.mark.parametrize("count", [1, 2, 8])
def test_rows_stand_below_the_curves_in_the_look_of_each(count):
    limits = {f"driver {k}": ["travel"] * (80 + k) + ["power"] * (121 - k) for k in range(count)}
    panel, (bottom, top), curves = drawn(limits)
    low, high = panel.get_ylim()
    assert high == top
    written = names(panel, curves)
    assert [text.get_text() for text in written] == ["travel", "power"] * count
    heights = [low + (high - low) * text.get_position()[1] for text in written]
    assert max(heights) < bottom
    assert min(heights) > low
    for number, text in enumerate(written):
        assert text.get_color() == LINES[number // 2 % len(LINES)][0]


def test_dots_mark_where_another_limit_takes_over():
    panel, (bottom, _), curves = drawn({"one": ["travel"] * 100 + ["port speed"] * 40 + ["power"] * 61})
    dots = [line for line in panel.lines if line.get_marker() == "o"]
    assert [float(dot.get_xdata()[0]) for dot in dots] == [F[100], F[140]]
    assert [float(dot.get_ydata()[0]) for dot in dots] == [curves["one"][100], curves["one"][140]]
    deep, (bottom, _), curves = drawn({"one": ["travel"] * 10 + ["power"] * 191})
    assert curves["one"][10] < bottom
    assert not [line for line in deep.lines if line.get_marker() == "o"]


def test_a_sliver_has_no_name_and_names_have_no_line_through_them():
    panel, _, curves = drawn({"one": ["travel"] * 100 + ["port speed"] * 3 + ["power"] * 98})
    assert [text.get_text() for text in names(panel, curves)] == ["travel", "power"]
    foot = [line for line in panel.lines if line.get_transform() == panel.transAxes]
    for text in names(panel, curves):
        box = text.get_window_extent()
        ends = panel.transAxes.inverted().transform([[box.x0, box.y0], [box.x1, box.y1]])[:, 0]
        for line in foot:
            start, stop = line.get_xdata()
            assert stop <= ends[0] or start >= ends[1]


def test_a_curve_of_one_limit_is_one_row():
    panel, _, curves = drawn({"one": ["power"] * 201})
    assert [text.get_text() for text in names(panel, curves)] == ["power"]


def test_the_equalised_figure():
    box = vented_box(HERON, volume=0.06, tuning=27.0, port=Port(diameter=0.1))
    found = flat(box, 30.0)
    figure = equalised_plot(equaliser_form(found, at_level(found, 95.0)))
    labels = [panel.get_ylabel() for panel in figure.axes]
    assert labels == ["level, dB at 1 m", "gain, dB", "travel, mm peak", "headroom, dB"]
    written = [text.get_text() for panel in figure.axes for text in panel.texts]
    for word in ("alone", "with equaliser", "target", "Xmax 6 mm", "the limit", "travel", "power"):
        assert word in written
    bare = vented_box(replace(HERON, Xmax=None, Pe=None), volume=0.06, tuning=27.0)
    found = equalise(bare, [FilterSection("peaking", 40.0, 1.2, 3.0)])
    figure = equalised_plot(equaliser_form(found, at_level(found, 95.0)))
    assert [panel.get_ylabel() for panel in figure.axes] == labels[:3]


def test_names_keep_apart_where_the_panel_is_half_as_wide():
    """As on a phone: letters keep their size, and between neighbours a letter's width is left."""
    panel, _, curves = drawn({"one": ["travel"] * 50 + ["port speed"] * 15 + ["travel"] * 55 + ["power"] * 81})
    written = names(panel, curves)
    assert [text.get_text() for text in written] == ["travel", "port speed", "travel", "power"]
    extents = [text.get_window_extent() for text in written]
    middles = [0.5 * (box.x0 + box.x1) for box in extents]
    for one, other, start, stop in zip(extents, extents[1:], middles, middles[1:], strict=False):
        assert 0.5 * (stop - start) > 0.5 * (one.width + other.width) + 5.0
    places = [text.get_position()[0] for text in written]
    for place, (start, stop) in zip(places, ((0, 50), (50, 65), (65, 120), (120, 200)), strict=True):
        assert start / 200 < place < stop / 200
