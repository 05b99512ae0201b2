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
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Complex, Mask, Real
from tsfit.capture.disturbance import UNDISTURBED, Disturbance, Disturbed, Remnant, disturbances, may_go, without
from tsfit.capture.hum import hum_of, near_mains, near_tones, on_tones
from tsfit.capture.lead import advance, delayed, followed_if_late, lead
from tsfit.capture.lines import Lines, Stretch, in_turn, lines_of
from tsfit.capture.rational import ORDERS, ROUGH_ORDERS, Rational, fit_rational, of_the_ends, of_tones

POINTS_PER_OCTAVE = 24.0
TURNS = 3
"""Turns of points and rational function; one from a few percent wrong is within 0.03 standard deviations."""
WORST_POINT = 0.4
"""Relative standard uncertainty from which a band tells nothing."""
ENDS_MISSED = (0.0, 0.1, 0.1, 0.003)
"""Share of what a record's ends leave in its lines that the modes of the ratio miss, by turns: while these are rough, what
is left of it is not taken for modes of their own."""
SURE_POINT, WIDEST_POINT = 0.06, 1.0 / 12.0
"""Relative standard uncertainty up to which neighbouring bands make one point, and its widest in octaves: what is made of a
noisy ratio bends, and what takes noisy points away takes a resonance's own."""
LEAST_POINTS = 8
"""Points from which a rational function is made of them."""
FREEDOM = 40
"""Least degrees of freedom of which a noise power is made; neighbouring bands are taken together until they have them."""
WITH_DRIVE = 1.5
"""Noise of the lines that were played over that of all from which it is theirs: a converter's steps, which repeat
themselves with a periodic excitation."""
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
Scalar = TypeVar("Scalar", np.float64, np.complex128)
DECAYS_TO_HZ, EVERY, ENOUGH = 500.0, 8, 40000
"""Frequency up to which all lines, and above which every so manieth or so many, tell the decays of a record's ends."""


@dataclass(frozen=True)
class Earlier:
    """What a first look has shown: by how many samples the second channel was made late, and what was taken out."""

    late: int = 0
    taken_out: tuple[Disturbance, ...] = ()


FIRST = Earlier()


@dataclass(frozen=True)
class Ratio:
    """m = V2/V1 at `frequency_hz` (n,): complex (n,), variance E|δm|² (n,).

    `left_out` names frequencies (Hz) of lone tones that count for nothing, such as hum; `disturbed` what stood out in time.
    `smooth` (n,) is the rational function beside which they were made, without their noise; None where there was none.
    """

    frequency_hz: Real
    value: Complex
    variance: Real
    smooth: Complex | None = None
    left_out: tuple[float, ...] = ()
    disturbed: Disturbed = UNDISTURBED


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


def ratio_of_lines(
    lines: Lines, points_per_octave: float = POINTS_PER_OCTAVE, silent: float = 0.0, earlier: Earlier = FIRST
) -> Ratio:
    """Ratio of the two channels whose `lines` are given; see `channel_ratio`. `earlier`: what a look before has shown."""
    bands = _Bands(lines, points_per_octave, silent)
    model: Rational | None = None
    for turn in range(TURNS + 1):
        points = bands.points(model, ENDS_MISSED[turn], together=turn == TURNS)
        if turn == TURNS or np.count_nonzero(points.told) < LEAST_POINTS:
            break
        told = points.frequency_hz[points.told], points.value[points.told], points.variance[points.told]
        late = lead(*told, lines.rate) if turn == 0 and not earlier.late else 0
        if not late:
            model = fit_rational(*told, ORDERS if turn == TURNS - 1 else ROUGH_ORDERS)
            late = int(turn == TURNS - 1 and not earlier.late and followed_if_late(*told, lines.rate, model))
        if late:
            again = ratio_of_lines(delayed(lines, late), points_per_octave, silent, Earlier(late))
            early = advance(again.frequency_hz, late, lines.rate)
            smooth = None if again.smooth is None else again.smooth * early
            return replace(again, value=again.value * early, smooth=smooth)
    kept = points.told
    f = points.frequency_hz[kept]
    found = Ratio(f, points.value[kept], points.variance[kept], None if model is None else model.at(f), bands.left_out())
    if model is None:
        return found
    disturbed = disturbances(lines, bands.remnants())
    if may_go(disturbed, lines) and not earlier.taken_out:
        earlier = replace(earlier, taken_out=disturbed.pieces)
        return ratio_of_lines(without(lines, bands.remnants(), disturbed), points_per_octave, silent, earlier)
    return replace(found, disturbed=replace(disturbed, taken_out=earlier.taken_out))


