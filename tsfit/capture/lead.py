"""Two channels that do not keep time: what leads, which no rational function of stable poles does, and what is far behind
is shifted by whole samples before a ratio is made, and a shift that no passive impedance explains is told.
"""

import math
from dataclasses import replace

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.capture.lines import Lines
from tsfit.capture.rational import EXPLAINED, Rational, fit_rational

LEAD_SEEN, LEAST_LEAD = 0.2, 0.05
"""Share of the sample rate above which the phase tells whether the second channel leads, and samples that are a lead."""
FAR_BEHIND, SPARED = 4.0, 2
"""Samples from which the second channel is far behind, and those of them that it is left behind."""
LEAST_POINTS = 8
"""Points from which the phase is believed."""
FAR, BETTER = 3.0, 0.25
"""Misfit, times what is explained, from which a lead may be why, and share of it that is left where it was."""
HIGHEST_OCTAVES, LEAST_SHIFT = 3, 0.75
"""Octaves at the top of a ratio that tell a shift, and samples from which it is one and no part of a sample."""
PER_OCTAVE, BEYOND_OCTAVES = 24, 5
"""Steps of the sum over the magnitude, and how far it goes on beyond the points."""


def lead(frequency_hz: Real, ratio: Complex, variance: Real, rate: float) -> int:
    """Whole samples by which the second channel must be late not to lead the first, by the phase near the highest lines.

    Less than none where it is so far behind that no few poles follow it.
    """

    def early(above: float) -> float:
        high = frequency_hz > above
        if np.count_nonzero(high) < LEAST_POINTS:
            return 0.0
        phase = np.unwrap(np.angle(ratio[high]))
        slope = np.polyfit(frequency_hz[high], phase, 1, w=1.0 / np.sqrt(variance[high]))[0]
        return float(slope) * rate / (2.0 * math.pi)

    found = early(LEAD_SEEN * rate)
    if found > LEAST_LEAD:
        return math.ceil(found)
    # A coil lags too, by less than a sample or two.
    behind = -early(0.5 * float(frequency_hz[-1]))
    return -max(math.floor(behind) - SPARED, 0) if behind > FAR_BEHIND else 0


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


def shift(frequency_hz: Real, ratio: Complex, rate: float) -> int:
    """Whole samples by which the second channel comes late, less than none for early: 0 where its phase needs none.

    Passive Z and Z + R have neither zeros nor poles to the right, so the phase of their ratio (n,) is that which its
    magnitude demands: phi(u0) = (1/pi) int dln|m|/du ln coth(|u - u0|/2) du, u = ln f (Bode, Network Analysis and Feedback
    Amplifier Design, 1945, ch. 14). What is over at the highest octaves is a delay.
    """
    high = frequency_hz > frequency_hz[-1] / 2.0**HIGHEST_OCTAVES
    if np.count_nonzero(high) < 2 * LEAST_POINTS:
        return 0
    over = np.unwrap(np.angle(ratio))[high] - _least_phase(frequency_hz, ratio)[high]
    slope, constant = np.polyfit(frequency_hz[high], over, 1)
    late = -float(slope) * rate / (2.0 * math.pi)
    left = over - slope * frequency_hz[high] - constant
    return round(late) if abs(late) > LEAST_SHIFT and left.std() < BETTER * over.std() else 0


def _least_phase(frequency_hz: Real, ratio: Complex) -> Real:
    """Phase (n,) that the magnitude of a ratio demands, which goes on beyond both ends as it does in the octave there."""
    u = np.log(frequency_hz)
    step = math.log(2.0) / PER_OCTAVE
    grid = np.arange(u[0] - BEYOND_OCTAVES * math.log(2.0), u[-1] + BEYOND_OCTAVES * math.log(2.0), step)
    size = np.interp(grid, u, np.log(np.abs(ratio)))
    steep = np.gradient(size, step)
    for beyond, octave in (
        (grid < u[0] + step, u < u[0] + math.log(2.0)),
        (grid > u[-1] - step, u > u[-1] - math.log(2.0)),
    ):
        steep[beyond] = np.polyfit(u[octave], np.log(np.abs(ratio[octave])), 1)[0]
    away = step * np.arange(1.0, len(grid))
    side = -np.log(np.tanh(0.5 * away))
    # About its own place the kernel is ln(2/|u|), whose mean over a step this is.
    kernel = np.concatenate([side[::-1], [math.log(4.0 / step) + 1.0], side])
    phase = np.convolve(steep, kernel)[len(grid) - 1 : 2 * len(grid) - 1]
    return np.asarray(np.interp(u, grid, step / math.pi * phase))


def delayed(lines: Lines, samples: int) -> Lines:
    """Lines of a record whose second channel is so many samples late."""
    blocks = tuple(replace(one, second=one.second / advance(one.frequency_hz, samples, lines.rate)) for one in lines.blocks)
    return replace(lines, blocks=blocks)


def advance(frequency_hz: Real, samples: int, rate: float) -> Complex:
    """What being so many samples early does to lines (n,)."""
    return np.asarray(np.exp(2j * math.pi * samples / rate * frequency_hz))
