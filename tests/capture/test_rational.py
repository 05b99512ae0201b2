"""Rational functions fitted to points: poles come back, and numpy's polynomials agree."""

import numpy as np
import pytest
from scipy import stats

from tsfit.capture.rational import fit_rational, fractions, of_the_ends

F = np.geomspace(5.0, 10e3, 240)
S = 2j * np.pi * F


def test_a_resonance_and_two_corners_come_back():
    resonance = np.roots([1.0, 2.0 * np.pi * 30.0 / 6.0, (2.0 * np.pi * 30.0) ** 2])
    poles = np.concatenate([resonance, [-2.0 * np.pi * 400.0, -2.0 * np.pi * 3000.0]])
    truth = 0.3 + 4.0 * S / ((S - poles[0]) * (S - poles[1])) + 900.0 / (S - poles[2]) - 1500.0 / (S - poles[3])
    found = fit_rational(F, truth, np.full(len(F), 1e-10))
    assert found.at(F) == pytest.approx(truth, rel=1e-4)
    for pole in resonance:
        assert np.min(np.abs(found.poles - pole)) < 1e-3 * abs(pole)


def test_noise_makes_no_more_poles_than_there_are():
    rng = np.random.default_rng(2)
    poles = np.roots([1.0, 2.0 * np.pi * 40.0 / 4.0, (2.0 * np.pi * 40.0) ** 2])
    truth = 0.05 + 30.0 * S / ((S - poles[0]) * (S - poles[1]))
    noisy = truth + 2e-3 * (rng.standard_normal(len(F)) + 1j * rng.standard_normal(len(F)))
    found = fit_rational(F, noisy, np.full(len(F), 8e-6))
    assert len(found.poles) <= 4
    assert np.max(np.abs(found.at(F) - truth)) < 3e-3


def test_fractions_are_those_of_numpys_polynomials():
    poles, residues = np.array([-3.0 + 40.0j, -3.0 - 40.0j, -500.0]), np.array([2.0 - 1.0j, 2.0 + 1.0j, 7.0])
    top = sum(r * np.poly(np.delete(poles, k)) for k, r in enumerate(residues))
    expected = 0.7 + np.polyval(top, S) / np.polyval(np.poly(poles), S)
    assert fractions(F, poles, residues, 0.7) == pytest.approx(expected, rel=1e-9)


def test_what_ends_leave_is_found_whatever_its_phase():
    poles = np.array([-20.0 + 200.0j, -20.0 - 200.0j])
    left = fractions(F, poles, np.array([1.0 + 2.0j, -0.5j]), 0.1 - 0.2j)
    wanted = np.array([11.0, 70.0, 900.0])
    found = of_the_ends(F, left, np.ones(len(F)), poles, wanted)
    assert found == pytest.approx(fractions(wanted, poles, np.array([1.0 + 2.0j, -0.5j]), 0.1 - 0.2j), rel=1e-6)


def _divider(f):
    """A divider of 100 ohm with coil and resonance behind it, noisy below the resonance, sure to 0.01 % at the top."""
    s, w = 2j * np.pi * f, 2.0 * np.pi * 136.0
    z = 5.0 + 0.4e-3 * s + 1.0 / (1.0 / 6.0 + 1.0 / (0.9e-3 * s)) + 60.0 * s * w / 10.0 / (s * s + s * w / 10.0 + w * w)
    truth = z / (z + 100.0)
    return truth, np.abs(truth) * np.exp(np.interp(np.log(f), np.log([2.0, 500.0, 2e4]), np.log([0.1, 1e-3, 1e-4])))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    "late_s",
    [
        pytest.param(0.0, id="a corner of 41 kHz, beyond the band"),
        pytest.param(0.12 / 44100.0, id="late by 0.12 of a sample"),
        pytest.param(0.25 / 44100.0, id="late by a quarter of a sample"),
        pytest.param(-0.07 / 96000.0, id="early by 0.07 of a sample of 96 kHz"),
        pytest.param(-0.3 / 96000.0, id="early by 0.3 of a sample of 96 kHz"),
    ],
)
def test_what_lies_beyond_the_band_is_followed(late_s, seed):
    """To the noise, beyond whose chi-square is once in a thousand, and nearer to the truth than half of that."""
    rng = np.random.default_rng(seed)
    f = np.geomspace(2.0, 19000.0, 480)
    truth, noise = _divider(f)
    truth = truth * np.exp(-2j * np.pi * f * late_s)
    noisy = truth + noise * (rng.standard_normal(len(f)) + 1j * rng.standard_normal(len(f))) / np.sqrt(2.0)
    found = fit_rational(f, noisy, noise**2)
    off = np.abs((found.at(f) - noisy) / noise) ** 2
    assert np.sum(off) < stats.chi2.ppf(0.999, 2 * len(f)) / 2.0
    assert np.mean(np.abs((found.at(f) - truth) / noise) ** 2) < 0.25
