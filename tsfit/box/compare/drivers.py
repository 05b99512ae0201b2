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
from dataclasses import dataclass, field, replace
from itertools import groupby, pairwise
from typing import ClassVar

import numpy as np

from tsfit.base.arrays import Mask, Number, Read, Real, runs
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.base.forms import IF_TOLD
from tsfit.base.intervals import middle
from tsfit.box.compare.circumstances import Circumstances
from tsfit.box.compare.conditions import Candidate, Case
from tsfit.box.compare.ways import TITLES, Way
from tsfit.box.enclosure import Enclosure
from tsfit.box.equaliser.equalised import flat
from tsfit.box.equaliser.form import FlatForm, flat_form
from tsfit.box.frequencies import PREFERRED_HZ, default_frequencies
from tsfit.box.limits import COUNTED, MaximumOutput
from tsfit.box.parts import STANDARD_DRIVE
from tsfit.box.result import BoxResult
from tsfit.box.uncertainty import drawn_box
from tsfit.driver.sizes import doubt

MEASURED_WAYS: tuple[Way, ...] = ("rated power, hot", "10 % distortion")
"""They ask for what was measured at power and at full travel."""
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


@dataclass(frozen=True)
class Lead:
    """Where one candidate leads the first: from, to (Hz), by how much at most (dB, negative: the first leads), and where.

    That is looked for at preferred frequencies (ISO 266) where the stretch holds one; `least_db` is the least lead in it.
    `sure` tells whether the 95 % interval there leaves no doubt who leads; None without uncertainty.
    """

    from_hz: float
    to_hz: float
    most_db: float
    at_hz: float
    least_db: float
    sure: bool | None


@dataclass(frozen=True)
class Difference:
    """Level of one candidate less that of the first, in one way; arrays (n_freq,)."""

    db: Read
    low_db: Read | None
    high_db: Read | None
    crossings_hz: tuple[float, ...]
    leads: tuple[Lead, ...]


@dataclass(frozen=True)
class CaseResult:
    """All n candidates in one case.

    `designs` are the numbers of their boxes, `level_db` by way is (n, n_freq), a way that a candidate has no rating for
    being missing; `limited_by` are (n, n_freq) names, None where nothing is rated; `differences` by way are (n − 1,) to the
    first.
    """

    case: str
    frequency_hz: Read
    designs: tuple[dict[str, float | None], ...]
    level_db: dict[str, Read]
    limited_by: tuple[tuple[str, ...], ...] | None
    differences: dict[str, tuple[Difference, ...]]
    equalised: tuple[FlatForm, ...]
    words: tuple[str, ...] = ()
    printed: tuple[tuple[str, ...], ...] = field(default=(), metadata=IF_TOLD)  # limits that only a sheet tells, (n,)
    unlimited: tuple[str, ...] = field(default=(), metadata=IF_TOLD)  # names of those of which no limit is known


@dataclass(frozen=True)
class Compared:
    """A driver of a comparison."""

    name: str
    cost: float | None
    with_uncertainty: bool
    doubt: str | None = field(default=None, metadata=IF_TOLD)  # in words, where it is like no driver of its size
    measured: tuple[str, ...] = field(default=(), metadata=IF_TOLD)  # which of its limits are measured ones, in words


@dataclass(frozen=True)
class DriverComparison:
    """What `compare` found; `cases` in the order asked for."""

    KIND: ClassVar = "comparison"

    compared: tuple[Compared, ...]
    cases: tuple[CaseResult, ...]
    ways: tuple[Way, ...] = field(default=(), metadata=IF_TOLD)  # that were asked for; none: the usual


def table_rows(case: CaseResult) -> list[int]:
    """Index into the frequencies of each preferred frequency of the bass (ISO 266)."""
    return [int(row) for row in np.searchsorted(case.frequency_hz, PREFERRED_HZ)]


