"""Octave bands: their edges meet, each name lies in its own band, every frequency is in one."""

import numpy as np
import pytest

from tsfit.capture.octaves import NAMES, octaves


@pytest.mark.parametrize("name", NAMES)
def test_a_nominal_frequency_lies_in_the_band_of_its_name(name):
    ((found, inside),) = octaves(np.array([float(name)]))
    assert found == name
    assert inside.tolist() == [True]


def test_every_frequency_between_the_ends_is_in_one_band():
    f = np.geomspace(6.0, 22000.0, 5000)
    bands = octaves(f)
    assert [name for name, _ in bands] == list(NAMES)
    assert np.all(sum(inside.astype(int) for _, inside in bands) == 1)
    # An octave of the base-ten system is 10^0.3.
    for _, inside in bands[1:-1]:
        assert f[inside][-1] / f[inside][0] == pytest.approx(10.0**0.3, rel=0.004)


def test_bands_that_hold_nothing_are_left_out():
    assert [name for name, _ in octaves(np.array([31.5, 500.0]))] == ["31.5", "500"]
