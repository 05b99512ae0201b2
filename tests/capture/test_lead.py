"""A second channel that leads by part of a sample is followed at every rate."""

import numpy as np
import pytest

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
