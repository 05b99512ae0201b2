"""Two channels joined by a digital filter of known response, and excitations of every kind, made with scipy.signal only."""

import numpy as np
from scipy import signal


class KnownFilter:
    """Second-order resonance as the ratio of two channels: poles at `hz` with quality `q`, by the bilinear transform."""

    def __init__(self, rate, hz=60.0, q=3.0, floor=0.2):
        w = 2.0 * np.pi * hz
        self.b, self.a = signal.bilinear([floor, w / q, floor * w**2], [1.0, w / q, w**2], rate)
        self.rate = rate

    def __call__(self, x):
        return signal.lfilter(self.b, self.a, x)

    def at(self, hz):
        return signal.freqz(self.b, self.a, worN=hz, fs=self.rate)[1]


def sweep(rate, seconds, rng):
    """Exponential sweep with half a second of silence around it."""
    n = round((seconds - 1.0) * rate)
    t = np.arange(n) / rate
    stop = min(22000.0, 0.47 * rate)
    chirp = signal.chirp(t, 4.0, t[-1], stop, method="logarithmic", phi=-90.0) * signal.windows.tukey(n, 0.02)
    return np.pad(0.5 * chirp, round(0.5 * rate))


def noise(rate, seconds, rng):
    """White noise without a pause at either end."""
    return 0.15 * rng.standard_normal(round(seconds * rate))


def quiet_noise(rate, seconds, rng):
    """White noise with half a second of silence around it."""
    return np.pad(noise(rate, seconds - 1.0, rng), round(0.5 * rate))


def _multisine(rate, period, lines, periods, rng):
    spectrum = np.zeros(period // 2 + 1, dtype=complex)
    spectrum[lines] = np.exp(2j * np.pi * rng.random(len(lines)))
    one = np.fft.irfft(spectrum)
    return np.tile(0.5 * one / np.abs(one).max(), periods)


def dense_multisine(rate, seconds, rng):
    """Every line of a period of one second."""
    return _multisine(rate, rate, np.arange(4, int(0.46 * rate)), round(seconds), rng)


def odd_multisine(rate, seconds, rng):
    """Every odd line of a period of one second."""
    return _multisine(rate, rate, np.arange(5, int(0.46 * rate), 2), round(seconds), rng)


def log_multisine(rate, seconds, rng):
    """About 48 lines per octave of a period of one second, thinned where the lines of the period stand farther apart."""
    lines = np.unique(np.rint(5.0 * 2.0 ** (np.arange(48 * np.log2(0.09 * rate)) / 48.0)).astype(int))
    return _multisine(rate, rate, lines, round(seconds), rng)


PERIODIC = {"dense multisine": dense_multisine, "odd multisine": odd_multisine, "log multisine": log_multisine}


def converted(x, bits, gain, rng):
    """`x` (n,) through a converter of few `bits` without dither, rounding or cutting off, then turned down by `gain`."""
    step = 2.0 ** (1 - bits)
    return gain * step * np.floor(x / step + (0.5 if rng.random() < 0.7 else 0.0))


def tone(rate, seconds, rng):
    """A sine of any frequency below 300 Hz."""
    return np.sin(
        2.0 * np.pi * rng.choice([10.0, 50.0, 100.0, rng.uniform(5.0, 300.0)]) * np.arange(round(seconds * rate)) / rate
    )


KINDS = {"sweep": sweep, "noise": noise, "quiet noise": quiet_noise, **PERIODIC}


def recorded(kind, known, seconds, rng, level=1e-4):
    """Both channels (n, 2): excitation and the filter's answer, steady when periodic, with white noise of RMS `level`."""
    x = KINDS[kind](known.rate, seconds, rng)
    y = known(np.concatenate([x, x]))[len(x) :] if kind in PERIODIC else known(x)
    return np.column_stack([x, y]) + level * rng.standard_normal((len(x), 2))
