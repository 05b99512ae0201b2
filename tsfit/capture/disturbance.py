"""What does not belong to a recording, found in time: bursts, gaps, slips and spikes, and what is overdriven throughout.

What the ratio of the channels leaves over is brought back to time by bands two octaves wide. Noise of a steady level fills
each evenly; whatever stands out of its median, and out of what a slightly wrong ratio would leave of the drive there and
then, is something else. Short pieces are taken out: they count as what the ratio predicts, and the lines that were played
just then count for nothing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from tsfit.base.arrays import Complex, Mask, Real
from tsfit.capture.lines import Lines, Stretch, in_turn

STANDS_OUT = 25.0
"""Power over the usual one from which it is no noise: once in e^25 by chance."""
WRONG_RATIO = 0.01
"""Share of the drive, there and then, that a ratio a little off may leave; it stands out as noise does."""
OF_NO_MATTER = 5e-3
"""Amplitude of a disturbance over what the second channel holds in those octaves, up to which it does no harm."""
OF_ENDS, OF_HUM = 0.02, 0.05
"""The same at the very ends of a record that is not at rest there, whose terms leave as much, and of one that hums."""
LEAST_LINES = 32
UNPLAYED = 3e-4
"""Share of the first channel's energy below which a band was not played."""
GRID_SECONDS, APART_SECONDS = 0.005, 0.06
"""Where disturbances are looked for, and how far apart two of them are two."""
FINE_SECONDS = 0.03
"""Time that a band must tell apart to say where something is, if any such band sees it."""
FADED = 1e-3
"""Power over the strongest at which a disturbance is over."""
SHORT_SECONDS, SHORT_SHARE = 0.06, 0.04
"""Longest piece that is taken out, and share of the recording that all of them may be."""
LOST = 0.2
"""Share of a line's power that was played in what is taken out, from which the line counts for nothing."""
PARTS, LEAST_OCTAVES = 8, 3
"""Parts of a record whose ratios are compared, and bands that must tell all of them."""
EXTRA = 4.0
"""Power over that of the rest before the excitation, from which something comes with it."""
THROUGHOUT, LASTING_SECONDS = 0.5, 2.0
"""Share of the time with excitation, or seconds, from which a disturbance belongs to what is played."""


@dataclass(frozen=True)
class Remnant:
    """Of one stretch: what the ratio leaves over in each line (n,), and its size (n,) or that which it need not exceed."""

    left: Complex
    size: Real


@dataclass(frozen=True)
class Disturbance:
    """Something that stands out from `start` to `stop` (s); `share`: its amplitude over the second channel's there."""

    start: float
    stop: float
    share: float


@dataclass(frozen=True)
class Disturbed:
    """What was found.

    Attributes
    ----------
    pieces : tuple of Disturbance, in order
    throughout : amplitude over the drive of what is there all the while something is played, 0 for nothing
    change : of the ratio in the course of the recording, relative; 0 where none is seen
    beside : amplitude over the drive of what comes with the excitation and is neither it nor noise, in a usual band
    taken_out : pieces that were found before and no longer count
    """

    pieces: tuple[Disturbance, ...] = ()
    throughout: float = 0.0
    change: float = 0.0
    beside: float = 0.0
    taken_out: tuple[Disturbance, ...] = ()


UNDISTURBED = Disturbed()


def disturbances(lines: Lines, remnants: Sequence[Remnant]) -> Disturbed:
    """Find what stands out in time, or fills all of it.

    Parameters
    ----------
    lines : Lines
    remnants : one for each of its blocks
    """

    def heard(number: int) -> tuple[list[Disturbance], list[float | None], list[float], float]:
        block = lines.blocks[number]
        courses = [_course(*one) for one in _octaves(block, remnants[number], lines)]
        power, loud = _together(courses, 1.0 / block.step_hz)
        there = [one for one in _pieces(power) if not _at_an_end(one, block)]
        pieces = [replace(one, start=one.start + block.start, stop=one.stop + block.start) for one in there]
        return pieces, [one.change for one in courses], [one.beside for one in courses], loud

    each = in_turn(heard, range(len(lines.blocks)))
    found = [piece for pieces, *_ in each for piece in pieces]
    changes = [change for _, some, *_ in each for change in some if change is not None]
    beside = [one for _, _, some, _ in each for one in some]
    played = sum(loud for *_, loud in each)
    lasting = sum(one.stop - one.start for one in found)
    # Where the coil is most of the impedance, its top bands hardly see what a contact or warmth does to Re.
    change = float(np.quantile(changes, 0.75)) if len(changes) >= LEAST_OCTAVES else 0.0
    usual = float(np.median(beside)) if beside else 0.0
    if lasting > min(THROUGHOUT * played, LASTING_SECONDS) or usual > OF_NO_MATTER:
        return Disturbed(throughout=max([usual, *(one.share for one in found)]), change=change, beside=usual)
    return Disturbed(tuple(found), change=change, beside=usual)


