"""Two-channel recordings of a bench simulated from its differential equations, and the ratio it truly has."""

import math

import numpy as np

RATE = 16000
EXCITATIONS = ("sweep", "noise from rest", "noise cut from a longer one", "multisine from rest", "multisine cut", "steps")


def driver(simulator, **changes):
    figures = {"Re": 5.2, "Bl": 12.5, "Mms": 80e-3, "Cms": 0.42e-3, "Rms": 2.6, "Sd": 0.052, "Le": 0.4e-3}
    return simulator.BenchDriver(**{**figures, "rungs": ((0.9e-3, 6.0),), **changes})


def rig(simulator, topology, noise_dbfs, **changes):
    given = {"reference": 100.0 if topology == "divider" else 1.0, "input": 1e6, "full_scale": 1.6, "sample_rate": RATE}
    return simulator.BenchRig(topology=topology, noise_dbfs=noise_dbfs, **{**given, **changes})


def record(simulator, kind, one, rig, rng, *, seconds=4.0, state=None, rate=RATE):
    """Samples (n, 2) of `one` under the excitation `kind`, about `seconds` long, played at `rate`."""
    state = simulator.BenchState() if state is None else state
    high = min(0.4 * rate, 20e3)
    cut = slice(None)
    if kind == "sweep":
        drive = simulator.exponential_sweep(rate, seconds, 5.0, high, before=0.1, after=0.2)
    elif "noise" in kind:
        drive = simulator.white_noise(rate, seconds + 2.0, rng, silence=0.0 if "cut" in kind else 0.2)
        drive = _pink(drive, rate, high) if kind.startswith("pink") else drive
        cut = slice(rate, -rate) if "cut" in kind else cut
    elif kind.startswith("multisine"):
        period = round(rate * seconds / 3.0)
        drive = simulator.multisine(rate, period, 5.0, high, 4, rng)
        drive, cut = (drive, slice(period, None)) if "cut" in kind else (np.pad(drive, rate // 4), cut)
    else:
        drive = np.concatenate([_step(f, seconds / 40.0, rate) for f in np.geomspace(8.0, min(4000.0, high), 40)])
        drive = np.pad(drive, rate // 4)
    return simulator.simulate(one, state, rig, drive, rng)[cut]


def _pink(white, rate, high):
    """As loud in every octave from 5 Hz to `high`."""
    f = np.fft.rfftfreq(len(white), 1.0 / rate)
    share = np.where((f >= 5.0) & (f <= high), 1.0 / np.sqrt(np.maximum(f, 1.0)), 0.0)
    return np.fft.irfft(share * np.fft.rfft(white), len(white))


def _step(frequency, least, rate):
    seconds = max(least, 6.0 / frequency)
    time = np.arange(round(seconds * rate)) / rate
    return np.sin(2.0 * math.pi * frequency * time) * np.minimum(1.0, np.minimum(time, seconds - time) / (0.2 * seconds))


def true_ratio(simulator, one, rig, frequency_hz, state=None):
    """Ratio of the two channels (n,) by the state space of the bench."""
    a, b, c, d = simulator.state_space(one, simulator.BenchState() if state is None else state, rig)
    s = 2j * math.pi * np.asarray(frequency_hz)[:, np.newaxis, np.newaxis]
    volts = c @ np.linalg.solve(s * np.eye(len(a)) - a, np.broadcast_to(b, (s.shape[0], *b.shape))) + d
    return volts[:, 1, 0] / volts[:, 0, 0] * rig.gain[1] / rig.gain[0]
