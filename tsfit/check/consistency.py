"""Is a datasheet true to itself? Each printed figure against what the other printed figures say it must be.

A printed figure stands for an interval, its last digit ±½. A relation holds when the interval of the printed figure and
the interval that follows from the others overlap; the relations are monotonic in every figure, so the corners of the
printed intervals give the exact range. What makers leave open is granted to them:

- Vas and what follows from it: ±1.5 %, for the reference airs in use (1.18 to 1.21 kg/m³, 340 to 346 m/s);
- sensitivity: ±0.5 dB for those airs and for reading a level off a curve (common practice, no source);
- a level "at 1 W" may be 1 W into Re (Small 1972) or into the rated impedance (IEC 60268-5).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tsfit.check.sheet import LEVELS, PUBLISHED, Sheet
from tsfit.driver import RELATIONS, complete

AIR_SLACK = 0.015
LEVEL_SLACK_DB = 0.5
_STEP = 0.001
_SEARCH = np.exp(np.arange(-1.5, 1.5, _STEP))
"""Factors by which one figure is tried wrong, 1/4.5 to 4.5 in steps of 0.1 %."""
_ORDER = ("Vas", "Qts", "Qes", "Qms", "Fs", "Bl", "Mms", *PUBLISHED)

Interval = tuple[Any, Any]


@dataclass(frozen=True)
class Contradiction:
    """A printed figure that the other printed figures rule out.

    Attributes
    ----------
    figure : str
    needs : tuple of str
        The printed figures from which it follows.
    printed : float, SI
    implied : (float, float), SI, the range that the others allow
    suspect : str or None
        The one figure whose misprint alone would explain every contradiction of the sheet.
    """

    figure: str
    needs: tuple[str, ...]
    printed: float
    implied: tuple[float, float]
    suspect: str | None = None

    @property
    def relation(self) -> str:
        """The relation in short, like ``Qts(Qms, Qes)``."""
        return f"{self.figure}({', '.join(self.needs)})"

    def to_dict(self) -> dict[str, Any]:
        """Return the fixed machine form; `implied` is the middle of `implied_range`."""
        return {
            "relation": self.relation,
            "printed": self.printed,
            "implied": 0.5 * sum(self.implied),
            "implied_range": list(self.implied),
            "figures": [self.figure, *self.needs],
            "suspect": self.suspect,
        }


@dataclass(frozen=True)
class Consistency:
    """What was looked at in a lone sheet, as (figure, figures it follows from), and what contradicts."""

    relations: tuple[tuple[str, tuple[str, ...]], ...]
    contradictions: tuple[Contradiction, ...]

    @property
    def verdict(self) -> str:
        """Outside with a contradiction, inside without, undecided when nothing could be compared."""
        return "outside" if self.contradictions else "inside" if self.relations else "undecided"

    def to_dict(self) -> dict[str, Any]:
        """Return the form of a check with no figures judged, and the relations looked at."""
        return {
            "verdict": self.verdict,
            "figures": [],
            "contradictions": [item.to_dict() for item in self.contradictions],
            "consequence": {},
            "relations": [[figure, *needs] for figure, needs in self.relations],
        }


def consistency(sheet: Sheet) -> Consistency:
    """Hold the printed figures of `sheet` against each other."""
    return Consistency(tuple(relations_of(sheet.figures)), contradictions(sheet))


def relations_of(printed: Mapping[str, Any]) -> list[tuple[str, tuple[str, ...]]]:
    """Return each printed figure that follows from other printed ones, with those; each set of figures once."""
    found: dict[frozenset[str], tuple[str, tuple[str, ...]]] = {}
    for figure in dict.fromkeys(_ORDER):
        for relation in RELATIONS if figure in printed else ():
            if relation.figure == figure:
                sources = [_sources(name, printed, frozenset({figure})) for name in relation.needs]
                if all(source is not None for source in sources):
                    needs = tuple(dict.fromkeys(name for source in sources for name in source or ()))
                    found.setdefault(frozenset({figure, *needs}), (figure, needs))
    return list(found.values())


def _sources(name: str, printed: Mapping[str, Any], banned: frozenset[str]) -> tuple[str, ...] | None:
    """Printed figures from which `name` follows without any of `banned`; itself when printed."""
    if name in banned:
        return None
    if name in printed:
        return (name,)
    for relation in RELATIONS:
        if relation.figure == name:
            sources = [_sources(need, printed, banned | {name}) for need in relation.needs]
            if all(source is not None for source in sources):
                return tuple(dict.fromkeys(need for source in sources for need in source or ()))
    return None


def contradictions(sheet: Sheet) -> tuple[Contradiction, ...]:
    """Return every relation between printed figures of `sheet` that cannot be true."""
    intervals = {name: (item.value - item.half_digit, item.value + item.half_digit) for name, item in sheet.figures.items()}
    relations = relations_of(sheet.figures)
    broken = [relation for relation in relations if not _holds(*relation, intervals)]
    suspect = _suspect(broken, relations, sheet, intervals)
    found = []
    for figure, needs in broken:
        low, high = _implied(figure, needs, intervals)
        found.append(Contradiction(figure, needs, sheet.figures[figure].value, (float(low[0]), float(high[0])), suspect))
    for q, other in (("Qms", "Qes"), ("Qes", "Qms")):
        if {"Qts", q} <= intervals.keys() and other not in intervals and intervals["Qts"][0] >= intervals[q][1]:
            found.append(Contradiction("Qts", (q,), sheet.figures["Qts"].value, (0.0, intervals[q][1])))
    return tuple(found)


def _implied(figure: str, needs: tuple[str, ...], intervals: Mapping[str, Interval]) -> tuple[NDArray[Any], NDArray[Any]]:
    """Lower and upper end of what `needs` allow for `figure`, shape (1,) or `_SEARCH`'s; NaN where they allow nothing."""
    corners = np.array(list(itertools.product((False, True), repeat=len(needs))))
    values = {name: np.where(corners[:, [i]], intervals[name][1], intervals[name][0]) for i, name in enumerate(needs)}
    with np.errstate(all="ignore"):
        implied = complete(values)[figure]
    low, high = implied.min(axis=0), implied.max(axis=0)
    if figure in LEVELS:
        low, high = low - LEVEL_SLACK_DB, high + LEVEL_SLACK_DB
        if figure == "sensitivity_1W" and {"Re", "Znom"} <= intervals.keys():
            rated = 10.0 * np.log10(intervals["Znom"][1] / intervals["Re"][0])
            low, high = np.minimum(low, low + rated), np.maximum(high, high + rated)
    elif "Vas" in (figure, *needs):
        low, high = low * (1.0 - AIR_SLACK), high * (1.0 + AIR_SLACK)
    return low, high


