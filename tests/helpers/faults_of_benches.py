"""What goes wrong between the sweeps of a bench, or with its parts: gains, warmth, masses, couplings, resistors."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy import signal

from helpers.healthy_benches import driver, rig_of


def _played(m, *, mass=0.0, warming=1.0, rig=None, state=None, own=None, drive=None, **changes):
    """Samples (n, 2) of a driver, a state and a rig with changes of their own."""
    one = replace(driver(m.simulator, replace(m.bench, **changes)), **(own or {}))
    here = m.simulator.BenchState(mass=mass, warming=warming, **(state or {}))
    bench = replace(rig_of(m.simulator, m.bench), **(rig or {}))
    return m.simulator.simulate(one, here, bench, m.drive if drive is None else drive, m.rng)


def _course(parts, n):
    """Pass over from one of the `parts` (n, 2) to the next."""
    place = np.clip(np.linspace(0.0, 1.0, n) * (len(parts) - 1), 0.0, len(parts) - 1.000001)
    k, share = place.astype(int), (place % 1.0)[:, None]
    stacked, at = np.stack(parts), np.arange(n)
    return (1.0 - share) * stacked[k, at] + share * stacked[k + 1, at]


def on_its_face(m, x, strength):
    """The second sweep moves more air, trapped under the cone."""
    m.sweeps[1] = _played(m, mass=m.bench.mass + strength * m.bench.Mms)
    return x


def swapped_in_one(m, x, strength):
    m.sweeps[1] = m.sweeps[1][:, ::-1] * strength
    return x


def repeated_in_place(m, x, strength):
    """A block is dropped, and the one before it stands there once more."""
    at, n = m.at(1.1 * m.bench.Fs), round(strength)
    out = x.copy()
    out[at : at + n] = x[at - n : at]
    return out


def reference_warms(m, x, strength):
    return _course(
        [_played(m, rig={"reference": m.bench.reference * (1.0 + strength * k / 4.0)}) for k in range(5)], len(x)
    )


def buzz(m, x, strength):
    """Of a ground loop: many harmonics, in one channel."""
    t = np.arange(len(x)) / m.rate
    tones = sum(np.sin(2.0 * np.pi * 50.02 * k * t + k * k) / math.sqrt(k) for k in range(1, 60))
    return x + 10.0 ** (strength / 20.0) * tones[:, None] * np.array([0.05, 1.0])


def wandering_hum(m, x, strength):
    """As of a generator."""
    t = np.arange(len(x)) / m.rate
    phase = 2.0 * np.pi * 50.0 * (t + 5e-3 * np.sin(2.0 * np.pi * 0.2 * t) / (2.0 * np.pi * 0.2))
    tones = np.sin(phase) + 0.5 * np.sin(3.0 * phase) + 0.3 * np.sin(5.0 * phase)
    return x + 10.0 ** (strength / 20.0) * tones[:, None] * np.array([0.7, 1.0])


def both_high_passed(m, x, strength):
    corner = signal.butter(2, strength, "high", fs=m.rate, output="sos")
    m.sweeps[1] = signal.sosfilt(corner, m.sweeps[1], axis=0)
    return signal.sosfilt(corner, x, axis=0)


def one_coupled_otherwise(m, x, strength):
    b, a = signal.butter(1, strength, "high", fs=m.rate)
    m.sweeps[1][:, 1] = signal.lfilter(b, a, m.sweeps[1][:, 1])
    return np.column_stack([x[:, 0], signal.lfilter(b, a, x[:, 1])])


def channels_of_two_clocks(m, x, strength):
    place = np.clip(np.arange(len(x)) * (1.0 + strength), 0, len(x) - 1)
    # Straight lines between samples of a rate eight times as high.
    fine = signal.resample(x[:, 1], 8 * len(x))
    return np.column_stack([x[:, 0], np.interp(8.0 * place, np.arange(len(fine)), fine)])


def gain_of_one_sweep(m, x, strength):
    m.sweeps[1][:, 1] *= 10.0 ** (strength / 20.0)
    return x


def suspension_of_one_sweep(m, x, strength):
    m.sweeps[1] = _played(m, mass=m.bench.mass, state={"compliance": (1.0 - strength) ** -2.0})
    return x


def warmer(m, x, strength):
    """So many kelvin for coil (0.39 %/K), ferrite (-0.2 %/K) and suspension (1 %/K more compliance)."""
    own = {"Bl": driver(m.simulator, m.bench).Bl * (1.0 - 0.002 * strength)}
    warm = {"warming": 1.0 + 0.0039 * strength, "state": {"compliance": 1.0 + 0.01 * strength}}
    m.sweeps[1] = _played(m, mass=m.bench.mass, own=own, **warm)
    return x


def another_sample(m, x, strength):
    one, s = m.bench, strength
    other = {
        "Fs": one.Fs * (1 + s),
        "Re": one.Re * (1 + 0.5 * s),
        "Mms": one.Mms * (1 - 0.5 * s),
        "Qms": one.Qms * (1 + 2 * s),
    }
    m.sweeps[1] = _played(m, mass=one.mass, **other)
    return x


def mass_falls_off(m, x, strength):
    at = m.at(strength * m.bench.Fs)
    m.sweeps[1] = np.concatenate([m.sweeps[1][:at], _played(m)[at:]])
    return x


def mass_on_putty(m, x, strength):
    own = {"Mms": m.bench.Mms + m.bench.mass, "part": (m.bench.mass, strength * m.bench.Fs, 4.0)}
    m.sweeps[1] = _played(m, own=own)
    return x


def mass_rubs(m, x, strength):
    m.sweeps[1] = _played(m, mass=m.bench.mass, state={"friction": strength, "compliance": 1.0 / (1.0 + 0.02 * strength)})
    return x


def polarity_turns(m, x, strength):
    out = x.copy()
    out[m.at(strength * m.bench.Fs) :, 1] *= -1.0
    return out


def rectifying(m, x, strength):
    out = x.copy()
    out[:, 1] += strength * x[:, 1] ** 2 / np.abs(x[:, 1]).max()
    return out


def contact_noise(m, x, strength):
    noise = signal.lfilter([0.05], [1.0, -0.95], m.rng.standard_normal(len(x)))
    return np.column_stack([x[:, 0], x[:, 1] * (1.0 + strength * noise / noise.std())])


def resampled_badly(m, x, strength):
    """By straight lines to another rate and back."""
    there = np.arange(len(x))
    between = np.arange(0.0, len(x) - 1.0, 1.0 / strength)
    return np.stack([np.interp(there, between, np.interp(between, there, one)) for one in x.T], axis=1)


def amplifier_limits(m, x, strength):
    top = np.abs(m.drive).max() / strength
    return _played(m, drive=top * np.tanh(m.drive / top))
