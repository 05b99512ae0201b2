"""Drivers compared, in short: how each stands against the first, and which to take for what."""

from collections.abc import Sequence

import numpy as np

from tsfit.box.compare.drivers import LEAD_DB, DriverComparison
from tsfit.box.frequencies import LOUDEST_HZ


def in_short(result: DriverComparison) -> list[str]:
    """Say of each driver in one sentence how it stands against the first, over all boxes of the comparison."""
    names = [one.name for one in result.compared]
    way = next(each for each in ("limits", "equal power") if all(each in case.level_db for case in result.cases))
    how = "as loud as the limits let each" if way == "limits" else "at equal power"
    found = []
    for number in range(1, len(names)):
        differences = [(case.frequency_hz, case.differences[way][number - 1]) for case in result.cases]
        stands: dict[tuple[str, str], list[str]] = {}  # how, and how sure: at which frequencies
        everywhere: list[float] = []
        for hz in LOUDEST_HZ:
            at = [(one, int(np.searchsorted(frequency, hz))) for frequency, one in differences]
            there = [float(one.db[k]) for one, k in at]
            everywhere += there
            doubtful = [
                one.low_db is not None and one.high_db is not None and one.low_db[k] < 0.0 < one.high_db[k] for one, k in at
            ]
            doubt = " (the measurement leaves open who leads)" if any(doubtful) else ""
            stands.setdefault((_louder(there), doubt), []).append(f"{hz:g}")
        parts = [f"{louder} at {_listed(places)} Hz{doubt}" for (louder, doubt), places in stands.items()]
        crossings = [hz for _, one in differences for hz in one.crossings_hz]
        cross = f"; they cross at {_span(crossings, '.0f')} Hz" if crossings else ""
        advice = _choice(result, number, everywhere if way == "limits" else [])
        found.append(" ".join([f"{names[number]} against {names[0]}, {how}: {', '.join(parts)}{cross}.", *advice]))
    return found


LOWER = 1.03
"""Ratio of f3 from which one is told to reach lower."""


def _choice(result: DriverComparison, number: int, louder_db: Sequence[float]) -> list[str]:
    """Say which driver reaches lower in every box and, where one is louder everywhere, which to take for what.

    `louder_db` are these levels less those of the first; empty where limits are not known.
    """
    pairs = [(case.designs[0]["f3_hz"], case.designs[number]["f3_hz"]) for case in result.cases]
    f3 = [(one, other) for one, other in pairs if one is not None and other is not None]
    names = (result.compared[0].name, result.compared[number].name)
    lower = next((k for k in (0, 1) if all(pair[1 - k] > LOWER * pair[k] for pair in f3)), None)
    if lower is None or len(f3) < len(pairs):
        return []
    # The f3 of both stand beside the size of each box.
    said = [f"{names[lower]} reaches lower{' in every box' * (len(f3) > 1)}."]
    louder = next((k for k in (0, 1) if louder_db and all((1 - 2 * k) * db < -LEAD_DB for db in louder_db)), None)
    if louder == lower:
        said.append(f"Take {names[lower]}: lower and louder.")
    elif louder is not None:
        said.append(f"Take {names[louder]} for level, {names[lower]} for the lowest notes at levels that both reach.")
    return said


def _listed(words: Sequence[str]) -> str:
    return " and ".join([*[", ".join(words[:-1])][: len(words) - 1], words[-1]])


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
