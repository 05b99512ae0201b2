"""Limits behind a high-pass: each taken alone, the high-pass put before those of amplifier and coil by hand."""

import numpy as np
import pytest
from helpers.boxes import vented_box

from tsfit.base.errors import TsfitError
from tsfit.box.compare.circumstances import Circumstances
from tsfit.box.limits import Ratings, maximum_output
from tsfit.driver.record import Driver

F = np.geomspace(12.0, 200.0, 60)
DRIVER = Driver("Heron 18", Re=3.4, Fs=26.0, Qms=5.0, Qes=0.33, Mms=0.31, Sd=0.124)
RATED = {"power_w": 800.0, "amplifier_v": 45.0, "xmax_m": 0.005, "port_speed_m_s": 20.0}


@pytest.mark.parametrize("order", [2, 4])
def test_the_lowest_of_all_limits_counts(order):
    box = vented_box(DRIVER, volume=0.18, tuning=24.0, port_diameter=0.12).enclosure
    lost = 10.0 * np.log10(1.0 + (30.0 / F) ** (2 * order))
    each = {name: maximum_output(box, F, Ratings(**{name: value})).spl_db for name, value in RATED.items()}
    each = {name: level - lost if name in ("power_w", "amplifier_v") else level for name, level in each.items()}
    found = Circumstances(30.0, order).loudest(box, F, Ratings(**RATED))
    np.testing.assert_allclose(found.spl_db, np.min(list(each.values()), axis=0), atol=1e-9)
    names = {"power_w": "power", "amplifier_v": "amplifier voltage", "xmax_m": "travel", "port_speed_m_s": "port speed"}
    lowest = [names[list(each)[k]] for k in np.argmin(list(each.values()), axis=0)]
    assert found.limited_by.tolist() == lowest
    assert len(set(lowest)) >= 3


def test_limits_of_one_sort_alone():
    box = vented_box(DRIVER, volume=0.18, tuning=24.0).enclosure
    behind = Circumstances(30.0, 2)
    travel = Ratings(xmax_m=0.009)
    np.testing.assert_array_equal(behind.loudest(box, F, travel).spl_db, maximum_output(box, F, travel).spl_db)
    power = behind.loudest(box, F, Ratings(power_w=100.0)).spl_db
    assert power[0] < maximum_output(box, F, Ratings(power_w=100.0)).spl_db[0] - 10.0
    assert behind.loudest(box, F, Ratings()) is None


def test_a_high_pass_that_cannot_be_is_refused():
    with pytest.raises(TsfitError, match="high-pass"):
        Circumstances(-1.0)