@dataclass(frozen=True)
class _Course:
    """Of one band, over time (k,): power that stands out, over the drive's sum, and where the drive is loud.

    `change` is that of the ratio from part to part of the record, None where not all parts tell it; `beside` the amplitude
    over the drive's of what the rest before it had not.
    """

    over: Real
    loud: Mask
    change: float | None
    beside: float


def _octaves(block: Stretch, remnant: Remnant, lines: Lines) -> Iterator[tuple[Complex, Complex, float, float]]:
    """What is left over and predicted in each band of two octaves, the noise that the rest before it promises, and the most
    that rounding makes of it in a line's unit: half a step of each channel, in time.
    """
    centre = 2.0 * float(block.frequency_hz[0])
    size = remnant.size
    promised = lines.noise * block.samples * (1.0 / lines.noise_share + size**2)
    played = np.abs(block.first) ** 2
    least = UNPLAYED * float(played.sum())
    while centre < block.frequency_hz[-1]:
        first, last = np.searchsorted(block.frequency_hz, [0.5 * centre, 2.0 * centre])
        centre *= 2.0
        inside = slice(int(first), int(last))
        if last - first >= LEAST_LINES and played[inside].sum() > least:
            rounded = 0.25 * block.samples * (lines.steps[1] + lines.steps[0] * _median(size[inside]))
            yield remnant.left[inside], size[inside] * block.first[inside], _median(promised[inside]), rounded


def _course(left: Complex, predicted: Complex, promised: float, rounded: float) -> _Course:
    window = np.hanning(len(left) + 2)[1:-1]
    length = int(fft.next_fast_len(len(left)))
    e, x = fft.ifft(window * left, length), fft.ifft(window * predicted, length)
    power, drive = np.abs(e) ** 2, np.abs(x) ** 2
    usual = _median(power) / math.log(2.0)
    total = max(float(drive.sum()), 1e-300)
    least = np.maximum(STANDS_OUT * (usual + WRONG_RATIO**2 * drive), (rounded / length) ** 2)
    over = np.where(power > least, power, 0.0) / total
    # Of the rest before it, of which the window leaves so much in each cell.
    extra = usual - EXTRA * promised * float(window @ window) / length**2
    beside = math.sqrt(max(extra, 0.0) * length / total) if math.isfinite(promised) else 0.0
    return _Course(over, drive > 1e-2 * drive.max(), _change(e, x, drive), beside)


def _median(values: Real) -> float:
    """Median of (n,) numbers, without the care for others that takes NumPy's own most of its time."""
    middle = len(values) // 2
    parted = np.partition(values, middle)
    return float(parted[middle] if len(values) % 2 else 0.5 * (parted[:middle].max() + parted[middle]))


def _change(e: Complex, x: Complex, drive: Real) -> float | None:
    """Range of the ratio's relative change over the parts of a record, less what scatter makes of it."""
    edges = np.linspace(0, len(x), PARTS + 3).astype(int)[1:-1]
    strength = np.add.reduceat(drive, edges)[:-1]
    # Where a sweep only enters or leaves the band in this stretch, all but its ends hold nothing of it.
    if len(x) < 40 * PARTS or strength.min() < 0.25 * max(strength.mean(), drive.sum() / (PARTS + 2)):
        return None
    ratio = np.add.reduceat((e * x.conj()).real, edges)[:-1] / strength
    scatter = math.sqrt(float(np.sum(np.abs(e) ** 2)) / float(drive.sum()) / (2.0 * len(x) / PARTS))
    return max(float(np.ptp(ratio)) - 6.0 * scatter, 0.0)


