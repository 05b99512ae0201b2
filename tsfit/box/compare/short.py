"""Drivers compared, in short: how each stands against the first, and which to take for what."""

from collections.abc import Sequence

import numpy as np

from tsfit.base.figures import listed
from tsfit.box.compare.result import CHOICE_DB, LEAD_DB, CaseResult, DriverComparison, inside, stretches
from tsfit.box.compare.ways import Way
from tsfit.box.frequencies import LOUDEST_HZ, PREFERRED_HZ

LOWER = 1.03
"""Ratio of f3 from which one is told to reach lower."""
COUNTED: dict[str, Way] = {"heat": "rated power", "travel": "travel limit"}
"""What the loudest counts, by the way that is missing where a driver has no rating for it."""

GUIDES = {"travel": "travel", "power": "heat"}
"""The guide that tells how a printed limit is measured."""


def in_short(result: DriverComparison) -> list[str]:
    """Say of each driver in one paragraph how it stands against the first, over all boxes; last what could not be told."""
    names = [one.name for one in result.compared]
    way = _told(result)
    found = []
    for number in range(1, len(names)):
        printed = as_printed(result, (0, number))
        how = f"at equal power: {_stands(result, number, 'equal power')}"
        if way == "limits":
            aside = [
                counted for counted, each in COUNTED.items() if any(each not in case.level_db for case in result.cases)
            ]
            told = [f", {printed}"] * bool(printed) + [f", {' and '.join(aside)} not counted"] * bool(aside)
            how = f"each at its loudest{''.join(told)}: {_stands(result, number, 'limits')}"
        cross = _crossings([case.differences[way][number - 1].crossings_hz for case in result.cases])
        advice = _choice(result, number, way)
        found.append(" ".join([f"{names[number]} against {names[0]}, {how}{cross}.", *advice]))
    if way != "limits":
        whose = list(dict.fromkeys(name for case in result.cases for name in case.unlimited))
        found.append(f"Maximum level not told: {listed(whose)} {'have' if len(whose) > 1 else 'has'} no rating.")
    return found


def how_sure(result: DriverComparison) -> str:
    """Say what the measurement leaves of the differences that `in_short` tells, and what is merely believed."""
    way = _told(result)
    typed = [one.name for one in result.compared if not one.with_uncertainty]
    if len(typed) == len(result.compared):
        return "None of these drivers comes as a fit, with an uncertainty: how sure the differences are cannot be told."
    half = [0.1]
    for case in result.cases:
        at = np.searchsorted(case.frequency_hz, LOUDEST_HZ)
        for one in case.differences[way]:
            if one.low_db is not None and one.high_db is not None:
                half.append(float(np.max(np.maximum(one.high_db - one.db, one.db - one.low_db)[at])))
    exact = f", {listed(typed)} taken as exact" if typed else ""
    said = f"ifferences are sure to ±{max(half):.1f} dB (95 %){exact}."
    printed = as_printed(result, range(len(result.compared)))
    guides = [guide for limit, guide in GUIDES.items() if limit in printed]
    if way != "limits" or not guides or any(each.measured for each in result.compared):
        return f"D{said}"
    return f"If what is printed holds (to test it: tsfit guide {guides[0]}), d{said}"


def _told(result: DriverComparison) -> Way:
    """In which way the short answer compares: at the loudest, where that is known of all."""
    return "limits" if result.rated else "equal power"


def of_measured(result: DriverComparison) -> list[str]:
    """Say what was measured of the limits of each, and whose to measure too before a printed one is held against it."""
    found = [f"{each.name}: {' '.join(each.measured)}" for each in result.compared if each.measured]
    if found and " of " in as_printed(result, range(len(result.compared))):
        others = listed([each.name for each in result.compared if not each.measured] or ["the rest"])
        found.append(f"Measure {others} too before the choice hangs on it.")
    return found


def as_printed(result: DriverComparison, numbers: Sequence[int]) -> str:
    """Say which of the limits that decide the loudest of these drivers are only printed ones; nothing where none is."""
    cases = [case for case in result.cases if case.limited_by is not None and case.printed]
    deciding = {
        str(limit)
        for case in cases
        for number in numbers
        for limit in np.array((case.limited_by or ())[number])[inside(case.frequency_hz)]
    }
    told = {}
    for limit in ("travel", "power"):
        known = [any(limit in case.printed[number] for case in cases) and limit in deciding for number in numbers]
        names = [result.compared[number].name for number, one in zip(numbers, known, strict=True) if one]
        if names:
            told[limit] = listed(names) if not all(known) else "both" if len(numbers) == 2 else "all"
    if set(told.values()) <= {"both", "all"}:
        return f"with {listed([*told])} as printed" if told else ""
    return f"with the {listed([f'printed {limit} of {whose}' for limit, whose in told.items()])}"


