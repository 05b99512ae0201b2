"""Stretches of frequency in which something holds, and where they meet."""

import math

import numpy as np
import pytest

from tsfit.box.compare.result import inside, met, stretches, where


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [(15.0, 250.0, "at every frequency of the bass"), (15.0, 71.6, "below 72 Hz"), (71.6, 250.0, "above 72 Hz"),
     (33.3, 71.6, "from 33 to 72 Hz")],
)  # fmt: skip
def test_an_end_at_the_edge_of_the_bass_is_none(low, high, said):
    assert where(low, high) == said


def test_stretches_that_nearly_touch_meet_in_the_middle_and_others_stay():
    """72.66 is the geometric mean of 71 and 74.35; between 20 and 40 Hz lies an octave, which is told."""
    (first, end), (start, last) = met([(15.0, 71.0), (74.35, 250.0)])
    assert (first, last) == (15.0, 250.0)
    assert end == start == pytest.approx(math.sqrt(71.0 * 74.35))
    assert met([(15.0, 20.0), (40.0, 250.0)]) == [(15.0, 20.0), (40.0, 250.0)]
    assert met([]) == []


def test_what_holds_outside_of_the_bass_is_not_told():
    hz = np.geomspace(5.0, 1000.0, 2000)
    assert stretches(hz, (hz < 12.0) | (hz > 300.0)) == []
    assert stretches(hz, hz < 40.0) == ["below 40 Hz"]
    assert stretches(hz, (hz > 30.0) & (hz < 60.0)) == ["from 30 to 60 Hz"]
    assert not inside(hz)[[0, -1]].any()
