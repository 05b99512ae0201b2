"""Is a datasheet true to itself? Each printed parameter against what the other printed ones say it must be.

A printed parameter stands for an interval, its last digit ±½. A relation holds when that interval and the interval that
follows from the others overlap; the relations are monotonic in every parameter, so the corners of the
printed intervals give the exact range. What makers leave open is granted to them:

- Vas and what follows from it: ±1.5 %, for the reference airs in use (1.18 to 1.21 kg/m³, 340 to 346 m/s);
- sensitivity: ±0.5 dB for those airs and for reading a level off a curve (common practice, no source);
- a level "at 1 W" may be 1 W into Re (Small 1972) or into the rated impedance (IEC 60268-5), which is a name and exact.
"""

import itertools
import math
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np

from tsfit.base.arrays import Mask, Number, Real
from tsfit.base.conformity import Verdict
from tsfit.base.figures import in_figures
from tsfit.base.forms import IF_TOLD
from tsfit.check.limits import geometric_travels
from tsfit.check.slips import Suspicion, implausible, slips_of, swapped
from tsfit.driver.formulas import RELATIONS, complete
from tsfit.driver.parameters import LEVELS, PUBLISHED
from tsfit.driver.sizes import unusual
from tsfit.driver.units import display
from tsfit.formats.sheet import Sheet

AIR_SLACK = 0.015
LEVEL_SLACK_DB = 0.5
GEOMETRY_SLACK = 1e-4
"""What the rounding of coil and gap leaves of a travel, m: common practice, no source."""
_STEP = 0.001
_SEARCH = np.exp(np.arange(-1.5, 1.5, _STEP))
"""Factors by which one parameter is tried wrong, 1/4.5 to 4.5 in steps of 0.1 %."""
_NEPER = math.log(10.0) / 10.0
"""Logarithm of a power per dB."""
CLEARLY = 4.0
"""By how much χ² must tell two suspects apart: twice the logarithm of a likelihood ratio of 7."""
_ORDER = ("Vas", "Qts", "Qes", "Qms", "Fs", "Bl", "Mms", *PUBLISHED)

Interval = tuple[Number, Number]
Chain = tuple[str, ...]
"""A printed parameter, then those from which it follows."""


@dataclass(frozen=True, kw_only=True)
class Contradiction:
    """A printed parameter that the other printed ones rule out, SI."""

    sentence: str = ""  # what is printed and what follows, in trade units
    relation: str = ""  # in short, like ``Qts(Qms, Qes)``
    printed: float
    implied: float  # middle of its range
    implied_range: tuple[float, float] | None = None  # what the others allow, from 0 where they only limit it upwards
    figures: tuple[str, ...] = ()  # the parameter, then those from which it follows
    suspect: str | None = None  # the one whose misprint alone would explain every contradiction of the sheet
    possible: tuple[str, ...] = ()  # all that could be it; empty when no single one can


def _contradiction(
    chain: Chain, sheet: Sheet, ends: tuple[float, float], suspect: str | None, possible: tuple[str, ...]
) -> Contradiction:
    parameter, *needs = chain
    printed = sheet.figures[parameter]
    factor, unit = display(parameter, 1.0)
    low, high = (in_figures(end * factor, 4) for end in ends)
    told = " ".join(printed.text.split())
    if not told.endswith(unit):
        told += f" ({in_figures(printed.value * factor, 4)} {unit})"
    allowed = f"at most {high} {unit}" if ends[0] == 0.0 else f"{low} to {high} {unit}".rstrip()
    if rated_db := _rated_db(parameter, _intervals(sheet)):
        low, high = (in_figures(end * factor + shift, 4) for end, shift in zip(ends, rated_db, strict=True))
        allowed += f" for 1 W into Re, {low} to {high} {unit} for 1 W into Znom"
    return Contradiction(
        sentence=f"{parameter} is printed as {told}, but {' and '.join(needs)} make it {allowed}.",
        relation=f"{parameter}({', '.join(needs)})",
        printed=printed.value,
        implied=0.5 * sum(ends),
        implied_range=ends,
        figures=chain,
        suspect=suspect,
        possible=possible,
    )


