"""From the raw lines of two channels to their ratio at independent points, losing nothing.

With X the unknown true first channel, the lines are Y1 = X + n1 and Y2 = m X + t + n2, where t is what the ends of a record
leave (none at rest). No estimator that reads both channels can beat (Pintelon & Schoukens, System Identification: A
Frequency Domain Approach, 2nd ed., 2012, ch. 9-12)

    s²_k = (P2 + |m|² P1)/|X_k|²         E|δm|² of line k with noise powers P1, P2.

Near a resonance a band of lines is far from constant in m. But beside a smooth function m0 that is nearly right it is: each
band keeps one relative correction c, m = m0 (1 + c),

    c = Σ w conj(m0 Y1)(Y2 − t − m0 Y1) / Σ w |m0 Y1|²,   w = 1/(P2 + |m0|² P1),   var c = 1/Σ w |m0 X|²,

less the bias that the noise of the first channel makes. m0 is a rational function of the points themselves
(`tsfit.capture.rational`), and the two are found in turns. Nothing need be known of the excitation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Complex, Mask, Real
from tsfit.capture.hum import NEAR_HUM, hum_of, near_mains
from tsfit.capture.lines import Lines, Stretch, lines_of
from tsfit.capture.rational import ORDERS, ROUGH_ORDERS, Rational, fit_rational, of_the_ends

POINTS_PER_OCTAVE = 24.0
TURNS = 3
"""Turns of points and rational function; one from a few percent wrong is within 0.03 standard deviations."""
WORST_POINT = 0.25
"""Relative standard uncertainty from which a band tells nothing."""
LEAST_POINTS = 8
"""Points from which a rational function is made of them."""
FREEDOM = 40
"""Least degrees of freedom of which a noise power is made; neighbouring bands are taken together until they have them."""
HEARD = 2.0
"""Least power of a band's lines over the noise of the first channel among them."""
QUIET = 1e-6
"""Energy of a band over that of the loudest, below which nothing was played there but a drive's own ends."""
FIRST_GUESS = 1e-8
"""Noise power of a line over the usual power of the drive, before it is told."""
FOLLOWED = 1e-4
"""Share of a line that a rational function may miss before it is taken for a lone tone or hum."""
LOUDER = 4.0
"""How much louder than in the rest before it the first channel's noise may be during the excitation."""
LONE = 18.0
"""Power of a line's residual over its usual noise from which it is hum or another lone tone: one line in e^18 by chance."""
DECAYS_TO_HZ, EVERY = 500.0, 8
"""Frequency up to which all lines, and above which every so manieth, tell the decays of a record's ends."""


@dataclass(frozen=True)
class Ratio:
    """m = V2/V1 at `frequency_hz` (n,): complex (n,), variance E|δm|² (n,).

    `left_out` names frequencies (Hz) of lone tones that count for nothing, such as hum.
    """

    frequency_hz: Real
    value: Complex
    variance: Real
    left_out: tuple[float, ...] = ()


def channel_ratio(
    first: Real, second: Real, sample_rate_hz: float, points_per_octave: float = POINTS_PER_OCTAVE, silent: float = 0.0
) -> Ratio:
    """Ratio second/first of two channels.

    Parameters
    ----------
    first, second : (n,) float
    sample_rate_hz : float
    points_per_octave : float
        Density of the bands, each of which gives a point if its lines tell one.
    silent : float
        Ratio that a point need not stand out from: above zero, a second channel with nothing in it is told as such.
    """
    return ratio_of_lines(lines_of(first, second, sample_rate_hz), points_per_octave, silent)


def ratio_of_lines(lines: Lines, points_per_octave: float = POINTS_PER_OCTAVE, silent: float = 0.0) -> Ratio:
    """Ratio of the two channels whose `lines` are given; see `channel_ratio`."""
    bands = _Bands(lines, points_per_octave, silent)
    model: Rational | None = None
    for turn in range(TURNS + 1):
        points = bands.points(model)
        if turn == TURNS or np.count_nonzero(points.told) < LEAST_POINTS:
            break
        kept = points.told
        orders = ORDERS if turn == TURNS - 1 else ROUGH_ORDERS
        model = fit_rational(points.frequency_hz[kept], points.value[kept], points.variance[kept], orders)
    kept = points.told
    return Ratio(points.frequency_hz[kept], points.value[kept], points.variance[kept], bands.left_out())


