"""What goes wrong with a driver while it is recorded: its warmth, its contacts, its box, its suspension."""

from __future__ import annotations

import math

import numpy as np


def heating(m, x, strength):
    """The coil warms along the sweep; between two resistances the samples pass over slowly."""
    steps = 6
    parts = [m.played(warming=1.0 + strength * k / (steps - 1)) for k in range(steps)]
    place = np.clip(np.linspace(0.0, 1.0, len(x)) * (steps - 1), 0, steps - 1.000001)
    k, share = place.astype(int), (place % 1.0)[:, None]
    stacked = np.stack(parts)
    n = np.arange(len(x))
    return (1.0 - share) * stacked[k, n] + share * stacked[k + 1, n]


def contact_ohm(m, x, strength):
    m.sweeps[1] = m.played(mass=m.bench.mass, Re=m.bench.Re + strength, Qes=m.bench.Qes * (1.0 + strength / m.bench.Re))
    return x


def contact_midway(m, x, strength):
    worse = m.played(Re=m.bench.Re + strength, Qes=m.bench.Qes * (1.0 + strength / m.bench.Re))
    return np.where((np.arange(len(x)) < m.at(1.3 * m.bench.Fs))[:, None], x, worse)


def _boxed(system, volume, *, leak=None, port=None):
    """Air of a box behind the cone, with a leak (Pa s/m³) or a port (kg/m⁴)."""
    a, b, c, d = system
    n, sd, k = len(a), 0.03, 1.4e5 / volume
    mass = 1.0
    v = n - 2
    more = 2 if port else 1
    out = np.zeros((n + more, n + more))
    out[:n, :n] = a
    mass = 1.0 / _mass_of(a)
    out[v, n] = -sd * mass
    out[n, v] = k * sd
    out[n, n] = -k / leak if leak else 0.0
    if port:
        out[n, n + 1], out[n + 1, n], out[n + 1, n + 1] = -k, 1.0 / port, -0.02 * math.sqrt(k / port)
    pad = np.zeros((more, 1))
    return out, np.vstack([b, pad]), np.hstack([c, np.zeros((2, more))]), d


def _mass_of(a):
    """Moving mass by the equations: a known Bl over what a current does to the speed."""
    return _mass_of.mass


def leak(m, x, strength):
    """A closed box whose leak has Q `strength` at the system's resonance."""
    volume = 1.4e5 * 0.03**2 * (1.0 / ((2 * np.pi * m.bench.Fs) ** 2 * m.bench.Mms))
    k = 1.4e5 / volume
    _mass_of.mass = m.bench.Mms
    w = 2 * np.pi * m.bench.Fs * math.sqrt(2.0)
    m.sweeps[1] = m.played(system=lambda s: _boxed(s, volume, leak=strength * k / w))
    m.second_state = f"closed box {1e3 * volume:.6g}"
    return x


def vented(m, x, strength):
    volume = 1.4e5 * 0.03**2 * (1.0 / ((2 * np.pi * m.bench.Fs) ** 2 * m.bench.Mms)) / 1.5
    _mass_of.mass = m.bench.Mms
    port = 1.4e5 / volume / (2 * np.pi * m.bench.Fs * strength) ** 2
    return m.played(system=lambda s: _boxed(s, volume, port=port))


def stiffening(m, x, strength):
    """A suspension that is stiffer by `strength` s at the sweep's largest travel, k (1 + s x²/x_max²); line by line."""
    one, rig = m.driver(), m.circuit()
    a, b, c, d = m.simulator.state_space(one, m.simulator.BenchState(), rig)
    n = 2 * len(x)
    s = 2j * np.pi * np.fft.rfftfreq(n, 1.0 / m.rate)[:, None, None]
    push = np.zeros_like(b)
    push[-2] = 1.0 / one.Mms
    seen = np.vstack([c, np.eye(len(a))[-1]])
    answer = seen @ np.linalg.solve(s * np.eye(len(a)) - a, np.broadcast_to(np.hstack([b, push]), (len(s), len(a), 2)))
    answer[:, :2, :1] += d
    linear = answer[:, :, 0] * np.fft.rfft(m.drive, n)[:, None]
    travel = np.fft.irfft(linear[:, 2], n)
    force = 0.0 * travel
    for _ in range(30):
        force = -strength / one.Cms * travel**3 / np.abs(travel).max() ** 2
        travel = np.fft.irfft(linear[:, 2] + answer[:, 2, 1] * np.fft.rfft(force), n)
    volts = np.fft.irfft(linear[:, :2] + answer[:, :2, 1] * np.fft.rfft(force)[:, None], n, axis=0)[: len(x)]
    return volts / rig.full_scale + m.simulator.disturbance(len(x), rig, m.rng)


def lead_left_out(m, x, strength):
    """In every sweep; Re and the electrical Q rise alike."""
    worse = {"Re": m.bench.Re + strength, "Qes": m.bench.Qes * (1.0 + strength / m.bench.Re)}
    m.sweeps[1] = m.played(mass=m.bench.mass, **worse)
    return m.played(**worse)
