"""What is played: excitations that suit a driver's impedance, between a silence for the noise and a tail for the decay.

Which one: the exponential sweep, unless there is a reason; it separates its own harmonics in time. The multisine has nearly
as much energy below the same peak, and its repeated periods tell the noise line by line. The odd multisine leaves lines out
on purpose, where even and odd distortion then shows. The stepped sine is slow, and the last resort where noise or hum is
strong.

Sources: Novak, Lotton & Simon, JAES 63(10), 2015 (synchronised sweep); Schroeder, IEEE Trans. Inf. Theory 16(1), 1970 (the
phases to start from); Van der Ouderaa, Schoukens & Renneboog, IEEE Trans. Instrum. Meas. 37(1), 1988 (clipping), all three
from memory; Pintelon & Schoukens, System Identification: A Frequency Domain Approach, 2nd ed., 2012, ch. 4 and 5.

Periodic excitations are pink: equal energy in each octave, as the sweep has it.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.capture.level_limit import QUIET_DBFS, check_level

KINDS = ("exponential sweep", "multisine", "odd multisine", "stepped sine")
HIGHEST_SHARE = 0.46
"""Highest frequency over the sample rate; converters' filters begin above."""
SWEEP_BELOW, SWEEP_ABOVE = 0.5, 1.0 / 12.0
"""Octaves by which a sweep starts early and ends late: its fades, at full level within the range asked for."""
FADE_SECONDS = 0.1
"""Of periodic excitations; the fade in lies within the first period, which settles anyway."""
CREST_ROUNDS, CLIP = 32, (0.7, 0.95)
"""How often the low-crest multisine is clipped, and at which share of its peak from first to last."""
FINENESS = 8
"""Samples per period of the highest line where peaks are looked for; those played may miss the peaks between them."""
DRAWS = 16
"""Random draws of phases of the odd multisine, of which the one with the lowest crest factor is played."""
DETECTION_GROUP = 4
"""One odd line out of so many neighbours is left out for detection."""
LEAST_RATIO = 2.0
"""Of the ends of the range."""
LEAST_PERIODS = 2
SHORTEST = 0.93
"""Of the period that fits, from where on one is chosen."""
MAINS_HZ = np.multiply.outer((50.0, 60.0), (1.0, 2.0, 3.0, 5.0)).ravel()
"""Hum and its strongest harmonics."""
SETTLE_PERIODS, SETTLE_SECONDS = 4, 0.3
"""Of each step of a stepped sine, whichever is longer; the round trip counts against it."""
READ_PERIODS, READ_SECONDS = 4, 0.1
"""Least time for which a step is read, in whole periods."""
GLIDE_SECONDS = 0.005
"""From one step's frequency to the next, at the start of its settling; a leap would peak between the samples."""
LEAST_STEPS_PER_OCTAVE, MOST_STEPS = 3.0, 5000


@dataclass(frozen=True)
class Excitation:
    """One excitation, ready to be played; the excited part is ``samples[start:stop]``."""

    kind: str  # one of `KINDS`
    samples: Real  # (n,), full scale 1, level, fades, silence before and tail after included
    sample_rate_hz: float
    start: int
    stop: int
    level_dbfs: float  # peak re full scale
    low_hz: float  # of the range asked for, like `high_hz`
    high_hz: float
    period: int = 0  # samples per period of a multisine, else 0
    periods: int = 1  # whole periods from `start`, the first of which settles; a fade out follows them
    lines_hz: Real = field(default_factory=lambda: np.zeros(0))  # (k,) excited lines of a multisine, or the steps
    even_hz: Real = field(default_factory=lambda: np.zeros(0))  # (k,) lines that an odd multisine leaves out on purpose
    odd_hz: Real = field(default_factory=lambda: np.zeros(0))  # likewise
    sweep_rate: float = 0.0  # L of the sweep sin(2π f0 L exp(t/L)), s; the m-th harmonic is the sweep L ln(m) earlier
    # (k, 2), from and to which sample each step of a stepped sine is read, settling left out
    steps: NDArray[np.intp] = field(default_factory=lambda: np.zeros((0, 2), dtype=np.intp))

    @property
    def seconds(self) -> float:
        """Length of all of it."""
        return len(self.samples) / self.sample_rate_hz


