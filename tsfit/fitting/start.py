"""Start values read off the curve: nobody has to guess for the fitter.

Resonance peak and the two frequencies where |Z| = √(Re Rmax): Small, JAES 20(5), 1972; IEC 60268-5. Coil terms from a
small least-squares fit of what is left above resonance once the motional branch is taken away.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tsfit.circuit.coil import COIL_MODELS
from tsfit.errors import TsfitError
from tsfit.records import ImpedanceCurve

MIN_PROMINENCE = 0.04
"""Least height of a resonance over its surroundings, in ln|Z|."""
SECOND_PEAK = 0.35
"""Height in ln|Z| from which a second peak is a resonance of its own, not a flaw of box or cone."""


@dataclass(frozen=True)
class Resonance:
    """The resonance peak as read off a curve: Re (ohm), Fs (Hz), Qms, Qes, and how high it stands in ln|Z|."""

    Re: float
    Fs: float
    Qms: float
    Qes: float


def find_resonance(curve: ImpedanceCurve) -> Resonance:
    """Read the single resonance of a bare driver or closed box off |Z|.

    Raises
    ------
    TsfitError
        ``no_resonance`` when there is no peak inside the range; ``vented_box`` when there are two.
    """
    f, size = curve.frequency_hz, np.abs(curve.impedance_ohm)
    log_size = _smooth(f, np.log(size))
    peaks, heights = _peaks(log_size)
    if not len(peaks):
        raise TsfitError(
            f"{curve.source}: no resonance peak between {f[0]:.4g} and {f[-1]:.4g} Hz; connect the driver itself and sweep "
            "from well below to well above its resonance.",
            code="no_resonance",
            file=curve.source,
        )
    main = int(np.argmax(heights))
    partners = [k for k in range(len(peaks)) if k != main and heights[k] > max(SECOND_PEAK, 0.15 * heights[main])]
    if partners:
        low, high = sorted((f[peaks[main]], f[peaks[partners[0]]]))
        raise TsfitError(
            f"{curve.source}: two resonance peaks, near {low:.3g} and {high:.3g} Hz, as a vented box shows them; "
            "take the driver out of the box and sweep it in free air.",
            code="vented_box",
            file=curve.source,
        )
    return _read_peak(f, size, int(peaks[main]))


def _peaks(values: NDArray[np.float64]) -> tuple[list[int], list[float]]:
    """Indices of the local maxima, and their prominence: the drop to the higher of the two saddles beside each."""
    rising, falling = values[1:-1] > values[:-2], values[1:-1] >= values[2:]
    peaks, heights = [], []
    for peak in np.flatnonzero(rising & falling) + 1:
        saddles = []
        for side in (values[:peak][::-1], values[peak + 1 :]):
            higher = np.flatnonzero(side > values[peak])
            saddles.append(float(np.min(side[: higher[0]] if len(higher) else side)))
        if values[peak] - max(saddles) >= MIN_PROMINENCE:
            peaks.append(int(peak))
            heights.append(float(values[peak]) - max(saddles))
    return peaks, heights


def _smooth(f: NDArray[np.float64], values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Running mean over about a twentieth of an octave, where the curve has that many points."""
    per_octave = len(f) / max(math.log2(f[-1] / f[0]), 0.1)
    width = 2 * int(per_octave / 40.0) + 1
    if width < 3:
        return values
    padded = np.pad(values, width // 2, mode="edge")
    return np.convolve(padded, np.full(width, 1.0 / width), mode="valid")


def _read_peak(f: NDArray[np.float64], size: NDArray[np.float64], peak: int) -> Resonance:
    rmax = float(size[peak])
    re = float(min(np.min(size[: peak + 1]), np.min(size[peak:])))
    level = math.sqrt(re * rmax)
    below, above = np.flatnonzero(size[:peak] < level), np.flatnonzero(size[peak:] < level)
    f1 = float(f[below[-1]]) if len(below) else float("nan")
    f2 = float(f[peak + above[0]]) if len(above) else float("nan")
    fs = float(f[peak])
    f1 = f1 if math.isfinite(f1) else (fs**2 / f2 if math.isfinite(f2) else 0.7 * fs)
    f2 = f2 if math.isfinite(f2) else fs**2 / f1
    r0 = max(rmax / re, 1.02)
    qms = fs * math.sqrt(r0) / max(f2 - f1, 1e-3 * fs)
    return Resonance(re, fs, qms, qms / (r0 - 1.0))


def _guesses(coil: str, z: NDArray[np.complex128], omega: NDArray[np.floating[Any]]) -> list[dict[str, float]]:
    """Several coarse starts for the coil terms, from resistive and reactive part near the top of the range."""
    top = slice(int(0.8 * len(omega)), None)
    w = float(np.exp(np.mean(np.log(omega[top]))))
    x = max(float(np.median(z.imag[top])), 1e-3 * w * 1e-3)
    r = max(float(np.median(z.real[top])), 0.1 * x)
    total = math.hypot(x, r)
    match coil:
        case "simple":
            return [{"Le": x / w}]
        case "ladder-2":
            return [
                {"Le": a * x / w, "L2": b * x / w, "R2": c * r}
                for a, b, c in ((0.7, 0.7, 1.5), (0.4, 2.0, 1.0), (0.8, 0.3, 4.0))
            ]
        case "ladder-3":
            return [
                {"Le": a * x / w, "L2": b * x / w, "R2": c * r, "L3": d * x / w, "R3": e * r}
                for a, b, c, d, e in ((0.6, 2.0, 0.5, 0.4, 2.0), (0.4, 5.0, 0.2, 0.7, 1.5), (0.5, 1.0, 1.0, 0.2, 5.0))
            ]
        case "power-law":
            n = min(max(2.0 / math.pi * math.atan2(x, r), 0.5), 0.95)
            return [{"K": total / w**n, "n": n}]
        case "four-exponent":
            return [{"Kr": r / w**a, "Xr": a, "Kx": x / w**b, "Xx": b} for a, b in ((0.7, 0.7), (1.0, 0.8))]
        case _:
            root = math.sqrt(w)
            return [
                {"Leb": a * x / w, "Le": b * x / w, "Kss": total / root, "Rss": c * r}
                for a, b, c in ((0.3, 1.5, 5.0), (0.1, 3.0, 20.0), (0.5, 1.0, 2.0))
            ]


def coil_start(coil: str, frequency_hz: NDArray[np.float64], blocked: NDArray[np.complex128]) -> dict[str, float]:
    """Start values of the coil terms from an estimate of the blocked impedance without Re, above resonance.

    Parameters
    ----------
    coil : str
        Name of the coil model.
    frequency_hz, blocked : (n,) float, complex

    Returns
    -------
    dict of float
        SI values by name: the best of a few short least-squares fits from deterministic guesses.
    """
    from scipy.optimize import least_squares

    s = 2j * math.pi * frequency_hz
    weight = 1.0 / np.maximum(np.abs(blocked), 0.05 * np.max(np.abs(blocked)))
    model = COIL_MODELS[coil]
    names = [parameter.name for parameter in model.parameters]

    def values(x: NDArray[np.float64]) -> dict[str, float]:
        return dict(zip(names, np.exp(x), strict=True))

    def residual(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(((model.evaluate(s, values(x))[0] - blocked) * weight).view(float))

    def jacobian(x: NDArray[np.float64]) -> NDArray[np.float64]:
        p = values(x)
        gradient = model.evaluate(s, p)[1]
        return np.stack([(gradient[name] * p[name] * weight).view(float) for name in names], axis=1)

    best: dict[str, float] = {}
    cost = math.inf
    with np.errstate(all="ignore"):
        for guess in _guesses(coil, blocked, s.imag):
            start = np.log([guess[name] for name in names])
            found = least_squares(residual, start, jacobian, bounds=(start - 9.0, start + 9.0), max_nfev=60)
            if found.cost < cost:
                best, cost = values(found.x), float(found.cost)
    return {name: float(value) for name, value in best.items()}
