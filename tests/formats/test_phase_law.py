"""The law of phase on impedances whose phase is known in closed form."""

import numpy as np
import pytest

from tsfit.formats.phase_law import GOOD_PHASE, SURE, is_mirrored, phase_misses

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


@pytest.mark.parametrize("f", [F, np.geomspace(10.0, 300.0, 300)])
@pytest.mark.parametrize(
    ("slope", "phase"),
    [
        (lambda f: np.full(len(f), 0.5), lambda f: np.full(len(f), np.pi / 4.0)),
        (lambda f: np.ones(len(f)), lambda f: np.full(len(f), np.pi / 2.0)),
        (lambda f: f**2 / (20.0**2 + f**2), lambda f: np.arctan(f / 20.0)),
        (lambda f: f**2 / (5e3**2 + f**2), lambda f: np.arctan(f / 5e3)),
    ],
)
def test_it_is_the_integral_of_bode_over_what_is_taken_to_lie_beyond(f, slope, phase):
    """The integral of slope · ln coth|u/2| / π (Bode, 1945) over 28 nepers by the midpoint rule, the slope of the uppermost
    twentieth going on above and that of the lowest fading with f² below; over the inner eight tenths."""
    low, high = np.log(f[[0, -1]])
    u = np.arange(low - 14.0, high + 14.0, 2e-3)
    known, twentieth = slope(np.exp(u)), (high - low) / 20.0
    first, last = (
        known[within].mean() for within in ((u > low) & (u < low + twentieth), (u < high) & (u > high - twentieth))
    )
    taken = np.select([u < low, u > high], [first * np.exp(2.0 * (u - low)), last], known)
    at = np.linspace(low, high, 101)[10:-10]
    kernel = np.log(1.0 / np.tanh(0.5 * np.abs(u - at[:, None]) + 1e-6)) * 2e-3 / np.pi
    expected = [np.degrees(np.sqrt(np.mean((sign * phase(np.exp(at)) - kernel @ taken) ** 2))) for sign in (1.0, -1.0)]
    size = np.exp(np.concatenate([[0.0], np.cumsum(0.5 * (slope(f)[1:] + slope(f)[:-1]) * np.diff(np.log(f)))]))
    assert phase_misses(f, size * np.exp(1j * phase(f))) == pytest.approx(expected, abs=0.8)


def test_a_sharp_peak_has_its_phase_at_its_own_frequency():
    """A resonance of Q 8 over two decades: its phase turns by 4 degrees within 1/200 of the range."""
    f = np.geomspace(10.0, 1e3, 400)
    right, _ = phase_misses(f, 6.0 + 30.0 / (1.0 + 8.0j * (f / 100.0 - 100.0 / f)))
    assert right < 1.0


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
    assert not is_mirrored(28.0, 14.0)
    assert not is_mirrored(90.0, 15.5)
    assert is_mirrored(90.0, 14.5)
    assert is_mirrored(12.0, 4.0)


def test_a_range_too_narrow_for_the_law_is_no_evidence():
    f = np.array([100.0, 100.0 * (1.0 + 1e-9)])
    assert phase_misses(f, coil(100.0, f)) == (np.inf, np.inf)
    assert not is_mirrored(np.inf, np.inf)
    for nepers, enough in ((0.28, False), (0.32, True)):
        f = 100.0 * np.exp(np.linspace(0.0, nepers, 100))
        assert np.isfinite(phase_misses(f, coil(100.0, f))).all() == enough
