"""Readings in bins: means as they are, spreads as neighbours differ, and no reading across a switch."""

import numpy as np
import pytest

from tsfit.heating.readout import Readings, Spectrum
from tsfit.heating.series import FLOOR, LONGEST_BIN, in_bins

LOUD = np.repeat([False, True, False], [20, 300, 100])


def readings(noise=0.01, seed=1):
    rng = np.random.default_rng(seed)
    square = np.where(LOUD, 25.0, 2.5e-3)
    ohm = 5.0 + np.linspace(0.0, 1.0, len(LOUD)) + rng.normal(0.0, noise, len(LOUD))
    spectrum = Spectrum(np.ones(1), np.zeros(1, dtype=complex), np.full(1, 0.2))
    return Readings(ohm, np.full(len(LOUD), 123.0), square, 25.0 * square, 5.0 * square, np.sqrt(square), spectrum, 0.0)


def test_bins_are_short_after_a_switch_and_hold_all_of_the_time():
    found = in_bins(readings(), LOUD, 5.0)
    lengths = found.heat.seconds
    assert lengths.sum() == len(LOUD)
    assert lengths.max() == LONGEST_BIN
    for switch in (20.0, 320.0):
        first = int(np.searchsorted(found.end_s, switch, side="right"))
        assert found.end_s[first - 1] == switch
        assert np.all(lengths[first : first + 20] == 1.0)


def test_spread_is_that_of_neighbours_whatever_the_reading_says():
    found = in_bins(readings(), LOUD, 5.0)
    single = (found.heat.seconds == 1.0) & np.isfinite(found.stdev)
    assert np.median(found.stdev[single]) == pytest.approx(0.01, rel=0.2)
    longest = found.heat.seconds == LONGEST_BIN
    assert np.median(found.stdev[longest]) == pytest.approx(0.01 / np.sqrt(LONGEST_BIN), rel=0.3)
    assert np.all(in_bins(readings(1e-9), LOUD, 5.0).stdev[single] >= FLOOR * 5.0)


def test_seconds_at_a_switch_are_left_out():
    spoilt = readings()
    spoilt.resistance[[19, 320]] = 99.0
    found = in_bins(spoilt, LOUD, 5.0)
    assert np.nanmax(found.ohm) < 6.2


def test_a_second_that_is_loud_in_part_is_left_out():
    half = readings()
    half.square[20] *= 0.4
    found = in_bins(half, LOUD, 5.0)
    assert not np.isfinite(found.stdev[found.end_s == 21.0]).any()


def test_heat_is_the_mean_of_each_bin():
    found = in_bins(readings(), LOUD, 5.0)
    assert found.heat.square[found.loud] == pytest.approx(25.0)
    assert found.heat.magnet_w[found.loud] == pytest.approx(5.0)
    assert found.velocity == pytest.approx(5.0)
