"""What disturbed a recording, named: what stands out in time (`tsfit.capture.disturbance`) beside the samples there."""

from collections.abc import Iterator

import numpy as np

from tsfit.base.arrays import Mask
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
STILL = 8
"""Equal samples in a row, amid loud ones, that are a gap."""
AROUND_SECONDS, SOME_SECONDS = 0.25, 1.0
BROKEN = 30.0
"""Fourth difference of a channel over its usual one from which the channel itself breaks there."""
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
    if found.throughout:
        yield QualityNote(
            "overload", _grave(found.throughout > OVERLOADED), cause("overload", percent=100.0 * found.throughout)
        )
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
    return [QualityNote("cut_off", "note", cause("cut_off"))] if ends < rest < begins else []


def _coarse(found: Disturbed, recording: Recording) -> str | None:
    """Say which channel moves over so few steps of its converter that these explain what was found."""
    share = max([found.throughout, *(piece.share for piece in found.pieces)])
    if share == 0.0:
        return None
    first = found.pieces[0].start if found.pieces else 0.0
    some = recording.between(*(round((first + t) * recording.sample_rate_hz) for t in (0.0, SOME_SECONDS)))
    for channel, values in enumerate(np.unique(x) for x in some.T):
        steps = np.ptp(values) / float(np.min(np.diff(values), initial=np.inf))
        if share < 2.0 / max(steps, 1.0) and steps > 1.0:
            return cause("coarse", channel=channel + 1, steps=steps)
    return None


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
    rows = [_longest(np.diff(inside[:, channel]) == 0.0) for channel in range(2)]
    still = [last - first for first, last in rows]
    if max(still) >= STILL:
        return "gap", {"samples": max(still) + 1}
    usual = np.median(np.abs(np.diff(around, 4, axis=0)), axis=0)
    steps = np.abs(np.diff(inside, 4, axis=0)).max(axis=0) / np.maximum(usual, 1e-12)
    if steps[rig.total] > max(BROKEN, ALIKE * steps[rig.second]):
        return "lost_samples", {}
    nothing = inside[:, rig.second] - (inside[:, rig.total] if rig.topology == "divider" else 0.0)
    size = np.abs(nothing) / max(float(nothing.std()), 1e-12)
    first, last = _longest(size < OPEN)
    at_once = max(size[max(first - 3, 0) : first].max(initial=0.0), size[last : last + 3].max(initial=0.0)) > JUMP
    return ("loose_contact" if steps[rig.second] > BROKEN and last - first >= LEAST_OPEN and at_once else "burst"), {}


def _longest(flags: Mask) -> tuple[int, int]:
    """First of the flags in the longest row of them, and the one behind it."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(int)))
    if not len(edges):
        return 0, 0
    longest = 2 * int(np.argmax(edges[1::2] - edges[::2]))
    return int(edges[longest]), int(edges[longest + 1])
