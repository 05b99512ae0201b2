"""A second channel that leads or lags is followed, by parts of a sample too, and told where it is out of time."""

import numpy as np
import pytest

from tsfit.capture.lead import shift
from tsfit.capture.ratio import channel_ratio


def _voice_coil(f):
    """Ratio over a 10 ohm resistor: Re 6, a resonance at 60 Hz, 0.3 mH beside 0.5 mH across 5 ohm."""
    s = 2j * np.pi * f
    motional = 30.0 / (1.0 + 4.0 * (s / (2.0 * np.pi * 60.0) + 2.0 * np.pi * 60.0 / s))
    z = 6.0 + 0.3e-3 * s + 1.0 / (1.0 / 5.0 + 1.0 / (0.5e-3 * s)) + motional
    return z / (z + 10.0)


@pytest.mark.parametrize(("rate", "lead"), [(48000, 0.3), (96000, 0.28), (96000, 1.3), (192000, 0.5)])
def test_part_of_a_sample_of_lead_is_followed(rate, lead):
    rng = np.random.default_rng(5)
    n = 3 * rate
    drive = np.zeros(n)
    drive[rate // 5 : -rate // 2] = 0.1 * rng.standard_normal(n - rate // 5 - rate // 2)
    f = np.fft.rfftfreq(n, 1.0 / rate)
    inside = f > 0.0
    spectrum = np.where(f < 0.45 * rate, np.fft.rfft(drive), 0.0)
    ratio = np.zeros(len(f), dtype=complex)
    ratio[inside] = _voice_coil(f[inside]) * np.exp(2j * np.pi * f[inside] * lead / rate)
    noise = 2e-5 * rng.standard_normal((2, n))
    found = channel_ratio(np.fft.irfft(spectrum, n) + noise[0], np.fft.irfft(ratio * spectrum, n) + noise[1], rate)
    assert found.disturbed.throughout == 0.0
    assert not found.disturbed.pieces
    true = _voice_coil(found.frequency_hz) * np.exp(2j * np.pi * found.frequency_hz * lead / rate)
    assert np.mean(np.abs(found.value - true) ** 2 / found.variance) == pytest.approx(1.0, abs=0.3)


@pytest.mark.parametrize(("second", "ohm"), [("driver", 10.0), ("reference", 0.5)])
@pytest.mark.parametrize("late", [-7, -2, 0, 2, 21])
def test_a_shift_of_whole_samples_is_told_from_a_coil(second, ohm, late):
    """By the impedance itself, whatever the topology; a coil's own lag of 10 us is none."""
    f = np.geomspace(5.0, 20000.0, 570)
    r = _voice_coil(f)
    z = 10.0 * r / (1.0 - r)
    ratio = z / (z + ohm) if second == "driver" else ohm / (z + ohm)
    noise = np.random.default_rng(1).standard_normal((2, len(f)))
    seen = ratio * np.exp(-2j * np.pi * f * late / 48000.0) * (1.0 + 1e-4 * (noise[0] + 1j * noise[1]))
    assert shift(f, seen, 48000.0) == late


@pytest.mark.parametrize("samples", [6, 40])
def test_a_channel_far_behind_is_followed(samples):
    rng = np.random.default_rng(6)
    rate, n = 48000, 3 * 48000
    drive = np.zeros(n)
    drive[rate // 5 : -rate // 2] = 0.1 * rng.standard_normal(n - rate // 5 - rate // 2)
    f = np.fft.rfftfreq(n, 1.0 / rate)
    ratio = np.append(0.0, _voice_coil(f[1:]))
    second = np.roll(np.fft.irfft(ratio * np.fft.rfft(drive), n), samples)
    found = channel_ratio(drive + 2e-5 * rng.standard_normal(n), second + 2e-5 * rng.standard_normal(n), rate)
    assert found.disturbed.throughout == 0.0
    assert not found.disturbed.pieces
    true = _voice_coil(found.frequency_hz) * np.exp(-2j * np.pi * found.frequency_hz * samples / rate)
    assert np.mean(np.abs(found.value - true) ** 2 / found.variance) == pytest.approx(1.0, abs=0.3)
