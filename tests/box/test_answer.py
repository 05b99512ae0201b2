"""What is said first of a box, and the table of its levels."""

import numpy as np
import pytest
from helpers.boxes import box_plan
from helpers.made_fit import made_driver

from tsfit.box.answer import answer, levels

HZ = (20.0, 50.0)


def test_the_answer_says_how_loud_and_what_stops_it():
    said = answer(box_plan("closed", volume=0.045, ratings={"power_w": 100.0, "xmax_m": 0.005}).build(made_driver()))
    assert said[0].startswith("Wagtail 8, closed box: 45.0 l, f3 ")
    assert said[1].startswith("Loudest at 1 m in half space, and what stops it: ")
    assert "25 Hz (travel)" in said[1]
    assert answer(box_plan("closed", volume=0.045).build(made_driver()))[1].startswith("How loud it plays is open")


def test_the_table_is_that_of_the_curves():
    result = box_plan("closed", volume=0.045, ratings={"xmax_m": 0.005}).build(made_driver())
    columns = levels(result, HZ)
    assert list(columns) == ["Hz", "dB at 2.83 V", "peak mm", "most dB", "at V", "stopped by"]
    assert [float(cell) for cell in columns["peak mm"]] == pytest.approx(result.at(HZ).excursion_mm, abs=0.005)
    # Travel goes with the voltage, and the level with its logarithm.
    volts = 2.83 * 5.0 / np.array([float(cell) for cell in columns["peak mm"]])
    assert [float(cell) for cell in columns["at V"]] == pytest.approx(volts, rel=0.01)
