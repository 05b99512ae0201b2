"""A recording of which it is known what was played: held against that, and cut to where it was played.

What played and what recorded may have clocks of their own; delays of sections tell how far these are apart. Samples lost
on the way show in a sweep as windows that it does not explain (`tsfit.capture.alignment`), in noise and multisines as a
change of delay from one section to the next.
"""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy import signal

from tsfit.base.arrays import Real
from tsfit.base.causes import refused
from tsfit.base.files import has_read
from tsfit.capture.alignment import find_dropouts
from tsfit.capture.excitation import Excitation
from tsfit.capture.recording import MOST_BYTES, Recording

LIKE = 0.4
"""Correlation from which the recording holds what was played."""
RATES = (44.1 / 48.0, 48.0 / 44.1, 0.5, 2.0, 44.1 / 96.0, 96.0 / 44.1, 1.001, 1.0 / 1.001)
"""Ratios of the usual sample rates, tried where nothing fits; the last two are those of film and video."""
CLOCK = 5e-4
"""A clock further off than two crystals can be (common practice, no source)."""
SECTION_SECONDS, FARTHEST_SECONDS = 0.6, 0.25
"""How much signal a delay is read from, and the largest change that is looked for."""
PIECE_SECONDS = 0.2
"""Of a piece so short that a clock a little off does not tell it from what was played."""
OVER, LEAST_JUMP = 2, 2.5
"""Sections over which the clock is read, and samples by which a delay jumps where some are lost."""
SAME = 0.98
"""Share of the best likeness from which the expected delay is taken: a period away, all is alike."""
WINDOW, UNEVEN = 512, 0.3
"""Samples of windows, and spread of the envelope in them, over its mean, from which what was played is no sweep."""
PLAYED = 1e-3
"""Share of its peak from which a file plays something."""
MARGIN_SECONDS = 0.5
"""What is kept before and after: rest, which tells the noise, and the decay."""


