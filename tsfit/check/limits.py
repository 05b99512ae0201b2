"""Judge what a sheet promises of travel and power against what was measured at full travel and at power.

Such a promise may be exceeded: only what falls short is outside (ISO 14253-1, one-sided). A printed number means what the
sheet's [conditions] say. Where they are silent it is judged in every usual meaning, and the verdict is undecided where
these disagree. A limit that a recording did not reach is known to lie beyond: what is printed below is inside, above
undecided.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from tsfit.base.arrays import Real
from tsfit.base.conformity import Verdict, falls_short, worst
from tsfit.base.figures import in_figures
from tsfit.base.intervals import COVERAGE_FACTOR, NORMAL_95
from tsfit.circuit.thermal import NETWORK, Heating, course
from tsfit.driver.fit_result import Estimate
from tsfit.driver.heat_result import HeatResult, PowerAt
from tsfit.driver.measured import Measured
from tsfit.driver.travel_result import CRITERIA, DISTORTION, SIDES, Side, TravelLimit, TravelResult
from tsfit.driver.units import Printed, shown_decimals, with_decimals
from tsfit.formats.sheet import Sheet

USUAL_COILS_C = (150.0, 250.0)
"""Between which coil temperatures a sheet that states none may have rated its power: common practice, no source."""
CREST = 4.0
"""Peak over mean power of the noise of IEC 60268-1, 6 dB, from memory."""
UNDEFINED = "the sheet does not define its Xmax"
SHORT_TERM_S = (1.0, 60.0)
SHORT_TERM_TIMES = 60
"""Short-term power is on and off for so many seconds, so many times (IEC 60268-5, from memory)."""
GEOMETRIES = {"": 0.0, " plus a quarter of it": 1.0 / 4.0, " plus a third of it": 1.0 / 3.0}
"""What makers add to half the difference of coil and gap, of the shorter one's length: common practice, no source."""


@dataclass(frozen=True)
class Meaning:
    """One meaning of a printed limit: what was measured for it, SI, the verdict, and both in words."""

    value: float
    stdev: float
    expanded: float  # U, with the rounding of the print
    verdict: Verdict
    words: str
    at_least: bool = False
    short: str = ""  # for a headline, where the limit was reached


def geometric_travels(coil_mm: float, gap_mm: float) -> dict[str, float]:
    """Travels, m, that the heights of coil and gap may be printed as, by how it is told; underhung coils alike."""
    longer, of = ("coil less gap", gap_mm) if coil_mm >= gap_mm else ("gap less coil", coil_mm)
    shorter = "the gap" if coil_mm >= gap_mm else "the coil"
    return {
        f"half of {longer}{more.replace('it', shorter)}": 1e-3 * (0.5 * abs(coil_mm - gap_mm) + share * of)
        for more, share in GEOMETRIES.items()
    }


def _geometry(sheet: Sheet, printed: Printed) -> tuple[str, float] | None:
    """The usual geometry nearest to what is printed; None where coil or gap are not."""
    coil, gap = sheet.conditions.coil_length_mm, sheet.conditions.gap_height_mm
    if coil is None or gap is None:
        return None
    return min(geometric_travels(coil, gap).items(), key=lambda each: abs(each[1] - printed.value))


def _meaning(
    printed: Printed, value: float, stdev: float, tolerance: float, words: str, *, at_least: bool = False
) -> Meaning:
    expanded = COVERAGE_FACTOR * math.hypot(stdev, printed.half_digit / math.sqrt(3.0))
    short = printed.value - value
    verdict: Verdict = "inside" if short <= 0.0 else "undecided"
    if not at_least:
        verdict = falls_short(short, tolerance * printed.value, expanded)
    return Meaning(value, stdev, expanded, verdict, words, at_least)


