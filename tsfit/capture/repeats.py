"""Repeats of one state of a driver: how far they agree, whether the coil warmed meanwhile, and their average.

A warmer coil moves the real part of Z by one and the same amount at every frequency, a suspension that gives moves Z around
the resonance. So the change of Re is read away from the resonance, and agreement is judged with that change taken out.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Complex, Mask, Real
from tsfit.base.errors import TsfitError
from tsfit.base.notes import QualityNote
from tsfit.capture.octaves import octaves
from tsfit.driver.curve import ImpedanceCurve
from tsfit.driver.formulas import COPPER_PER_K

SAME = 1e-6
"""Relative distance within which two curves' frequencies are one."""
LEAST_COMMON, LEAST_POINTS = 0.5, 24
"""Share of the shortest curve that all repeats must have in common, and points."""
BELOW, ABOVE = 0.25, (5.0, 16.0)
"""Where Re is read, over the frequency of the peak."""
POOL = 5
"""Neighbours to either side over which scatter is pooled."""
OUTLIER = 4.0
LOW_REAL = 10.0
"""Percentile of the real part that stands for Re in turning ohms to kelvin; the motion only ever adds to it."""
WARMING_K, SIGMAS = 2.5, 3.0
"""Warming that is warned about, 1 % of Re: common practice, no source; and over its own uncertainty."""
DIFFERENT_PERCENT, CHANCE = 0.5, 1e-3
"""Scatter of an octave that is warned about: common practice, no source; and probability of so much by noise alone."""


@dataclass(frozen=True)
class RepeatsVerdict:
    """What repeats say of each other, by octave under its centre in Hz, and by repeat."""

    repeats: int
    scatter_percent: dict[str, float]  # RMS standard deviation of one repeat over |Z|, change of Re taken out
    chi_square: dict[str, float]  # the same over the stated variance, 1 for noise alone; empty where a curve states none
    warming_k: tuple[float, ...]  # change of coil temperature since the first, by the copper coefficient
    warming_uncertainty_k: tuple[float, ...]
    notes: tuple[QualityNote, ...]


def judge_repeats(curves: Sequence[ImpedanceCurve]) -> RepeatsVerdict:
    """Judge repeats of one state, in order. Raises TsfitError ``few_repeats`` for fewer than two, ``unlike_grids``."""
    if len(curves) < 2:
        raise TsfitError("repeats: one curve alone has nothing to agree with; record two or more.", code="few_repeats")
    from scipy.special import chdtri

    f, z, variance = _aligned(curves)
    shift, shift_stdev, scale = _resistance_shifts(f, z, variance)
    moved = z - shift[:, None]
    deviation = np.abs(moved - moved.mean(axis=0)) ** 2 / (len(curves) - 1)
    scatter, chi_square, odd = {}, {}, {}
    for name, inside in octaves(f):
        percent = 100.0 * math.sqrt(float(np.mean(deviation.sum(axis=0)[inside] / np.abs(z[:, inside]).mean(axis=0) ** 2)))
        scatter[name] = percent
        if variance is not None:
            chi_square[name] = float(np.mean((deviation.sum(axis=0) / variance.mean(axis=0))[inside]))
            freedom = 2 * (len(curves) - 1) * int(inside.sum())
            # What noise alone exceeds once in a thousand octaves.
            beyond = chi_square[name] > float(chdtri(freedom, CHANCE)) / freedom
        else:
            beyond = True
        if beyond and percent > DIFFERENT_PERCENT:
            odd[name] = percent
    warming, stdev = shift / (scale * COPPER_PER_K), shift_stdev / (scale * COPPER_PER_K)
    notes = [*_warming_note(warming, stdev), *_scatter_note(odd)]
    return RepeatsVerdict(len(curves), scatter, chi_square, tuple(warming.tolist()), tuple(stdev.tolist()), tuple(notes))


def average_curves(curves: Sequence[ImpedanceCurve]) -> ImpedanceCurve:
    """Average repeats of one state into one curve, at the frequencies that all of them have.

    The stated variances give that of the mean, Σv/n². Where the repeats scatter more than that, what they scatter counts;
    two repeats tell that badly at one point, so the ratio of scatter to stated variance (to |Z|² where none is stated) is
    pooled over eleven neighbours, unless a point stands out from them. The variance is never below the stated one.
    Systematic directions do not shrink: they are averaged, as all repeats share their cause.

    Raises TsfitError ``few_repeats`` without a curve, ``unlike_grids``.
    """
    if not curves:
        raise TsfitError("repeats: there is no curve to average; record one or more.", code="few_repeats")
    if len(curves) == 1:
        return curves[0]
    f, z, variance = _aligned(curves)
    n = len(curves)
    mean = z.mean(axis=0)
    unit = np.abs(mean) ** 2 if variance is None else variance.sum(axis=0) / n**2
    scatter = np.sum(np.abs(z - mean) ** 2, axis=0) / (n * (n - 1))
    factor = pooled(scatter / unit, np.full(len(f), n - 1.0))
    names = [name for name in curves[0].systematic if all(name in curve.systematic for curve in curves)]
    return ImpedanceCurve(
        frequency_hz=f,
        impedance_ohm=mean,
        variance_ohm2=unit * (factor if variance is None else np.maximum(factor, 1.0)),
        systematic={name: np.mean(_pick(curves, f, [c.systematic[name] for c in curves]), axis=0) for name in names},
        source=", ".join(curve.source for curve in curves),
        notes=tuple(dict.fromkeys(note for curve in curves for note in curve.notes)),
        provenance={**_shared(curves), "repeats": [dict(curve.provenance) for curve in curves]},
    )