def played_in(recording: Recording, channel: int, path: Path) -> Recording:
    """Part of a recording in which the sound file at `path` was played, as `channel`, that of the source, hears it.

    Raises
    ------
    TsfitError
        ``not_audio``; ``too_long``; ``other_excitation``; ``sample_rate`` where what was recorded is longer or shorter than
        what was played; ``lost_samples``.
    """
    rate, total = recording.sample_rate_hz, recording.samples[:, channel].astype(np.float64)
    total -= total.mean()
    x = _read(path, rate)
    uneven = _uneven(x)
    delay, likeness = _place(total, x)
    if likeness < LIKE and uneven:
        middle, piece = len(x) // 2, round(PIECE_SECONDS * rate)
        delay, likeness = _place(total, x[middle : middle + piece])
        delay -= middle
    if likeness < LIKE:
        for ratio in RATES:
            if _place(total, _stretched(x, ratio))[1] > LIKE:
                raise refused(recording.path, "sample_rate, played", played=path.name, percent=100.0 * (ratio - 1.0))
        raise refused(recording.path, "other_excitation", played=path.name)
    delays = _delays(total, x, delay, rate)
    # Low pieces of a sweep are like their neighbours a little way off; its end is not.
    clock = _clock(delays if uneven else delays[len(delays) // 2 :], rate)
    if abs(clock) > CLOCK:
        raise refused(recording.path, "sample_rate, played", played=path.name, percent=100.0 * clock)
    if abs(clock) * len(x) > 1.0:
        x = _stretched(x, 1.0 + clock)
        delay, _ = _place(total, x)
    lost = _jumps(total, x, delay, rate) if uneven else _breaks(total, x, delay, rate)
    if lost:
        when = ", ".join(f"{(frame + recording.first) / rate:.2f} s" for frame in lost[:3])
        raise refused(recording.path, "lost_samples, played", played=path.name, when=when)
    margin = round(MARGIN_SECONDS * rate)
    first = max(delay - margin, 0)
    return replace(recording, samples=recording.samples[first : delay + len(x) + margin], first=recording.first + first)


def _read(path: Path, rate: float) -> Real:
    """What a file plays (n,), without silence at either end, at `rate`."""
    import soundfile

    try:
        with soundfile.SoundFile(path) as sound:
            own = sound.samplerate
            if sound.frames > MOST_BYTES // (8 * sound.channels):
                raise refused(path, "too_long")
            x = sound.read(dtype="float64", always_2d=True)
        has_read(path)
    except (soundfile.SoundFileError, OSError, RuntimeError) as error:
        why = "cannot be read as audio" if path.is_file() else "is not there"
        raise refused(path, "not_audio, played", why=why) from error
    loudest = x[:, int(np.argmax(np.square(x).sum(axis=0)))] if x.size else np.zeros(0)
    there = np.flatnonzero(np.abs(loudest) > PLAYED * np.abs(loudest).max(initial=0.0))
    if not len(there):
        raise refused(path, "not_audio, nothing played")
    return _stretched(loudest[there[0] : there[-1] + 1], rate / own)


def _stretched(x: Real, ratio: float) -> Real:
    """Play `x` (n,) in `ratio` times as many samples."""
    wanted = round(ratio * len(x))
    if wanted == len(x):
        return x
    # Silence beside it, for what is resampled by its spectrum goes in a circle.
    pad = len(x) // 8 + 64
    more = np.pad(x, pad)
    before = round(ratio * pad)
    return np.asarray(signal.resample(more, round(ratio * len(more))))[before : before + wanted]


def _place(total: Real, x: Real) -> tuple[int, float]:
    """Sample of `total` at which `x` begins, by the highest correlation, and that."""
    found = np.abs(signal.correlate(total, x, mode="full", method="fft"))
    # A period away a part of it is as like; the whole is where the most is heard.
    starts = np.flatnonzero(found > SAME * found.max()) - len(x) + 1
    heard = np.concatenate([[0.0], np.cumsum(total**2)])
    energy = heard[np.clip(starts + len(x), 0, len(total))] - heard[np.clip(starts, 0, len(total))]
    among = starts[energy > SAME * energy.max()]
    top = int(among[int(np.argmax(found[among + len(x) - 1]))])
    return top, float(found[top + len(x) - 1] / max(np.linalg.norm(x) * math.sqrt(energy.max()), 1e-30))


def _delays(total: Real, x: Real, delay: int, rate: float) -> Real:
    """Delays (k,) of sections that overlap by half, over that of the whole; NaN where a section is not there."""
    section, far = round(SECTION_SECONDS * rate), round(FARTHEST_SECONDS * rate)
    padded, out = np.pad(x, far), []
    for start in range(0, len(x) - section + 1, section // 2):
        first = start + delay
        piece, around = total[max(first, 0) : first + section], padded[start : start + section + 2 * far]
        if first < 0 or len(piece) < section:
            out.append(np.nan)
            continue
        found = np.abs(signal.correlate(around, piece, mode="valid", method="fft"))
        top = int(np.argmax(found))
        near = far - 2 + int(np.argmax(found[far - 2 : far + 3]))
        top = near if found[near] > SAME * found[top] else top
        before, here, after = found[top - 1 : top + 2] if 0 < top < len(found) - 1 else (0.0, 1.0, 0.0)
        out.append(far - top - 0.5 * float((before - after) / min(before - 2.0 * here + after, -1e-30)))
    return np.array(out)


def _clock(delays: Real, rate: float) -> float:
    """By how much what was recorded is longer than what was played, relative."""
    apart = delays[OVER:] - delays[:-OVER]
    return float(np.nanmedian(apart)) / (OVER * (round(SECTION_SECONDS * rate) // 2)) if np.isfinite(apart).any() else 0.0


def _uneven(x: Real) -> bool:
    """Whether the envelope of `x` (n,) moves, as that of noise and multisines does, and no sweep's."""
    windows = np.abs(signal.hilbert(x))[: len(x) // WINDOW * WINDOW].reshape(-1, WINDOW)
    return float(np.median(windows.std(axis=1) / np.maximum(windows.mean(axis=1), 1e-12))) > UNEVEN


def _breaks(total: Real, x: Real, delay: int, rate: float) -> list[int]:
    """Frames at which samples of a sweep are lost, repeated or damaged."""
    one = Excitation("sweep", x, rate, 0, len(x), 0.0, 0.0, 0.5 * rate)
    return [broken.frame for broken in find_dropouts(total, one, delay)]


def _jumps(total: Real, x: Real, delay: int, rate: float) -> list[int]:
    """Frames at which the delay of anything else jumps, to half a section, or at which the recording ends too early."""
    delays, half = _delays(total, x, delay, rate), round(SECTION_SECONDS * rate) // 2
    jumps = np.flatnonzero(np.abs(np.diff(delays)) >= LEAST_JUMP)
    missing = [len(total)] if delay + len(x) > len(total) else []
    return [delay + (k + 1) * half for k in jumps.tolist()] + missing
