"""Ticks, frequencies and labels as every plot has them."""

from itertools import combinations, pairwise

import numpy as np
import pytest
from helpers.contrast import contrast

from tsfit.plots.style import (
    INK,
    LINES,
    QUIET,
    frequency_axis,
    frequency_text,
    log_value_axis,
    new_plot,
    preferred_numbers,
    spread,
)


@pytest.mark.parametrize(
    ("low", "high", "ticks"),
    [
        (5.0, 2000.0, [5, 10, 20, 50, 100, 200, 500, 1000, 2000]),
        (20.0, 40.0, [20, 25, 31.5, 40]),
        (30.0, 34.0, [30, 31, 32, 33, 34]),
    ],
)
def test_ticks_stand_at_preferred_numbers(low, high, ticks):
    assert preferred_numbers(low, high) == pytest.approx(ticks)


def test_frequencies_are_written_short():
    assert [frequency_text(f) for f in (20.0, 31.5, 1000.0, 20e3)] == ["20", "31.5", "1k", "20k"]


def test_labels_keep_their_distance_and_their_order():
    placed = spread([0.30, 0.31, 0.02, 0.99], 0.2)
    assert np.all(np.diff(np.sort(placed)) > 0.199)
    assert list(np.argsort(placed)) == [2, 0, 1, 3]
    assert min(placed) >= 0.099
    assert max(placed) <= 0.901
    assert spread([0.5], 0.2) == [0.5]


@pytest.mark.parametrize("ends", [(3.6, 4.55), (3.0, 60.0), (1.0, 1000.0)])
def test_a_logarithmic_axis_has_room_between_its_numbers(ends):
    _, (panel,) = new_plot([0.8], "", "")
    panel.set_ylim(*ends)
    log_value_axis(panel, "impedance, Ω")
    ticks = [tick for tick in panel.get_yticks() if ends[0] <= tick <= ends[1]]
    assert 3 <= len(ticks) <= 6


@pytest.mark.parametrize(
    ("ends", "drawn"), [((5.0, 495.6), (5.0, 500.0)), ((10.15, 2000.0), (10.0, 2000.0)), ((7.0, 470.0), (7.0, 470.0))]
)
def test_an_axis_that_ends_just_before_a_number_goes_up_to_it(ends, drawn):
    _, (panel,) = new_plot([0.8], "", "")
    frequency_axis(panel, *ends)
    assert panel.get_xlim() == pytest.approx(drawn)
    assert (drawn[1] in panel.get_xticks()) == (drawn[1] in (500.0, 2000.0))


def test_a_logarithmic_axis_over_a_short_range_has_even_numbers():
    _, (panel,) = new_plot([0.8], "", "")
    panel.set_ylim(5.2, 7.9)
    log_value_axis(panel, "impedance, Ω")
    assert list(panel.get_yticks()) == pytest.approx([5.5, 6.0, 6.5, 7.0, 7.5])


def test_a_logarithmic_axis_whose_values_are_all_alike_has_no_numbers_to_thin():
    _, (panel,) = new_plot([0.8], "", "")
    panel.set_ylim(5.0000001, 5.0000002)
    log_value_axis(panel, "impedance, Ω")
    assert all(np.isfinite(panel.get_yticks()))


@pytest.mark.against("contrast of text and lines on paper", "WCAG 2.x, from memory", "4.5")
@pytest.mark.parametrize("colour", [INK, QUIET, *(colour for colour, _ in LINES)])
def test_what_is_written_and_drawn_stands_out_from_paper(colour):
    assert contrast(colour, "#ffffff") >= 4.5


def test_lines_are_told_apart_on_a_photocopy():
    """No two have one dash (longest stroke over the period, strokes, period), and neighbours differ in grey."""

    def pattern(dash):
        if dash == "solid":
            return (1.0, 1)
        strokes = dash[1][::2]
        return (round(max(strokes) / sum(dash[1]), 2), len(strokes), round(sum(dash[1]), 1))

    assert all(pattern(one) != pattern(other) for (_, one), (_, other) in combinations(LINES, 2))
    assert all(contrast(one, other) > 1.5 for (one, _), (other, _) in pairwise(LINES))
