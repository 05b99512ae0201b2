"""Octave bands under their nominal names (IEC 61260-1, base two)."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

NAMES = ("8", "16", "31.5", "63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000")
LOWEST_HZ = 1000.0 / 2.0**7


def octaves(frequency_hz: NDArray[np.float64]) -> list[tuple[str, NDArray[np.bool_]]]:
    """Return each octave's name and which of the frequencies (n,) it holds, (n,); octaves that hold none are left out."""
    bands = []
    for number, name in enumerate(NAMES):
        centre = LOWEST_HZ * 2.0**number
        inside = (frequency_hz >= centre / math.sqrt(2.0)) & (frequency_hz < centre * math.sqrt(2.0))
        if inside.any():
            bands.append((name, inside))
    return bands
