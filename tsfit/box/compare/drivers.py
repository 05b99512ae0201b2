"""Two or more drivers under stated equal conditions: which plays louder, where, limited by what, and how sure that is.

A `Case` is a condition that holds for all of them: the same Qtc, the same net volume, the same cabinet, the same f3, a
planned box, an infinite baffle. In it each driver is looked at in five ways: at the same voltage, at the same power into
Re, at its own rated power, at its own Xmax at every frequency, and driven until something gives (power, travel, port,
amplifier). Differences are to the first.

Uncertainty: parameters of drivers that come as fits are drawn from their covariance, boxes stay as built for the best
estimates, and the 95 % interval of each difference is that of the draws (JCGM 101:2008, 7.7). Draws of two drivers are
taken as independent; what both fits share, such as the mass, would make differences a little surer than stated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Literal

import numpy as np

from tsfit.base.arrays import Number, Real
from tsfit.base.errors import TsfitError
from tsfit.base.intervals import middle
from tsfit.box.bands import drawn_box
from tsfit.box.compare.conditions import Candidate, Case
from tsfit.box.compare.result import CaseResult, Difference, DriverComparison, Lead
from tsfit.box.compare.words import HIGHEST_HZ, LEAD_DB, LOWEST_HZ, words
from tsfit.box.enclosure import Enclosure
from tsfit.box.equaliser.equalised import flat
from tsfit.box.frequencies import PREFERRED_HZ, default_frequencies
from tsfit.box.limits import MaximumOutput, maximum_output
from tsfit.box.parts import STANDARD_DRIVE
from tsfit.box.result import BoxResult

Way = Literal["equal voltage", "equal power", "rated power", "travel limit", "limits"]
WAYS: tuple[Way, ...] = ("equal voltage", "equal power", "rated power", "travel limit", "limits")
DRAWS = 400
WATT = 1.0


def compare(candidates: Sequence[Candidate], cases: Sequence[Case], *, draws: int = DRAWS) -> DriverComparison:
    """Compare `candidates`, the first being what the others are held against, in every one of `cases`.
    Raises ``usage`` for fewer than two candidates or no case; what a box cannot be built for.
    """
    if len(candidates) < 2 or not cases:
        raise TsfitError("A comparison takes two drivers or more, and one box or more.", code="usage")
    return DriverComparison(tuple(candidates), tuple(_case(candidates, case, draws) for case in cases))


def _case(candidates: Sequence[Candidate], case: Case, draws: int) -> CaseResult:
    boxes = tuple(case.build(one) for one in candidates)
    frequency = np.union1d(default_frequencies(), PREFERRED_HZ)
    levels: list[dict[str, Real]] = []
    maxima: list[MaximumOutput | None] = []
    drawn: list[dict[str, Real] | None] = []
    for seed, (one, box) in enumerate(zip(candidates, boxes, strict=True)):
        level, most = _levels(box, box.enclosure, frequency)
        levels.append(level)
        maxima.append(most)
        if one.fit is not None and one.fit.correlation_names:
            many = drawn_box(box.enclosure, one.fit, draws, np.random.default_rng(seed))
            drawn.append(_levels(box, many, frequency)[0])
        else:
            drawn.append(None)
    ways: list[str] = [way for way in WAYS if all(way in one for one in levels)]
    differences = {
        way: tuple(_difference(frequency, levels, drawn, number, way) for number in range(1, len(boxes))) for way in ways
    }
    equalised = () if case.flat_to_hz is None else tuple(flat(box, case.flat_to_hz) for box in boxes)
    result = CaseResult(
        name=case.name,
        frequency_hz=frequency,
        boxes=boxes,
        level_db={way: np.array([one[way] for one in levels]) for way in ways},
        limited_by=None if None in maxima else tuple(one.limited_by for one in maxima if one is not None),
        differences=differences,
        equalised=equalised,
    )
    return replace(result, words=tuple(words(candidates, result)))


def _offsets(box: BoxResult, ohm: Number) -> dict[str, Number]:
    """Gain in dB from the box's own drive to each way of driving it, for resistance `ohm` of all drivers together."""
    offsets = {
        "equal voltage": 20.0 * np.log10(STANDARD_DRIVE / box.enclosure.voltage) + 0.0 * ohm,
        "equal power": 10.0 * np.log10(WATT * ohm) - 20.0 * np.log10(box.enclosure.voltage),
    }
    if box.ratings.power_w is not None:
        rated = box.ratings.power_w * box.enclosure.count
        offsets["rated power"] = 10.0 * np.log10(rated * ohm) - 20.0 * np.log10(box.enclosure.voltage)
    return offsets


