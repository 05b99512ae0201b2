"""The raw lines of a two-channel recording: all that it knows, before anything is averaged.

A long recording is cut into blocks, each with ends of its own; nothing is lost by it but a few terms for those ends. A
record that begins and ends at rest stays whole, because its ends leave nothing behind.
"""

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Literal, TypeVar

import numpy as np

from tsfit.base.arrays import Complex, Mask, Real

LOWEST_HZ, HIGHEST_HZ = 2.0, 20000.0
NYQUIST_SHARE = 0.9
LONGEST_BLOCK = 1 << 22
"""Samples of a block."""
WORKERS = 2
Given = TypeVar("Given")
Made = TypeVar("Made")
AT_REST = 0.02
"""RMS of a record's ends over that of the whole, below which the ends leave nothing behind."""
IN_NOISE, WHITE = 0.25, 1.2
"""The same of ends that hold but noise, whose differences have so many times its RMS at least: 1.41 where it is white."""
END_SECONDS = 0.02
MAINS_HZ = (50.0, 60.0)
HUM_ENDS, HUM_ORDERS = 3, 10
"""How many ends tell hum, and the harmonics of the mains that are looked for."""
LEVEL_SECONDS, APART = 0.1, 4.0
"""Length of the ends whose levels are compared, and the standard deviations from which they are apart."""
BESIDE, LEAST_BESIDE, ALIKE = 0.03, 8, 0.5
"""Lines beside one that are looked at: share of its frequency, and at least; and from how much in common they are one."""
MOST_REST, LEAST_REST_SECONDS, REST_WINDOW_SECONDS = 1 << 20, 0.05, 0.01
"""Rest before the excitation from which the channels' noise can be compared: samples at most, seconds at least; it is told
in windows of that length."""
FADING = 1.5
"""Power over that of a usual window from which a rest is not all rest."""
SOME = 1 << 16
"""Samples of which a converter's step is read."""


@dataclass(frozen=True)
class Stretch:
    """Lines (n,) of one stretch of a record: frequencies, and the transforms of both channels."""

    frequency_hz: Real
    first: Complex
    second: Complex
    step_hz: float  # distance of the lines
    samples: int  # how many were transformed
    rest: bool  # whether the stretch begins and ends at rest
    start: float = 0.0  # of the stretch in the record, s
    hums: bool = False  # whether there is hum in that rest
    lost: Mask | None = None  # (n,) lines that count for nothing, since what told them was taken out; None for none


@dataclass(frozen=True)
class Lines:
    """All blocks of a record."""

    blocks: tuple[Stretch, ...]
    noise_share: float  # noise power of the first channel over that of the second, 1 where no rest tells it
    noise: float  # variance of the first channel's noise, infinite where no rest tells it
    steps: tuple[float, float] = (0.0, 0.0)  # of both channels' converters, as their samples show them

    @property
    def rate(self) -> float:
        """Samples per second."""
        return self.blocks[0].step_hz * self.blocks[0].samples


def lines_of(first: Real, second: Real, sample_rate_hz: float) -> Lines:
    """Lines of two channels (n,) from 2 Hz to 20 kHz or 0.45 of the rate."""
    from scipy.fft import next_fast_len

    count = max(1, round(len(first) / LONGEST_BLOCK))
    steps = _step(first), _step(second)
    known = *_noise(first, second, sample_rate_hz, steps), steps
    if count == 1:
        length = _quick(len(first))
        whole = _block(first, second, sample_rate_hz, slice(0, length), _places(length, sample_rate_hz))
        whole = whole if whole.rest else replace(whole, lost=_broken_off(whole))
        return Lines((whole,), *known)
    # Where the length is unwieldy, neighbours share a few samples.
    length = int(next_fast_len(math.ceil(len(first) / count)))
    places = [slice(start, start + length) for start in np.linspace(0, len(first) - length, count).astype(int).tolist()]
    # All blocks have their lines at the same places, which are kept once.
    f = _places(length, sample_rate_hz)
    blocks = in_turn(lambda place: _block(first, second, sample_rate_hz, place, f, np.float32), places)
    return Lines(tuple(blocks), *known)


