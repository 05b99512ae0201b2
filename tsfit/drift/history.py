"""A whole log: the course of each cause against hours of use, and what of it is drift."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.notes import QualityNote
from tsfit.base.views import Viewed, view
from tsfit.drift.change import (
    CAUSES,
    COIL_READING_K,
    SEEN_IN,
    DriftChange,
    Repeatability,
    compare,
    learn_repeatability,
    logarithms,
    reference_mass,
)
from tsfit.drift.entry import Entry, once
from tsfit.drift.log import Log
from tsfit.drift.settling import AHEAD, Settling, settle
from tsfit.driver.formulas import COPPER_PER_K

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SOONEST_H = 0.05
"""Hours that are no waiting."""
PARTS = {"Cms": ("Fs",), "Bl": ("Fs", "Re", "Qes"), "Rms": ("Fs", "Qms")}
PART_FACTORS = {"Cms": 2.0, "Bl": 0.5, "Rms": 1.0}
"""Of what a parameter's random part is made where the moving mass is not told; correlations, left out, narrow it."""
SCALE_FREEDOM = 1.0
"""How far the scatter known beforehand is believed against the one about the course, in degrees of freedom."""


@dataclass(frozen=True)
class CauseHistory:
    """One cause over the hours."""

    cause: str
    figure: str  # the parameter that shows it
    hours: Real  # (n,)
    logarithm: Real  # (n,) of the parameter at common conditions; without a known mass, on a scale of its own
    stdev: Real  # (n,) of each entry's random part, repeatability included
    settling: Settling
    drifted: bool  # whether it changed beyond what repeats scatter

    @property
    def course(self) -> str:
        """Name of the course, or that it cannot be told."""
        return self.settling.course if self.settling.enough else "too few points to say"

    @property
    def relative(self) -> float:
        """Change from the first entry to the last, ratio − 1; on the course where the points are enough for one."""
        ends = self.settling.at(self.hours[[0, -1]]) if self.settling.enough else self.logarithm[[0, -1]]
        return math.expm1(float(ends[1] - ends[0]))

    @property
    def end_relative(self) -> float:
        """Change from the first entry to where the course ends, ratio − 1."""
        return math.expm1(self.settling.end - float(self.settling.at(self.hours[:1])[0]))


@dataclass(frozen=True)
class History(Viewed):
    """The log of one driver, judged."""

    entries: tuple[Entry, ...]  # in the order of hours
    causes: dict[str, CauseHistory]  # by name; the moving mass only where at least two entries tell it
    first_to_last: DriftChange | None  # None with one entry
    repeatability: Repeatability
    # Whether the moving mass is known; without it the parameters but Re are on a scale of their own, for ratios only.
    absolute: bool
    notes: tuple[QualityNote, ...]

    @property
    def drifted(self) -> list[CauseHistory]:
        """What drifted, largest change over its scatter first; a warmer coil is no drift."""
        moved = [one for one in self.causes.values() if one.drifted and one.cause != "coil temperature"]
        return sorted(moved, key=lambda one: -abs(one.relative) / float(np.mean(one.stdev)))

    def sentences(self) -> list[str]:
        """Say what drifted, by how much, and whether it has settled."""
        if len(self.entries) == 1:
            return ["One entry so far; add fits of later hours to see what moves."]
        moved = self.drifted
        if not moved:
            said = ["Nothing drifted beyond what repeats scatter."]
        else:
            said = [_sentence(one, self.entries) for one in moved]
        coil = self.causes["coil temperature"]
        if coil.drifted:
            said.append(
                f"Re at 20 °C changed by {_percent(coil.relative)}: the coil's temperature was not the one stated, or "
                "contacts changed."
            )
        return said

    def measured_ends(self) -> str:
        """Say what Fs and Qts were at first and last, as measured; empty where nothing drifted."""
        if not self.drifted or len(self.entries) < 2:
            return ""
        ends = [entry.parameters for entry in (self.entries[0], self.entries[-1])]
        told = [
            f"{name} from {' to '.join(f'{each[name][0]:#.4g}' for each in ends)}{unit}"
            for name, unit in (("Fs", " Hz"), ("Qts", ""))
            if all(name in each for each in ends)
        ]
        return f"Measured first and last: {' and '.join(told)}." if told else ""

    def plot(self) -> Figure:
        """Draw every cause against hours of use."""
        return view(self, "plot")  # type: ignore[no-any-return]


