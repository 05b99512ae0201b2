"""An invented driver at full travel, for tests of the steps and of what they are made of."""

import math
from dataclasses import replace

import numpy as np

from tsfit.circuit.large_signal import LargeSignal, resting

WS = 2.0 * math.pi * 25.0
CURVED = LargeSignal(
    Re=5.0, Le=1e-3, L2=1.5e-3, R2=6.0, Rms=5.0, Rv=0.6, Rv2=0.2, arm=0.05 * 0.2 * WS**2, Mms=0.2, ws=WS, x0=0.015,
    Bl=20.0 * np.array([0.88, -0.02, -0.12, 0.01, 0.02]), K=0.2 * WS**2 * np.array([1.2, 0.08, 0.35, 0.01, 0.05]),
    shape=resting(np.array([1.0, -0.25, -0.06, 0.02])),
)  # fmt: skip
"""Every term present; 12 inch, 25 Hz."""
STRAIGHT = replace(CURVED, Rv=0.0, Rv2=0.0, arm=0.0, Bl=np.array([20.0]), K=np.array([0.2 * WS**2]), shape=np.ones(1))
"""The same at small travel, without creep."""


def odd_multisine(seconds: np.ndarray, low: float, high: float, step: float, peak: float, seed: int = 0) -> np.ndarray:
    """Cosines of odd multiples of `step`, their amplitudes falling 6 dB an octave, one in four left out, random phases."""
    rng = np.random.default_rng(seed)
    frequency = np.arange(math.ceil(low / step) | 1, high / step, 2) * step
    frequency = frequency[rng.random(len(frequency)) > 0.25]
    phase = rng.uniform(0.0, 2.0 * math.pi, len(frequency))
    out = sum(np.cos(2.0 * math.pi * f * seconds + p) / f for f, p in zip(frequency, phase, strict=True))
    return peak / np.abs(out).max() * out