@dataclass(frozen=True)
class Wanted:
    """The excitation that is wanted."""

    kind: str = KINDS[0]  # one of `KINDS`
    seconds: float = 8.0  # about how long the excited part lasts
    sample_rate_hz: float = 48000.0
    low_hz: float = 5.0  # of the range at full level, like `high_hz`
    high_hz: float = 20000.0
    level_dbfs: float = QUIET_DBFS  # peak re full scale, `LIMIT_DBFS` at most
    periods: int = 4  # of a multisine in `seconds`, the settling one counted
    silence_s: float = 0.7  # before, for the noise
    tail_s: float = 0.5  # silence after, for the decay
    fall: float = 0.5  # power of frequency by which an odd multisine falls: 0.5 is pink, 1 is 6 dB an octave
    fade_s: float = FADE_SECONDS  # of a multisine's fade in, within its first period

    def lines(self, period: int) -> NDArray[np.intp]:
        """Harmonics of a period of so many samples within the range."""
        first, last = (hz * period / self.sample_rate_hz for hz in (self.low_hz, self.high_hz))
        return np.arange(math.ceil(first), math.floor(last) + 1)


def make_excitation(wanted: Wanted, rng: np.random.Generator | None = None) -> Excitation:
    """Make an excitation; `rng` draws the odd multisine's phases and detection lines, a fixed one where none is given.

    Raises TsfitError ``level_limit``; ``usage`` for an unknown kind, a range that the rate cannot carry, too few
    periods or too short a time.
    """
    _check(wanted)
    rate, level = wanted.sample_rate_hz, wanted.level_dbfs
    before, after = round(wanted.silence_s * rate), round(wanted.tail_s * rate)
    bare = Excitation(wanted.kind, np.zeros(0), rate, before, before, level, wanted.low_hz, wanted.high_hz)
    made = _MAKERS[wanted.kind](wanted, bare, np.random.default_rng(0) if rng is None else rng)
    excited = made.samples * 10.0 ** (level / 20.0)
    return replace(made, samples=np.pad(excited, (before, after)), stop=before + len(excited), steps=made.steps + before)


def _check(wanted: Wanted) -> None:
    """Refuse what cannot be made."""
    check_level(wanted.level_dbfs)
    rate, low, high, periods = wanted.sample_rate_hz, wanted.low_hz, wanted.high_hz, wanted.periods
    if wanted.kind not in KINDS:
        raise TsfitError(f"excitation: {wanted.kind!r} is not known; use one of {', '.join(KINDS)}.", code="usage")
    if not 0.0 < low < high <= HIGHEST_SHARE * rate:
        raise TsfitError(
            f"excitation: {low:g} to {high:g} Hz does not fit a rate of {rate:g} Hz; stay below "
            f"{HIGHEST_SHARE * rate:.0f} Hz, low end first.",
            code="usage",
        )
    if high < LEAST_RATIO * low:
        raise TsfitError(
            f"excitation: {low:g} to {high:g} Hz is too narrow to tell a driver by; take an octave or more.", code="usage"
        )
    if periods < LEAST_PERIODS or not wanted.seconds * low >= 2.0 * periods:
        raise TsfitError(
            f"excitation: {wanted.seconds:g} s with {periods} periods or parts are too few for {low:g} Hz; take at least "
            f"{LEAST_PERIODS} of them and {in_figures(2.0 * max(periods, LEAST_PERIODS) / low, 3)} s.",
            code="usage",
        )
    if not min(wanted.silence_s, wanted.tail_s) >= 0.0:
        raise TsfitError("excitation: silence and tail cannot be negative; give 0 s or more.", code="usage")


def make_tone(frequency_hz: float, *, sample_rate_hz: float, seconds: float, level_dbfs: float = QUIET_DBFS) -> Excitation:
    """Make one steady tone to read a voltmeter by: a stepped sine of one step. Raises TsfitError ``level_limit``."""
    check_level(level_dbfs)
    n, ends = round(seconds * sample_rate_hz), round(FADE_SECONDS * sample_rate_hz)
    x = 10.0 ** (level_dbfs / 20.0) * np.sin(2.0 * math.pi * frequency_hz / sample_rate_hz * np.arange(n))
    lines, steps = np.array([frequency_hz]), np.array([[ends, n - ends]])
    tone = Excitation("stepped sine", _faded(x, ends), sample_rate_hz, 0, n, level_dbfs, frequency_hz, frequency_hz)
    return replace(tone, lines_hz=lines, steps=steps)