def _levels(box: BoxResult, enclosure: Enclosure, frequency: Real) -> tuple[dict[str, Real], MaximumOutput | None]:
    """Level by way, and the loudest, of `box` or of the draws of its drivers in `enclosure`, (..., n_freq)."""
    answer = enclosure.respond(frequency)
    offsets = _offsets(box, np.asarray(enclosure.parameters["Re"]))
    found = {way: answer.spl_db + np.asarray(offset)[..., np.newaxis] for way, offset in offsets.items()}
    if box.ratings.xmax_m is not None:
        found["travel limit"] = answer.spl_db + 20.0 * np.log10(box.ratings.xmax_m / answer.peak_travel)
    most = maximum_output(enclosure, frequency, box.ratings)
    return found if most is None else {**found, "limits": np.asarray(most.spl_db)}, most


def _difference(
    frequency: Real, levels: list[dict[str, Real]], drawn: list[dict[str, Real] | None], number: int, way: str
) -> Difference:
    db = levels[number][way] - levels[0][way]
    first, other = drawn[0], drawn[number]
    low = high = None
    if first is not None or other is not None:
        a = levels[0][way][np.newaxis] if first is None else first[way]
        b = levels[number][way][np.newaxis] if other is None else other[way]
        low, high = middle(b - a)
    return Difference(db, low, high, *_leads(frequency, db, low, high))


def _leads(frequency: Real, db: Real, low: Real | None, high: Real | None) -> tuple[tuple[Lead, ...], tuple[float, ...]]:
    """Stretches of the woofer's range in which one leads, and where the lead changes."""
    inside = (frequency >= LOWEST_HZ) & (frequency <= HIGHEST_HZ)
    f, d = frequency[inside], db[inside]
    ordinary = np.isin(f, PREFERRED_HZ)
    sign = np.where(d > LEAD_DB, 1, np.where(d < -LEAD_DB, -1, 0))
    edges = np.flatnonzero(np.diff(np.concatenate([[2], sign, [2]])))
    leads = []
    for start, stop in pairwise(edges.tolist()):
        if sign[start] == 0:
            continue
        named = np.flatnonzero(ordinary[start:stop]) if np.any(ordinary[start:stop]) else np.arange(stop - start)
        size = np.abs(d[start:stop])
        at = start + int(named[np.argmax(size[named])])
        sure = None
        if low is not None and high is not None:
            sure = bool(low[inside][at] > 0.0 if d[at] > 0.0 else high[inside][at] < 0.0)
        least = math.copysign(float(np.min(size)), d[at])
        leads.append(Lead(float(f[start]), float(f[stop - 1]), float(d[at]), float(f[at]), least, sure))
    crossings = []
    for k in np.flatnonzero(np.sign(d[:-1]) * np.sign(d[1:]) < 0.0):
        crossings.append(float(f[k] * (f[k + 1] / f[k]) ** (d[k] / (d[k] - d[k + 1]))))
    # A crossing between two stretches in which nobody leads worth mentioning is none.
    told = [c for c in crossings if any(lead.to_hz < c for lead in leads) and any(lead.from_hz > c for lead in leads)]
    return tuple(leads), tuple(told)
