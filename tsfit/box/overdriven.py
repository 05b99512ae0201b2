"""What of a box goes beyond its rating at the drive, and where."""

import numpy as np

from tsfit.base.arrays import Real, runs
from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote
from tsfit.box.enclosure import Enclosure, Motion
from tsfit.box.limits import Ratings

LOWEST_NOTES = 20.0, 10.0, 5.0
"""Hz at one of which is told how far a cone travels beyond its limit below the tuning, where travel rises ever further."""
CLOSE = 0.95
"""Share of a stretch's end up to which it is far enough from it: close to its end any stretch looks harmless."""


def overdriven(enclosure: Enclosure, frequency: Real, moves: Motion, ratings: Ratings) -> list[QualityNote]:
    """What goes beyond its rating at the drive."""
    drive = f"{in_figures(enclosure.voltage, 3)} V"
    notes = []
    beyond, theirs = "cone travels beyond Xmax", "passive radiator travels beyond its limit"
    for limit, travel, code, words in (
        (ratings.xmax_m, moves.travel, "beyond_xmax", beyond),
        (ratings.radiator_xmax_m, moves.radiator_travel, "radiator_beyond_xmax", theirs),
    ):
        if limit is not None and travel is not None and (over := travel > limit).any():
            below = float(enclosure.load.tuning) if enclosure.kind in ("vented", "passive") else 0.0
            where = [_beyond(frequency, travel / limit, start, stop, below) for start, stop in runs(over)]
            told = ", and ".join(where) if len(where) < 3 else "; ".join(where)
            notes.append(QualityNote(code, "note", f"At {drive} the {words} ({in_figures(1e3 * limit, 3)} mm) {told}."))
    speed, allowed = moves.port_speed, ratings.port_speed_m_s
    if speed is not None and allowed is not None and (fastest := float(np.max(speed))) > allowed:
        said = (
            f"At {drive} the air in the port reaches {in_figures(fastest, 3)} m/s; above "
            f"{in_figures(allowed, 3)} m/s ports like this are "
        )
        notes.append(QualityNote("fast_port", "note", f"{said}commonly called noisy."))
    return notes


def _beyond(frequency: Real, ratio: Real, start: int, stop: int, tuning: float) -> str:
    """Say of one stretch of `frequency` where it lies, and by how much the limit is passed: by how much at most, or below
    the `tuning` (Hz) at one low frequency.
    """
    first, last = float(frequency[start]), float(frequency[stop - 1])
    low, high = (in_figures(end, 3) for end in (first, last))
    where = f"from {low} to {high} Hz" if start else f"below {high} Hz"
    if start or last >= tuning:
        return f"{where}, by up to {_percent(float(np.max(ratio[start:stop])))}"
    at = next((each for each in LOWEST_NOTES if first <= each <= CLOSE * last), first)
    over = float(np.interp(at, frequency[:stop], ratio[:stop]))
    return f"{where}, by {_percent(over)} at {in_figures(at, 3)} Hz (a high-pass helps)"


def _percent(ratio: float) -> str:
    return f"{in_figures(100.0 * (ratio - 1.0), 2)} %"