def _together(courses: Sequence[_Course], seconds: float) -> tuple[Real, float]:
    """Power (k,) that stands out over time in all bands, and for how many seconds something plays."""
    fine, coarse = np.zeros(math.ceil(seconds / GRID_SECONDS)), np.zeros(math.ceil(seconds / GRID_SECONDS))
    loud = np.zeros(len(fine), dtype=bool)
    for one in courses:
        length = len(one.over)
        place = np.arange(length) / length * len(fine)
        loud[place[one.loud].astype(int)] = True
        there = np.flatnonzero(one.over)
        course = fine if seconds / length < FINE_SECONDS else coarse
        wide = math.ceil(len(fine) / length)
        at = (place[there, None] + np.arange(wide)).astype(int) % len(fine)
        np.add.at(course, at, (one.over[there] / wide)[:, None])
    return (fine if fine.sum() > OF_NO_MATTER**2 else coarse), GRID_SECONDS * int(loud.sum())


def _pieces(power: Real) -> list[Disturbance]:
    there = np.flatnonzero(power > max(FADED * power.max(initial=0.0), 1e-12))
    if not len(there):
        return []
    groups = np.split(there, np.flatnonzero(np.diff(there) * GRID_SECONDS > APART_SECONDS) + 1)
    found = [
        Disturbance(GRID_SECONDS * float(one[0]), GRID_SECONDS * float(one[-1] + 1), math.sqrt(float(power[one].sum())))
        for one in groups
    ]
    return [one for one in found if one.share > OF_NO_MATTER]


def _at_an_end(piece: Disturbance, block: Stretch) -> bool:
    """Whether a piece is the remainder of what a record that begins or ends amid its excitation leaves there, or of hum in
    its rest: what was taken out as hum has ends of its own, and of few steps of a converter is not the same in both.
    """
    touches = piece.start < GRID_SECONDS or piece.stop > 1.0 / block.step_hz - GRID_SECONDS
    brief = piece.stop - piece.start < 2.5 * GRID_SECONDS and not block.rest
    return touches and (brief or block.hums) and piece.share < (OF_HUM if block.hums else OF_ENDS)


def may_go(found: Disturbed, lines: Lines) -> bool:
    """Whether all pieces are so short that the rest tells the ratio."""
    total = sum(1.0 / block.step_hz for block in lines.blocks)
    long = [piece.stop - piece.start for piece in found.pieces]
    return bool(long) and max(long) <= SHORT_SECONDS and sum(long) <= SHORT_SHARE * total


def without(lines: Lines, remnants: Sequence[Remnant], found: Disturbed) -> Lines:
    """Lines of a record from which the pieces are gone."""
    blocks = []
    for block, remnant in zip(lines.blocks, remnants, strict=True):
        start, stop = block.start, block.start + 1.0 / block.step_hz
        inside = [(p.start - start, p.stop - start) for p in found.pieces if p.start < stop and p.stop > start]
        blocks.append(_cleaned(block, remnant, inside) if inside else block)
    return replace(lines, blocks=tuple(blocks))


def _cleaned(block: Stretch, remnant: Remnant, inside: Sequence[tuple[float, float]]) -> Stretch:
    n, first = block.samples, round(float(block.frequency_hz[0]) / block.step_hz)
    kept = slice(first, first + len(block.frequency_hz))
    gone = np.zeros(n)
    for start, stop in inside:
        edge = 2.0 * GRID_SECONDS
        a, b = (round(t * block.step_hz * n) for t in (start - edge, stop + edge))
        gone[max(a, 0) : b] = 1.0
    parts = []
    for lines in (remnant.left, block.first):
        whole = np.zeros(n // 2 + 1, dtype=np.complex128)
        whole[kept] = lines
        parts.append(fft.rfft(gone * fft.irfft(whole, n))[kept])
    lost: Mask = np.abs(parts[1]) ** 2 > LOST * np.abs(block.first) ** 2
    return replace(block, second=block.second - parts[0], lost=lost if block.lost is None else block.lost | lost)