def history(log: Log) -> History:
    """Judge a log; raises ``empty_log``."""
    if not log.entries:
        message = f"{log.path}: holds no entry yet; add one with 'tsfit drift add'."
        raise TsfitError(message, code="empty_log", file=log.path)
    entries, copies = once(log.entries)
    mass = reference_mass(entries)
    values = logarithms(entries, mass)
    repeatability = learn_repeatability(entries, values)
    hours = np.array([entry.hours for entry in entries])
    change = None if len(entries) < 2 else compare(entries[0], entries[-1], repeatability)
    causes = {}
    for k, cause in enumerate(CAUSES):
        told = np.array([cause != "moving mass" or "Mms" in entry.parameters for entry in entries])
        if cause == "moving mass" and told.sum() < 2:
            continue
        telling = tuple(entry for entry, tells in zip(entries, told, strict=True) if tells)
        spread = np.maximum(_random(telling, SEEN_IN[cause]), repeatability.stdev[k])
        settling = settle(hours[told], values[told, k], spread, SCALE_FREEDOM)
        drifted = settling.course != "constant"
        if not settling.enough and settling.course == "constant":
            drifted = change is not None and cause in change.causes and change.causes[cause].beyond_repeatability
        causes[cause] = CauseHistory(cause, SEEN_IN[cause], hours[told], values[told, k], spread, settling, drifted)
    notes = dict.fromkeys((*log.notes, *copies, *(change.notes if change is not None else ())))
    return History(entries, causes, change, repeatability, mass is not None, tuple(notes))


def pick(judged: History, name: str) -> Entry:
    """Return the entry with that number, "first" or "last"."""
    count = len(judged.entries)
    number = {"first": 1, "last": count}.get(name)
    if number is None and name.isdecimal():
        number = int(name)
    if number is None or not 1 <= number <= count:
        message = f"{name!r} is not an entry of this log; give a number from 1 to {count}, or first or last."
        raise TsfitError(message, code="usage")
    return judged.entries[number - 1]


def _random(entries: tuple[Entry, ...], parameter: str) -> Real:
    """Relative standard deviation (n,) of a parameter that no stated input explains."""
    out = []
    for entry in entries:
        if "Mms" in entry.parameters or parameter == "Re":
            value, _, random = entry.parameters[parameter]
            out.append(random / value)
        else:
            parts = [entry.parameters[name][2] / entry.parameters[name][0] for name in PARTS[parameter]]
            out.append(PART_FACTORS[parameter] * math.hypot(*parts))
    spread = np.array(out)
    return np.hypot(spread, COPPER_PER_K * COIL_READING_K) if parameter == "Re" else spread


def _sentence(one: CauseHistory, entries: tuple[Entry, ...]) -> str:
    settling, last = one.settling, entries[-1].hours
    what = f"{one.cause.capitalize()} ({one.figure}) changed by {_percent(one.relative)}"
    if not settling.enough and settling.course == "constant":
        return f"{what} from first to last; too few points to say where it is going."
    if settling.course == "step":
        return f"{what}, in one step between the entries around {in_figures(settling.time_constant_h, 3)} h."
    if settling.course == "log-time":
        more = math.expm1(settling.end - float(settling.at(np.array([last]))[0]))
        return f"{what} and creeps on with the logarithm of time; {AHEAD:g} times the hours would add {_percent(more)}."
    if settling.band95 is None or settling.hours_left is None:
        return f"{what} and is still under way; too few points to say where it ends."
    ends = [math.expm1(value - float(settling.at(one.hours[:1])[0])) for value in (settling.end, *settling.band95)]
    left, latest = settling.hours_left
    if left < SOONEST_H:
        band = f"{_percent(ends[1])} to {_percent(ends[2])}"
        if _percent(ends[0]) == _percent(one.relative):
            return f"{what} (95 %: {band}) and has settled: within 1 % of its final value."
        return f"{what} and has settled: within 1 % of its final value, {_percent(ends[0])} (95 %: {band})."
    when = f"within 1 % of that in {in_figures(left, 2)} h (95 %: in {in_figures(latest, 2)} h at most)"
    return f"{what} and ends at {_percent(ends[0])} ({_percent(ends[1])} to {_percent(ends[2])}); {when}."


def _percent(relative: float) -> str:
    return f"{100.0 * relative:+.{1 if abs(relative) < 1.0 else 0}f} %"