@dataclass(frozen=True)
class _Points:
    """Ratio of every band, and which bands tell one."""

    frequency_hz: Real
    value: Complex
    variance: Real
    told: Mask


class _Part:
    """Lines (n,) of one stretch, which lie side by side in bands, and what they are beside a model."""

    def __init__(self, block: Stretch, number: Real, mains: Mask) -> None:
        self.block = block
        self.starts = np.flatnonzero(np.diff(number, prepend=-np.inf))
        self.names, self.lengths = number[self.starts], np.diff(self.starts, append=len(number))
        # Before a ratio is known, where hum may be counts for nothing.
        self.used: Mask = ~mains if block.rest or block.lost is None else ~(mains | block.lost)
        # Where its bands are among those of all parts, and the power of what is left over in each line.
        self.place: NDArray[np.intp] = np.arange(len(self.names))
        self.left: Real = np.empty(0)
        # Lines that hold hum, which is told as such, and is nothing that stands out in time.
        self.hums: Mask = np.zeros(len(number), dtype=bool)
        # What the ends had of the lines of each band.
        self.ends: Real = np.zeros(len(self.names))

    def sums(self, values: NDArray[Scalar]) -> NDArray[Scalar]:
        """Sums of the lines of each band, in double precision whatever that of the lines."""
        return np.asarray(np.add.reduceat(values, self.starts, dtype=np.result_type(values, np.float64)))

    def spread(self, values: NDArray[Scalar]) -> NDArray[Scalar]:
        """Values of all bands at the lines."""
        return np.repeat(values[self.place], self.lengths)

    def remnant(self) -> Complex:
        """What the ratio leaves over in each line: nothing where it holds hum, or but the ends of a record not at rest."""
        block = self.block
        silent = self.hums if block.rest or block.lost is None else self.hums | block.lost
        # A long record's lines are copied only where some fall silent.
        return np.where(silent, self.off.dtype.type(0.0), self.off) if silent.any() else self.off

    @property
    def expected(self) -> Complex:
        """The second channel's lines by the ratio; made anew each time, since a long record's fill the memory."""
        return np.asarray(self.ratio * self.block.first)

    @property
    def power(self) -> Real:
        """Power that is expected in each line."""
        return np.asarray(self.size * _square(self.block.first))

    def leave(self, correction: Complex) -> None:
        """Tell the power that points with this `correction` of each band leave over in each line."""
        self.left = _square(self.off - self.spread(correction).astype(self.off.dtype) * self.expected)

    def judge(self, noise: Real, lines: Real) -> None:
        """Let lone tones count no longer, by the `noise` of each band and how many `lines` it has."""
        usual = self.spread(noise) + FOLLOWED**2 * self.power
        self.used &= (self.left < LONE * usual) | (self.spread(lines) < 3.0)

    def beside(self, model: Rational | None, ratio: Complex | None, noise: Real) -> None:
        """Hold the second channel's lines against the first's times the `ratio` of `model`, with `noise` by bands."""
        block = self.block
        self.left = np.empty(0)  # of the turn before
        if model is None or ratio is None:
            self.flat = complex(np.vdot(block.first, block.second) / np.sum(_square(block.first)))
            ratio = np.asarray(self.flat, dtype=block.first.dtype)
        else:
            self.used = np.ones(len(self.used), dtype=bool) if block.lost is None else ~block.lost
        # size: the ratio's square
        self.ratio, self.size = ratio, _square(ratio)
        self.off = block.second - self.expected
        if model is not None:
            self._take_ends(model, self.spread(noise))

    def _take_ends(self, model: Rational, noise: Real) -> None:
        """Take away what ends that are not at rest leave in the second channel, and hum: an undamped mode throughout."""
        block = self.block
        weight = 1.0 / np.sqrt(noise + FOLLOWED**2 * self.power)
        hum = hum_of(block, self.off * weight)
        self.hums = on_tones(block, hum)
        self.used &= ~self.hums
        if block.rest and not hum:
            return
        f = block.frequency_hz
        if block.rest:
            some = self.used & near_tones(block, hum)
            here = f[some], self.ratio[some], self.off[some], weight[some]
            self.off[self.used] -= of_tones(hum, *here, f[self.used], self.ratio[self.used])
            return
        # Hum in the first channel, times a ratio that bends, leaves the system's modes as ends do.
        poles = np.concatenate([model.poles, 2j * math.pi * np.array(hum)])
        some = self.used & ((f < DECAYS_TO_HZ) | (np.arange(len(f)) % max(EVERY, len(f) // ENOUGH) == 0))
        left = of_the_ends(f[some], self.off[some], weight[some], poles, f[self.used])
        self.off[self.used] -= left
        taken = np.zeros(len(f))
        taken[self.used] = _square(left)
        self.ends = self.sums(taken)


class _Bands:
    """The lines of a record by bands, with what the turns learn: noise power of each band, and lines that do not count."""

    def __init__(self, lines: Lines, points_per_octave: float, silent: float) -> None:
        self.silent = silent
        self.share, self.first_noise = lines.noise_share, lines.noise
        # What depends on nothing but where the lines lie is made once for all blocks that share that.
        alike = {id(block.frequency_hz): block for block in lines.blocks}
        number = {
            key: np.floor(points_per_octave * np.log2(block.frequency_hz / 1000.0) + 0.5) for key, block in alike.items()
        }
        mains = {key: near_mains(block) for key, block in alike.items()}
        keys = [id(block.frequency_hz) for block in lines.blocks]
        self.parts = [_Part(block, number[key], mains[key]) for key, block in zip(keys, lines.blocks, strict=True)]
        self.alike = alike
        names = np.unique(np.concatenate([part.names for part in self.parts]))
        self.count = len(names)
        for part in self.parts:
            part.place = np.searchsorted(names, part.names)
        # Recordings of one length and rate have their points at the same places.
        lines_in = self._sum(lambda part: np.ones(len(part.used)))
        self.centre = self._sum(lambda part: part.block.frequency_hz) / lines_in
        self.driven = self._sum(lambda part: _square(part.block.first))
        loudness = float(self.driven.sum() / lines_in.sum())
        self.noise: Real = np.full(self.count, FIRST_GUESS * loudness)
        self.least = 1e-20 * loudness

    def points(self, model: Rational | None, ends_missed: float, *, together: bool = False) -> _Points:
        """Ratio of every band beside `model`, or of noisy ones `together`; noise and hum are told from what that leaves.

        `ends_missed`: share of what was taken for the ends' that may be wrong.
        """
        ratios = {} if model is None else {key: self._ratio_at(model, block) for key, block in self.alike.items()}
        in_turn(lambda part: part.beside(model, ratios.get(id(part.block.frequency_hz)), self.noise), self.parts)
        for _ in range(2):
            self._tell_noise(self._correct()[0])
        if together:
            played = self._pooled(by_drive=True)
            self.noise = np.where(played > WITH_DRIVE * self.noise, played, self.noise)
        correction, weight, bias = self._correct()
        weight = np.where(self.driven > QUIET * self.driven.max(), weight, 0.0)
        certain = np.where(weight > HEARD * bias, np.maximum(weight - bias, 1e-300), 0.0)
        certain /= 1.0 + certain * ends_missed**2 * self._ends()
        centre = self.centre
        if together and not self.silent:
            centre, correction, certain = _together(centre, correction, certain)
        base = np.full(len(centre), self.parts[0].flat) if model is None else model.at(centre)
        with np.errstate(divide="ignore"):
            value, variance = base * (1.0 + correction), np.abs(base) ** 2 / certain
        told = variance < (WORST_POINT * np.maximum(np.abs(value), self.silent)) ** 2
        return _Points(centre, value, variance, told)

    def _ends(self) -> Real:
        """Usual power of what the ends had of a line of each band, over that of all its lines."""
        ends, lines = np.zeros(self.count), np.zeros(self.count)
        for part in self.parts:
            ends[part.place] += part.ends
            lines[part.place] += part.lengths
        return ends / lines / np.maximum(self._sum(lambda part: part.used * part.power), self.least)

    @staticmethod
    def _ratio_at(model: Rational, block: Stretch) -> Complex:
        return np.asarray(model.at(block.frequency_hz).astype(block.first.dtype))

    def remnants(self) -> list[Remnant]:
        """What the last model leaves over in each line."""
        return [Remnant(part.remnant(), np.maximum(np.sqrt(part.size), self.silent)) for part in self.parts]

    def left_out(self) -> tuple[float, ...]:
        """Frequencies of the lines that do not count."""
        return tuple(float(f) for part in self.parts for f in part.block.frequency_hz[~part.used])

    def _sum(self, values: Callable[[_Part], NDArray[Scalar]]) -> NDArray[Scalar]:
        """Sums (n_bands,) of what every part has at its lines."""
        found = in_turn(lambda part: part.sums(values(part)), self.parts)
        total = np.zeros(self.count, dtype=found[0].dtype)
        for part, sums in zip(self.parts, found, strict=True):
            total[part.place] += sums
        return total

    def _correct(self) -> tuple[Complex, Real, Real]:
        """Relative correction of each band, its inverse variance, and what of that is the first channel's noise."""

        def noise_of_first(part: _Part) -> Real:
            # What is left over may be more than noise; the first channel's has a bound where it was heard alone.
            alone = self.share * part.spread(self.noise) / (1.0 + part.size * self.share)
            return part.used * part.size * np.minimum(alone, LOUDER * self.first_noise * part.block.samples)

        cross = self._sum(lambda part: part.used * part.expected.conj() * part.off) / self.noise
        weight = self._sum(lambda part: part.used * part.power) / self.noise
        lost = self._sum(noise_of_first) / self.noise
        heard = weight > HEARD * lost
        return np.where(heard, (cross + lost) / np.where(heard, weight - lost, 1.0), 0.0), weight, lost

    def _tell_noise(self, correction: Complex) -> None:
        """Noise power of each band from what the points leave over there and near by; lone tones no longer count."""
        in_turn(lambda part: part.leave(correction), self.parts)
        self.noise, lines = self._pooled(), self._sum(lambda part: part.used.astype(float))
        in_turn(lambda part: part.judge(self.noise, lines), self.parts)
        self.noise = self._pooled()

    def _pooled(self, *, by_drive: bool = False) -> Real:
        """Noise power of each band: of all its lines alike, or of those that were played."""
        lines, power = self._sum(lambda part: part.used.astype(float)), self._sum(lambda part: part.left * part.used)
        if by_drive:
            # As many lines of one weight would tell as much.
            weight = self._sum(lambda part: part.used * part.power)
            uneven = weight / np.maximum(self._sum(lambda part: part.used * part.power**2), self.least**2)
            lines, power = weight * uneven, self._sum(lambda part: part.left * part.used * part.power) * uneven
        freedom = np.maximum(lines - 1.0, 0.0)
        sums = np.concatenate([[0.0], np.cumsum(np.where(freedom > 0.0, power, 0.0))])
        counts = np.concatenate([[0.0], np.cumsum(freedom)])
        # The fewest neighbours on both sides that have the freedom, by bisection, or all where not even they have it.
        few, many, centre = np.full(self.count, 1), np.full(self.count, self.count + 1), np.arange(self.count)
        while np.any(many - few > 1):
            half = (few + many + 1) // 2
            low, high = np.maximum(centre - half, 0), np.minimum(centre + half + 1, self.count)
            enough = counts[high] - counts[low] >= FREEDOM
            few, many = np.where(enough, few, half), np.where(enough, half, many)
        low, high = np.maximum(centre - many, 0), np.minimum(centre + many + 1, self.count)
        out: Real = (sums[high] - sums[low]) / np.maximum(counts[high] - counts[low], 1.0)
        return np.asarray(np.maximum(out, self.least))


def _together(centre: Real, correction: Complex, certain: Real) -> tuple[Real, Complex, Real]:
    """Make one point of neighbouring bands (n,) that are not certain enough, by the inverse variance of each correction."""
    starts, held, begun = [], math.inf, 0.0
    for k, (hz, one) in enumerate(zip(centre.tolist(), certain.tolist(), strict=True)):
        if held >= SURE_POINT**-2.0 or one >= SURE_POINT**-2.0 or hz > begun * 2.0**WIDEST_POINT:
            starts.append(k)
            held, begun = 0.0, hz
        held += one
    alone = np.diff(starts, append=len(centre)) == 1
    first, total = np.array(starts), np.add.reduceat(certain, starts)
    share = certain / np.repeat(np.maximum(total, 1e-300), np.diff(starts, append=len(centre)))
    means = [np.add.reduceat(share * one, starts) for one in (centre, correction)]
    told = alone | (total == 0.0)
    return np.where(told, centre[first], means[0]), np.where(told, correction[first], means[1]), total


def _square(z: Complex) -> Real:
    """|z|², without the root that abs takes."""
    return np.asarray(z.real**2 + z.imag**2)
