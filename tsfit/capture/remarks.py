"""What disturbed a recording, named: what stands out in time (`tsfit.capture.disturbance`) beside the samples there."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from tsfit.base.arrays import Mask, Real, runs
from tsfit.base.causes import cause
from tsfit.base.notes import QualityNote, Severity
from tsfit.capture.disturbance import Disturbance, Disturbed
from tsfit.capture.lines import AT_REST, END_SECONDS
from tsfit.capture.recording import Recording
from tsfit.capture.rig import Rig

REFUSED, OVERLOADED = 0.02, 0.1
"""Amplitude, over what the second channel holds there, from which a disturbance refuses a recording, and one throughout."""
CHANGED = 5e-3
"""Change of the ratio in the course of a recording that is warned about."""
STILL, JUMPS = 8, 2.5
"""Equal samples in a row, amid loud ones, that are a gap, and by how many of a converter's steps it jumps at an end."""
ROUNDED, RINGS_SECONDS = 2.0, 0.03
"""Steps of a converter that are no more than rounding, and s after a beginning of rest from which it is one."""
LOUDER = 2.0
"""How much louder than its end a recording begins if that is amid its excitation."""
BLOCK = 1 << 20
AROUND_SECONDS, SOME_SECONDS = 0.25, 1.0
BROKEN = 30.0
"""Fourth difference of a channel over its usual one from which the channel itself breaks there."""
ISOLATED, FEW_BROKEN = 3.0, 32
"""Greatest fourth difference over that of this rank behind it, from which few places break and not all of a stretch."""
ALIKE = 0.3
"""Break of the total channel over that of the second, each over what is usual, from which both were cut."""
OPEN, LEAST_OPEN, JUMP = 0.02, 8, 0.3
"""How near an open circuit, over what is usual, how many samples in a row so near are a loose contact, and how far from it
the channel must be just beside them."""
NAMED = 3
"""How many places are named."""


def remarks(found: Disturbed, recording: Recording, rig: Rig) -> Iterator[QualityNote]:
    """Remark on what disturbed a recording made on `rig`."""
    begins = recording.first / recording.sample_rate_hz
    coarse = _coarse(found, recording)
    if coarse is not None:
        yield QualityNote("coarse", "note", coarse)
        return
    if found.pieces or found.taken_out:
        left, taken = (
            tuple(p for p in all_ if not _rounded_away(p, recording, rig)) for all_ in (found.pieces, found.taken_out)
        )
        if len(left) < len(found.pieces):
            yield QualityNote("coarse", "note", _coarsest(found.pieces[0], recording))
        found = replace(found, pieces=left, taken_out=taken)
    if found.throughout:
        when, samples = _longest_gap(recording)
        grave = _grave(found.throughout > OVERLOADED)
        if samples:
            yield QualityNote("gap", grave, cause("gap", samples=samples, when=f"{begins + when:.2f} s"))
        else:
            yield QualityNote("overload", grave, cause("overload", percent=100.0 * found.throughout))
    if found.change > CHANGED:
        yield QualityNote("unsteady", "warn", cause("unsteady", percent=100.0 * found.change))
    if found.pieces:
        main = max(found.pieces, key=lambda piece: piece.share)
        code, told = _named(main, recording, rig)
        yield QualityNote(code, _grave(main.share > REFUSED), cause(code, when=_when(found.pieces, begins), **told))
    if found.taken_out:
        main = max(found.taken_out, key=lambda piece: piece.share)
        code, told = _named(main, recording, rig)
        message = f"Left out, {_when(found.taken_out, begins)}: {cause(code, when='that time', **told)}"
        yield QualityNote(code, "note", message)


def cut_off(recording: Recording, rig: Rig) -> list[QualityNote]:
    """Say whether a recording begins amid its excitation, which it follows to its end."""
    total, end = recording.samples[:, rig.total], max(round(END_SECONDS * recording.sample_rate_hz), 1)
    begins, ends = (float(x.std()) for x in (total[:end], total[-end:]))
    rest = AT_REST * float(recording.rms[rig.total])
    # Hum is at both ends, a little louder at either.
    amid = begins > max(rest, LOUDER * ends)
    return [QualityNote("cut_off", "note", cause("cut_off"))] if ends < rest and amid else []


def _coarse(found: Disturbed, recording: Recording) -> str | None:
    """Say which channel moves over so few steps of its converter that these explain what was found."""
    share = max([found.throughout, *(piece.share for piece in found.pieces)])
    if share == 0.0:
        return None
    first = found.pieces[0].start if found.pieces else 0.0
    some = recording.between(*(round((first + t) * recording.sample_rate_hz) for t in (0.0, SOME_SECONDS)))
    for channel, values in enumerate(np.unique(x) for x in some.T):
        steps = np.ptp(values) / float(np.min(np.diff(values), initial=np.inf))
        if share < ROUNDED / max(steps, 1.0) and steps > 1.0:
            return cause("coarse", channel=channel + 1, steps=steps)
    return None