def _shared(curves: Sequence[ImpedanceCurve]) -> dict[str, object]:
    """What the provenances of all curves agree on."""
    first, *others = (curve.provenance for curve in curves)
    return {key: value for key, value in first.items() if all(other.get(key) == value for other in others)}


def _aligned(curves: Sequence[ImpedanceCurve]) -> tuple[Real, Complex, Real | None]:
    """Frequencies (m,) that all curves have, their impedances (n, m), and variances (n, m) if all state them."""
    common = curves[0].frequency_hz
    for curve in curves[1:]:
        common = common[np.abs(curve.frequency_hz[_nearest(curve.frequency_hz, common)] / common - 1.0) < SAME]
    shortest = min(len(curve.frequency_hz) for curve in curves)
    if len(common) < max(LEAST_COMMON * shortest, LEAST_POINTS):
        raise TsfitError(
            f"repeats: the curves share only {len(common)} frequencies; record repeats with one and the same excitation.",
            code="unlike_grids",
        )
    z = _pick(curves, common, [curve.impedance_ohm for curve in curves])
    stated = [curve.variance_ohm2 for curve in curves if curve.variance_ohm2 is not None]
    return common, z, _pick(curves, common, stated).real if len(stated) == len(curves) else None


def _nearest(where: Real, wanted: Real) -> NDArray[np.intp]:
    middle = 0.5 * (where[1:] + where[:-1])
    return np.asarray(np.searchsorted(middle, wanted))


def _pick(curves: Sequence[ImpedanceCurve], f: Real, columns: Sequence[Real | Complex]) -> Complex:
    """Columns (n, m) at the frequencies `f` (m,)."""
    pairs = zip(curves, columns, strict=True)
    return np.array([column[_nearest(curve.frequency_hz, f)] for curve, column in pairs], dtype=complex)


def _resistance_shifts(f: Real, z: Complex, variance: Real | None) -> tuple[Real, Real, float]:
    """Change of Re (n,) since the first repeat, its standard uncertainty (n,), and the first's Re, ohm."""
    mean = z.mean(axis=0)
    away = _away_from_resonance(f, mean)
    spread = np.ones_like(z.real) if variance is None else np.maximum(variance, 1e-12 * np.abs(mean) ** 2)
    shift, stdev = np.zeros(len(z)), np.zeros(len(z))
    for k in range(1, len(z)):
        weight = 2.0 / (spread[0] + spread[k])[away]
        change = (z[k] - z[0]).real[away]
        shift[k] = np.sum(weight * change) / weight.sum()
        # What does not fit one number, such as a suspension that gave, widens it.
        misfit = float(np.sum(weight * (change - shift[k]) ** 2) / max(len(change) - 1, 1))
        stdev[k] = math.sqrt((misfit if variance is None else max(misfit, 1.0)) / weight.sum())
    return shift, stdev, float(np.percentile(z[0].real[away], LOW_REAL))


def _away_from_resonance(f: Real, z: Complex) -> Mask:
    """Flags (m,) of the points where the cone hardly moves Z's real part; all where there is no resonance to see."""
    capacitive = np.flatnonzero(z.imag < 0.0)
    if not len(capacitive):
        return np.ones(len(f), dtype=bool)
    peak = f[int(np.argmax(np.abs(z[: capacitive[-1] + 1])))]
    away = (f < BELOW * peak) | ((f > ABOVE[0] * peak) & (f < ABOVE[1] * peak))
    return away if int(away.sum()) >= LEAST_POINTS // 2 else np.ones(len(f), dtype=bool)


def _warming_note(warming: Real, stdev: Real) -> list[QualityNote]:
    worst = int(np.argmax(np.abs(warming)))
    if abs(warming[worst]) <= max(WARMING_K, SIGMAS * float(stdev[worst])):
        return []
    message = (
        f"Re of repeat {worst + 1} is off the first's as if the coil were {abs(warming[worst]):.1f} K "
        f"{'warmer' if warming[worst] > 0.0 else 'cooler'}; lower the level or wait longer between repeats, and see that "
        "the clips hold."
    )
    return [QualityNote("coil_heating", "warn", message)]


def _scatter_note(odd: dict[str, float]) -> list[QualityNote]:
    if not odd:
        return []
    worst = max(odd, key=lambda name: odd[name])
    message = (
        f"the repeats differ by {odd[worst]:.1f} % around {worst} Hz, more than their noise; warm the suspension up with "
        "a few sweeps, fix the driver and the mass, and record again."
    )
    return [QualityNote("repeats_differ", "warn", message)]


def pooled(noise: Real, freedom: Real) -> Real:
    """Noise per line pooled with the neighbours', except where a band stands out (hum): there its own counts."""
    from scipy.special import chdtri, fdtri

    width = 2 * POOL + 1
    if len(noise) < width:
        return noise
    views = np.lib.stride_tricks.sliding_window_view
    padded, weights = np.pad(noise, POOL, mode="reflect"), np.pad(freedom, POOL, mode="reflect")
    around, weight = views(padded, width), views(weights, width).copy()
    # Little freedom makes large values common: those above all but a thousandth, over the median of so much freedom.
    common = np.maximum(OUTLIER, chdtri(2.0 * freedom, 1e-3) / chdtri(2.0 * freedom, 0.5))
    weight[around > (common * np.median(around, axis=1))[:, None]] = 0.0
    pooled_freedom = weight.sum(axis=1)
    pooled = (around * weight).sum(axis=1) / np.maximum(pooled_freedom, 1e-9)
    limit = fdtri(2.0 * np.maximum(freedom, 0.5), 2.0 * np.maximum(pooled_freedom, 1.0), 0.999)
    return np.asarray(np.where(noise > limit * pooled, noise, pooled))
