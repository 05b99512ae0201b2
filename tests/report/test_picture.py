"""A plot on a page: text stays text, every curve can be read off at the points that were drawn."""

import numpy as np
from matplotlib.figure import Figure

from tsfit.report.picture import MOST_POINTS, picture

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
    assert len(line["x"]) == MOST_POINTS
    np.testing.assert_allclose(line["y"], 6.0 + np.array(line["x"]) / 1e3, rtol=2e-4)
    assert found.readings["panels"][0]["x"][2] is True
    assert found.readings["panels"][0]["y_name"] == "impedance, Ω"


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