def in_turn(work: Callable[[Given], Made], given: Sequence[Given]) -> list[Made]:
    """What `work` makes of each of those `given`, two at a time: NumPy lets other threads run meanwhile."""
    if len(given) == 1:
        return [work(given[0])]
    with ThreadPoolExecutor(WORKERS) as pool:
        return list(pool.map(work, given))


def _places(length: int, rate: float) -> Real:
    """Frequencies (n,) of the lines of `length` samples that are kept."""
    step = rate / length
    low, high = math.ceil(LOWEST_HZ / step), math.floor(min(HIGHEST_HZ, NYQUIST_SHARE * 0.5 * rate) / step)
    return np.asarray(step * np.arange(max(low, 1), max(high, 1) + 1), dtype=np.float64)


def _block(
    first: Real, second: Real, rate: float, place: slice, f: Real, precision: type[np.floating] = np.float64
) -> Stretch:
    """Lines at `f` of a `place` in a record; single `precision` is far below a converter's noise, in half the memory."""
    from scipy import fft

    first, second = (x[place] for x in (first, second))
    first, second = ((x - x.mean(dtype=np.float64)).astype(precision) for x in (first, second))
    length = len(first)
    end = max(1, round(END_SECONDS * rate))
    ends = [_ends(x, end) for x in (first, second)]
    rest = "amid" not in ends
    if rest:
        first, second = (_closed(x, rate) for x in (first, second))
    step = rate / length
    start = round(float(f[0]) / step)
    one, other = (fft.rfft(x)[start : start + len(f)].copy() for x in (first, second))
    return Stretch(f, one, other, step, length, rest, place.start / rate, rest and "hum" in ends)


def _ends(x: Real, end: int) -> Literal["rest", "hum", "amid"]:
    """How a channel (n,) begins and ends: at rest, with hardly anything in so many samples or noise that is much fainter;
    so but for hum; or amid its excitation.
    """
    size = float(x.std())
    ends = [part.astype(np.float64) for part in (x[:end], x[-end:])]
    loudest = max(float(part.std()) for part in ends)
    if loudest < AT_REST * size:
        return "rest"
    if loudest > IN_NOISE * size:
        return "amid"
    if all(map(_white, ends)):
        return "rest"
    return "hum" if any(_hums(x, mains, end, size) for mains in MAINS_HZ) else "amid"


def _white(x: Real) -> bool:
    return bool(np.diff(x).std() > WHITE * x.std())


def _hums(x: Real, mains: float, end: int, size: float) -> bool:
    """Whether both ends hold the same hum and hardly anything else, or white noise; its sides are told by `hum`."""
    count = HUM_ENDS * end
    if len(x) < 2 * count:
        return False
    turns = 2.0 * math.pi * mains / (end / END_SECONDS) * np.arange(count)
    orders = np.arange(1, HUM_ORDERS + 1)
    waves = np.exp(1j * turns[:, np.newaxis] * orders)
    slow = np.polynomial.polynomial.polyvander(np.linspace(-1.0, 1.0, count), 2)
    columns = np.concatenate([waves.real, waves.imag, slow], axis=1)
    parts = np.stack([x[:count], x[-count:]], axis=1).astype(np.float64)
    found = np.linalg.lstsq(columns, parts, rcond=None)[0]
    # What is slow is no hum, and may be an excitation that begins.
    left = (parts - columns[:, : 2 * HUM_ORDERS] @ found[: 2 * HUM_ORDERS]).T
    begins, stops = np.hypot(found[:HUM_ORDERS], found[HUM_ORDERS : 2 * HUM_ORDERS]).T
    steady = float(np.linalg.norm(begins - stops)) < ALIKE * float(np.linalg.norm(begins + stops)) / 2.0
    return steady and all(part.std() < AT_REST * size or _white(part) for part in left)


