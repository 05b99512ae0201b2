"""The plot of several samples: every sample stands where it lies, the sheet beside them, levels are left out."""

import numpy as np
import pytest
from helpers.made_page import SHEET, drawn_fit, lot

from tsfit.check.lot import check_lot
from tsfit.formats.sheet import read_sheet
from tsfit.plots.lot import lot_plot


@pytest.fixture(scope="module")
def drawn(tmp_path_factory):
    path = tmp_path_factory.mktemp("sheet") / "sheet.toml"
    path.write_text(SHEET)
    fits = lot(drawn_fit())
    figure = lot_plot(check_lot(fits, read_sheet(path)))
    return fits, figure.axes[0]


def test_dots_are_percent_off_the_mean(drawn):
    """Of ratios, so the mean is the geometric one."""
    fits, panel = drawn
    names = [label.get_text() for label in panel.get_yticklabels()]
    row = names.index("Fs")
    dots = next(line for line in panel.lines if line.get_marker() == "o" and line.get_ydata()[0] == row)
    fs = np.array([fit.driver.Fs for fit in fits])
    mean = np.exp(np.log(fs).mean())
    np.testing.assert_allclose(np.sort(dots.get_xdata()), np.sort(100.0 * (fs / mean - 1.0)), atol=1e-9)
    sheet = next(line for line in panel.lines if line.get_marker() == "D" and line.get_ydata()[0] == row)
    assert sheet.get_xdata()[0] == pytest.approx(100.0 * (34.0 / mean - 1.0))


def test_levels_are_left_to_the_table_and_the_odd_one_is_named(drawn):
    _, panel = drawn
    names = [label.get_text() for label in panel.get_yticklabels()]
    assert names
    assert not [name for name in names if name.startswith("sensitivity")]
    assert any(text.get_text().endswith(" 6") for text in panel.texts)
