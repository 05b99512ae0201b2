"""What the page draws and says of a state: for each driver curves, bands, sentences and a table, all from `tsfit.box`."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import groupby

import numpy as np

from tsfit.base.arrays import Complex, Real
from tsfit.base.figures import in_figures, listed
from tsfit.box.answer import answer, left_out, levels
from tsfit.box.enclosure import slope
from tsfit.box.equaliser.equalised import at_level, equalise, words
from tsfit.box.equaliser.sections import FilterSection, gain_db
from tsfit.box.frequencies import LOUDEST_HZ, short_table, table_frequencies
from tsfit.box.limits import MaximumOutput, not_counted
from tsfit.box.result import BoxResult, LowHigh
from tsfit.box.told import written
from tsfit.box.uncertainty import curve_bands
from tsfit.live.extra import coil_c, harmonics, price
from tsfit.live.state import PageState, Tried

POINTS, BAND_POINTS, DRAWS = 192, 40, 200
"""Frequencies of curves and of bands over three decades, and draws of each band: enough for an eye, done in a blink."""
MOVING = ("spl_db", "excursion_mm", "port_speed_m_s", "radiator_excursion_mm")
"""Curves that go with the voltage."""


@dataclass(frozen=True)
class Stop:
    """A range of frequencies that one limit stops."""

    from_hz: float
    to_hz: float
    limit: str


@dataclass(frozen=True)
class ShownDriver:
    """One driver in the box as it stands; a curve that a kind of box has not is not there."""

    name: str
    sentences: list[str]
    notes: list[str]
    table: dict[str, list[str]]
    curves: Mapping[str, Real]  # (n_freq,)
    bands: Mapping[str, LowHigh]  # (n_band_freq,)
    limits: Mapping[str, float]  # of curves, where known
    stops: list[Stop]
    price: float | None = None  # by the prices that were told


@dataclass(frozen=True)
class Showing:
    """All that is drawn and said of a state."""

    verdict: str
    frequency_hz: Real
    band_hz: Real
    drive: str
    drivers: list[ShownDriver]


def frequencies(usual_hz: float, points: int) -> Real:
    """Return so many frequencies (n,) about the resonance: 5 Hz to 2 kHz, decades above for a small driver's box."""
    above = table_frequencies(usual_hz)[0] / table_frequencies(1.0)[0]
    return np.geomspace(5.0 * above, 2000.0 * above, points)


def _placed(state: PageState, drivers: Sequence[Tried]) -> tuple[list[BoxResult], Real, Real]:
    """Return the boxes, the frequencies of their curves (n_freq,), and those of bands (n_band_freq,)."""
    plan = state.plan
    boxes = [state.build(plan, one) for one in drivers]
    usual = [box.usual_hz for box in boxes]
    # With those of the tables among them the tables are read off.
    hz = np.unique(np.concatenate([frequencies(min(usual), POINTS), *map(table_frequencies, usual)]))
    return boxes, hz, frequencies(min(usual), BAND_POINTS)


def show(state: PageState, drivers: Sequence[Tried]) -> Showing:
    """Evaluate `state` for every driver; raises what any of the boxes is refused for."""
    boxes, hz, band_hz = _placed(state, drivers)
    shown = []
    for one, box in zip(drivers, boxes, strict=True):
        # What is told hangs on the frequencies that commands take, what is drawn on those of the drawing.
        shown.append(_driver(state, one, box, replace(box, frequency_hz=hz), band_hz))
    prices = ", ".join(f"{in_figures(one.price, 4)} with {one.name}" for one in shown if one.price is not None)
    return Showing(verdict(boxes) + f" Price {prices}." * bool(prices), hz, band_hz, _drive(state, boxes), shown)


def _drive(state: PageState, boxes: Sequence[BoxResult]) -> str:
    """At which drive the curves stand that go with it."""
    if state.to_limit:
        return "at the limit of each frequency"
    power = state.values.get("drive.power_w")
    volts = f"{power:g} W into Re" if power else f"{in_figures(boxes[0].enclosure.voltage, 3)} V"
    return f"at {volts}{' before the equaliser' * bool(state.sections)}"