def _closed(x: Real, rate: float) -> Real:
    """Take away the straight line by which the ends of a channel (n,) at rest stand apart, where they surely do.

    A coupling of a long time constant has not come to rest when all else has. Of a decay exp(−at) that is broken off, a
    line at ω ≫ a lacks as much as of a step.
    """
    pieces = round(LEVEL_SECONDS / END_SECONDS)
    count = pieces * round(END_SECONDS * rate)
    if len(x) < 2 * count:
        return x
    ends = np.stack([x[:count], x[-count:]]).astype(np.float64)
    # Smooth weights hear little of hum, and so do means over the period of 50 Hz; what rings on differs between these.
    weight = np.hanning(count + 2)[1:-1]
    begins, stops = ends @ weight / weight.sum()
    spread = math.sqrt(float(np.sum(ends.reshape(2, pieces, -1).mean(axis=2).var(axis=1, ddof=1))) / pieces)
    if abs(stops - begins) < APART * spread:
        return x
    return np.asarray(x - np.linspace(begins, stops, len(x)), dtype=x.dtype)


def _broken_off(whole: Stretch) -> Mask:
    """Lines (n,) of the first channel that hold nothing but the record's ends, as beyond where a sweep was broken off.

    Those of a jump from the last sample to the first all have one phase and fall with frequency. What both channels jump by
    tells no ratio.
    """
    f, y = whole.frequency_hz, whole.first * whole.frequency_hz
    sums, powers = (np.concatenate([[0.0], np.cumsum(x)]) for x in (y, y.real**2 + y.imag**2))
    half = np.maximum(LEAST_BESIDE, np.round(BESIDE * f / whole.step_hz)).astype(int)
    low, high = np.maximum(np.arange(len(f)) - half, 0), np.minimum(np.arange(len(f)) + half + 1, len(f))
    count = high - low
    alike = np.abs((sums[high] - sums[low]) / count) ** 2
    return np.asarray((alike > ALIKE * (powers[high] - powers[low]) / count) & (count > LEAST_BESIDE))


def _quick(length: int) -> int:
    """Length up to 0.1 % below, whose transform is quick; where none is, the length itself."""
    from scipy.fft import prev_fast_len

    found = int(prev_fast_len(length, real=True))
    return found if found >= 0.999 * length else length


def rest_before(channels: Sequence[Real], rate: float) -> int:
    """How many samples all `channels` (n,) rest before the excitation, 0 where these are too few to tell noise by."""
    window = max(8, round(REST_WINDOW_SECONDS * rate))
    count = len(channels[0]) // window
    if count < 8:
        return 0
    rows = [x[: count * window].reshape(count, window) for x in channels]
    powers = np.stack([np.einsum("ij,ij->i", x, x, dtype=np.float64) for x in rows])
    quiet: Mask = np.all(powers < 1e-2 * powers.max(axis=1, keepdims=True), axis=0)
    rest = int(np.argmin(quiet)) if not quiet.all() else 0
    # The last quiet window may hold the first faint samples of the excitation.
    return (rest - 1) * window if (rest - 1) * window >= LEAST_REST_SECONDS * rate else 0


def _noise(first: Real, second: Real, rate: float, steps: tuple[float, float]) -> tuple[float, float]:
    """Noise power of `first` over that of `second`, and its variance, by the rest before the excitation; 1, inf without."""
    window, stop = max(8, round(REST_WINDOW_SECONDS * rate)), rest_before((first, second), rate)
    if not stop:
        return 1.0, math.inf
    # Slow drift and hum are no noise of this kind; differences leave what is broad.
    one, two = (
        max(_rough(x[max(stop - MOST_REST, 0) : stop].astype(np.float64), window), step**2 / 6.0)
        for x, step in zip((first, second), steps, strict=True)
    )
    return (float(np.clip(one / two, 1e-4, 1e4)) if two > 0.0 and one > 0.0 else 1.0), 0.5 * one


def _rough(x: Real, window: int) -> float:
    """Variance of the differences; that of a usual window where some hold more, as an excitation that fades in."""
    whole = float(np.diff(x).var())
    usual = float(np.median(np.diff(x[: len(x) // window * window].reshape(-1, window)).var(axis=1)))
    return whole if whole < FADING * usual else usual


def _step(x: Real) -> float:
    """Step of the converter of a channel (n,); of what it rounds away, which a rest below it does not show, differences
    have the variance step²/6.
    """
    values = np.unique(x[len(x) // 2 :][:SOME])
    return float(np.min(np.diff(values.astype(np.float64)), initial=1.0)) if len(values) > 1 else 0.0
