"""Two or more drivers under stated equal conditions: which plays louder, where, limited by what, and how sure that is.

A `Case` is a condition that holds for all of them: the same Qtc, the same net volume, the same cabinet, the same f3, a
planned box, an infinite baffle. In it each driver is looked at in six ways: at the same voltage, at the same power into
Re, at its own rated power and at its peak power, at its own Xmax at every frequency, and at its loudest, within the limits
of power, travel, port and amplifier. Of drivers whose heat or travel were measured there are two more: at the volts of the
rated power with the coil as hot as they make it, and at the travel of 10 % distortion. Differences are to the first.

Uncertainty: parameters of drivers that come as fits are drawn from their covariance, boxes stay as built for the best
estimates, and the 95 % interval of each difference is that of the draws (JCGM 101:2008, 7.7). Draws of two drivers are
taken as independent; what both fits share, such as the mass, would make differences a little surer than stated.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from tsfit.base.arrays import Number, Real
from tsfit.base.errors import TsfitError
from tsfit.base.intervals import middle
from tsfit.box.compare.circumstances import Circumstances
from tsfit.box.compare.conditions import Candidate, Case
from tsfit.box.compare.result import (
    LEAD_DB,
    CaseResult,
    Compared,
    Difference,
    DriverComparison,
    Lead,
    inside,
)
from tsfit.box.compare.sentences import words
from tsfit.box.compare.ways import TITLES, Way
from tsfit.box.enclosure import Enclosure
from tsfit.box.equaliser.equalised import flat
from tsfit.box.equaliser.form import flat_form
from tsfit.box.frequencies import PREFERRED_HZ, default_frequencies
from tsfit.box.limits import MaximumOutput
from tsfit.box.parts import STANDARD_DRIVE
from tsfit.box.result import BoxResult
from tsfit.box.uncertainty import drawn_box
from tsfit.driver.sizes import doubt

DRAWS = 400
WATT = 1.0


def compare(
    candidates: Sequence[Candidate], cases: Sequence[Case], *, ways: tuple[Way, ...] = (), draws: int = DRAWS
) -> DriverComparison:
    """Compare `candidates`, the first being what the others are held against, in every one of `cases`.

    `ways` are those to tell; all that can be are reckoned. Raises ``usage`` for fewer than two candidates or no case; what
    a box cannot be built for.
    """
    if len(candidates) < 2 or not cases:
        raise TsfitError("A comparison takes two drivers or more, and one box or more.", code="usage")
    compared = tuple(
        Compared(one.driver.name, one.cost, one.fit is not None, doubt(one.driver), one.limits) for one in candidates
    )
    return DriverComparison(compared, tuple(_case(candidates, case, draws) for case in cases), ways)


def _case(candidates: Sequence[Candidate], case: Case, draws: int) -> CaseResult:
    boxes = tuple(_built(case, one) for one in candidates)
    frequency = np.union1d(default_frequencies(), PREFERRED_HZ)
    # At its tuning a port without losses holds the cone quite still, where a level at full travel is no number.
    still = np.isclose(frequency[:, np.newaxis], [box.opening.fb or 0.0 for box in boxes], rtol=1e-9, atol=0.0)
    beside = frequency * (1.0 + 1e-6 * still.any(axis=1))
    found = [_levels(box, box.enclosure, beside, case.played) for box in boxes]
    levels, maxima = [level for level, _ in found], [most for _, most in found]
    drawn = [
        _levels(box, drawn_box(box.enclosure, one.fit, draws, np.random.default_rng(seed)), beside, case.played)[0]
        if one.fit is not None and one.fit.correlation_names
        else None
        for seed, (one, box) in enumerate(zip(candidates, boxes, strict=True))
    ]
    ways: list[str] = [way for way in TITLES if all(way in one for one in levels)]
    differences = {
        way: tuple(_difference(frequency, levels, drawn, number, way) for number in range(1, len(boxes))) for way in ways
    }
    result = CaseResult(
        case=f"{case.name}{case.played}",
        frequency_hz=frequency,
        designs=tuple(box.numbers() for box in boxes),
        level_db={way: np.array([one[way] for one in levels]) for way in ways},
        limited_by=None if None in maxima else tuple(tuple(map(str, one.limited_by)) for one in maxima if one is not None),
        differences=differences,
        equalised=() if case.flat_to_hz is None else tuple(flat_form(flat(box, case.flat_to_hz)) for box in boxes),
        printed=tuple(_printed(one, box) for one, box in zip(candidates, boxes, strict=True)),
        unlimited=tuple(one.driver.name for one, most in zip(candidates, maxima, strict=True) if most is None),
    )
    return replace(result, words=tuple(words(candidates, boxes, result)))


def _printed(one: Candidate, box: BoxResult) -> tuple[str, ...]:
    """Limits that only the sheet of a driver tells, where its box states no other."""
    pairs = {"travel": (box.ratings.xmax_m, one.driver.Xmax), "power": (box.ratings.power_w, one.driver.Pe)}
    return tuple(name for name in one.printed if math.isclose(*(value or math.nan for value in pairs[name])))


def _built(case: Case, one: Candidate) -> BoxResult:
    """Box of a case; where it cannot be built for a driver that is like none, that is told too."""
    try:
        return case.build(one)
    except TsfitError as error:
        told = doubt(one.driver)
        if told is None:
            raise
        raise TsfitError(f"{error.message} {told}", code=error.code, file=error.file) from error


def _offsets(box: BoxResult, ohm: Number) -> dict[str, Number]:
    """Gain in dB from the box's own drive to each way of driving it, for resistance `ohm` of all drivers together."""
    offsets = {
        "equal voltage": 20.0 * np.log10(STANDARD_DRIVE / box.enclosure.voltage) + 0.0 * ohm,
        "equal power": 10.0 * np.log10(WATT * ohm) - 20.0 * np.log10(box.enclosure.voltage),
    }
    stated = box.ratings.power_ohm
    into = ohm if stated is None else stated * box.enclosure.ohm_factor + 0.0 * ohm
    for way, power in (("rated power", box.ratings.power_w), ("peak power", box.ratings.peak_power_w)):
        if power is not None:
            offsets[way] = 10.0 * np.log10(power * box.enclosure.count * into) - 20.0 * np.log10(box.enclosure.voltage)
    return offsets


