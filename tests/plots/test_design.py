"""The trade-off map: what stands on it, and that contours run where the numbers are."""

from dataclasses import replace

import numpy as np
import pytest
from helpers.boxes import vented_search
from matplotlib.collections import LineCollection
from matplotlib.contour import QuadContourSet

from tsfit.box.design.jumps import Jumps, jumps
from tsfit.box.design.search import best_vented, design_map, usual_limits
from tsfit.driver.record import Driver
from tsfit.plots.design import WIDE_PT, finer, map_plot, without_teeth

HERON = Driver("Heron 10", Re=5.6, Fs=31.0, Qms=4.6, Qes=0.42, Mms=0.052, Sd=0.0346)
PLACE = (0.06, 31.0)
SEARCH = vented_search(HERON, replace(usual_limits(HERON, 0.1), delay=0.025), leak_q=10.0)


def contours(quantities):
    design = design_map(SEARCH, PLACE, 25)
    figure = map_plot(design, PLACE, quantities)
    (panel,) = figure.axes
    figure.canvas.draw()
    sets = [item for item in panel.collections if isinstance(item, QuadContourSet) and not item.filled]
    return design, panel, sets


def test_contours_run_through_boxes_of_that_f3():
    _, _, (f3,) = contours(("f3",))
    for level, path in zip(f3.levels, f3.get_paths(), strict=True):
        if len(path.vertices) < 3:
            continue
        litres, tuning = path.vertices[len(path.vertices) // 2]
        found = SEARCH.evaluate(np.array([1e-3 * litres]), np.array([tuning])).merits.f3_hz[0]
        assert found == pytest.approx(level, rel=0.02)


def test_each_quantity_has_its_own_dash_and_labels_with_units():
    _, panel, sets = contours(("f3", "ripple", "group delay"))
    assert len({str(item.get_linestyles()[0]) for item in sets}) == 3
    texts = [text.get_text() for item in sets for text in item.labelTexts]
    assert {text.split()[-1] for text in texts} == {"Hz", "dB", "ms"}
    assert panel.get_xlabel() == "net volume, l"
    assert panel.get_ylabel() == "tuning, Hz"
    assert "60 l, 31 Hz" in [text.get_text() for text in panel.texts]


def test_labels_keep_off_the_edges_and_usually_there_are_two_families():
    _, panel, sets = contours(("f3", "ripple"))
    usual = map_plot(design_map(SEARCH, PLACE, 9)).axes[0].collections
    assert sum(isinstance(item, QuadContourSet) and not item.filled for item in usual) == len(sets) == 2
    labels = [text for item in sets for text in item.labelTexts]
    assert len(labels) > 4
    for text in labels:
        place = panel.transAxes.inverted().transform(panel.transData.transform(text.get_position()))
        assert np.all((place > 0.07) & (place < 0.93)), text.get_text()


@pytest.mark.parametrize("seed", range(4))
def test_names_of_contours_keep_off_each_other(seed):
    driver = replace(HERON, Fs=(22.0, 31.0, 45.0, 60.0)[seed], Qes=(0.3, 0.42, 0.36, 0.5)[seed])
    search = vented_search(driver, replace(usual_limits(driver, 0.1), delay=0.025), leak_q=7.0)
    figure = map_plot(design_map(search, (0.06, driver.Fs), 60))
    figure.canvas.draw()
    sets = [one for one in figure.axes[0].collections if isinstance(one, QuadContourSet) and not one.filled]
    boxes = [(text.get_text(), text.get_window_extent()) for item in sets for text in item.labelTexts]
    assert len(boxes) > 4
    overlapping = [(a, b) for k, (a, one) in enumerate(boxes) for b, other in boxes[:k] if one.overlaps(other)]
    assert not overlapping


def test_what_breaks_the_limits_is_shaded():
    design, *_ = contours(("f3",))
    excess = design.over(design.boxes.excess)
    assert np.all(excess[:, design.volume > 0.1 * (1.0 + 1e-9)] > 0.0)
    assert np.any(excess == 0.0)
    # The box that was found is one of those drawn, so that a corner of what is allowed is not cut off beside it.
    assert np.isclose(design.volume, PLACE[0]).any()
    assert np.isclose(design.tuning, PLACE[1]).any()


@pytest.mark.parametrize("seed", range(4))
def test_contours_end_at_the_edge_or_where_the_map_says_why(seed):
    """Or they close; no piece is too short to read."""
    driver = replace(HERON, Fs=(22.0, 31.0, 45.0, 60.0)[seed], Qes=(0.3, 0.42, 0.36, 0.5)[seed])
    search = vented_search(driver, usual_limits(driver, 0.2), leak_q=10.0)
    design = design_map(search, (0.08, driver.Fs), 60)
    figure = map_plot(design)
    (panel,) = figure.axes
    (line,) = [one for one in panel.collections if isinstance(one, LineCollection) and one.get_linewidth()[0] == WIDE_PT]
    assert any("jumps" in text.get_text() for text in panel.texts)
    to_share = (panel.transData - panel.transAxes).transform
    where = to_share(np.concatenate(line.get_segments()))
    step = 1.0 / 59.0
    ends = 0
    for drawn in (one for one in panel.collections if isinstance(one, QuadContourSet) and not one.filled):
        names = to_share(np.array([text.get_position() for text in drawn.labelTexts]))
        for path in drawn.get_paths():
            path.should_simplify = False
            for piece in (to_share(one) for one in path.to_polygons(closed_only=False) if len(one)):
                at_name = [np.min(np.abs(names - end).max(axis=1)) < 0.06 for end in (piece[0], piece[-1])]
                assert any(at_name) or np.max(np.ptp(piece, axis=0)) > 0.09
                for end, named in zip((piece[0], piece[-1]), at_name, strict=True):
                    ends += 1
                    at_edge = np.any((end < 0.01) | (end > 0.99))
                    closed = np.all(np.abs(piece[0] - piece[-1]) < 1e-9)
                    assert at_edge or closed or named or np.min(np.max(np.abs(where - end), axis=1)) < 1.5 * step, end
    assert ends > 10


def test_a_jump_is_where_the_note_points():
    """f3 or ripple of two boxes a band apart differ by far more than a contour's step allows elsewhere."""
    driver = replace(HERON, Qes=0.36)
    search = vented_search(driver, usual_limits(driver, 0.2), leak_q=10.0)
    (panel,) = map_plot(design_map(search, (0.08, driver.Fs), 60)).axes
    (named,) = (text for text in panel.texts if "jumps" in text.get_text())
    litres, tuning = named.xy
    found = search.evaluate(np.full(2, 1e-3 * litres), tuning * np.array([0.98, 1.12])).merits
    assert abs(np.log(found.f3_hz[1] / found.f3_hz[0])) > 0.15 or abs(np.diff(found.unevenness_db)[0]) > 0.5


NOWHERE = Jumps(np.full((5, 7), False), np.full((6, 6), False), np.empty((0, 2, 2)))
SLOPE = np.add.outer(3.0 * np.arange(6.0), 0.5 * np.arange(7.0))
CLIFF = replace(NOWHERE, upwards=np.arange(5)[:, None] == np.full(7, 2))


def test_what_takes_the_teeth_off_leaves_a_slope_and_a_jump_as_they_are():
    np.testing.assert_allclose(without_teeth(SLOPE, NOWHERE, 2), SLOPE, atol=1e-12)
    teeth = SLOPE + np.where(np.add.outer(np.arange(6), np.arange(7)) % 2, 0.1, -0.1)
    assert np.max(np.abs(without_teeth(teeth, NOWHERE, 1) - SLOPE)[1:-1, 1:-1]) < 0.02
    high = SLOPE + np.where(np.arange(6) > 2, 40.0, 0.0)[:, None]
    np.testing.assert_allclose(without_teeth(high, CLIFF, 2), high, atol=1e-12)
    assert np.max(np.abs(without_teeth(high, NOWHERE, 2) - high)) > 5.0


def test_between_neighbours_values_go_straight_and_no_value_stands_where_they_jump():
    found = finer(SLOPE, NOWHERE)
    np.testing.assert_allclose(found, np.add.outer(np.arange(16.0), np.arange(19.0) / 6.0), atol=1e-12)
    rows = np.nonzero(np.all(np.isnan(finer(SLOPE, CLIFF)), axis=1))[0]
    assert rows.tolist() == [7, 8]
    aside = replace(NOWHERE, across=(np.arange(6)[:, None] == np.full(6, 3)) & (np.arange(6) == 1))
    lost = np.argwhere(np.isnan(finer(SLOPE, aside)))
    assert (lost.min(axis=0).tolist(), lost.max(axis=0).tolist()) == ([7, 4], [11, 5])


def test_boxes_on_the_edge_of_the_shade_keep_a_limit_just_so():
    design = design_map(vented_search(HERON, usual_limits(HERON, 0.2), leak_q=10.0), (0.08, HERON.Fs))
    panel = map_plot(design).axes[0]
    (shade,) = [one for one in panel.collections if isinstance(one, QuadContourSet) and one.filled]
    places = np.concatenate([path.vertices for path in shade.get_paths()])
    places = places[(places[:, 0] > 1.02e3 * design.volume[0]) & (places[:, 0] < 0.98e3 * 0.2)]
    places = places[(places[:, 1] > 1.02 * design.tuning[0]) & (places[:, 1] < 0.98 * design.tuning[-1])]
    meshes = np.log([design.volume[1] / design.volume[0], design.tuning[1] / design.tuning[0]])
    line = np.log(jumps(design, "ripple").pieces.mean(axis=1)) / meshes
    away = np.linalg.norm((np.log(places * [1e-3, 1.0]) / meshes)[:, None] - line, axis=-1).min(axis=1)
    places = places[away > 1.5]  # Where ripple jumps there is no such box.
    over = design.search.evaluate(1e-3 * places[:, 0], places[:, 1]).exceeded["ripple"]
    assert len(places) > 100
    assert np.quantile(np.abs(over), 0.9) < 0.02


@pytest.mark.parametrize("volume", [0.03, 0.05, 0.09])
def test_the_best_box_with_a_scaled_port_stands_where_the_shade_begins(volume):
    """A port as wide as its speed asks keeps that limit everywhere; what is left binds at the edge, and there alone."""
    limits = replace(usual_limits(HERON, volume), port_speed=10.0, fixed_port=False, ripple_db=2.0)
    search = vented_search(HERON, limits, voltage=5.0, leak_q=10.0)
    best = best_vented(search)
    place = float(best.volume[0]), float(best.tuning[0])
    design = design_map(search, place)
    figure = map_plot(design, place)
    (shade,) = [one for one in figure.axes[0].collections if isinstance(one, QuadContourSet) and one.filled]
    meshes = np.log([design.volume[1] / design.volume[0], design.tuning[1] / design.tuning[0]])
    edge = np.concatenate([path.vertices for path in shade.get_paths()])
    away = np.log(edge / [1e3 * place[0], place[1]]) / meshes
    assert np.min(np.linalg.norm(away, axis=1)) < 0.3
    near = edge[(np.abs(away[:, 1]) < 3.0) & (np.abs(away[:, 0]) < 4.0)]
    over = search.evaluate(1e-3 * near[:, 0], near[:, 1]).exceeded
    binding = np.max([over["ripple"], over["volume with its port"], over["port length"]], axis=0)
    assert len(near) > 4
    # A corner between two limits is cut within its mesh, by less than a whole one.
    assert np.max(np.abs(binding)) < 0.6 * meshes[0]