def judged_limit(
    name: str, sheet: Sheet, measured: Measured, tolerance: float, least_ohm: float
) -> tuple[Meaning, str] | str:
    """Judge the printed `name` (Xmax, Pe or Ppeak), and say what follows; or say why it cannot be judged.

    `tolerance` is a fraction of the printed value, `least_ohm` the least impedance of the driver, with which AES2 rates.
    """
    printed = sheet.figures[name]
    if name == "Xmax":
        if measured.travel is None:
            return "a small-signal sweep does not tell travel limits; --travel takes what 'tsfit travel' wrote"
        meanings, silent = _travels(sheet, printed, measured.travel, tolerance)
    else:
        if measured.heat is None:
            return "a small-signal sweep does not tell power limits; --heat takes what 'tsfit heat' wrote"
        if not measured.heat.power_at:
            return "the run at power was too short for the magnet's heat; 20 minutes and more tell it"
        meanings, silent = _powers(name, sheet, measured.heat, tolerance, least_ohm)
        if not meanings:
            first, last = measured.heat.power_at[0].coil_c, measured.heat.power_at[-1].coil_c
            coil_c = sheet.conditions.rated_coil_c
            return f"a coil of {coil_c:g} °C is beyond the {first:g} to {last:g} °C that heat tells"
    least, most = (pick(meanings, key=lambda one: one.value) for pick in (min, max))
    agreed = len({one.verdict for one in meanings}) == 1
    found = most if agreed and least.verdict == "outside" else least
    rest = [one for one in meanings if one is not found]
    told = [found, *rest] if name == "Xmax" else [found] if agreed else [least, most]
    words = "; ".join([f"printed {' '.join(printed.text.split())}", *dict.fromkeys(one.words for one in told)])
    return found if agreed else replace(found, verdict="undecided"), "; ".join([words, *silent])


def _ends(low: float, high: float, stdev: float, unit: str) -> str:
    shown = (with_decimals(end, shown_decimals(high, stdev, unit, full=False)) for end in (low, high))
    return f"{' to '.join(shown)} {unit}"


def _travels(sheet: Sheet, printed: Printed, travel: TravelResult, tolerance: float) -> tuple[list[Meaning], list[str]]:
    stated = sheet.conditions.xmax_definition
    geometry = _geometry(sheet, printed)
    found = [_travel(printed, travel, name, tolerance) for name in DISTORTION if stated in (name, None, "geometric")]
    if stated == "geometric" and geometry is not None:
        own = _meaning(
            printed, geometry[1], 0.0, tolerance, f"by geometry ({geometry[0]}) {in_figures(1e3 * geometry[1], 3)} mm"
        )
        return [own], [one.words for one in found]
    silent = [f"{geometry[0]} is {in_figures(1e3 * geometry[1], 3)} mm"] if geometry is not None else []
    if stated is None:
        silent.append(UNDEFINED)
    elif stated == "geometric":
        silent.append("the sheet's travel is geometric, without coil_length_mm and gap_height_mm")
    return found, silent


def _travel(printed: Printed, travel: TravelResult, distortion: str, tolerance: float) -> Meaning:
    """Of all that may limit the travel at a `distortion`, both ways, what decides: the least of those that are worst."""
    found = [
        _limited(printed, travel, getattr(travel.limits[name], side), name, side, tolerance)
        for name in DISTORTION[distortion]
        for side in SIDES
    ]
    overall = worst([one.verdict for one in found])
    first = min((one for one in found if one.verdict == overall), key=lambda one: one.value)
    if first.at_least:
        return replace(first, words=f"for {distortion} distortion {first.words}")
    return replace(
        first,
        words=f"{distortion} distortion at {first.words}",
        short=f"{distortion} distortion is reached at {in_figures(1e3 * first.value, 3)} mm",
    )


def _limited(
    printed: Printed, travel: TravelResult, limit: TravelLimit, name: str, side: Side, tolerance: float
) -> Meaning:
    criterion = CRITERIA[name]
    change = f"{100.0 * criterion.least:.0f} %"
    if limit.value is None or limit.interval95 is None or limit.stdev is None:
        words = (
            f"the recording did not reach the limit of the {criterion.words}, which is over "
            f"{in_figures(1e3 * limit.surely, 3)} mm"
        )
        words += f", {travel.side(side)} (go louder)"
        return _meaning(printed, limit.surely, 0.0, tolerance, words, at_least=True)
    low, high = limit.interval95
    fallen = f"off by {100.0 * (1.0 - criterion.least):.0f} %" if criterion.curve == "Z" else f"down to {change}"
    ends = _ends(1e3 * low, 1e3 * high, 1e3 * limit.stdev, "mm")
    off = f"{100.0 * (limit.value / printed.value - 1.0):+.1f} %"
    words = f"{ends} {travel.side(side)} ({off}, {criterion.words} {fallen})"
    stdev = max(limit.value - low, high - limit.value) / NORMAL_95
    return _meaning(printed, limit.value, stdev, tolerance, words)


