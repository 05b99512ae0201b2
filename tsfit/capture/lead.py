"""A second channel that leads the first: as no rational function of stable poles does, it is made late by whole samples."""

import math
from dataclasses import replace

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.capture.lines import Lines
from tsfit.capture.rational import EXPLAINED, Rational, fit_rational

LEAD_SEEN, LEAST_LEAD = 0.2, 0.05
"""Share of the sample rate above which the phase tells whether the second channel leads, and samples that are a lead."""
LEAST_POINTS = 8
"""Points from which the phase is believed."""
FAR, BETTER = 3.0, 0.25
"""Misfit, times what is explained, from which a lead may be why, and share of it that is left where it was."""


def lead(frequency_hz: Real, ratio: Complex, variance: Real, rate: float) -> int:
    """Whole samples by which the second channel must be late not to lead the first, by the phase near the highest lines."""
    high = frequency_hz > LEAD_SEEN * rate
    if np.count_nonzero(high) < LEAST_POINTS:
        return 0
    phase = np.unwrap(np.angle(ratio[high]))
    slope = np.polyfit(frequency_hz[high], phase, 1, w=1.0 / np.sqrt(variance[high]))[0]
    found = float(slope) * rate / (2.0 * math.pi)
    return math.ceil(found) if found > LEAST_LEAD else 0


def followed_if_late(frequency_hz: Real, ratio: Complex, variance: Real, rate: float, model: Rational) -> bool:
    """Whether a ratio (n,) that `model` misses by far is followed if made late by a sample.

    At high rates the lines end where a lead of part of a sample is little beside what a coil does to the phase.
    """

    def missed(value: Complex, by: Rational) -> float:
        return float(np.mean(np.abs(by.at(frequency_hz) - value) ** 2 / variance))

    now = missed(ratio, model)
    if now < FAR * EXPLAINED:
        return False
    late = ratio / advance(frequency_hz, 1, rate)
    return missed(late, fit_rational(frequency_hz, late, variance)) < BETTER * now


def delayed(lines: Lines, samples: int) -> Lines:
    """Lines of a record whose second channel is so many samples late."""
    blocks = tuple(replace(one, second=one.second / advance(one.frequency_hz, samples, lines.rate)) for one in lines.blocks)
    return replace(lines, blocks=blocks)


def advance(frequency_hz: Real, samples: int, rate: float) -> Complex:
    """What being so many samples early does to lines (n,)."""
    return np.asarray(np.exp(2j * math.pi * samples / rate * frequency_hz))
