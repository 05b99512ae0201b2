import numpy as np
import pytest
from helpers.boxes import closed_box, vented_box
from helpers.made_fit import made_driver

from tsfit.box.compare.consequence import consequence, exact
from tsfit.plots.consequence import consequence_plot


@pytest.mark.parametrize("rated", [{}, {"Xmax": 6e-3, "Pe": 90.0}])
def test_every_box_has_a_panel_with_its_changes(rated):
    driver, other = made_driver(**rated), made_driver(Qes=0.6)
    boxes = [closed_box(driver, volume=0.03), vented_box(driver, volume=0.05, tuning=33.0)]
    found = [consequence(box.enclosure, exact(driver), exact(other), box=f"box {k}") for k, box in enumerate(boxes)]
    figure = consequence_plot("Wagtail 8", list(found))
    panels = figure.axes
    assert [panel.get_title(loc="left") for panel in panels] == ["Box 0, 30 l", "Box 1, 50 l, tuned to 33 Hz"]
    names = ["at the same voltage", "loudest, by printed limits"] if rated else ["at the same voltage"]
    for panel, item in zip(panels, found, strict=True):
        assert sorted(text.get_text() for text in panel.texts) == sorted(names)
        drawn = [line for line in panel.lines if len(line.get_xdata()) == len(item.frequency_hz)]
        np.testing.assert_allclose(drawn[0].get_ydata(), item.level_change_db.value)
        low, high = panel.get_ylim()
        assert low < item.level_change_db.value.min()
        assert item.level_change_db.value.max() < high
        assert panel.get_ylabel() == "change, dB"