@dataclass(frozen=True)
class Derived:
    """A parameter that is not printed and follows from printed ones, with what their rounding leaves open, SI."""

    name: str
    derived_from: tuple[str, ...]
    value: float
    interval: tuple[float, float]


@dataclass(frozen=True)
class Consistency:
    """What a lone sheet tells."""

    KIND: ClassVar = "check"
    FORM: ClassVar = ("verdict", "figures", "contradictions", "consequence", "relations", "suspicions", "derived", "doubt")

    relations: tuple[Chain, ...]  # what was looked at
    contradictions: tuple[Contradiction, ...]  # the relations that cannot be true
    suspicions: tuple[Suspicion, ...] = ()  # parameters that are probably slips of a known kind
    derived: tuple[Derived, ...] = ()  # not printed, but they follow
    doubt: str | None = field(default=None, metadata=IF_TOLD)  # what drivers of that size are not like, in words
    figures: ClassVar[tuple[()]] = ()
    consequence: ClassVar[Mapping[str, object]] = {}

    @property
    def verdict(self) -> Verdict:
        """Outside with a contradiction, inside without, undecided when nothing could be compared."""
        return "outside" if self.contradictions else "inside" if self.relations else "undecided"


def consistency(sheet: Sheet) -> Consistency:
    """Hold the printed parameters of `sheet` against each other."""
    found, suspicions = _judge(sheet)
    extra = derived(sheet)
    known = {name: printed.value for name, printed in sheet.figures.items()} | {item.name: item.value for item in extra}
    meant = known | {item.figure: item.meant for item in suspicions}
    diameter = meant.get("diameter") or (2.0 * math.sqrt(meant["Sd"] / math.pi) if "Sd" in meant else None)
    suspicions += [
        item for item in implausible(sheet.figures, diameter) if item.figure not in {one.figure for one in suspicions}
    ]
    told = None if found or suspicions else unusual(known)
    return Consistency(tuple(relations_of(sheet.figures)), found, tuple(suspicions), extra, told)


def contradictions(sheet: Sheet) -> tuple[Contradiction, ...]:
    """Return every relation between printed parameters of `sheet` that cannot be true."""
    return _judge(sheet)[0]


def derived(sheet: Sheet) -> tuple[Derived, ...]:
    """Return what follows from the printed parameters and is not printed, each by the way that leaves the least."""
    intervals, values = _intervals(sheet), sheet.values()
    found = []
    for parameter in dict.fromkeys(relation.gives for relation in RELATIONS):
        if parameter in intervals:
            continue
        best: Derived | None = None
        for needs in _ways(parameter, intervals):
            ends = [float(end[0]) for end in _implied((parameter, *needs), intervals)]
            value = float(complete({name: np.float64(values[name]) for name in needs})[parameter])
            sensible = all(map(math.isfinite, (*ends, value))) and (parameter in LEVELS or ends[0] > 0.0)
            if sensible and (best is None or ends[1] - ends[0] < best.interval[1] - best.interval[0]):
                best = Derived(parameter, needs, value, (ends[0], ends[1]))
        if best is not None:
            found.append(best)
    return tuple(found)


def _ways(name: str, printed: Collection[str], banned: frozenset[str] = frozenset()) -> Iterator[tuple[str, ...]]:
    """Yield the printed parameters from which `name` follows by each relation without any of `banned`, others bridging."""
    for relation in RELATIONS:
        if relation.gives == name:
            sources = [_sources(need, printed, banned | {name}) for need in relation.needs]
            if all(source is not None for source in sources):
                yield tuple(dict.fromkeys(need for source in sources for need in source or ()))