def _holds(figure: str, needs: tuple[str, ...], intervals: Mapping[str, Interval]) -> NDArray[np.bool_]:
    """Tell where printed and implied interval overlap; 1e-9 is there for the arithmetic."""
    low, high = _implied(figure, needs, intervals)
    margin = 1e-9 * np.abs(high)
    return np.asarray((low - margin <= intervals[figure][1]) & (high + margin >= intervals[figure][0]))


def _suspect(
    broken: list[tuple[str, tuple[str, ...]]],
    relations: list[tuple[str, tuple[str, ...]]],
    sheet: Sheet,
    intervals: Mapping[str, Interval],
) -> str | None:
    """Return the one figure that, printed otherwise, would let all relations hold; None when there is none or several."""
    candidates = [name for name in sheet.figures if broken and all(name in (figure, *needs) for figure, needs in broken)]
    explaining = []
    for name in candidates:
        value = sheet.figures[name].value
        if name in LEVELS:
            middle, half = value + 10.0 * np.log10(_SEARCH), np.full_like(_SEARCH, 10.0 * math.log10(1.0 + _STEP))
        else:
            middle, half = value * _SEARCH, value * _SEARCH * _STEP
        trial = {**intervals, name: (middle - half, middle + half)}
        concerned = [relation for relation in relations if name in (relation[0], *relation[1])]
        if np.any(np.all([_holds(*relation, trial) for relation in concerned], axis=0)):
            explaining.append(name)
    return explaining[0] if len(explaining) == 1 else None
