"""Invented drivers that warm at power, and what a shunt rig records of them; nothing of the package computes here.

States are current, the ring's current, travel, speed, two arms of the suspension's creep and both temperatures, all in one
system that Runge and Kutta's classical steps carry on, faster than the sample rate. Bl, stiffness and friction may change
with travel and speed.
"""

import math
from dataclasses import dataclass

import numpy as np
import soundfile
from numba import njit

FINE = 16
"""Values of the voltage for each sample: two for each step."""
SHUNT, LEAD = 0.1, 0.045
TOTAL_FULL_SCALE, REFERENCE_FULL_SCALE = 320.0, 8.0


@dataclass(frozen=True)
class Truth:
    """What a driver is, SI; `bl1`, `bl2` and `k2` say how Bl falls with travel and its square, and stiffness grows with
    that, per m and m²."""

    name: str = "Dunlin 15"
    Re: float = 5.4
    Bl: float = 19.0
    Mms: float = 0.155
    Fs: float = 32.0
    Qms: float = 6.0
    Sd: float = 0.0855
    Le: float = 1.6e-3
    L2: float = 1.4e-3
    R2: float = 4.0
    bl1: float = 0.0
    bl2: float = 0.0
    k2: float = 0.0
    creep: float = 0.0
    Rtv0: float = 0.9
    g: float = 0.35
    Ctv: float = 60.0
    Rtm: float = 0.42
    Ctm: float = 3600.0
    alpha: float = 0.00393


@njit(cache=True)
def _rates(state, volts, p, out):
    i, i2, x, v, c1, c2, tv, tm = state
    re, bl0, mms, k, rms, le, l2, r2, bl2, k2, rtv0, g, ctv, rtm, ctm, alpha, arm, w1, w2, v2, bl1 = p
    bl, ohm = bl0 / (1.0 + bl1 * x + bl2 * x * x), re * (1.0 + alpha * tv)
    ring = r2 * (i - i2)
    out[0] = (volts - ohm * i - ring - bl * v) / le
    out[1] = ring / l2
    out[2] = v
    out[3] = (bl * i - rms * v - k * (1.0 + k2 * x * x) * x - arm * (2.0 * x - c1 - c2)) / mms
    out[4] = w1 * (x - c1)
    out[5] = w2 * (x - c2)
    flow = (tv - tm) * (1.0 / rtv0 + g * math.sqrt(v2))
    out[6] = (ohm * i * i - flow) / ctv
    out[7] = (flow - tm / rtm + ring * (i - i2)) / ctm


@njit(cache=True)
def _march(volts, dt, p, smooth):
    n = len(volts) // FINE
    current, coil, speed2 = np.zeros(n), np.zeros(n), np.zeros(n)
    state, moved = np.zeros(8), np.zeros(8)
    a, b, c, d = np.zeros(8), np.zeros(8), np.zeros(8), np.zeros(8)
    h = 2.0 * dt / FINE
    for j in range(n):
        current[j], coil[j], speed2[j] = state[0], state[6], state[3] ** 2
        p[19] += smooth * (state[3] ** 2 - p[19])
        for m in range(j * FINE, (j + 1) * FINE, 2):
            u0, u1, u2 = volts[m], volts[m + 1], volts[min(m + 2, len(volts) - 1)]
            _rates(state, u0, p, a)
            for q in range(8):
                moved[q] = state[q] + 0.5 * h * a[q]
            _rates(moved, u1, p, b)
            for q in range(8):
                moved[q] = state[q] + 0.5 * h * b[q]
            _rates(moved, u1, p, c)
            for q in range(8):
                moved[q] = state[q] + h * c[q]
            _rates(moved, u2, p, d)
            for q in range(8):
                state[q] += h / 6.0 * (a[q] + 2.0 * b[q] + 2.0 * c[q] + d[q])
    return current, coil, speed2


def drive(rate, seconds, top_hz, volts, rng, *, pilot_s=20.0, run_s=None, quiet_db=-40.0):
    """Voltage (n FINE,): noise to `top_hz`, falling 3 dB/octave, of `volts` RMS; a pilot before and after the run."""
    n = int(rate * seconds)
    f = np.fft.rfftfreq(n, 1.0 / rate)
    shape = np.where((f > 15.0) & (f < top_hz), 1.0 / np.sqrt(np.maximum(f, 1.0)), 0.0)
    noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) * shape, n * FINE)
    noise *= volts / np.sqrt(np.mean(noise**2))
    loud = slice(int(pilot_s * rate) * FINE, int((pilot_s + (seconds if run_s is None else run_s)) * rate) * FINE)
    quiet = 10.0 ** (quiet_db / 20.0)
    noise[: loud.start] *= quiet
    noise[loud.stop :] *= quiet
    return noise


def simulated(truth, volts, rate):
    """Current, rise of the coil, and square of the cone's velocity, all (n,)."""
    ws = 2.0 * math.pi * truth.Fs
    k = truth.Mms * ws**2
    w1, w2, arm = 0.3 * ws, 0.03 * ws, truth.creep * k
    # What the arms do at resonance is part of the stiffness and friction that a sweep tells.
    k_rest = k - arm * sum(ws**2 / (ws**2 + w**2) for w in (w1, w2))
    rms = k / ws / truth.Qms - arm * sum(w / (ws**2 + w**2) for w in (w1, w2))
    p = np.array([
        truth.Re, truth.Bl, truth.Mms, k_rest, rms, truth.Le, truth.L2, truth.R2, truth.bl2, truth.k2, truth.Rtv0, truth.g,
        truth.Ctv, truth.Rtm, truth.Ctm, truth.alpha, arm, w1, w2, 0.0, truth.bl1,
    ])  # fmt: skip
    return _march(volts, 1.0 / rate, p, 1.0 / (0.5 * rate))


def recorded(path, truth, volts, rate, rng, noise_dbfs=-90.0):
    """Write what the rig of `RIG` records while `volts` lie at the driver; return rise of the coil and velocity², (n,)."""
    current, coil, speed2 = simulated(truth, volts, rate)
    total = (volts[::FINE] + (LEAD + SHUNT) * current) / TOTAL_FULL_SCALE
    samples = np.stack([total, SHUNT * current / REFERENCE_FULL_SCALE], axis=1)
    soundfile.write(path, samples + rng.normal(0.0, 10.0 ** (noise_dbfs / 20.0), samples.shape), rate, "PCM_24")
    return coil, speed2


RIG = f"""name = "power shunt"
topology = "shunt"
reference_ohm = {SHUNT}
reference_uncertainty_ohm = 0.0001
[channels]
total = 1
reference = 2
total_v_full_scale = {TOTAL_FULL_SCALE}
reference_v_full_scale = {REFERENCE_FULL_SCALE}
full_scale_uncertainty_percent = 0.1
[leads]
resistance_ohm = {LEAD}
resistance_uncertainty_ohm = 0.003
"""
