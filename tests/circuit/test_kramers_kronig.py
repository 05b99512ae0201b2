"""The Kramers-Kronig test on curves of drivers: silent on sound ones, loud on broken ones, exact about noise."""

import math

import numpy as np
import pytest
from helpers import kernel_cases

from tsfit.circuit import kramers_kronig as kk
from tsfit.circuit.kramers_kronig import kramers_kronig, octave_edges, octave_means
from tsfit.circuit.response import Circuit, impedance
from tsfit.driver.formulas import mechanical_resistance

FREQUENCY = np.geomspace(5.0, 20000.0, 575)
JW = 2j * math.pi * FREQUENCY


def curve(coil="ladder-2", suspension="ideal", load="free air", **changed):
    values = kernel_cases.DRIVER | kernel_cases.COILS[coil] | kernel_cases.SUSPENSIONS[suspension] | changed
    return impedance(FREQUENCY, values, Circuit(coil, suspension), kernel_cases.LOADS[load])


# Wright's four exponents need not be causal, hence are missing here.
@pytest.mark.parametrize("coil", ["simple", "ladder-2", "ladder-3", "power-law", "semi-inductance"])
@pytest.mark.parametrize("suspension", ["ideal", "log-creep"])
def test_every_causal_driver_passes(coil, suspension):
    assert kramers_kronig(FREQUENCY, curve(coil, suspension)).rms < 1e-4


@pytest.mark.parametrize("load", kernel_cases.LOADS)
def test_every_load_passes(load):
    assert kramers_kronig(FREQUENCY, curve(load=load)).rms < 1e-4


@pytest.mark.parametrize("qms", [1.5, 5.0, 20.0])
def test_resonance_is_found(qms):
    fs = 1.0 / (2.0 * math.pi * math.sqrt(kernel_cases.DRIVER["Mms"] * kernel_cases.DRIVER["Cms"]))
    found = kramers_kronig(FREQUENCY, curve(Rms=mechanical_resistance(fs, kernel_cases.DRIVER["Mms"], qms)))
    assert found.rms < 1e-4
    assert np.abs(found.poles_hz / fs - 1.0).min() < 1e-3


def test_one_resonator_cannot_be_made_of_rc_elements():
    assert kramers_kronig(FREQUENCY, curve(), most_resonances=0).rms > 0.05


@pytest.mark.parametrize("noise", [1e-4, 1e-3, 1e-2])
def test_residual_of_a_sound_curve_is_its_noise(noise):
    ratios = []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        z = curve() * (1.0 + noise / math.sqrt(2.0) * (rng.standard_normal(575) + 1j * rng.standard_normal(575)))
        ratios.append(kramers_kronig(FREQUENCY, z, noise=noise).rms / noise)
    # RMS of 575 complex numbers, less what a few moved poles take: 3 % one sigma.
    assert np.all(np.abs(np.array(ratios) - 1.0) < 0.12)
    assert abs(np.mean(ratios) - 1.0) < 0.04


def broken():
    z = curve()
    ratio = z / (z + 100.0) * np.exp(JW / 48000.0)
    return {
        "coil warms by 10 % while sweeping": z + 0.56 * np.log(FREQUENCY / 5.0) / math.log(4000.0),
        "gain steps by 2 %": z * np.where(FREQUENCY > 300.0, 1.02, 1.0),
        "phase turned by 2 degrees": z * np.exp(0.035j),
        "conjugate": z.conj(),
        "second channel a sample early": 100.0 * ratio / (1.0 - ratio),
    }


@pytest.mark.parametrize("name", broken())
def test_a_broken_curve_shows(name):
    assert kramers_kronig(FREQUENCY, broken()[name]).rms > 3e-3


def test_noise_stops_the_search():
    z = curve()
    assert len(kramers_kronig(FREQUENCY, z, noise=1e-3).poles_hz) == 1


def test_few_points():
    few = slice(0, 575, 48)
    found = kramers_kronig(FREQUENCY[few], curve()[few])
    assert math.isfinite(found.rms)
    assert found.residual.shape == (12,)


def rc_sum(frequency_hz, resistances, in_series=6.0):
    """RC elements at the time constants that the published test spaces over the band, geometrically from end to end."""
    s = 2j * math.pi * frequency_hz
    tau = np.geomspace(1.0 / abs(s[-1]), 1.0 / abs(s[0]), len(resistances))
    return in_series + sum(r / (1.0 + s * t) for r, t in zip(resistances, tau, strict=True))


