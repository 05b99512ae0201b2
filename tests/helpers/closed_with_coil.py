"""The closed box with a coil, from Kirchhoff and Newton: H = s²M·Re/((Re + s·Le)(s²M + s·R + K) + s·Bl²)."""

import math

import numpy as np
from scipy.optimize import brentq


def level_db(driver, volume, frequency_hz):
    """Level re the mid-band without coil, dB, with lossless air of `volume` (m³)."""
    values = driver.values()
    s = 2j * math.pi * np.asarray(frequency_hz)
    stiffness = (1.0 + driver.Vas / volume) / values["Cms"]
    moving = s**2 * values["Mms"] + s * values["Rms"] + stiffness
    braked = (values["Re"] + s * values["Le"]) * moving + s * values["Bl"] ** 2
    return 20.0 * np.log10(np.abs(s**2 * values["Mms"] * values["Re"] / braked))


def last_crossing(driver, volume, below_db):
    """Highest frequency (Hz) at which it rises through `below_db`."""
    grid = np.geomspace(5.0, 2000.0, 4000)
    level = level_db(driver, volume, grid) - below_db
    k = np.flatnonzero((level[:-1] < 0.0) & (level[1:] >= 0.0))[-1]
    return brentq(lambda f: float(level_db(driver, volume, f)) - below_db, grid[k], grid[k + 1], xtol=1e-10)