LOWEST_HZ, HIGHEST_HZ = 15.0, 250.0
"""Where leads are looked for: the range for which woofers are chosen."""
LEAD_DB = 0.05
"""Difference below which nobody leads."""
CHOICE_DB = 0.5
"""Lead that is worth a choice; printed limits are round numbers (common practice, no source)."""
EVEN_DB = 0.1
"""A lead that varies by less is the same everywhere."""
NARROW = 2.0 ** (1.0 / 6.0)
"""Stretches of other limits that are not worth a word."""


def words(candidates: Sequence[Candidate], boxes: Sequence[BoxResult], case: CaseResult) -> list[str]:
    """Say what the boxes come to and who wins where, in sentences."""
    names = [one.driver.name for one in candidates]
    named = list(zip(names, boxes, strict=True))
    volumes = [(name, 1e3 * box.chamber.volume) for name, box in named if box.chamber.volume is not None]
    litres = [volume for _, volume in volumes]
    before = " before the equaliser" if case.equalised else ""
    f3 = {name: f"f3 {_hz(box.f3_hz)}{before}" for name, box in named if box.f3_hz is not None}
    size = {
        name: f"{in_figures(volume, 3)} l" for name, volume in volumes if max(litres) - min(litres) > 0.005 * max(litres)
    }
    told = {name: ", ".join(each[name] for each in (size, f3) if name in each) for name in names}
    sentences = [f"{'; '.join(f'{name} {each}' for name, each in told.items() if each)}."] if any(told.values()) else []
    for number in range(1, len(names)):
        if "limits" in case.differences and case.limited_by is not None:
            sentences.append(_limits_sentence(names[0], names[number], case, number))
        at = {way: each[number - 1] for way, each in case.differences.items() if way in ("equal power", "rated power")}
        same = "rated power" in at and np.ptp(at["rated power"].db - at["equal power"].db) < LEAD_DB
        if same and abs(at["rated power"].db[0] - at["equal power"].db[0]) < LEAD_DB:
            at = {"equal power, and so at rated power": at["equal power"]}
        at |= {way: case.differences[way][number - 1] for way in MEASURED_WAYS if way in case.differences}
        sentences += [lead_sentence(names[0], names[number], way, one) for way, one in at.items()]
        # Where both are one, the limits have told already where travel comes first.
        sentences += beyond_travel(names, case) if "rated power" in at and number == len(names) - 1 else []
    if "limits" in case.level_db:
        for what, each in COUNTED.items():
            lacking = [name for name, box in named if getattr(box.ratings, each.rating) is None]
            if lacking:
                have = "have" if len(lacking) > 1 else "has"
                sentences.append(f"{' and '.join(lacking)} {have} no known {each.called}: {what} is not counted.")
    for name, one in zip(names, case.equalised, strict=False):
        sentence = f"Flat to {_hz(one.flat_to_hz)}, {name} takes {one.boost_db:.1f} dB of boost"
        if one.loudest_db is not None and one.limited_at_hz is not None:
            sentence += f" and then plays to {one.loudest_db:.1f} dB in the mid-band, where {one.limited_by} stops it"
            sentence += f" at {_hz(one.limited_at_hz)}"
        sentences.append(sentence + ".")
    return sentences


def _hz(frequency: float) -> str:
    return f"{in_figures(frequency, 3)} Hz"


def lead_sentence(first: str, other: str, way: str, difference: Difference) -> str:
    """Say who leads where in one way, by how much at most, and whether the measurement is sure of it."""
    lead = f"At {way}"
    if not difference.leads:
        return f"{lead}, {first} and {other} are level from {LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz."
    parts: list[str] = []
    for small, group in groupby(difference.leads, lambda stretch: abs(stretch.most_db) < CHOICE_DB):
        some = list(group)
        if small:
            within = max(abs(stretch.most_db) for stretch in some)
            parts.append(f"both are as loud {_where(some[0].from_hz, some[-1].to_hz)}, within {within:.1f} dB")
            continue
        parts += [
            f"{other if stretch.most_db > 0.0 else first}{'' if number else ' leads'} {_by_how_much(stretch)}"
            for number, stretch in enumerate(some)
        ]
    return f"{lead}, " + "; ".join(parts) + "."