def _stands(result: DriverComparison, number: int, way: Way) -> str:
    """By how much one driver is louder than the first at three frequencies, and how sure that is."""
    stands: dict[tuple[str, str], list[str]] = {}  # how, and how sure: at which frequencies
    differences = [(case.frequency_hz, case.differences[way][number - 1]) for case in result.cases]
    places = {hz: [(one, int(np.searchsorted(frequency, hz))) for frequency, one in differences] for hz in LOUDEST_HZ}
    levels = {hz: [float(one.db[k]) for one, k in at] for hz, at in places.items()}
    even = {hz: size for hz, db in levels.items() if way == "limits" and (size := max(map(abs, db))) < CHOICE_DB}
    for hz, at in places.items():
        doubtful = any(
            one.low_db is not None and one.high_db is not None and one.low_db[k] < 0.0 < one.high_db[k] for one, k in at
        )
        doubt = " (the measurement leaves open who leads)" if doubtful else ""
        within = f" (within {max(0.1, *even.values()):.1f} dB)" if even else ""
        said = ("as loud", within) if hz in even else (_louder(levels[hz]), doubt)
        stands.setdefault(said, []).append(f"{hz:g}")
    return ", ".join(f"{louder} at {listed(hz)} Hz{doubt}" for (louder, doubt), hz in stands.items())


def _crossings(found: Sequence[tuple[float, ...]]) -> str:
    """Say where two drivers cross in each of the boxes; crossings of several boxes are joined in their order."""
    some = [one for one in found if one]
    if not some:
        return ""
    if len(set(map(len, some))) > 1:
        every = [hz for one in some for hz in one]
        return f"; they cross, by the box, between {min(every):.0f} and {max(every):.0f} Hz"
    spans = [_span(each, ".0f") for each in zip(*some, strict=True)]
    return f"; they cross near {listed(spans)} Hz{', by the box' * any(' ' in span for span in spans)}"


def _choice(result: DriverComparison, number: int, way: Way) -> list[str]:
    """Say which driver reaches lower in which boxes and, where one is louder in all of them, which to take for what."""
    pairs = [(case.designs[0]["f3_hz"], case.designs[number]["f3_hz"]) for case in result.cases]
    f3 = [(one, other) for one, other in pairs if one is not None and other is not None]
    names = (result.compared[0].name, result.compared[number].name)
    lower = next((k for k in (0, 1) if all(pair[1 - k] > LOWER * pair[k] for pair in f3)), None)
    if lower is None or len(f3) < len(pairs):
        return []
    low = names[lower]
    # The f3 of both stand beside the size of each box.
    bass = [_lead_below(case, number, lower, pair) for case, pair in zip(result.cases, f3, strict=True)]
    deep = [case.case for case, lead in zip(result.cases, bass, strict=True) if lead >= CHOICE_DB]
    there, word = "", "lower" if deep else "flatter"
    said = [f"{low} has the lower f3{' in every box' * (len(f3) > 1)}"]
    if not deep:
        said[0] += ", but at equal power no more bass: it is only flatter."
    elif len(deep) == len(bass):
        said[0] += "."
    else:
        there, some = (" in that box", "one box") if len(deep) == 1 else (" in those boxes", f"{len(deep)} boxes")
        rest = f"the other{'s' * (len(bass) - len(deep) > 1)}"
        more = f"more bass in {some} ({'; '.join(deep)}, by up to {max(bass):.1f} dB)"
        said = [f"At equal power the lower f3 of {low} means {more}, in {rest} only less level above."]
    if way != "limits":
        return said
    frequency = result.cases[0].frequency_hz
    db = np.array([np.interp(frequency, case.frequency_hz, case.differences[way][number - 1].db) for case in result.cases])
    at = np.searchsorted(frequency, LOUDEST_HZ)
    leads = [np.all(sign * db >= CHOICE_DB, axis=0) for sign in (-1.0, 1.0)]
    if np.all(np.abs(db[:, at]) < CHOICE_DB):
        return [*said, f"Take {low}: as loud, and {word}{there}."]
    # One who is led worth a choice in any box is not the louder one.
    ahead = [k for k, sign in ((0, -1.0), (1, 1.0)) if leads[k][at].any() and np.all(sign * db[:, at] > -CHOICE_DB)]
    if not ahead:
        return said
    (louder,) = ahead
    where = "" if leads[louder][at].all() else f" {' and '.join(stretches(frequency, leads[louder]))}"
    if louder == lower:
        return [*said, f"Take {low}: {word}{there} and louder{where}."]
    when = "without equaliser" if where else "at levels that both reach"
    lows = f", {low} for lower notes{there} {when}" * bool(deep)
    return [*said, f"Take {names[louder]} for level{where}{lows}."]


def _lead_below(case: CaseResult, number: int, lower: int, f3: tuple[float, float]) -> float:
    """By how many dB the driver with the lower f3 leads at equal power, at most, where f3 says it does: up to its own.

    As where leads are told, that is looked for at preferred frequencies (ISO 266).
    """
    db = (2.0 * lower - 1.0) * case.differences["equal power"][number - 1].db
    within = inside(case.frequency_hz) & (case.frequency_hz <= f3[lower]) & np.isin(case.frequency_hz, PREFERRED_HZ)
    return float(np.max(db[within], initial=-np.inf))


def _span(values: Sequence[float], form: str) -> str:
    low, high = format(min(values), form), format(max(values), form)
    return low if low == high else f"{low} to {high}"


def _louder(db: Sequence[float]) -> str:
    if max(map(abs, db)) <= LEAD_DB:
        return "level"
    if min(db) < -LEAD_DB and max(db) > LEAD_DB:
        return f"{-min(db):.1f} dB quieter to {max(db):.1f} dB louder, by the box,"
    size = [abs(each) for each in db]
    by = _span(size, ".1f") if min(size) > LEAD_DB else f"up to {max(size):.1f}"
    return f"{by} dB {'louder' if max(db) > LEAD_DB else 'quieter'}"
