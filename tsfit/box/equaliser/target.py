"""What a target asks of equaliser sections: the fewest that a person would type in."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.box.equaliser.sections import FilterSection, gain_db
from tsfit.box.numbers import BUTTERWORTH_Q

FIT_BELOW, FIT_ABOVE_HZ = 0.8, 200.0
"""A target is met from this share of its lowest frequency up to here, or to four times that frequency."""
MOST_BOOST_DB = 24.0
MOST_SECTIONS, MOST_GAIN_DB = 3, 18.0
GO_ON = 2
"""How many choices of so many sections are gone on from."""
NEAR_ENOUGH_DB, WORTH_A_SECTION_DB = 0.25, 0.25
"""Error at which no section is added, and by how much one must lower it: no driver is known better (common practice, no
source)."""
USUAL_REACH = ((0.5, 10.0), (0.3, 5.0))
REACH = {"high-pass": ((0.8, 1.1), (0.5, 2.6)), "pole shift": ((0.8, 1.25), (0.4, 2.6))}
"""Frequencies, per the lowest, and Qs within which a section is looked for: what makes the end of the band stands there."""
STEP, SETTLED = 1e-6, 1e-5
"""Step of a variable for its slope, and relative change of the sum of squares at which a search ends."""
IDLE_DB = 0.1
"""Gain of a section that is none."""
EVERY = 2
"""Which points of a curve are held against the target: no section is as narrow as two of them."""
BELOW = 0.5
"""What an error counts below the lowest frequency, per what it does above."""
AGAINST = 0.3
"""What a decibel counts, per decibel of error, that one section adds and another takes away."""


def flat_target_db(frequency_hz: ArrayLike, to_hz: float, order: int) -> Real:
    """Level re the mid-band of a Butterworth high-pass of `order` with its half-power point at `to_hz`, dB."""
    ratio = (to_hz / np.asarray(frequency_hz, dtype=float)) ** (2 * order)
    return np.asarray(-10.0 * np.log10(1.0 + ratio))


def reach(
    frequency_hz: Real,
    level_db: Real,
    target_db: Real,
    lowest_hz: float,
    *,
    poles: tuple[float, float] | None = None,
    high_pass: int = 0,
) -> tuple[FilterSection, ...]:
    """Find sections that bring `level_db` to `target_db`, both (n,), from 0.8 `lowest_hz` to 200 Hz, or four times that.

    With `poles`, frequency and Q of those that a closed box has, a pole shift to about `lowest_hz` does most of it;
    without, a low shelf or a peaking section. A `high_pass` of an even order, which the target counts, is found with them
    and stands last. Beside it stand the fewest sections, three at most, whose largest error one more would not lower by
    0.25 dB, and none that takes away what another adds. Raises ``unreachable_target`` when more than 24 dB of boost were
    needed.
    """
    top = max(FIT_ABOVE_HZ, 4.0 * lowest_hz)
    inside = (frequency_hz >= FIT_BELOW * lowest_hz) & (frequency_hz <= top)
    f, wanted = frequency_hz[inside][::EVERY], (target_db - level_db)[inside][::EVERY]
    if len(f) < 3:
        raise TsfitError(f"equaliser: no curve between {lowest_hz:g} and {top:g} Hz to work on.", code="wrong_value")
    most = float(np.max(wanted[f >= lowest_hz], initial=0.0))
    if most > MOST_BOOST_DB:
        raise TsfitError(
            f"equaliser: the target from {in_figures(lowest_hz, 4)} Hz up would take {most:.0f} dB of boost, "
            f"beyond what any driver "
            "stands; ask for less, or for a larger box.",
            code="unreachable_target",
        )
    task = _Task(f, wanted, lowest_hz)
    qs = _butterworth_qs(high_pass + (2 if poles else 4))
    shifted, qs = (qs[0], qs[1:]) if poles else (BUTTERWORTH_Q, qs)
    cut = tuple(FilterSection("high-pass", lowest_hz, q) for q in qs[: high_pass // 2])
    own: tuple[FilterSection, ...] = ()
    best = [(cut, task.error(cut))]
    if poles is not None:
        own = (FilterSection("pole shift", lowest_hz, shifted, from_hz=poles[0], from_q=poles[1]),)
        best = [task.fitted((*own, *cut))]
    found = best[:]
    for number in range(len(own), MOST_SECTIONS):
        if found[-1][1] < NEAR_ENOUGH_DB:
            break
        starts = [(*before[:number], one, *cut) for before, _ in best for one in task.more(before)]
        best = sorted(map(task.fitted, starts), key=lambda each: each[1])[:GO_ON]
        found.append(best[0])
    chosen = min(found, key=lambda each: each[1] + WORTH_A_SECTION_DB * len(each[0]))[0]
    return tuple(one for one in chosen if one.gain_db is None or abs(one.gain_db) > IDLE_DB)


def _butterworth_qs(order: int) -> list[float]:
    """Q of each pair of poles of a Butterworth filter of even order, the highest first."""
    return [0.5 / math.sin(math.pi * (2 * pair + 1) / (2 * order)) for pair in range(order // 2)]


@dataclass(frozen=True)
class _Task:
    """Gain that is wanted at each frequency (n,), dB, and from where on it counts."""

    f: Real
    wanted_db: Real
    lowest_hz: float

    def error(self, sections: Sequence[FilterSection]) -> float:
        """Return the largest error, dB, from the lowest frequency on, and what counts as much."""
        errors = np.abs(self._misses(sections)).reshape(2, -1).sum(axis=0)
        return float(np.max(errors[self.f >= self.lowest_hz]))

    @property
    def _counts(self) -> Real:
        """What an error counts at each frequency (n,)."""
        return np.where(self.f < self.lowest_hz, BELOW, 1.0)

    def more(self, sections: Sequence[FilterSection]) -> list[FilterSection]:
        """What could be added where `sections` err most."""
        left = self.wanted_db - gain_db(sections, self.f)
        worst = int(np.argmax(np.abs(left) * self._counts))
        gain = float(np.clip(left[worst], -12.0, 12.0)) or 0.1
        most = float(np.clip(left[0], -12.0, 12.0)) or 0.1
        return [
            FilterSection("peaking", float(self.f[worst]), 1.0, gain),
            FilterSection("low shelf", 1.5 * self.lowest_hz, BUTTERWORTH_Q, most),
        ]

    def fitted(self, start: Sequence[FilterSection]) -> tuple[tuple[FilterSection, ...], float]:
        """Sections of the kinds of `start` whose gain is closest to what is wanted, and their `error`."""
        from scipy.optimize import least_squares

        vector = np.ravel([(math.log(one.frequency_hz), math.log(one.q), one.gain_db or 0.0) for one in start])
        bounds = [
            (
                (math.log(f[0] * self.lowest_hz), math.log(q[0]), -MOST_GAIN_DB),
                (math.log(f[1] * self.lowest_hz), math.log(q[1]), MOST_GAIN_DB),
            )
            for one in start
            for f, q in (REACH.get(one.kind, USUAL_REACH),)
        ]
        low, high = np.array(bounds).transpose(1, 0, 2).reshape(2, -1)

        def misses(x: Real) -> Real:
            return self._misses(_unpack(x, start))

        def slopes(x: Real) -> Real:
            """By finite differences of the one section that a variable is of, (2 n, 3 n_sections)."""
            sections = _unpack(x, start)
            alone = self._gains(sections)
            moved = np.repeat(alone[np.newaxis], len(x), axis=0)
            for place, at in enumerate(np.repeat(np.arange(len(start)), 3).tolist()):
                row = x[3 * at : 3 * at + 3] + STEP * (np.arange(3) == place % 3)
                moved[place, at] = gain_db([_moved(start[at], row)], self.f)
            here = self._missed(sections, alone)
            return np.array([(self._missed(sections, one) - here) / STEP for one in moved]).T

        begun = np.clip(vector, low + 1e-6, high - 1e-6)
        found = least_squares(misses, begun, slopes, bounds=(low, high), x_scale=0.1, ftol=SETTLED)
        sections = _unpack(found.x, start)
        return sections, self.error(sections)

    def _gains(self, sections: Sequence[FilterSection]) -> Real:
        """Gain of each section alone (n_sections, n), dB."""
        return np.array([gain_db([one], self.f) for one in sections]).reshape(-1, len(self.f))

    def _misses(self, sections: Sequence[FilterSection]) -> Real:
        """Errors (n,), dB, and then (n,) what one section adds and another takes away, as much as it counts."""
        return self._missed(sections, self._gains(sections))

    def _missed(self, sections: Sequence[FilterSection], gains: Real) -> Real:
        own = gains[np.array([one.gain_db is not None for one in sections], dtype=bool)]
        against = np.sum(np.abs(own), axis=0) - np.abs(np.sum(own, axis=0))
        return np.concatenate([np.sum(gains, axis=0) - self.wanted_db, AGAINST * against]) * np.tile(self._counts, 2)


def _unpack(x: Real, like: Sequence[FilterSection]) -> tuple[FilterSection, ...]:
    """Sections of the kinds of `like` that the variables (3 n_sections,) tell."""
    return tuple(_moved(one, row) for one, row in zip(like, np.reshape(x, (len(like), 3)), strict=True))


def _moved(section: FilterSection, row: Real) -> FilterSection:
    gain = None if section.gain_db is None else float(row[2])
    return replace(section, frequency_hz=math.exp(row[0]), q=math.exp(row[1]), gain_db=gain)