def _by_how_much(stretch: Lead) -> str:
    even = abs(stretch.most_db - stretch.least_db) < EVEN_DB
    at = "" if even else f" at {_hz(stretch.at_hz)}"
    open_ = ", though the measurement leaves that open" if stretch.sure is False else ""
    return f"{_where(stretch.from_hz, stretch.to_hz)}, by {abs(stretch.most_db):.1f} dB{at}{open_}"


def _where(from_hz: float, to_hz: float) -> str:
    low, high = from_hz <= LOWEST_HZ * 1.03, to_hz >= HIGHEST_HZ / 1.03
    if low and high:
        return "at every frequency of the bass"
    # Nobody needs an end of a stretch to a tenth of a hertz.
    start, stop = f"{from_hz:.0f}", f"{to_hz:.0f} Hz"
    return f"below {stop}" if low else f"above {start} Hz" if high else f"from {start} to {stop}"


def inside(frequency: Real) -> Mask:
    """Which of `frequency` (n_freq,) lie in the range for which woofers are chosen."""
    return (frequency >= LOWEST_HZ) & (frequency <= HIGHEST_HZ)


def stretches(frequency: Real, holds: Mask) -> list[str]:
    """Say in which stretches of the woofer's range something holds, (n_freq,) both."""
    within = inside(frequency)
    hz = frequency[within]
    return [_where(hz[start], hz[stop - 1]) for start, stop in runs(holds[within])]


def beyond_travel(names: Sequence[str], case: CaseResult) -> list[str]:
    """Say where the rated power would drive whom beyond its Xmax; nothing where it does nowhere, or that is not known."""
    if not {"rated power", "travel limit"} <= case.level_db.keys():
        return []
    within = inside(case.frequency_hz)
    found = []
    for name, rated, limit in zip(names, case.level_db["rated power"], case.level_db["travel limit"], strict=True):
        over = rated - limit
        where = stretches(case.frequency_hz, over > 0.0)
        found += [f"{name} {' and '.join(where)} (by up to {over[within].max():.1f} dB)"] if where else []
    return [f"Travel, before rated power, stops {'; '.join(found)}."] if found else []


def _limits_sentence(first: str, other: str, case: CaseResult, number: int) -> str:
    """Say what stops whom in each stretch, and who is louder there."""
    assert case.limited_by is not None
    within = np.flatnonzero(inside(case.frequency_hz))
    db = case.differences["limits"][number - 1].db[within]
    ahead = np.sign(np.where(np.abs(db) > LEAD_DB, db, 0.0))
    pairs = [(case.limited_by[0][k], case.limited_by[number][k], lead) for k, lead in zip(within, ahead, strict=True)]
    edges = [0, *(k for k in range(1, len(pairs)) if pairs[k] != pairs[k - 1]), len(pairs)]
    parts = []
    for start, stop in pairwise(edges):
        from_hz, to_hz = case.frequency_hz[within[start]], case.frequency_hz[within[stop - 1]]
        if to_hz < NARROW * from_hz:
            continue
        one, two, lead = pairs[start]
        stops = f"{one} stops both" if one == two else f"{one} stops {first} and {two} stops {other}"
        by = np.abs(db[start:stop])
        even = f"{by.max():.1f}" if by.max() - by.min() < 0.15 else f"{by.min():.1f} to {by.max():.1f}"
        who = f"{other if lead > 0.0 else first} is louder by {even} dB" if lead else "they are level"
        parts.append(f"{_where(from_hz, to_hz)} {stops} and {who}")
    return f"Loudest, up to {HIGHEST_HZ:g} Hz: {'; '.join(parts)}."