def _powers(
    name: str, sheet: Sheet, heat: HeatResult, tolerance: float, least_ohm: float
) -> tuple[list[Meaning], list[str]]:
    printed, conditions = sheet.figures[name], sheet.conditions
    coils = USUAL_COILS_C if conditions.rated_coil_c is None else (conditions.rated_coil_c,)
    by = _definitions(sheet, least_ohm)
    found = []
    for coil_c in coils:
        power = heat.power_for(coil_c)
        if power is None:
            continue
        for words, ohm in by.items():
            own = _told(power, ohm)
            kinds = {f"hold the coil at {coil_c:g} °C": own}
            if name == "Ppeak":
                kinds = {
                    f"for 1 s in 61 take the coil to {coil_c:g} °C": _short_term(heat, power, own),
                    f"at the peaks of noise hold it at {coil_c:g} °C": _times(own, CREST),
                }
            for does, one in kinds.items():
                ends = _ends(*one.interval95, one.stdev, "W")
                found.append(_meaning(printed, one.value, one.stdev, tolerance, f"{ends}{words} {does}"))
    silent = []
    if conditions.rated_coil_c is None:
        silent.append("no rated_coil_c")
    if len(by) > 1 and "IEC" in (conditions.power_definition or "").upper():
        silent.append("no Znom, by which IEC 60268-5 divides")
    elif len(by) > 1:
        silent.append("no power_definition that is known" if conditions.power_definition else "no power_definition")
    at = heat.coil_at(printed.value)
    also = [f"{printed.text} of real power would hold it at {at:.0f} °C"] if name == "Pe" and math.isfinite(at) else []
    return found, [*also, *[f"the sheet states {' and '.join(silent)}"][: bool(silent)]]


def _definitions(sheet: Sheet, least_ohm: float) -> dict[str, float | None]:
    """Resistance by which u² is divided, by the words for it, None for real power: that of the sheet, or all."""
    rated = sheet.figures["Znom"].value if "Znom" in sheet.figures else None
    known: dict[str, tuple[str, float | None]] = {"AES": (", as u²/least impedance (AES2),", least_ohm)}
    if rated is not None:
        known["IEC"] = (", as u²/rated impedance (IEC 60268-5),", rated)
    known["REAL"] = (" of real power", None)
    stated = (sheet.conditions.power_definition or "").upper()
    chosen = [one for mark, one in known.items() if mark in stated] or list(known.values())
    return dict(chosen)


def _told(power: PowerAt, ohm: float | None) -> Estimate:
    """Power as a definition tells it."""
    if ohm is None:
        return Estimate(power.value, power.stdev, power.interval95, "W")
    volts = power.voltage
    low, high = volts.interval95
    return Estimate(volts.value**2 / ohm, 2.0 * volts.value * volts.stdev / ohm, (low**2 / ohm, high**2 / ohm), "W")


def _times(one: Estimate, factor: float) -> Estimate:
    low, high = one.interval95
    return Estimate(factor * one.value, factor * one.stdev, (factor * low, factor * high), one.unit)


def _short_term(heat: HeatResult, power: PowerAt, own: Estimate) -> Estimate:
    """Short-term power that takes the coil to the same temperature, by the definition of `own`; of heat alone."""
    names = ("Rtv_run", *NETWORK[1:4])
    values = np.array([heat.parameters[name].value for name in names])
    stdevs = np.array([heat.parameters[name].stdev for name in names])
    rise = power.coil_c - heat.run.ambient_c

    def stands(network: Real) -> float:
        seconds = np.tile(SHORT_TERM_S, SHORT_TERM_TIMES)
        on, none = np.tile([1.0, 0.0], SHORT_TERM_TIMES), np.zeros(len(seconds))
        rises, _ = course(np.array([*network, 0.0]), 1.0, 0.0, Heating(seconds, on, none, none))
        return float(rise / rises[:, 0].max())

    value = stands(values)
    moved = [stands(values + step) - value for step in np.diag(0.1 * stdevs)]
    spread = 10.0 * math.hypot(*moved) / value
    value *= own.value / power.value
    return Estimate(value, spread * value, (value * (1.0 - NORMAL_95 * spread), value * (1.0 + NORMAL_95 * spread)), "W")
