"""The line of a fitted circuit, against the circuit where nobody measured."""

import numpy as np
import pytest

from tsfit.fitting.line import smooth_line


def peak(hz, q=20.0, at=41.0, height=60.0):
    return 5.0 + height / (1.0 + 1j * q * (hz / at - at / hz))


@pytest.mark.parametrize("q", [2.0, 20.0, 200.0])
def test_straight_lines_between_its_points_meet_the_circuit_even_at_a_sharp_peak(q):
    """The peak of 1 + jQ(f/f0 - f0/f) is at f0, 65 ohm high, whatever Q is."""
    line = smooth_line(lambda hz: peak(hz, q), (10.0, 2000.0))
    assert np.all(np.diff(line.frequency_hz) > 0.0)
    assert line.frequency_hz[[0, -1]] == pytest.approx([10.0, 2000.0])
    seen = np.geomspace(10.0, 2000.0, 20011)
    between = np.interp(np.log(seen), np.log(line.frequency_hz), line.ohm)
    assert np.max(np.abs(between / peak(seen, q) - 1.0)) < 3e-3
    assert np.max(np.abs(line.ohm)) == pytest.approx(65.0, rel=2e-3)
    assert len(line.ohm) < 800


def test_it_passes_the_ends_of_what_was_used():
    line = smooth_line(peak, (10.0, 17.3, 901.7, 2000.0))
    assert {17.3, 901.7} <= set(line.frequency_hz)
