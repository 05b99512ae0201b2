"""The fitted circuit between the measured points, as a line that looks smooth."""

from collections.abc import Callable, Sequence

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.driver.fit_result import FittedLine

PER_OCTAVE = 32
BEND = 1e-3
"""Share of |Z| by which a straight line between two neighbours may miss the circuit."""
ROUNDS = 7
"""Times that an interval is halved at most: to a 4000th of an octave."""


def smooth_line(impedance_ohm: Callable[[Real], Complex], ends_hz: Sequence[float]) -> FittedLine:
    """Follow `impedance_ohm`, of frequencies (n,) in Hz, from the lowest to the highest of `ends_hz`, all of them met.

    Points lie closer where the curve bends: at a peak, however sharp.
    """
    low, high = min(ends_hz), max(ends_hz)
    count = 2 + int(PER_OCTAVE * np.log2(high / low))
    f = np.union1d(np.geomspace(low, high, count)[1:-1], ends_hz)
    z = impedance_ohm(f)
    for _ in range(ROUNDS):
        middles = np.sqrt(f[:-1] * f[1:])
        there = impedance_ohm(middles)
        bent = np.abs(0.5 * (z[:-1] + z[1:]) - there) > BEND * np.abs(there)
        if not bent.any():
            break
        places = 1 + np.flatnonzero(bent)
        f, z = np.insert(f, places, middles[bent]), np.insert(z, places, there[bent])
    return FittedLine(f, z)