def _sources(name: str, printed: Collection[str], banned: frozenset[str]) -> tuple[str, ...] | None:
    """Printed parameters from which `name` follows without any of `banned`; itself when printed."""
    if name in banned:
        return None
    return (name,) if name in printed else next(_ways(name, printed, banned), None)


def _intervals(sheet: Sheet) -> dict[str, Interval]:
    return {name: (item.value - item.half_digit, item.value + item.half_digit) for name, item in sheet.figures.items()}


def relations_of(printed: Collection[str]) -> list[Chain]:
    """Return each printed parameter that follows from other printed ones, with those; each set of parameters once."""
    found: dict[frozenset[str], Chain] = {}
    for parameter in dict.fromkeys(_ORDER):
        for needs in _ways(parameter, printed) if parameter in printed else ():
            found.setdefault(frozenset({parameter, *needs}), (parameter, *needs))
    return list(found.values())


def _judge(sheet: Sheet) -> tuple[tuple[Contradiction, ...], list[Suspicion]]:
    """Contradictions of `sheet`, and the slip that explains all of them: of one parameter alone, or of two swapped."""
    intervals = _intervals(sheet)
    relations = relations_of(sheet.figures)
    broken = [relation for relation in relations if not _holds(relation, intervals)]
    possible, suspicion = _suspects(broken, relations, sheet, intervals)
    suspect = suspicion.figure if suspicion else _likeliest(possible, relations, sheet)
    found = []
    for chain in broken:
        low, high = _implied(chain, intervals)
        found.append(_contradiction(chain, sheet, (float(low[0]), float(high[0])), suspect, possible))
    slips = [suspicion] if suspicion else _swapped(broken, relations, sheet, intervals)
    return (*found, *_bounds(sheet, intervals), *_geometry(sheet)), slips


def _swapped(
    broken: list[Chain], relations: list[Chain], sheet: Sheet, intervals: Mapping[str, Interval]
) -> list[Suspicion]:
    """Suspect two parameters which, swapped, let all relations hold."""
    for one, other in swapped(sheet.figures) if broken else ():
        turned = {**intervals, one.figure: intervals[other.figure], other.figure: intervals[one.figure]}
        if all(_holds(chain, turned) for chain in relations):
            return [one, other]
    return []


def _bounds(sheet: Sheet, intervals: Mapping[str, Interval]) -> list[Contradiction]:
    """Parameters beyond what others allow at most, where one parameter that would settle it is not printed.

    Qts is below Qms and below Qes; so, of a sheet that tells no Qes, the efficiency is below that with Qts in its place.
    """
    found = []

    def beyond(chain: Chain, most: float) -> None:
        if intervals[chain[0]][0] >= most:
            found.append(_contradiction(chain, sheet, (0.0, most), None, chain))

    for q, other in (("Qms", "Qes"), ("Qes", "Qms")):
        if {"Qts", q} <= intervals.keys() and other not in intervals:
            beyond(("Qts", q), float(intervals[q][1]))
    if {"Fs", "Vas", "Qts"} <= intervals.keys() and _sources("Qes", intervals, frozenset()) is None:
        most = {**intervals, "Qes": intervals["Qts"]}
        for chain in (("sensitivity_1W", "Fs", "Vas"), ("sensitivity_2V83", "Fs", "Vas", "Re")):
            if set(chain) <= intervals.keys():
                beyond((*chain, "Qts"), float(_implied((*chain, "Qes"), most)[1][0]))
    return found


