"""The second harmonic of a sweep is told, with the sweep's rate: curves of sweeps that are played in time here."""

import numpy as np
import pytest

from tsfit.driver.curve import ImpedanceCurve, State
from tsfit.fitting.fit import fit

RATE, LENGTH = 8192, 32768
F = np.geomspace(8.0, 2500.0, 200)
RE, QMS, QES = 5.6, 5.0, 1.1


def measured(fs, octave, distorted, noise=2e-3, seed=1, echo=0.0):
    """Z of a driver as an exponential sweep of current reads it, `octave` s long per octave, played and divided as it is.

    The voltage of the moving coil squared, times `distorted`, is added, as of a motor that is stronger on one side. `echo`
    adds what comes after 60 ms.
    """
    t = np.arange(LENGTH) / RATE
    first, length = 4.0, octave * np.log2(3000.0 / 4.0)
    phase = 2.0 * np.pi * first * octave / np.log(2.0) * (np.exp2(t / octave) - 1.0)
    current = np.where(t < length, np.sin(np.where(t < length, phase, 0.0)), 0.0)
    f = np.fft.rfftfreq(LENGTH, 1.0 / RATE)
    s, ws = 2j * np.pi * np.maximum(f, 0.01), 2.0 * np.pi * fs
    moving = RE / QES / (s / ws + ws / s + 1.0 / QMS)
    z = RE + 0.4e-3 * s + 1.0 / (1.0 / 4.0 + 1.0 / (0.6e-3 * s)) + moving
    x = np.fft.rfft(current)
    swung = np.fft.irfft(moving * x)
    shown = z + np.fft.rfft(distorted * swung**2) / x + echo * moving * np.exp(-0.06 * s)
    shown = np.interp(F, f, shown.real) + 1j * np.interp(F, f, shown.imag)
    rng = np.random.default_rng(seed)
    return shown * (1.0 + noise * (rng.standard_normal(len(F)) + 1j * rng.standard_normal(len(F))) / np.sqrt(2.0))


def told(z):
    result = fit([(ImpedanceCurve(F, z), State())])
    return [note.message for note in result.quality if note.code == "sweep_harmonic"]


@pytest.mark.against(
    "the harmonic of a sweep in a curve", "sweeps played in the test, with a bent motor", "T within a quarter"
)
@pytest.mark.parametrize("fs", [55.0, 85.0])
@pytest.mark.parametrize("octave", [0.065, 0.085])
def test_the_second_harmonic_is_told(fs, octave):
    """It comes before its cause by the time of an octave, less what the resonance rings."""
    (message,) = told(measured(fs, octave, 1.6e-3))
    before = 1e-3 * float(message.split("makes it, ")[1].split(" ms")[0])
    assert 0.74 * octave < before < octave


def test_nothing_is_told_of_other_misfits():
    """Noise that no recording states, and an echo, which comes after its cause."""
    for seed in range(6):
        assert told(measured(55.0, 0.06, 0.0, noise=0.02, seed=seed)) == []
    assert told(measured(55.0, 0.06, 0.0, echo=0.05)) == []