@dataclass(frozen=True)
class _Points:
    """Ratio of every band, and which bands tell one."""

    frequency_hz: Real
    value: Complex
    variance: Real
    told: Mask


class _Bands:
    """The lines of a record by bands, with what the turns learn: noise power of each band, and lines that do not count."""

    def __init__(self, lines: Lines, points_per_octave: float, silent: float) -> None:
        self.silent = silent
        self.blocks, self.share, self.first_noise = lines.blocks, lines.noise_share, lines.noise
        number = [np.floor(points_per_octave * np.log2(block.frequency_hz / 1000.0) + 0.5) for block in self.blocks]
        names, index = np.unique(np.concatenate(number), return_inverse=True)
        self.count = len(names)
        ends = np.cumsum([len(one) for one in number])[:-1]
        self.band: list[NDArray[np.intp]] = np.split(index, ends)
        # Recordings of one length and rate have their points at the same places.
        self.lines = self._sum([np.ones(len(one)) for one in number])
        self.centre = self._sum([block.frequency_hz for block in self.blocks]) / self.lines
        # Before a ratio is known, where hum may be counts for nothing.
        self.used: list[Mask] = [~near_mains(block) for block in self.blocks]
        loudness = float(np.mean(np.concatenate([np.abs(block.first) ** 2 for block in self.blocks])))
        self.noise: Real = np.full(self.count, FIRST_GUESS * loudness)
        self.least = 1e-20 * loudness

    def points(self, model: Rational | None) -> _Points:
        """Ratio of each band beside `model`; noise and hum are told from what that leaves over."""
        m0 = [self._model(block, model) for block in self.blocks]
        if model is not None:
            self.used = [np.ones(len(m), dtype=bool) for m in m0]
        second = [
            block.second - self._ends(block, m, band, used, model)
            for block, m, band, used in zip(self.blocks, m0, self.band, self.used, strict=True)
        ]
        for _ in range(2):
            correction, *_ = self._correct(m0, second)
            self._tell_noise(m0, second, correction)
        correction, weight, bias = self._correct(m0, second)
        centre = self.centre
        base = np.full(self.count, m0[0][0]) if model is None else model.at(centre)
        driven = self._sum([np.abs(block.first) ** 2 for block in self.blocks])
        weight = np.where(driven > QUIET * driven.max(), weight, 0.0)
        with np.errstate(divide="ignore"):
            variance = np.where(weight > HEARD * bias, 1.0 / np.maximum(weight - bias, 1e-300), np.inf)
        value, variance = base * (1.0 + correction), np.abs(base) ** 2 * variance
        told = variance < (WORST_POINT * np.maximum(np.abs(value), self.silent)) ** 2
        return _Points(centre, value, variance, told)

    def left_out(self) -> tuple[float, ...]:
        """Frequencies of the lines that do not count."""
        return tuple(
            float(f) for block, used in zip(self.blocks, self.used, strict=True) for f in block.frequency_hz[~used]
        )

    def _model(self, block: Stretch, model: Rational | None) -> Complex:
        if model is not None:
            return model.at(block.frequency_hz)
        one = np.vdot(block.first, block.second) / np.vdot(block.first, block.first).real
        return np.full(len(block.first), one)

    def _ends(
        self, block: Stretch, m0: Complex, band: NDArray[np.intp], used: Mask, model: Rational | None
    ) -> Complex | float:
        """What ends that are not at rest leave in the second channel's lines, and hum: an undamped mode from end to end."""
        if model is None:
            return 0.0
        x = m0 * block.first
        weight = 1.0 / np.sqrt(self.noise[band] + (FOLLOWED * np.abs(x)) ** 2)
        hum = hum_of(block, (block.second - x) * weight)
        for f in hum:
            used &= np.abs(block.frequency_hz - f) > NEAR_HUM * block.step_hz
        if block.rest and not hum:
            return 0.0
        # Hum in the first channel, times a ratio that bends, leaves the system's modes as ends do.
        poles = np.concatenate([model.poles, 2j * math.pi * np.array(hum)])
        some = used & ((block.frequency_hz < DECAYS_TO_HZ) | (np.arange(len(used)) % EVERY == 0))
        left = block.second[some] - m0[some] * block.first[some]
        found = np.zeros(len(used), dtype=np.complex128)
        found[used] = of_the_ends(block.frequency_hz[some], left, weight[some], poles, block.frequency_hz[used])
        return found

    def _sum(self, values: list[Real]) -> Real:
        total = np.zeros(self.count)
        for band, value in zip(self.band, values, strict=True):
            total += np.bincount(band, weights=value, minlength=self.count)
        return total

    def _correct(self, m0: list[Complex], second: list[Complex]) -> tuple[Complex, Real, Real]:
        """Relative correction of each band, its inverse variance, and what of that is the first channel's noise."""
        cross, power, bias = [], [], []
        for block, m, y, band, used in zip(self.blocks, m0, second, self.band, self.used, strict=True):
            size = np.abs(m) ** 2
            w = used / self.noise[band]
            x = m * block.first
            cross.append(w * x.conj() * (y - x))
            power.append(w * np.abs(x) ** 2)
            # What is left over may be more than noise; the first channel's has a bound where it was heard alone.
            alone = np.minimum(
                self.share / (w + (w == 0.0)) / (1.0 + size * self.share), LOUDER * self.first_noise * block.samples
            )
            bias.append(w * size * alone)
        real, imaginary = self._sum([one.real for one in cross]), self._sum([one.imag for one in cross])
        weight, lost = self._sum(power), self._sum(bias)
        heard = weight > HEARD * lost
        left = np.where(heard, weight - lost, 1.0)
        correction = np.where(heard, (real + lost + 1j * imaginary) / left, 0.0)
        return correction, weight, lost

    def _tell_noise(self, m0: list[Complex], second: list[Complex], correction: Complex) -> None:
        """Noise power of each band from what the points leave over there and near by; lone tones no longer count."""
        left = [
            np.abs(y - m * (1.0 + correction[band]) * block.first) ** 2
            for block, m, y, band in zip(self.blocks, m0, second, self.band, strict=True)
        ]
        self.noise = self._pooled(left)
        lines = self._sum([used.astype(float) for used in self.used])
        for block, m, band, used, power in zip(self.blocks, m0, self.band, self.used, left, strict=True):
            usual = self.noise[band] + (FOLLOWED * np.abs(m * block.first)) ** 2
            used &= (power < LONE * usual) | (lines[band] < 3.0)
        self.noise = self._pooled(left)

    def _pooled(self, left: list[Real]) -> Real:
        lines = self._sum([used.astype(float) for used in self.used])
        freedom = np.maximum(lines - 1.0, 0.0)
        power = self._sum([power * used for power, used in zip(left, self.used, strict=True)])
        sums = np.concatenate([[0.0], np.cumsum(np.where(freedom > 0.0, power, 0.0))])
        counts = np.concatenate([[0.0], np.cumsum(freedom)])
        place = np.arange(self.count)
        out = np.zeros(self.count)
        open_ = np.ones(self.count, dtype=bool)
        for half in range(2, self.count + 2):
            low, high = np.maximum(place - half, 0), np.minimum(place + half + 1, self.count)
            within = counts[high] - counts[low]
            done = open_ & ((within >= FREEDOM) | (half > self.count))
            out[done] = (sums[high] - sums[low])[done] / np.maximum(within[done], 1.0)
            open_ &= ~done
            if not open_.any():
                break
        return np.maximum(out, self.least)