def _geometry(sheet: Sheet) -> list[Contradiction]:
    """A travel that is stated to follow from coil and gap, and is none that makers make of them."""
    conditions, printed = sheet.conditions, sheet.figures.get("Xmax")
    coil, gap = conditions.coil_length_mm, conditions.gap_height_mm
    if printed is None or conditions.xmax_definition != "geometric" or coil is None or gap is None:
        return []
    usual = geometric_travels(coil, gap)
    slack = printed.half_digit + GEOMETRY_SLACK
    if any(abs(travel - printed.value) <= slack for travel in usual.values()):
        return []
    told = "; ".join(f"{words} is {in_figures(1e3 * travel, 3)} mm" for words, travel in usual.items())
    low, high = min(usual.values()), max(usual.values())
    return [
        Contradiction(
            sentence=f"Xmax is printed as {printed.text} by geometry, but of a coil of {coil:g} mm in a gap of {gap:g} mm "
            f"{told}.",
            relation="Xmax(coil_length_mm, gap_height_mm)",
            printed=printed.value,
            implied=0.5 * (low + high),
            implied_range=(low, high),
            figures=("Xmax",),
            suspect="Xmax",
            possible=("Xmax",),
        )
    ]


def _likeliest(possible: tuple[str, ...], relations: list[Chain], sheet: Sheet) -> str | None:
    """Return the one of `possible` that leaves clearly less to adjust than any other; None if none does.

    Least squares on logarithms: each may move with half a digit over √3 for its standard deviation, and χ² is what stays of
     the relations' residuals when one parameter is free.
    """
    if len(possible) < 2:
        return possible[0] if possible else None
    values = {name: np.float64(value) for name, value in sheet.values().items()}
    spread = {
        name: (_NEPER if name in LEVELS else 1.0 / item.value) * item.half_digit / math.sqrt(3.0)
        for name, item in sheet.figures.items()
    }
    names = list(values)
    residual, slopes, slack = [], [], []
    for parameter, *needs in relations:
        at = {name: values[name] for name in needs}
        with np.errstate(all="ignore"):
            level = _log(parameter, complete(at)[parameter])
            row = [(name == parameter) - (_slope(parameter, at, name, level) if name in needs else 0.0) for name in names]
        residual.append(_log(parameter, values[parameter]) - level)
        slopes.append(row)
        own = _NEPER * LEVEL_SLACK_DB if parameter in LEVELS else AIR_SLACK if "Vas" in (parameter, *needs) else _STEP
        slack.append(own / math.sqrt(3.0))
    r, s = np.array(residual), np.array(slopes)
    if not (np.all(np.isfinite(r)) and np.all(np.isfinite(s))):
        return None
    inverse = np.linalg.inv((s * np.array([spread[name] for name in names]) ** 2) @ s.T + np.diag(np.square(slack)))
    explained = {}
    for name in possible:
        column = s[:, names.index(name)]
        explained[name] = float((column @ inverse @ r) ** 2 / (column @ inverse @ column))
    first, second = sorted(possible, key=explained.__getitem__, reverse=True)[:2]
    return first if explained[first] >= explained[second] + CLEARLY else None


def _log(parameter: str, value: Number) -> Number:
    return _NEPER * value if parameter in LEVELS else np.log(value)


def _slope(parameter: str, values: Mapping[str, Number], name: str, level: Number) -> float:
    """Derivative of the logarithm of `parameter` by that of `name`; a level counts as the power it stands for."""
    moved = values[name] + _STEP / _NEPER if name in LEVELS else values[name] * math.exp(_STEP)
    return float((_log(parameter, complete({**values, name: moved})[parameter]) - level) / _STEP)


def _implied(chain: Chain, intervals: Mapping[str, Interval]) -> tuple[Real, Real]:
    """Lower and upper end of what the others of `chain` allow, shape (1,) or `_SEARCH`'s; NaN where they allow nothing."""
    parameter, *needs = chain
    corners = np.array(list(itertools.product((False, True), repeat=len(needs))))
    chosen = (np.where(corners[:, [i]], intervals[name][1], intervals[name][0]) for i, name in enumerate(needs))
    values = {name: np.asarray(value, dtype=np.float64) for name, value in zip(needs, chosen, strict=True)}
    with np.errstate(all="ignore"):
        implied = np.asarray(complete(values)[parameter])
    low, high = implied.min(axis=0), implied.max(axis=0)
    if parameter in LEVELS:
        low, high = low - LEVEL_SLACK_DB, high + LEVEL_SLACK_DB
    elif "Vas" in chain:
        low, high = low * (1.0 - AIR_SLACK), high * (1.0 + AIR_SLACK)
    return low, high


