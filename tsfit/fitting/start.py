"""Start values read off the curve: nobody has to guess for the fitter.

Resonance peak and the two frequencies where |Z| = √(Re Rmax): Small, JAES 20(5), 1972; IEC 60268-5. Coil terms from what
is left above resonance once the motional branch is taken away.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Complex, Real
from tsfit.circuit.coil import laplace
from tsfit.driver.curve import ImpedanceCurve
from tsfit.fitting.artefacts import without_strays

MIN_PROMINENCE = 0.04
"""Least height of a resonance over its surroundings, in ln|Z|."""
SECOND_PEAK = 0.35
"""Height in ln|Z| from which a second peak is a resonance of its own, not a flaw of box or cone."""

GRID, EXPONENTS = 9, (0.5, 0.6, 0.7, 0.8, 0.9)
"""Corner frequencies and exponents tried for the coil; of two rungs twice as many, or one mends the other's place."""
BEYOND = (4.0, 16.0)
"""Corners of a semi-inductance beyond the highest, over that: there it is hardly seen, and a coil without one is near."""
SAMPLES = 40
"""Points of the blocked impedance that are enough for the coil's start."""
OVER_NOISE = 6.0
"""Height of a peak in ln|Z|, over its standard deviation, from which it is one."""
FARTHEST_PEAK = 8.0
"""Ratio of two peaks' frequencies up to which they may be those of one vented box."""
LEAST_SHARE, USUAL_SHARE = 0.05, 0.3
"""Magnitude of a coil term, over the blocked impedance at the top, down to which it is left, and that of one that comes out
less or negative: from a trace of it the search does not come back."""


@dataclass(frozen=True)
class Resonance:
    """The resonance peak as read off a curve: Re (ohm), Fs (Hz), Qms, Qes, and how high it stands in ln|Z|."""

    Re: float
    Fs: float
    Qms: float
    Qes: float


class TwoPeaks(NamedTuple):
    """Frequencies of two peaks, Hz, that may be those of one vented box."""

    low: float
    high: float


def find_resonance(curve: ImpedanceCurve) -> Resonance | TwoPeaks | None:
    """Read the single resonance of a bare driver or closed box off |Z|, or off the resistance where the coil buries it.

    Two peaks are returned as such; None where there is no peak inside the range.
    """
    f, size = curve.frequency_hz, np.abs(curve.impedance_ohm)
    peaks, heights = _sure_peaks(curve, size)
    if not len(peaks) and np.all(curve.impedance_ohm.real > 0.0):
        size = curve.impedance_ohm.real
        peaks, heights = _sure_peaks(curve, size)
    if not len(peaks):
        return None
    # A stray reading makes a peak, or the saddle before one, but no resonance.
    lasting, above = _sure_peaks(curve, without_strays(size)) if len(peaks) > 1 else ([], [])
    if lasting:
        peaks, heights = [min(peaks, key=lambda each: abs(each - peak)) for peak in lasting], above
    main = int(np.argmax(heights))
    partners = [
        k
        for k in range(len(peaks))
        if peaks[k] != peaks[main]
        and heights[k] > max(SECOND_PEAK, 0.15 * heights[main])
        and 1.0 / FARTHEST_PEAK < f[peaks[k]] / f[peaks[main]] < FARTHEST_PEAK
    ]
    if partners:
        return TwoPeaks(*sorted((float(f[peaks[main]]), float(f[peaks[partners[0]]]))))
    return _read_peak(f, size, int(peaks[main]))


def _sure_peaks(curve: ImpedanceCurve, size: Real) -> tuple[list[int], list[float]]:
    """Peaks (`_peaks`) of `size` (n,) that stand out from the noise of the curve."""
    peaks, heights, saddles = _peaks(smoothed(curve.frequency_hz, np.log(size)))
    if curve.variance_ohm2 is None:
        return peaks, heights
    noise = np.sqrt(0.5 * curve.variance_ohm2) / size
    # One point that lies low makes a saddle too.
    unsure = np.maximum(noise[peaks], noise[saddles])
    sure = [k for k, height in enumerate(heights) if height > OVER_NOISE * unsure[k]]
    return [peaks[k] for k in sure], [heights[k] for k in sure]


def _peaks(values: Real) -> tuple[list[int], list[float], list[int]]:
    """Indices of the local maxima, their prominence: the drop to the higher of both saddles beside each, and its index."""
    rising, falling = values[1:-1] > values[:-2], values[1:-1] >= values[2:]
    peaks, heights, found = [], [], []
    for peak in np.flatnonzero(rising & falling) + 1:
        saddles = []
        for side, step in ((values[:peak][::-1], -1), (values[peak + 1 :], 1)):
            higher = np.flatnonzero(side > values[peak])
            low = int(np.argmin(side[: higher[0]] if len(higher) else side))
            saddles.append((float(side[low]), int(peak) + step * (low + 1)))
        saddle, at = max(saddles)
        if values[peak] - saddle >= MIN_PROMINENCE:
            peaks.append(int(peak))
            heights.append(float(values[peak]) - saddle)
            found.append(at)
    return peaks, heights, found


