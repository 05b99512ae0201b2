"""The law that ties the phase of an impedance without poles or zeros in the right half-plane to the slope of its magnitude.

H. W. Bode, Network Analysis and Feedback Amplifier Design, 1945, chapter XIV. A driver obeys it; a misread
file or a channel of the wrong polarity does not.
"""

import numpy as np

from tsfit.base.arrays import Complex, Real

SURE = 2.5
"""How many times better than the runner-up a reading must obey the law of phase to be believed."""
GOOD_PHASE = 15.0
"""Degrees RMS within which a right reading obeys that law, the unknown beyond both ends included."""

POINTS = 200
"""Points at even steps of ln f over which the law is evaluated."""


def is_mirrored(right: float, mirrored: float) -> bool:
    """Tell from its `phase_misses` whether the phase of a curve has the wrong sign all along."""
    return mirrored < GOOD_PHASE and right > SURE * mirrored and right > 5.0


def phase_misses(f: Real, z: Complex) -> tuple[float, float]:
    """Degrees RMS by which the phase, and the phase of opposite sign, miss what the slope of the magnitude demands.

    Above the range the slope of its uppermost twentieth is taken to go on; below, the slope fades with the square of
    frequency, as the motional impedance of a driver does. The outermost tenths, which hang most on that, do not count.
    """
    at = np.log(f)
    grid = np.linspace(at[0], at[-1], POINTS)
    size = np.interp(grid, at, np.log(np.abs(z)))
    step = grid[1] - grid[0]
    beyond = int(np.ceil(3.0 / step))
    if beyond > 10 * POINTS:
        return np.inf, np.inf
    rise = np.diff(size)
    below = np.mean(rise[: POINTS // 20]) * np.exp(-2.0 * step * np.arange(beyond, 0, -1))
    rise = np.concatenate([below, rise, np.full(beyond, np.mean(rise[-POINTS // 20 :]))])
    distance = step * np.abs(np.arange(2 - POINTS - beyond, POINTS + beyond) - 0.5)
    kernel = np.log(1.0 / np.tanh(0.5 * distance)) / np.pi
    demanded = np.convolve(kernel, rise, mode="valid")
    phase = np.interp(grid, at, unwrapped(z))
    within = slice(POINTS // 10, -POINTS // 10)
    miss = [float(np.degrees(np.sqrt(np.mean((sign * phase - demanded)[within] ** 2)))) for sign in (1.0, -1.0)]
    return miss[0], miss[1]


def unwrapped(z: Complex) -> Real:
    """Phase (n,) of an impedance, rad, without jumps."""
    angle = np.angle(z)
    # Mostly there is none, which is told in a fraction of the time.
    return angle if np.all(np.abs(np.diff(angle)) < np.pi) else np.unwrap(angle)