def _rated_db(parameter: str, intervals: Mapping[str, Interval]) -> tuple[Number, Number] | None:
    """Level of 1 W into the rated impedance over that of 1 W into Re, lowest and highest; None of anything else."""
    if parameter != "sensitivity_1W" or not {"Re", "Znom"} <= intervals.keys():
        return None
    rated = 0.5 * (intervals["Znom"][0] + intervals["Znom"][1])
    return 10.0 * np.log10(rated / intervals["Re"][1]), 10.0 * np.log10(rated / intervals["Re"][0])


def _holds(chain: Chain, intervals: Mapping[str, Interval]) -> Mask:
    """Tell where printed and implied interval overlap, in either reading of a watt; 1e-9 is there for the arithmetic."""
    (low, high), printed = _implied(chain, intervals), intervals[chain[0]]
    margin = 1e-9 * np.abs(high)
    held = (low - margin <= printed[1]) & (high + margin >= printed[0])
    if (rated := _rated_db(chain[0], intervals)) is not None:
        held = held | ((low + rated[0] - margin <= printed[1]) & (high + rated[1] + margin >= printed[0]))
    return np.asarray(held)


def _suspects(
    broken: list[Chain], relations: list[Chain], sheet: Sheet, intervals: Mapping[str, Interval]
) -> tuple[tuple[str, ...], Suspicion | None]:
    """Return those of which one alone, printed otherwise, would let all relations hold, and the one slip that would.

    Constrained adjustment: one parameter is free, all others stay within their printed intervals.
    """
    candidates = [name for name in sheet.figures if broken and all(name in chain for chain in broken)]
    explaining, slips, area = [], [], _area(sheet)
    for name in candidates:
        printed = sheet.figures[name]
        concerned = [chain for chain in relations if name in chain]
        factors = slips_of(name, printed.value, area)
        if factors:
            at = np.array(list(factors))
            fits = _agree(concerned, name, printed.value * at, printed.half_digit * at, intervals)
            slips += [
                Suspicion(name, printed.value * factor, reason)
                for (factor, reason), fit in zip(factors.items(), np.broadcast_to(fits, at.shape), strict=True)
                if fit
            ]
        if name in LEVELS:
            middle, half = printed.value + 10.0 * np.log10(_SEARCH), np.full_like(_SEARCH, 10.0 * math.log10(1.0 + _STEP))
        else:
            middle, half = printed.value * _SEARCH, printed.value * _SEARCH * _STEP
        if np.any(_agree(concerned, name, middle, half, intervals)) or any(slip.figure == name for slip in slips):
            explaining.append(name)
    if len({slip.figure for slip in slips}) > 1:
        told = [(slip, complete({**sheet.values(), slip.figure: slip.meant})) for slip in slips]
        slips = [slip for slip, meant in told if unusual({name: float(value) for name, value in meant.items()}) is None]
    return tuple(explaining), slips[0] if len({slip.figure for slip in slips}) == 1 else None


def _area(sheet: Sheet) -> float | None:
    """Return the effective area that is printed, or that of the printed diameter, m²."""
    known = complete({name: value for name, value in sheet.values().items() if name in ("Sd", "diameter")})
    return float(known["Sd"]) if "Sd" in known else None


def _agree(relations: list[Chain], name: str, middle: Real, half: Real, intervals: Mapping[str, Interval]) -> Mask:
    """Tell for which of the trial values `middle` ± `half` (k,) of `name` all `relations` hold."""
    trial = {**intervals, name: (middle - half, middle + half)}
    return np.asarray(np.all([_holds(chain, trial) for chain in relations], axis=0))
