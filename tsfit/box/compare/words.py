"""Which driver leads where, by how much, and what stops it, in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from tsfit.box.compare.conditions import Candidate
from tsfit.box.compare.result import CaseResult, Difference
from tsfit.box.result import BoxResult

LOWEST_HZ, HIGHEST_HZ = 15.0, 250.0
"""Where leads are looked for: the range for which woofers are chosen."""
LEAD_DB = 0.05
"""Difference below which nobody leads."""
EVEN_DB = 0.1
"""A lead that varies by less is the same everywhere."""
NARROW = 2.0 ** (1.0 / 6.0)
"""Stretches of other limits that are not worth a word."""


def words(candidates: Sequence[Candidate], case: CaseResult) -> list[str]:
    """Say who wins where, in sentences."""
    sentences = []
    names = [one.driver.name for one in candidates]
    volumes = [box.chamber.volume for box in case.boxes]
    known = [volume for volume in volumes if volume is not None]
    if known and max(known) - min(known) > 0.005 * max(known):
        each = ", ".join(
            f"{name} {1e3 * volume:.3g} l" for name, volume in zip(names, volumes, strict=True) if volume is not None
        )
        sentences.append(f"It takes {each}.")
    f3 = [box.f3_hz for box in case.boxes]
    if all(value is not None for value in f3):
        sentences.append(
            "f3: " + ", ".join(f"{name} {_hz(value or 0.0)}" for name, value in zip(names, f3, strict=True)) + "."
        )
    if "limits" in case.level_db:
        lacking = [(name, " and no known ".join(_lacking(box))) for name, box in zip(names, case.boxes, strict=True)]
        sentences += [f"{name} has no known {what}, so that never stops it." for name, what in lacking if what]
    for number in range(1, len(names)):
        sentences += [
            _sentence(names[0], names[number], way, case.differences[way][number - 1])
            for way in ("equal voltage", "equal power", "travel limit")
            if way in case.differences
        ]
        if "limits" in case.differences and case.limited_by is not None:
            sentences.append(_limits_sentence(names[0], names[number], case, number))
    for name, one in zip(names, case.equalised, strict=False):
        sentence = f"Flat to {_hz(one.target_from_hz or 0.0)}, {name} takes {one.boost[0]:.1f} dB of boost"
        if one.loudest is not None:
            loudest, at_hz, limit = one.loudest
            sentence += f" and then plays to {loudest:.1f} dB in the mid-band, where {limit} stops it at {_hz(at_hz)}"
        sentences.append(sentence + ".")
    return sentences


def _hz(frequency: float) -> str:
    return f"{frequency:.0f} Hz" if frequency >= 99.5 else f"{frequency:.3g} Hz"


def _about_hz(frequency: float) -> str:
    """An end of a stretch, which nobody needs to a tenth of a hertz."""
    return f"{frequency:.0f} Hz"


def _lacking(box: BoxResult) -> list[str]:
    found = (("rated power", box.ratings.power_w), ("Xmax", box.ratings.xmax_m))
    return [name for name, value in found if value is None]


def _sentence(first: str, other: str, way: str, difference: Difference) -> str:
    lead = f"At {way}"
    if not difference.leads:
        return f"{lead}, {first} and {other} are level from {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz."
    parts = []
    for stretch in difference.leads:
        name = other if stretch.most_db > 0.0 else first
        doubt = "" if stretch.sure is not False else ", though the measurement leaves that open"
        where = _where(stretch.from_hz, stretch.to_hz)
        even = abs(stretch.most_db - stretch.least_db) < EVEN_DB
        at = "" if even else f" at {_hz(stretch.at_hz)}"
        parts.append(f"{name} leads {where}, by {abs(stretch.most_db):.1f} dB{at}{doubt}")
    return f"{lead}, " + "; ".join(parts) + "."


def _where(from_hz: float, to_hz: float) -> str:
    low, high = from_hz <= LOWEST_HZ * 1.03, to_hz >= HIGHEST_HZ / 1.03
    if low and high:
        return "at every frequency of the bass"
    start, stop = _about_hz(from_hz), _about_hz(to_hz)
    return f"below {stop}" if low else f"above {start}" if high else f"from {start} to {stop}"


def _limits_sentence(first: str, other: str, case: CaseResult, number: int) -> str:
    """Say what stops whom in each stretch, and who is louder there."""
    assert case.limited_by is not None
    inside = np.flatnonzero((case.frequency_hz >= LOWEST_HZ) & (case.frequency_hz <= HIGHEST_HZ))
    pairs = [(str(case.limited_by[0][k]), str(case.limited_by[number][k])) for k in inside]
    db = case.differences["limits"][number - 1].db[inside]
    edges = [0, *(k for k in range(1, len(pairs)) if pairs[k] != pairs[k - 1]), len(pairs)]
    parts = []
    for start, stop in pairwise(edges):
        from_hz, to_hz = case.frequency_hz[inside[start]], case.frequency_hz[inside[stop - 1]]
        if to_hz < NARROW * from_hz:
            continue
        one, two = pairs[start]
        stops = f"{one} stops both" if one == two else f"{one} stops {first} and {two} stops {other}"
        least, most = float(db[start:stop].min()), float(db[start:stop].max())
        if max(abs(least), abs(most)) <= LEAD_DB:
            who = "they are level"
        elif least >= -LEAD_DB or most <= LEAD_DB:
            name, low, high = (other, least, most) if least >= -LEAD_DB else (first, -most, -least)
            who = (
                f"{name} is louder by {max(high, 0.0):.1f} dB"
                if high - low < 0.15
                else (f"{name} is louder by {max(low, 0.0):.1f} to {high:.1f} dB")
            )
        else:
            who = f"{other} is between {-least:.1f} dB quieter and {most:.1f} dB louder"
        parts.append(f"{_where(from_hz, to_hz)} {stops} and {who}")
    return "Driven until something gives, " + "; ".join(parts) + "."