def fade(n: int) -> Real:
    """Raised cosine (n,) from just above 0 to just below 1."""
    return 0.5 - 0.5 * np.cos(math.pi * (np.arange(n) + 0.5) / n)


def _faded(x: Real, n: int, m: int | None = None) -> Real:
    """Let `x` rise in its first `n` samples and fall in its last `m`, or as many."""
    rise, fall = fade(n), fade(n if m is None else m)[::-1]
    return np.concatenate([x[:n] * rise, x[n : len(x) - len(fall)], x[len(x) - len(fall) :] * fall])


def _sweep(wanted: Wanted, bare: Excitation, rng: np.random.Generator) -> Excitation:
    first = wanted.low_hz * 2.0**-SWEEP_BELOW
    last = min(wanted.high_hz * 2.0**SWEEP_ABOVE, 0.5 * (wanted.high_hz + 0.5 * wanted.sample_rate_hz))
    octaves = math.log2(last / first)
    rate = wanted.seconds / math.log(last / first)
    n = round(wanted.seconds * wanted.sample_rate_hz)
    x = np.sin(2.0 * math.pi * first * rate * np.exp(np.arange(n) / (wanted.sample_rate_hz * rate)))
    rise, fall = (round(n * width / octaves) for width in (SWEEP_BELOW, math.log2(last / wanted.high_hz)))
    return replace(bare, samples=_faded(x, rise, fall), sweep_rate=rate)


def _repeated(wanted: Wanted, period: int, lines: NDArray[np.intp], phase: Real) -> Real:
    """Periods with a fade in within the first and a fade out after the last; peak 1 between the samples too."""
    one, fine = (_from_lines(n, lines, phase, wanted.fall) for n in (period, _fine(lines)))
    one = one / max(np.abs(fine).max(), np.abs(one).max())
    rise, n = (min(round(s * wanted.sample_rate_hz), period) for s in (wanted.fade_s, FADE_SECONDS))
    return _faded(np.concatenate([np.tile(one, wanted.periods), one[:n]]), rise, n)


def _multisine(wanted: Wanted, bare: Excitation, rng: np.random.Generator) -> Excitation:
    period = _period(wanted)
    lines = wanted.lines(period)
    x = _repeated(wanted, period, lines, _low_crest(lines))
    hz = np.asarray(lines * (wanted.sample_rate_hz / period))
    return replace(bare, samples=x, period=period, periods=wanted.periods, lines_hz=hz)


