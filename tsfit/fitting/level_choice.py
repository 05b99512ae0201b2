"""Which sweeps of a bench are fitted together when they stand at several levels.

Fs moves with level, and Mms, Bl and Vas come from how far a mass or a box moves it: sweeps that are compared must stand at
one level. The joint fit takes the lowest level at which every state was swept.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote
from tsfit.driver.curve import State

SAME_DB = 1.0
"""Levels within this count as one: 1 dB changes the square of travel by a quarter. Common practice, no source."""


@dataclass(frozen=True)
class Choice:
    """What is fitted together."""

    kept: tuple[int, ...]  # numbers of the sweeps of the joint fit
    unit: Literal["V", "dBFS"] | None  # "V" or "dBFS", None where the levels of the free-air sweeps cannot be compared
    groups: tuple[tuple[int, ...], ...]  # numbers of the free-air sweeps of each level, lowest first; of one wiring
    levels_db: tuple[float, ...]  # of the groups, dB re 1 V peak or full scale
    notes: tuple[QualityNote, ...]


def choose(states: Sequence[State]) -> Choice:
    """Choose the sweeps for the joint fit, and group those in free air by level."""
    free = [state for state in states if state.kind == "free air"]
    unit: Literal["V", "dBFS"] | None = None
    if free and all(state.level_v is not None for state in free):
        unit = "V"
    elif free and all(state.level_dbfs is not None for state in free):
        unit = "dBFS"
    if unit is None:
        return Choice(tuple(range(len(states))), None, (), (), _unknown(free))
    levels = [_decibels(state, unit) for state in states]
    first = next(state for state in states if state.kind == "free air")
    alike = [(db, k) for k, db in enumerate(levels) if db is not None and _key(states[k]) == _key(first)]
    groups: list[list[tuple[float, int]]] = []
    for db, k in sorted(alike):
        if groups and db - groups[-1][0][0] <= SAME_DB:
            groups[-1].append((db, k))
        else:
            groups.append([(db, k)])
    members: dict[object, list[int]] = {}
    for k, state in enumerate(states):
        members.setdefault(_key(state), []).append(k)

    def beside(numbers: Sequence[int], reference: float) -> list[int]:
        found = [(k, levels[k]) for k in numbers]
        return [k for k, db in found if db is None or abs(db - reference) <= SAME_DB]

    # The first of equals is the lowest level.
    chosen = max((group[0][0] for group in groups), key=lambda db: sum(bool(beside(some, db)) for some in members.values()))
    kept, notes = [], []
    for numbers in members.values():
        fitting = beside(numbers, chosen)
        if not fitting:
            nearest = min((levels[k] or 0.0 for k in numbers), key=lambda db: abs(db - chosen))
            fitting = beside(numbers, nearest)
            notes += [_differs(k, nearest - chosen) for k in fitting]
        kept += fitting
    means = tuple(10.0 * math.log10(sum(10.0 ** (db / 10.0) for db, _ in group) / len(group)) for group in groups)
    if len(kept) < len(states):
        notes.insert(0, _told(chosen, unit, sorted(set(range(len(states))) - set(kept))))
    return Choice(tuple(sorted(kept)), unit, tuple(tuple(k for _, k in group) for group in groups), means, tuple(notes))


def _key(state: State) -> object:
    return state.kind, state.mass, state.volume, state.wiring


def _decibels(state: State, unit: Literal["V", "dBFS"]) -> float | None:
    if unit == "dBFS":
        return state.level_dbfs
    return None if state.level_v is None else 20.0 * math.log10(state.level_v)


def level_text(db: float, unit: Literal["V", "dBFS"]) -> str:
    """A level as a person reads it."""
    return f"{in_figures(10.0 ** (db / 20.0), 3)} V peak" if unit == "V" else f"{in_figures(db, 3)} dBFS"


def _told(chosen: float, unit: Literal["V", "dBFS"], out: Sequence[int]) -> QualityNote:
    listed = ", ".join(str(k + 1) for k in out)
    message = (
        f"The sweeps stand at several levels; the parameters hold at {level_text(chosen, unit)}, the lowest that most "
        f"states have in common. At other levels, and not in the parameters: sweep{'s'[: len(out) - 1]} {listed}."
    )
    return QualityNote("one_level", "note", message)


def _differs(number: int, apart: float) -> QualityNote:
    message = (
        f"This sweep stands {apart:+.1f} dB from the free-air level that it is compared with; Fs moves with level, and "
        "Mms, Bl and Vas err with it. Sweep this state and free air at one level."
    )
    return QualityNote("level_differs", "warn", message, number)


def _unknown(free: Sequence[State]) -> tuple[QualityNote, ...]:
    if all(state.level_v is None and state.level_dbfs is None for state in free):
        return ()
    message = (
        "The levels of the free-air sweeps cannot be compared, so all count as one level; give each sweep its level_v, or "
        "each its level_dbfs."
    )
    return (QualityNote("level_unknown", "warn", message),)
