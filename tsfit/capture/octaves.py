"""Octave bands under their nominal names (IEC 61260-1: mid-bands at powers of ten, an octave is 10^(3/10))."""

from tsfit.base.arrays import Mask, Real

NAMES = ("8", "16", "31.5", "63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000")
LOWEST = -7
"""Number of the first band, counted in octaves from 1 kHz."""


def octaves(frequency_hz: Real) -> list[tuple[str, Mask]]:
    """Return each octave's name and which of the frequencies (n,) it holds, (n,); octaves that hold none are left out."""
    bands = []
    for number, name in enumerate(NAMES, LOWEST):
        low, high = (1000.0 * 10.0 ** (0.3 * (number + half)) for half in (-0.5, 0.5))
        inside = (frequency_hz >= low) & (frequency_hz < high)
        if inside.any():
            bands.append((name, inside))
    return bands
