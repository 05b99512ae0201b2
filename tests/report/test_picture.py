"""A plot on a page: text stays text, every curve can be read off at the points that were drawn."""

import re
from pathlib import Path

import numpy as np
import pytest
from helpers.contrast import contrast
from matplotlib.figure import Figure

import tsfit.report
from tsfit.report.picture import COLOURS, MOST_POINTS, picture

F = np.geomspace(5.0, 20e3, 3 * MOST_POINTS)


def made(name="one"):
    figure = Figure()
    panel = figure.subplots()
    panel.plot(F, 6.0 + F / 1e3, label="free air")
    panel.plot(F, 7.0 + 0.0 * F)
    panel.set_xscale("log")
    panel.set_ylabel("impedance, Ω")
    panel.set_title("<b>Knot</b>", parse_math=False)
    return picture(figure, name, "What it shows.")


def test_a_named_curve_is_read_off_where_it_was_drawn():
    found = made()
    assert found.curves == ("free air",)
    ((line,),) = (panel["lines"] for panel in found.readings["panels"])
    x = found.readings["x"][line["x"]]
    assert len(x) == MOST_POINTS
    np.testing.assert_allclose(line["y"], 6.0 + np.array(x) / 1e3, rtol=2e-3)
    assert found.readings["panels"][0]["x"][2] is True
    assert found.readings["panels"][0]["y_name"] == "impedance, Ω"


def test_curves_over_the_same_places_name_them_once_and_leave_out_where_they_are_not():
    figure = Figure()
    panel = figure.subplots()
    panel.plot(F, F, label="one")
    panel.plot(F, 2.0 * F, label="two")
    panel.plot(F, np.where(F > 1e3, F, np.nan), label="part")
    found = picture(figure, "one", "What it shows.").readings
    one, two, part = found["panels"][0]["lines"]
    assert one["x"] == two["x"] == 0
    assert len(found["x"]) == 2
    assert min(found["x"][part["x"]]) > 999.0
    assert None not in part["y"]


@pytest.mark.parametrize("alpha", [None, 0.3])
def test_dots_stand_where_they_were_drawn_as_one_line(alpha):
    """Two kinds of dots of one size; the browser draws a line of no length with round ends as a dot."""
    figure = Figure(figsize=(5.0, 5.0))
    panel = figure.add_axes((0.0, 0.0, 1.0, 1.0), xlim=(0.0, 360.0), ylim=(0.0, 360.0))
    panel.plot([36.0, 72.0], [60.0, 90.0], ".", markersize=6.0, markeredgewidth=0, color="#14505c", alpha=alpha)
    panel.plot([100.0], [100.0], ".", markersize=6.0, markeredgewidth=0, color="#b4531a", alpha=alpha)
    svg = str(picture(figure, "one", "What it shows.").svg)
    assert 'd="M36 300h0M72 270h0"' in svg
    assert 'd="M100 260h0"' in svg
    assert svg.count("stroke-width: 3.00; stroke-linecap: round") == 2
    assert svg.count("stroke-opacity: 0.3") == (0 if alpha is None else 2)


def test_words_are_text_and_no_markup():
    svg = str(made().svg)
    assert "impedance, Ω" in svg
    assert "&lt;b&gt;Knot&lt;/b&gt;" in svg
    assert "<b>" not in svg


def test_two_pictures_share_no_identifier():
    import re

    one, two = (set(re.findall(r' id="([^"]+)"', str(made(name).svg))) for name in ("one", "two"))
    assert one
    assert not one & two


@pytest.mark.against("contrast on the page, light, dark and printed", "WCAG 2.x, from memory", "4.5")
@pytest.mark.parametrize("scheme", range(3), ids=["light", "dark", "printed"])
def test_what_is_drawn_stands_out_from_the_page(scheme):
    """Every colour of a drawing but the hairlines, on what lies below it."""
    style = (Path(tsfit.report.__file__).parent / "page.css").read_text()
    found = [dict(re.findall(r"(--[\w-]+): (#[0-9a-f]+);", block)) for block in re.findall(r":root \{(.*?)\}", style, re.S)]
    colours = found[scheme]
    for name in set(COLOURS.values()) - {"--hair"}:
        assert all(contrast(colours[name], colours[below]) >= 4.5 for below in ("--paper", "--card")), name
