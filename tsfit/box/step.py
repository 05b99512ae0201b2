"""What a voltage step does: the pressure after it, from the circuit itself.

The spectrum is that of a square wave slow enough to have died out within half a period; its odd harmonics are the circuit's
own, so coil, losses and creep are all in it. A raised cosine over the uppermost third of the frequencies keeps the corner
of the step from ringing.
"""

from __future__ import annotations

import math

import numpy as np

from tsfit.base.arrays import Real
from tsfit.box.enclosure import Enclosure

SAMPLES = 65536
AHEAD = 0.02
"""Share of the time shown that lies before the step."""


def step_response(enclosure: Enclosure, duration_s: float | None = None) -> tuple[Real, Real]:
    """Return time (s) and pressure (Pa at 1 m in half space) around a step from 0 to the drive's RMS volts.

    Parameters
    ----------
    duration_s : float, optional
        Time shown; four periods of the driver's resonance when left out.
    """
    shown = 4.0 / enclosure.driver.Fs if duration_s is None else duration_s
    # A lightly damped port rings long after what is shown; sixteen times as long leaves nothing of it.
    period = 32.0 * shown
    n = SAMPLES
    harmonic = np.arange(1, n // 2 + 1)
    frequency = harmonic / period
    pressure = enclosure.respond(frequency).pressure
    fade = np.clip((frequency / frequency[-1] - 2.0 / 3.0) * 3.0, 0.0, 1.0)
    spectrum = np.where(harmonic % 2 == 1, pressure / (1j * math.pi * harmonic), 0.0) * np.cos(0.5 * math.pi * fade) ** 2
    wave = np.fft.irfft(np.concatenate([[0.0], spectrum]), n) * n
    step = period / n
    before, after = round(AHEAD * shown / step), round((1.0 - AHEAD) * shown / step)
    time = np.asarray(np.arange(-before, after) * step, dtype=np.float64)
    return time, np.concatenate([wave[n - before :], wave[:after]])
