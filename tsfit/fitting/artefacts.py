"""Narrow bands that no driver circuit means: hum lines, resonances of surround, cone or box, a leak that whistles.

What the best circuit misses is smooth in frequency; a narrow band that stands out of it by many times its usual scatter is
something else, and would pull the parameters. It is left out of the fit and reported; never the resonance itself.
"""

import math
from dataclasses import dataclass
from typing import Literal, TypeVar

import numpy as np

from tsfit.base.arrays import Complex, Mask, Real, runs

SEED, EDGE = 7.0, 3.0
"""Scatter from which a point begins a band, and to which the band reaches: 7 is beyond noise in any sweep."""
LEAST = 0.05
"""Least scatter counted, in expected standard deviations: a flaw of a fraction of the discrepancy does no harm."""
TREND = 1.0 / 3.0
"""Half width in octaves of the running median that is taken for the smooth misfit."""
WIDEST = 1.0 / 3.0
"""Widest band in octaves; what is wider is no narrow flaw, and the discrepancy floor answers for it."""
MOST = 0.1
"""Largest share of the points that may go."""
SPARED = 1.6
"""Factor around the resonance within which nothing goes."""
SKIRT = 1.0 / 6.0
"""Share of its peak down to which a band is left out."""
STRAY = 2
"""Neighbours up to which what stands out is stray readings, as of a contact: a resonance shows in three at least."""
MAINS_HZ = (50.0, 60.0)
HIGHEST_HUM_HZ = 1000.0
OTHER = "a narrow resonance of surround, cone or box, or a leak"
AnyKind = TypeVar("AnyKind", Real, Complex)
RAYLEIGH_MEDIAN = math.sqrt(math.log(4.0))
"""Median of |x + iy| for unit normal x and y."""


@dataclass(frozen=True)
class ExcludedBand:
    """A band left out: which points (n,) of those given, from where to where in Hz, and why."""

    points: Mask
    low_hz: float
    high_hz: float
    reason: str
    hum: bool


def narrow_bands(frequency_hz: Real, height: Real, resonance_hz: float) -> list[ExcludedBand]:
    """Find the bands that stand out of a smooth misfit by its `heights_of` (n,)."""
    bands: list[ExcludedBand] = []
    if np.max(height) <= SEED:
        return bands
    for start, stop in runs(height > EDGE):
        if np.max(height[start:stop]) <= SEED:
            continue
        first, end = _core(height[start:stop])
        first, end = start + first, start + end
        low, high = float(frequency_hz[first]), float(frequency_hz[end - 1])
        hum = mains_line(low, high)
        if (
            high < low * 2.0**WIDEST
            and (end - first > 1 or hum)
            and (high < resonance_hz / SPARED or low > resonance_hz * SPARED)
        ):
            points = np.zeros(len(frequency_hz), dtype=bool)
            points[first:end] = True
            bands.append(ExcludedBand(points, low, high, hum or OTHER, bool(hum)))
    return bands if sum(int(np.sum(band.points)) for band in bands) <= MOST * len(frequency_hz) else []


def strays(height: Real) -> Mask:
    """Which points (n,) of a misfit of such `heights` are stray readings: no more than two of them stand out together."""
    stray = np.zeros(len(height), dtype=bool)
    if np.max(height) <= SEED:
        return stray
    for start, stop in runs(height > EDGE):
        stray[start:stop] = stop - start <= STRAY and np.max(height[start:stop]) > SEED
    return stray


def without_strays(values: Real) -> Real:
    """Median (n,) of each value and its neighbours, which stray readings do not move."""
    return running_median(values, STRAY, "even")


def heights_of(frequency_hz: Real, misfit: Complex) -> Real:
    """How far each point (n,) stands out of a smooth `misfit`, which is over its expected standard deviation, over the
    usual scatter about it.
    """
    octaves = np.log2(frequency_hz)
    density = len(octaves) / max(octaves[-1] - octaves[0], 0.1)
    half = max(round(TREND * density), 4)
    apart = np.abs(misfit - running_median(misfit, half, "odd"))
    usual = running_median(apart, 3 * half, "even") / RAYLEIGH_MEDIAN
    return np.asarray(apart / np.maximum(usual, max(0.5 * float(np.median(usual)), LEAST)))


def _core(height: Real) -> tuple[int, int]:
    """Part around the peak of a band; the far skirts of a resonance are smooth again, and so no matter."""
    top = int(np.argmax(height))
    low = np.flatnonzero(height <= SKIRT * height[top])
    below, above = low[low < top], low[low > top]
    return int(below[-1]) + 1 if len(below) else 0, int(above[0]) if len(above) else len(height)


def mains_line(low: float, high: float) -> str:
    """Tell which mains line a band is, if it is one: narrow, about a multiple."""
    centre = math.sqrt(low * high)
    if high > 1.02 * low or centre > HIGHEST_HUM_HZ:
        return ""
    for mains in MAINS_HZ:
        order = max(round(centre / mains), 1)
        if abs(centre / (order * mains) - 1.0) < 0.015:
            return f"hum at {order * mains:g} Hz, {order} times the mains"
    return ""


def running_median(values: AnyKind, half: int, mirror: Literal["even", "odd"]) -> AnyKind:
    """Median of 2 half + 1 neighbours, of real and imaginary part by itself; at the ends the curve goes on mirrored, upside
    down ("odd") where it is a trend.
    """
    half = min(half, len(values) - 1)
    before, after = values[half:0:-1], values[-2 : -half - 2 : -1]
    if mirror == "odd":
        before, after = 2.0 * values[0] - before, 2.0 * values[-1] - after
    padded = np.concatenate([before, values, after])
    # Not by SciPy's ndimage, which takes longer to load than all medians of a fit take.
    size = padded.itemsize
    windows = np.ndarray((len(values), size // 8, 2 * half + 1), np.float64, padded, strides=(size, 8, size))
    # NumPy's median takes ten times as long, for it also looks for what is no number.
    return np.ascontiguousarray(np.partition(windows, half, axis=2)[..., half]).view(padded.dtype)[:, 0]
