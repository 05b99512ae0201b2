"""What a log or a change says: plain sentences, and the machine form."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from tsfit.drift.change import Change
from tsfit.drift.entry import Entry
from tsfit.drift.history import CauseHistory, History
from tsfit.drift.settling import AHEAD

SOONEST_H = 0.05


def sentences(history: History) -> list[str]:
    """Say what drifted, where it is going, and whether it has arrived."""
    if len(history.entries) == 1:
        return ["One entry so far; add fits of later hours to see what moves."]
    moved = history.drifted
    if not moved:
        said = ["Nothing drifted beyond what repeats scatter."]
    else:
        said = [_sentence(one, history.entries) for one in moved]
    coil = history.causes["coil temperature"]
    if coil.drifted:
        said.append(
            f"Re at 20 °C changed by {_percent(coil.relative)}: the coil's temperature was not the one stated, or contacts "
            "changed."
        )
    return said


def _sentence(one: CauseHistory, entries: tuple[Entry, ...]) -> str:
    settling, last = one.settling, entries[-1].hours
    what = f"{one.cause.capitalize()} ({one.figure}) changed by {_percent(one.relative)}"
    if not settling.enough and settling.course == "constant":
        return f"{what} from first to last; too few points to say where it is going."
    if settling.course == "step":
        return f"{what}, in one step between the entries around {settling.time_constant_h:.3g} h."
    if settling.course == "log-time":
        more = math.expm1(settling.end - float(settling.at(np.array([last]))[0]))
        return f"{what} and creeps on with the logarithm of time; {AHEAD:g} times the hours would add {_percent(more)}."
    if settling.band95 is None or settling.hours_left is None:
        return f"{what} and is still under way; too few points to say where it ends."
    ends = [math.expm1(value - float(settling.at(one.hours[:1])[0])) for value in (settling.end, *settling.band95)]
    left, latest = settling.hours_left
    when = (
        "it is within 1 % of that now"
        if left < SOONEST_H
        else f"within 1 % of that in {left:.2g} h (95 %: in {latest:.2g} h at most)"
    )
    return f"{what} and ends at {_percent(ends[0])} ({_percent(ends[1])} to {_percent(ends[2])}); {when}."


def _percent(relative: float) -> str:
    return f"{100.0 * relative:+.3g} %"


def change_to_dict(change: Change) -> dict[str, Any]:
    """Machine form of a change; relative changes, 0.1 is 10 %."""
    return {
        "causes": {
            one.cause: {
                "figure": one.figure,
                "change": one.relative,
                "stdev": one.stdev,
                "e_n": one.e_n,
                "beyond_repeatability": one.beyond,
                **({} if one.kelvin is None else {"kelvin": one.kelvin}),
            }
            for one in change.causes
        },
        "figures": {name: {"change": value, "stdev": stdev} for name, (value, stdev) in change.figures.items()},
        "notes": [note.to_dict() for note in change.notes],
    }


def history_to_dict(history: History) -> dict[str, Any]:
    """Machine form of a judged log; values in SI at 20 °C and in reference air, or ratios to the first without a mass."""
    first = history.entries[0]
    return {
        "schema": 1,
        "driver": {"name": first.driver.name, "serial": first.driver.serial, "wiring": first.driver.wiring},
        "entries": [
            {
                "hours": entry.hours,
                "added": entry.added,
                "rig": entry.rig,
                "coil": entry.coil,
                "suspension": entry.suspension,
            }
            for entry in history.entries
        ],
        "causes": {name: _cause(one, absolute=history.absolute) for name, one in history.causes.items()},
        "drifted": [one.cause for one in history.drifted],
        "first_to_last": None if history.first_to_last is None else change_to_dict(history.first_to_last),
        "repeats": history.repeatability.repeats,
        "summary": sentences(history),
        "notes": [note.to_dict() for note in history.notes],
    }


def _cause(one: CauseHistory, *, absolute: bool) -> dict[str, Any]:
    settling = one.settling
    zero = 0.0 if absolute or one.figure == "Re" else float(settling.at(one.hours[:1])[0])
    return {
        "figure": one.figure,
        "unit": "SI" if zero == 0.0 else "ratio",
        "hours": one.hours.tolist(),
        "values": np.exp(one.logarithm - zero).tolist(),
        "relative_stdev": one.stdev.tolist(),
        "drifted": one.drifted,
        "change": one.relative,
        "course": settling.course if settling.enough else "too few points to say",
        "time_constant_h": settling.time_constant_h,
        "end": math.exp(settling.end - zero),
        "band95": None if settling.band95 is None else [math.exp(value - zero) for value in settling.band95],
        "hours_left": None if settling.hours_left is None else list(settling.hours_left),
        "scatter": settling.scatter,
    }
