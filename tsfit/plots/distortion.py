"""Harmonics of a planned box over frequency."""

import numpy as np
from matplotlib.figure import Figure

from tsfit.box.distortion import BoxDistortion
from tsfit.plots.curves import Quantity, curves_plot


def distortion_plot(found: BoxDistortion, title: str, how: str) -> Figure:
    """Draw second and third harmonic in percent of the first, and the peak travel below, where they are told."""
    told = np.isfinite(found.second_percent) & np.isfinite(found.third_percent)
    harmonics = {"second harmonic": found.second_percent[told], "third harmonic": found.third_percent[told]}
    quantities = [
        Quantity("harmonics, % of the first", harmonics, height=2.0),
        Quantity("travel, mm peak", {"peak travel": found.travel_mm[told]}, height=1.2),
    ]
    return curves_plot(found.frequency_hz[told], quantities, title, how)