def smoothed(f: Real, values: Real) -> Real:
    """Running mean over about a twentieth of an octave, where the curve has that many points."""
    per_octave = len(f) / max(math.log2(f[-1] / f[0]), 0.1)
    width = 2 * int(per_octave / 40.0) + 1
    if width < 3:
        return values
    beyond = np.ones(width // 2)
    padded = np.concatenate([values[0] * beyond, values, values[-1] * beyond])
    return np.convolve(padded, np.full(width, 1.0 / width), mode="valid")


def _read_peak(f: Real, size: Real, peak: int) -> Resonance:
    rmax = float(size[peak])
    re, fs = float(np.min(size)), float(f[peak])
    level = math.sqrt(re * rmax)
    # The least value lies on one of the flanks; the other may be cut off, and is taken for its mirror.
    below, above = np.flatnonzero(size[:peak] < level), np.flatnonzero(size[peak:] < level)
    f1 = float(f[below[-1]]) if len(below) else fs**2 / float(f[peak + above[0]])
    f2 = float(f[peak + above[0]]) if len(above) else fs**2 / f1
    r0 = max(rmax / re, 1.02)
    qms = fs * math.sqrt(r0) / (f2 - f1)
    return Resonance(re, fs, qms, qms / (r0 - 1.0))


def _shapes(coil: str, s: Complex) -> tuple[list[dict[str, float]], Complex]:
    """Values that enter a coil model nonlinearly, over a coarse grid of k, and the terms that each then leaves linear.

    The terms (k, m, n) are impedances per unit of the m linear magnitudes at the n frequencies `s`.
    """
    low, high = abs(s[0]), abs(s[-1])
    terms: list[Complex]
    dense = low * 0.5 * (8.0 * high / low) ** (np.arange(2 * GRID - 1) / (2 * GRID - 2))
    corners = dense[::2]
    grid: list[dict[str, float]]
    match coil:
        case "simple":
            grid, terms = [{}], [s]
        case "ladder-2":
            grid = [{"w2": w} for w in corners]
            terms = [s, _corner(s, _over(grid, "w2"))]
        case "ladder-3":
            grid = [{"w2": a, "w3": b} for k, a in enumerate(dense) for b in dense[k + 2 :]]
            terms = [s, _corner(s, _over(grid, "w2")), _corner(s, _over(grid, "w3"))]
        case "power-law":
            grid = [{"n": n} for n in EXPONENTS]
            terms = [s ** _over(grid, "n")]
        case "four-exponent":
            grid = [{"Xr": a, "Xx": b} for a in EXPONENTS for b in EXPONENTS]
            powers = s.imag ** _over(grid, "Xr"), 1j * s.imag ** _over(grid, "Xx")
            terms = [power.astype(np.complex128) for power in powers]
        case _:
            # In parallel with Le: a semi-inductance as large as it at w1, and a resistance as large as it at w2.
            far = [*corners, *(corners[-1] * factor for factor in BEYOND)]
            grid = [{"w1": a, "w2": b} for a in far for b in corners]
            eddies = np.sqrt(s * _over(grid, "w1"))
            terms = [s, 1.0 / (1.0 / s + 1.0 / eddies + 1.0 / _over(grid, "w2"))]
    return grid, np.stack([np.broadcast_to(term, (len(grid), len(s))) for term in terms], axis=1)


def _over(grid: list[dict[str, float]], name: str) -> Real:
    """One value of the grid as a column (k, 1)."""
    return np.array([[at[name]] for at in grid])


def _corner(s: Complex, w: Real) -> Complex:
    """Rungs of 1 ohm that change from inductor to resistor at `w` (k, 1)."""
    return s / (s + w)


def _named(coil: str, at: Mapping[str, float], size: Real) -> dict[str, float]:
    """SI values by the names of the coil model."""
    match coil:
        case "simple" | "ladder-2" | "ladder-3":
            rungs = {
                f"{letter}{k}": size[k - 1] / (at[f"w{k}"] if letter == "L" else 1.0)
                for k in range(2, len(size) + 1)
                for letter in "LR"
            }
            return {"Le": size[0], **rungs}
        case "power-law":
            return {"K": size[0], **at}
        case "four-exponent":
            return {"Kr": size[0], "Kx": size[1], **at}
        case _:
            return {"Leb": size[0], "Le": size[1], "Kss": size[1] * math.sqrt(at["w1"]), "Rss": size[1] * at["w2"]}


def some_of(n: int) -> NDArray[np.intp]:
    """Places of `SAMPLES` of `n` points, evenly spread, or of all."""
    return np.arange(n) if n <= SAMPLES else np.arange(SAMPLES) * (n - 1) // (SAMPLES - 1)


def coil_start(coil: str, frequency_hz: Real, blocked: Complex) -> dict[str, float]:
    """Start values of the coil terms (SI, positive) from an estimate (n,) of the blocked impedance without Re, above
    resonance.

    Corner frequencies and exponents are tried over a coarse grid, magnitudes solved for by linear least squares.
    """
    some = some_of(len(frequency_hz))
    s, z = laplace(frequency_hz[some]), blocked[some]
    weight = 1.0 / np.maximum(np.abs(z), 0.05 * np.max(np.abs(z)))
    grid, terms = _shapes(coil, s)
    wanted = (z * weight).view(float)
    # A constant beside them takes what the estimate of Re misses, which a rung would otherwise stand in for.
    terms = np.concatenate([terms, np.ones_like(terms[:, :1])], axis=1)
    scale = np.abs(terms[..., -1])
    rows = np.ascontiguousarray(terms * weight / scale[..., None]).view(float)
    gram = rows @ rows.transpose(0, 2, 1)
    size = np.linalg.solve(gram + 1e-9 * np.eye(gram.shape[-1]), rows @ wanted[:, None])[..., 0]
    least, usual = LEAST_SHARE * np.abs(z[-1]), USUAL_SHARE * np.abs(z[-1])
    size[:, :-1] = np.where(size[:, :-1] > least, size[:, :-1], usual)
    miss = np.sum(((size[:, None] @ rows)[:, 0] - wanted) ** 2, axis=1)
    best = int(np.argmin(miss))
    return {name: float(value) for name, value in _named(coil, grid[best], (size[best] / scale[best])[:-1]).items()}