def _rounded_away(piece: Disturbance, recording: Recording, rig: Rig) -> bool:
    """Whether a piece is no more than rounding to the steps of a converter, or lies after the excitation's end.

    There the steps hide the first channel, and the cone still swings.
    """
    rate = recording.sample_rate_hz
    start, stop = round(piece.start * rate), round(piece.stop * rate)
    step = _steps(recording.between(max(start - round(AROUND_SECONDS * rate), 0), stop))
    if np.any(piece.share * np.ptp(recording.between(start, stop), axis=0) < ROUNDED * step):
        return True
    after = recording.between(start + round(RINGS_SECONDS * rate), start + round(SOME_SECONDS * rate))
    return len(after) > 0 and bool(np.ptp(after[:, rig.total]) <= 2.0 * step[rig.total])


def _coarsest(piece: Disturbance, recording: Recording) -> str:
    """Say which channel moves over the fewest steps about a piece."""
    rate = recording.sample_rate_hz
    some = recording.between(max(round((piece.stop - SOME_SECONDS) * rate), 0), round((piece.stop + SOME_SECONDS) * rate))
    steps = np.ptp(some, axis=0) / _steps(some)
    return cause("coarse", channel=int(np.argmin(steps)) + 1, steps=float(steps.min()))


def _steps(some: Real) -> Real:
    """Least step between the values of each channel (2,) of `some` samples (n, 2); of a channel that stands still none."""
    return np.array([np.min(np.diff(np.unique(x)), initial=np.inf if np.ptp(x) else 1e-300) for x in some.T])


def _longest_gap(recording: Recording) -> tuple[float, int]:
    """When (s) most samples in a row stand still amid loud ones, and how many; 0 where none do."""
    found, at = (0.0, 0), 0
    while len(block := recording.between(at, at + BLOCK)):
        for channel in block.T:
            first, samples = _gap(channel)
            if samples > found[1]:
                found = (at + first) / recording.sample_rate_hz, samples
        at += BLOCK
    return found


def _gap(x: Real) -> tuple[int, int]:
    """First of the most samples in a row of a channel (n,) that stand still, and how many.

    It is no gap where a converter moves on by one step, nor where rest begins or ends.
    """
    starts, ends = runs(np.diff(x) == 0.0).T
    inside = (ends - starts >= STILL) & (starts > 0) & (ends < len(x) - 1)
    starts, ends = starts[inside], ends[inside]
    step = float(np.min(np.diff(np.unique(x)), initial=np.inf))
    jump = np.maximum(np.abs(x[starts] - x[starts - 1]), np.abs(x[ends + 1] - x[ends]))
    jumps = jump > JUMPS * step
    if not np.any(jumps):
        return 0, 0
    longest = int(np.argmax(np.where(jumps, ends - starts, 0)))
    return int(starts[longest]), int(ends[longest] - starts[longest]) + 1


def _grave(refuse: bool) -> Severity:
    return "refuse" if refuse else "warn"


def _when(pieces: tuple[Disturbance, ...], begins: float) -> str:
    told = [
        f"{begins + one.start:.2f} s"
        if one.stop - one.start < 0.1
        else f"{begins + one.start:.1f} to {begins + one.stop:.1f} s"
        for one in pieces[:NAMED]
    ]
    more = f" and {len(pieces) - NAMED} more times" if len(pieces) > NAMED else ""
    return ", ".join(told) + more


def _named(piece: Disturbance, recording: Recording, rig: Rig) -> tuple[str, dict[str, object]]:
    """Code of the cause, and what it tells."""
    rate = recording.sample_rate_hz
    start, stop = max(round((piece.start - 0.03) * rate), 0), round((piece.stop + 0.03) * rate)
    far = round(AROUND_SECONDS * rate)
    first = max(start - far, 0)
    around = recording.between(first, stop + far)
    inside = around[start - first : stop - first]
    still = max(_gap(channel)[1] for channel in inside.T)
    if still:
        return "gap", {"samples": still}
    # A channel that stands still for the most part moves by a converter's steps, which are no break.
    usual = np.maximum(np.median(np.abs(np.diff(around, 4, axis=0)), axis=0), _steps(around))
    breaks = np.sort(np.abs(np.diff(inside, 4, axis=0)), axis=0)
    steps = breaks[-1] / usual
    isolated = breaks[-1, rig.total] > ISOLATED * breaks[-min(FEW_BROKEN, len(breaks)), rig.total]
    if isolated and steps[rig.total] > max(BROKEN, ALIKE * steps[rig.second]):
        return "lost_samples", {}
    nothing = inside[:, rig.second] - (inside[:, rig.total] if rig.topology == "divider" else 0.0)
    size = np.abs(nothing) / max(float(nothing.std()), 1e-12)
    first, last = _longest(size < OPEN)
    at_once = max(size[max(first - 3, 0) : first].max(initial=0.0), size[last : last + 3].max(initial=0.0)) > JUMP
    return ("loose_contact" if steps[rig.second] > BROKEN and last - first >= LEAST_OPEN and at_once else "burst"), {}


def _longest(flags: Mask) -> tuple[int, int]:
    """First of the flags in the longest row of them, and the one behind it."""
    first, behind = max(runs(flags), key=np.ptp, default=(0, 0))
    return int(first), int(behind)
