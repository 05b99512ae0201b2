"""Rational functions fitted to points: poles come back, and numpy's polynomials agree."""

import numpy as np
import pytest

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


@pytest.mark.parametrize("samples", [0.12, 0.25])
def test_a_channel_that_is_late_by_a_part_of_a_sample_is_followed(samples):
    """A divider of 100 ohm at 44.1 kHz, coil and resonance behind it, noisy below the resonance."""
    rng = np.random.default_rng(4)
    f = np.geomspace(2.0, 19000.0, 480)
    s = 2j * np.pi * f
    w = 2.0 * np.pi * 136.0
    z = 5.0 + 0.4e-3 * s + 1.0 / (1.0 / 6.0 + 1.0 / (0.9e-3 * s)) + 60.0 * s * w / 10.0 / (s * s + s * w / 10.0 + w * w)
    truth = z / (z + 100.0) * np.exp(-s * samples / 44100.0)
    noise = np.abs(truth) * np.interp(np.log(f), np.log([2.0, 500.0]), [0.1, 1e-3])
    noisy = truth + noise * (rng.standard_normal(len(f)) + 1j * rng.standard_normal(len(f))) / np.sqrt(2.0)
    found = fit_rational(f, noisy, noise**2)
    assert np.mean(np.abs((found.at(f) - noisy) / noise) ** 2) < 2.0