def _levels(
    box: BoxResult, enclosure: Enclosure, frequency: Real, played: Circumstances
) -> tuple[dict[str, Real], MaximumOutput | None]:
    """Level by way, and the loudest, of `box` or of the draws of its drivers in `enclosure`, (..., n_freq)."""
    answer = enclosure.respond(frequency)
    offsets = _offsets(box, np.asarray(enclosure.parameters["Re"]))
    filtered = answer.spl_db + played.filter_db(frequency)
    found = {way: filtered + np.asarray(offset)[..., np.newaxis] for way, offset in offsets.items()}
    if box.ratings.xmax_m is not None:
        found["travel limit"] = answer.spl_db + 20.0 * np.log10(box.ratings.xmax_m / answer.peak_travel)
    measured = box.enclosure.driver.measured
    if measured.ten_percent_m is not None:
        found["10 % distortion"] = answer.spl_db + 20.0 * np.log10(measured.ten_percent_m / answer.peak_travel)
    if (rated := box.enclosure.driver.Pe) is not None and measured.rated_hot_ratio is not None:
        gain = 10.0 * np.log10(rated * enclosure.parameters["Re"]) - 20.0 * np.log10(enclosure.voltage)
        hot = enclosure.heated(measured.rated_hot_ratio).respond(frequency).spl_db
        found["rated power, hot"] = hot + played.filter_db(frequency) + np.asarray(gain)[..., np.newaxis]
    most = played.loudest(enclosure, frequency, box.ratings)
    if most is not None:
        found["limits"] = np.asarray(most.spl_db)
    return {way: level + played.room_db(frequency) for way, level in found.items()}, most


def _difference(
    frequency: Real, levels: list[dict[str, Real]], drawn: list[dict[str, Real] | None], number: int, way: str
) -> Difference:
    db = levels[number][way] - levels[0][way]
    first, other = drawn[0], drawn[number]
    low = high = None
    if first is not None or other is not None:
        a = levels[0] if first is None else first
        b = levels[number] if other is None else other
        low, high = middle(b[way] - a[way])
    return Difference(db, low, high, *_leads(frequency, db, low, high))


def _leads(frequency: Real, db: Real, low: Real | None, high: Real | None) -> tuple[tuple[float, ...], tuple[Lead, ...]]:
    """Where the lead changes, and the stretches of the woofer's range in which one leads."""
    within = inside(frequency)
    f, d = frequency[within], db[within]
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
            sure = bool(low[within][at] > 0.0 if d[at] > 0.0 else high[within][at] < 0.0)
        least = math.copysign(float(np.min(size)), d[at])
        leads.append(Lead(float(f[start]), float(f[stop - 1]), float(d[at]), float(f[at]), least, sure))
    changes = np.flatnonzero(np.sign(d[:-1]) * np.sign(d[1:]) < 0.0)
    crossings = [float(f[k] * (f[k + 1] / f[k]) ** (d[k] / (d[k] - d[k + 1]))) for k in changes]
    # A crossing between two stretches in which nobody leads worth mentioning is none.
    told = [c for c in crossings if any(lead.to_hz < c for lead in leads) and any(lead.from_hz > c for lead in leads)]
    return tuple(told), tuple(leads)
