"""The law of phase on impedances whose phase is known in closed form."""

import numpy as np
import pytest

from tsfit.fitting.phase_law import GOOD_PHASE, SURE, is_mirrored, phase_misses

F = np.geomspace(10.0, 10e3, 300)


def coil(corner_hz, f=F):
    """A resistor and an inductor in series: slope 0 at the bottom, where it fades with f², and 1 at the top."""
    return 6.0 * (1.0 + 1j * f / corner_hz)


def rms_degrees(angle, f=F):
    """Over what is left of the range, in log frequency, once a tenth is cut off at either end."""
    octave = np.log(f / f[0]) / np.log(f[-1] / f[0])
    inner = (octave > 0.1) & (octave < 0.9)
    return float(np.degrees(np.sqrt(np.mean(angle[inner] ** 2))))


@pytest.mark.parametrize("corner", [100.0, 400.0, 1000.0])
def test_minimum_phase_obeys_and_its_mirror_misses_by_twice_its_phase(corner):
    right, mirrored = phase_misses(F, coil(corner))
    assert right < 1.5
    assert mirrored == pytest.approx(2.0 * rms_degrees(np.angle(coil(corner))), rel=0.03)
    assert phase_misses(F, coil(corner).conj()) == pytest.approx((mirrored, right), rel=1e-9)


def test_a_turn_is_the_miss():
    straight, _ = phase_misses(F, coil(1000.0))
    turned, _ = phase_misses(F, coil(1000.0) * np.exp(0.2j))
    assert turned == pytest.approx(np.degrees(0.2), abs=1.2)
    assert straight < 1.0


def test_a_resistor_has_neither_slope_nor_phase():
    assert phase_misses(F, np.full(300, 6.0 + 0.0j)) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert not is_mirrored(*phase_misses(F, np.full(300, 6.0 + 0.0j)))


def test_a_constant_slope_holds_its_angle_up_to_the_top():
    """|Z| as f^n has n·90 degrees (Bode, 1945); below the range it is taken to fade, which shows at the bottom only."""
    z = (1j * F) ** 0.5
    right, mirrored = phase_misses(F, z)
    assert right < 0.25 * 45.0
    assert mirrored == pytest.approx(90.0, abs=right)


def test_mirrored_is_what_the_mirror_explains_clearly_better():
    assert is_mirrored(*phase_misses(F, coil(400.0).conj()))
    assert not is_mirrored(*phase_misses(F, coil(400.0)))
    # Wrong either way: the mirror is better, and still too far off to be meant.
    lost = coil(400.0).conj() * np.exp(1.2j * np.sin(5.0 * np.log(F)))
    right, mirrored = phase_misses(F, lost)
    assert right > mirrored > GOOD_PHASE
    assert not is_mirrored(right, mirrored)
    # The three bounds, one at a time.
    assert is_mirrored(5.1, 2.0)
    assert not is_mirrored(5.0, 1.0)
    assert not is_mirrored(SURE * 14.0, 14.0)
    assert is_mirrored(SURE * 14.0 + 0.1, 14.0)
    assert not is_mirrored(90.0, GOOD_PHASE)
    # And well beyond each.
    assert not is_mirrored(4.0, 1.0)
    assert not is_mirrored(20.0, 14.0)
    assert not is_mirrored(90.0, 16.0)


def test_a_range_too_narrow_for_the_law_is_no_evidence():
    f = np.array([100.0, 100.0 * (1.0 + 1e-9)])
    assert phase_misses(f, coil(100.0, f)) == (np.inf, np.inf)
    assert not is_mirrored(np.inf, np.inf)