@pytest.mark.parametrize(
    ("resistances", "mu"),
    [
        ([0.2, 0.4, 0.2], 1.0),
        ([0.3, -0.2, 0.1, -0.1], 1.0 - 0.3 / 0.4),
        ([0.5, 0.0, -0.9], 1.0 - 0.9 / 0.5),
        ([-0.2, -0.1], -math.inf),
    ],
)
def test_elements_of_either_sign_are_found_and_weighed(resistances, mu):
    """Schönleber et al., Electrochim. Acta 131, 2014: mu = 1 - sum of |R < 0| over sum of R > 0."""
    f = np.geomspace(10.0, 1000.0, 40)
    found = kramers_kronig(f, rc_sum(f, resistances), elements=len(resistances), most_resonances=0)
    assert np.abs(found.residual).max() < 1e-11
    assert found.mu == pytest.approx(mu, abs=1e-8)
    assert len(found.poles_hz) == 0


def scattered(z, noise, rng):
    return z * (1.0 + noise / math.sqrt(2.0) * (rng.standard_normal(len(z)) + 1j * rng.standard_normal(len(z))))


def test_what_the_elements_take_of_the_noise_is_given_back():
    """18 real coefficients on 40 complex points leave 31 of them: without that the RMS were 12 % lower."""
    f = np.geomspace(10.0, 1000.0, 40)
    z = rc_sum(f, np.full(16, 0.3))
    rng = np.random.default_rng(1)
    squares = [kramers_kronig(f, scattered(z, 1e-2, rng), elements=16, most_resonances=0).rms ** 2 for _ in range(300)]
    # One sigma of this mean is 1/sqrt(31 * 300), 1.0 %.
    assert math.sqrt(np.mean(squares)) == pytest.approx(1e-2, rel=0.02)


def coefficients(found):
    """How many the fit had: sum |residual|² = (points − half of them) rms²."""
    return 2.0 * (len(found.residual) - float(np.sum(np.abs(found.residual) ** 2)) / found.rms**2)


@pytest.mark.parametrize(
    ("low", "high", "points", "elements"),
    [
        (10.0, 2560.0, 400, 18),  # 1.5 per octave of 8 and twice 2 beyond
        (10.0, 40.0, 400, 9),
        (10.0, 2560.0, 43, 10),  # a quarter of the points
        (10.0, 2560.0, 7, 2),
    ],
)
def test_elements_per_octave(low, high, points, elements):
    f = np.geomspace(low, high, points)
    noisy = scattered(np.full(points, 6.0 + 0j), 0.1, np.random.default_rng(2))
    assert coefficients(kramers_kronig(f, noisy, most_resonances=0)) == pytest.approx(2 + elements, abs=1e-6)


def tries(monkeypatch, *curve, **options):
    """Numbers of resonances that were tried."""
    asked = []

    def noted(fixed, s, z, resonances):
        asked.append(resonances)
        return original(fixed, s, z, resonances)

    original = kk.with_resonances
    monkeypatch.setattr(kk, "with_resonances", noted)
    kramers_kronig(*curve, **options)
    return asked


def test_two_resonances_in_vain_are_enough(monkeypatch):
    noisy = scattered(rc_sum(FREQUENCY, np.full(8, 0.5)), 1e-2, np.random.default_rng(3))
    assert tries(monkeypatch, FREQUENCY, noisy) == [1, 2]
    driver = scattered(curve(), 1e-2, np.random.default_rng(3))
    assert tries(monkeypatch, FREQUENCY, driver) == [1, 2, 3]


# Two coefficients, a quarter of the points as elements and four a resonance: no more than there are points.
@pytest.mark.parametrize(("points", "asked"), [(7, []), (8, [1]), (12, [1]), (14, [1, 2])])
def test_no_more_resonances_than_the_points_can_tell(monkeypatch, points, asked):
    f = np.geomspace(10.0, 1000.0, points)
    noisy = scattered(np.full(points, 6.0 + 0j), 0.1, np.random.default_rng(4))
    assert tries(monkeypatch, f, noisy)[: len(asked) + 1] == asked


@pytest.mark.parametrize("most", [1, 2])
def test_as_many_resonances_as_are_allowed(most):
    found = kramers_kronig(FREQUENCY, curve(load="vented"), most_resonances=most)
    assert len(found.poles_hz) == most


def test_the_octave_about_a_frequency_stays_within_the_range():
    f = np.array([100.0, 120.0, 200.0, 300.0, 400.0])
    low, high = octave_edges(f)
    np.testing.assert_allclose(low, [100.0, 100.0, 200.0 / 2**0.5, 200.0, 200.0], rtol=1e-12)
    np.testing.assert_allclose(high, [200.0, 200.0, 200.0 * 2**0.5, 400.0, 400.0], rtol=1e-12)
    np.testing.assert_allclose(octave_means(f, np.arange(5.0)), [1.0, 1.0, 2.0, 3.0, 3.0], rtol=1e-12)
    # A range of half an octave is all there is.
    low, high = octave_edges(f[:2] * 1.1)
    np.testing.assert_allclose((low, high), [[110.0, 110.0], [132.0, 132.0]], rtol=1e-12)