def _driver(state: PageState, one: Tried, box: BoxResult, drawn: BoxResult, band_hz: Real) -> ShownDriver:
    sections = state.equaliser(box)
    sentences = answer(box)
    if sections:
        found = equalise(box, sections)
        sentences += words(found, at_level(found, found.reference_db))
    cost = price(state, one, box)
    if cost is not None:
        sentences = [*sentences, cost.words]
    curves = {name: values for name, values in vars(drawn.curves).items() if values is not None and name != "frequency_hz"}
    if drawn.maximum is not None:
        curves["max_spl_db"] = drawn.maximum.spl_db
    if one.measured.heat is not None and one.measured.heat.power_at:
        curves["coil_c"] = coil_c(drawn, one.measured.heat, _lift(state, drawn, sections, "coil_c"))
    sure = replace(box, frequency_hz=band_hz)
    bands = {} if one.fit is None else curve_bands(sure, one.fit, draws=DRAWS)
    for name in MOVING:
        if name in curves:
            curves[name] = _lifted(name, curves[name], _lift(state, drawn, sections, name))
        if name in bands:
            lift = _lift(state, sure, sections, name)
            bands[name] = LowHigh(*(_lifted(name, values, lift) for values in (bands[name].low, bands[name].high)))
    if state.to_limit and "max_spl_db" in bands:
        # At the limit the volts differ from draw to draw, so that only the level still has the band that was found.
        bands = {**{name: band for name, band in bands.items() if name not in MOVING}, "spl_db": bands["max_spl_db"]}
    if sections:
        curves["group_delay_ms"] = curves["group_delay_ms"] + _delay_ms(sections, drawn.frequency_hz)
    ratings = box.ratings
    limits = {
        "excursion_mm": None if ratings.xmax_m is None else 1e3 * ratings.xmax_m,
        "port_speed_m_s": ratings.port_speed_m_s if "port_speed_m_s" in curves else None,
        "radiator_excursion_mm": None if ratings.radiator_xmax_m is None else 1e3 * ratings.radiator_xmax_m,
    }
    return ShownDriver(
        name=box.enclosure.driver.name,
        sentences=sentences,
        notes=[note.message for note in box.notes],
        table=levels(drawn, short_table(table_frequencies(box.usual_hz))),
        curves=curves,
        bands=bands,
        limits={name: limit for name, limit in limits.items() if limit is not None},
        price=None if cost is None else cost.total,
        stops=[] if drawn.maximum is None else stops(drawn.maximum),
    )


@dataclass(frozen=True)
class Harmonics:
    """Second and third harmonic together, percent (n_freq,), by the number of the driver; they are slower than a turn."""

    curves: Mapping[int, Real]


def distorted(state: PageState, drivers: Sequence[Tried]) -> Harmonics:
    """Evaluate harmonics for every driver whose curves over travel are known, at the frequencies of `show`."""
    boxes, hz, _ = _placed(state, drivers)
    found = {}
    for number, (one, box) in enumerate(zip(drivers, boxes, strict=True)):
        if one.measured.travel is not None:
            drawn = replace(box, frequency_hz=hz)
            lift = _lift(state, drawn, state.equaliser(box), "distortion_percent")
            found[number] = harmonics(drawn, one.measured.travel, lift)
    return Harmonics(found)


def _lift(state: PageState, box: BoxResult, sections: Sequence[FilterSection], name: str) -> Real:
    """DB (n_freq,) by which room, equaliser or the drive to the limit raise the curve of that `name`."""
    hz = box.frequency_hz
    if state.to_limit and box.maximum is not None:
        lift = 20.0 * np.log10(box.maximum.voltage_v / box.enclosure.voltage)
    else:
        lift = gain_db(sections, hz)
    return np.asarray(lift + box.room.gain_db(hz) if box.room is not None and name == "spl_db" else lift)


def _lifted(name: str, values: Real, lift_db: Real) -> Real:
    return np.asarray(values + lift_db if name == "spl_db" else values * 10.0 ** (lift_db / 20.0))


def _delay_ms(sections: Sequence[FilterSection], frequency_hz: Real) -> Real:
    """Group delay of the sections, ms, by the difference that boxes take theirs with."""
    delay = np.zeros_like(frequency_hz)
    for section in sections:
        delay -= 1e3 * slope(partial(_turn, section, section.response(frequency_hz)), frequency_hz) / (2.0 * math.pi)
    return delay


def _turn(section: FilterSection, here: Complex, frequency_hz: Real) -> Real:
    return np.asarray(np.angle(section.response(frequency_hz) / here))


def stops(most: MaximumOutput) -> list[Stop]:
    """Return which limit stops it from where to where."""
    found, at = [], 0
    for index, run in groupby(most.binding.tolist()):
        end = at + len(list(run)) - 1
        found.append(Stop(float(most.frequency_hz[at]), float(most.frequency_hz[end]), most.names[index]))
        at = end + 1
    return found


def verdict(boxes: Sequence[BoxResult]) -> str:
    """Say in one line what a box comes to, or which of several drivers reaches lowest and plays loudest where."""
    f3s = [(box.f3_hz, box.enclosure.driver.name) for box in boxes]
    low = sorted((f3, name) for f3, name in f3s if f3 is not None)
    others = ", ".join(f"{name} {written(f3, 'Hz')}" for f3, name in low[1:])
    first = f"f3 {written(low[0][0], 'Hz')}" if low else "No f3"
    said = [f"{first} with {low[0][1]} ({others})" if others else first]
    rated = [(box.enclosure.driver.name, box.loudest) for box in boxes if box.loudest is not None]
    for k, hz in enumerate(LOUDEST_HZ):
        order = sorted(((float(most.spl_db[k]), name, str(most.limited_by[k])) for name, most in rated), reverse=True)
        if order:
            lead = f"{order[0][0] - order[1][0]:.1f}" if len(order) > 1 else ""
            ahead = " alike," if lead == "0.0" else f" {order[0][1]} by {lead} dB," if lead else ""
            said.append(f"at {hz:g} Hz{ahead} {order[0][0]:.0f} dB ({order[0][2]})")
    if not rated:
        said.append("how loud is open: fill in what the drivers stand")
    aside = list(dict.fromkeys(each for box in boxes for each in (not_counted(box.ratings), *left_out(box)) if each))
    how = f"loudest, with {listed(aside)} not counted," if aside else "loudest"
    return f"{said[0]}; {how} {', '.join(said[1:])}." if rated else f"{'; '.join(said)}."
