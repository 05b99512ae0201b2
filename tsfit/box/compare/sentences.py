"""A comparison of drivers in sentences: what their boxes come to, who leads where, and what stops whom."""

from collections.abc import Sequence
from itertools import groupby, pairwise

import numpy as np

from tsfit.base.figures import in_figures
from tsfit.box.compare.conditions import Candidate
from tsfit.box.compare.result import (
    CHOICE_DB,
    EVEN_DB,
    HIGHEST_HZ,
    LEAD_DB,
    LOWEST_HZ,
    NARROW,
    CaseResult,
    Difference,
    Lead,
    inside,
    met,
    stretches,
    where,
)
from tsfit.box.compare.ways import MEASURED_WAYS
from tsfit.box.limits import COUNTED
from tsfit.box.result import BoxResult


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
    ends = dict(zip(difference.leads, met([(one.from_hz, one.to_hz) for one in difference.leads]), strict=True))
    for small, group in groupby(difference.leads, lambda stretch: abs(stretch.most_db) < CHOICE_DB):
        some = list(group)
        if small:
            within = max(abs(stretch.most_db) for stretch in some)
            parts.append(f"both are as loud {where(ends[some[0]][0], ends[some[-1]][1])}, within {within:.1f} dB")
            continue
        parts += [
            f"{other if stretch.most_db > 0.0 else first}{'' if number else ' leads'} {where(*ends[stretch])}"
            f"{_by_how_much(stretch)}"
            for number, stretch in enumerate(some)
        ]
    return f"{lead}, " + "; ".join(parts) + "."


def _by_how_much(stretch: Lead) -> str:
    even = abs(stretch.most_db - stretch.least_db) < EVEN_DB
    at = "" if even else f" at {_hz(stretch.at_hz)}"
    open_ = ", though the measurement leaves that open" if stretch.sure is False else ""
    return f", by {abs(stretch.most_db):.1f} dB{at}{open_}"


def beyond_travel(names: Sequence[str], case: CaseResult) -> list[str]:
    """Say where the rated power would drive whom beyond its Xmax; nothing where it does nowhere, or that is not known."""
    if not {"rated power", "travel limit"} <= case.level_db.keys():
        return []
    within = inside(case.frequency_hz)
    found = []
    for name, rated, limit in zip(names, case.level_db["rated power"], case.level_db["travel limit"], strict=True):
        over = rated - limit
        places = stretches(case.frequency_hz, over > 0.0)
        found += [f"{name} {' and '.join(places)} (by up to {over[within].max():.1f} dB)"] if places else []
    return [f"Travel, before rated power, stops {'; '.join(found)}."] if found else []


def _limits_sentence(first: str, other: str, case: CaseResult, number: int) -> str:
    """Say what stops whom in each stretch, and who is louder there."""
    assert case.limited_by is not None
    within = np.flatnonzero(inside(case.frequency_hz))
    db = case.differences["limits"][number - 1].db[within]
    ahead = np.sign(np.where(np.abs(db) > LEAD_DB, db, 0.0))
    pairs = [(case.limited_by[0][k], case.limited_by[number][k], lead) for k, lead in zip(within, ahead, strict=True)]
    edges = [0, *(k for k in range(1, len(pairs)) if pairs[k] != pairs[k - 1]), len(pairs)]
    hz = case.frequency_hz[within]
    some = [(start, stop) for start, stop in pairwise(edges) if hz[stop - 1] >= NARROW * hz[start]]
    parts = []
    for (start, stop), ends in zip(some, met([(hz[start], hz[stop - 1]) for start, stop in some]), strict=True):
        one, two, lead = pairs[start]
        stops = f"{one} stops both" if one == two else f"{one} stops {first} and {two} stops {other}"
        by = np.abs(db[start:stop])
        even = f"{by.max():.1f}" if by.max() - by.min() < 0.15 else f"{by.min():.1f} to {by.max():.1f}"
        who = f"{other if lead > 0.0 else first} is louder by {even} dB" if lead else "they are level"
        if lead and by.max() < CHOICE_DB:
            who = f"they are as loud, within {by.max():.1f} dB"
        parts.append(f"{where(*ends)} {stops} and {who}")
    return f"Loudest, up to {HIGHEST_HZ:g} Hz: {'; '.join(parts)}."