def _odd_multisine(wanted: Wanted, bare: Excitation, rng: np.random.Generator) -> Excitation:
    period = _period(wanted)
    lines = wanted.lines(period)
    odd, even = lines[lines % 2 == 1], lines[lines % 2 == 0]
    groups = np.arange(len(odd) // DETECTION_GROUP)
    left_out = groups * DETECTION_GROUP + rng.integers(DETECTION_GROUP, size=len(groups))
    excited = np.delete(odd, left_out)
    draws = 2.0 * math.pi * rng.random((DRAWS, len(excited)))
    phase = min(draws, key=lambda draw: crest_factor(_from_lines(_fine(excited), excited, draw, wanted.fall)))
    step = wanted.sample_rate_hz / period
    return replace(
        bare,
        samples=_repeated(wanted, period, excited, phase),
        period=period,
        periods=wanted.periods,
        lines_hz=excited * step,
        even_hz=even * step,
        odd_hz=odd[left_out] * step,
    )


def _period(wanted: Wanted) -> int:
    """Samples per period: a length that transforms fast, and in which no hum repeats that would then pass for signal."""
    from scipy.fft import next_fast_len

    longest = round(wanted.seconds * wanted.sample_rate_hz / wanted.periods)
    fast = {int(next_fast_len(n)) for n in range(int(SHORTEST * longest), longest)}
    lengths = np.array(sorted(n for n in fast if n <= longest) or [longest])
    turns = np.multiply.outer(lengths / wanted.sample_rate_hz, MAINS_HZ)
    return int(lengths[np.argmax(np.abs(turns - np.rint(turns)).min(axis=1))])


def _fine(lines: NDArray[np.intp]) -> int:
    """Samples per period that show the peaks between coarser samples as well."""
    from scipy.fft import next_fast_len

    return int(next_fast_len(FINENESS * int(lines[-1]), real=True))


def _from_lines(period: int, lines: NDArray[np.intp], phase: Real, fall: float = 0.5) -> Real:
    """One period (period,) of a multisine with the given phases (k,), its amplitudes falling as f^-fall."""
    spectrum = np.zeros(period // 2 + 1, dtype=complex)
    spectrum[lines] = np.exp(1j * phase) / np.asarray(lines, dtype=float) ** fall
    return np.fft.irfft(spectrum, period) * period


def _low_crest(lines: NDArray[np.intp]) -> Real:
    """Phases (k,) of a pink multisine of low crest factor: Schroeder's, then clipped again and again.

    A line's start phase follows from the share of the power below it, so that the instantaneous frequency sweeps over the
    period; of the clipped signal the phases are kept and the amplitudes put right.
    """
    power = 1.0 / lines
    phase = -2.0 * math.pi * np.cumsum((np.cumsum(power) - power) / power.sum())
    found = []
    for clip in np.linspace(*CLIP, CREST_ROUNDS):
        x = _from_lines(_fine(lines), lines, phase)
        found.append((crest_factor(x), phase))
        ceiling = clip * np.abs(x).max()
        phase = np.angle(np.fft.rfft(np.clip(x, -ceiling, ceiling))[lines])
    return min(found, key=lambda pair: pair[0])[1]


def crest_factor(x: Real) -> float:
    """Peak over RMS."""
    return float(np.abs(x).max() / np.sqrt(np.mean(x**2)))


def _stepped_sine(wanted: Wanted, bare: Excitation, rng: np.random.Generator) -> Excitation:
    """Steps with phase that runs on; the part of each that is read has whole periods and whole samples."""
    from scipy.ndimage import uniform_filter1d

    rate = wanted.sample_rate_hz

    def plan(count: int) -> tuple[Real, NDArray[np.intp], NDArray[np.intp]]:
        """Frequency, settling and read part in samples, each (count,)."""
        f = np.geomspace(wanted.low_hz, wanted.high_hz, count)
        turns = np.ceil(np.maximum(READ_SECONDS * f, READ_PERIODS))
        length = np.rint(turns * rate / f)
        settle = np.rint(np.maximum(SETTLE_PERIODS / f, SETTLE_SECONDS) * rate)
        return turns * rate / length, settle.astype(np.intp), length.astype(np.intp)

    def total(count: int) -> float:
        _, settle, length = plan(count)
        return float(np.sum(settle + length)) / rate

    least = math.ceil(LEAST_STEPS_PER_OCTAVE * math.log2(wanted.high_hz / wanted.low_hz)) + 1
    if total(least) > wanted.seconds:
        raise TsfitError(
            f"excitation: {wanted.seconds:g} s are too short for a stepped sine; take {math.ceil(total(least))} s or more.",
            code="usage",
        )
    count = least + bisect_right(range(least + 1, MOST_STEPS), wanted.seconds, key=total)
    frequency, settle, length = plan(count)
    stop = np.cumsum(settle + length)
    n, glide = round(FADE_SECONDS * rate), round(GLIDE_SECONDS * rate)
    turns = np.repeat(frequency, np.diff(stop, prepend=0) + np.append(np.zeros(count - 1, dtype=int), n)) / rate
    turns = uniform_filter1d(turns, glide, mode="nearest", origin=(glide - 1) // 2)
    x = _faded(np.sin(2.0 * math.pi * np.cumsum(turns)), n)
    return replace(bare, samples=x, lines_hz=frequency, steps=np.stack([stop - length, stop], axis=1))


_MAKERS = dict(zip(KINDS, (_sweep, _multisine, _odd_multisine, _stepped_sine), strict=True))
