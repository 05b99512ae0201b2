"""The numbers that describe an enclosure: where it stops, how evenly it gets there, how far the cone goes.

All are taken from the circuit on frequencies of their own, so that they do not depend on those asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from tsfit.box.response import Array, Enclosure, slope

HALF_POWER_DB = -10.0 * math.log10(2.0)


def _around(enclosure: Enclosure) -> Array:
    """Frequencies 1 % apart, 1.5 decades beyond the free-air and the boxed resonance, for crossings and peaks."""
    driver = enclosure.driver
    ratio = math.sqrt(1.0 + driver.Cms * driver.values()["Sd"] ** 2 / float(enclosure.load.compliance))
    low, high = driver.Fs / 30.0, 30.0 * driver.Fs * ratio
    return np.geomspace(low, high, round(math.log(high / low) / 0.01))


def _rising_crossings(function: Callable[[Array], Array], frequency_hz: Array) -> list[float]:
    """Frequencies at which `function` rises through zero, refined within each bracket."""
    from scipy.optimize import brentq

    value = function(frequency_hz)
    rising = np.flatnonzero((value[:-1] < 0.0) & (value[1:] >= 0.0))
    return [
        float(brentq(lambda f: float(function(np.array([f]))[0]), frequency_hz[k], frequency_hz[k + 1], rtol=1e-12))
        for k in rising
    ]


def cutoff(enclosure: Enclosure) -> float | None:
    """f3: the highest frequency at which the level rises through 3.01 dB below the reference level; None if none does.

    The level is that of the whole circuit, coil and losses included; the reference is `Enclosure.reference_db`.
    """
    found = _rising_crossings(lambda f: enclosure.level_db(f) - HALF_POWER_DB, _around(enclosure))
    return found[-1] if found else None


def ripple(enclosure: Enclosure) -> float:
    """Highest peak less deepest dip of the level, dB, coil inductance left out; the mid-band counts as 0 dB.

    Zero for a response that only rises towards its mid-band.
    """
    level = enclosure.without_coil.level_db(_around(enclosure))
    turns = level[1:-1]
    peaks = turns[(turns > level[:-2]) & (turns >= level[2:])]
    dips = turns[(turns < level[:-2]) & (turns <= level[2:])]
    return float(np.max(peaks, initial=0.0) - np.min(dips, initial=0.0))


def resonance_with_losses(enclosure: Enclosure) -> tuple[float, float] | None:
    """Resonance (Hz) and total Q of the closed box as the circuit has it; None when it does not resonate.

    The resonance is where the reactance X of Zm (cone, suspension, box air, leak, absorption) rises through zero; the Q is
    (ω/2)·(dX/dω)/(Re Zm + Bl²/Re) there, coil inductance left out. Without losses it is Qts √(1 + Vas/Vb).
    """

    def reactance(frequency: Array) -> Array:
        return enclosure.mechanical_impedance(frequency).imag

    found = _rising_crossings(reactance, _around(enclosure))
    if not found:
        return None
    at = np.array(found[-1:])
    damping = enclosure.mechanical_impedance(at).real + enclosure.driver.Bl**2 / enclosure.driver.Re
    return found[-1], float((0.5 * at * slope(reactance, at) / damping)[0])
