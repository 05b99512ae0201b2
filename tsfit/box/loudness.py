"""What a wanted level takes: volts, watts, travel, how many such boxes, which amplifier, which high-pass.

Distances are from one source in half space without a room: 6 dB less per doubling. Several equal boxes close together, each
driven as one was, add in phase where the wavelength is long: 20·lg(n). Both are common practice, no source.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tsfit.base.arrays import Number, Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.box.enclosure import Enclosure
from tsfit.box.frequencies import table_frequencies
from tsfit.box.limits import GIVE_RATINGS, WORST_LOAD, Ratings, maximum_output
from tsfit.box.result import BoxResult
from tsfit.box.told import within

ORDERS = (1, 2, 3, 4)


@dataclass(frozen=True)
class Needed:
    """What a level takes at each frequency; arrays of shape ``(n_freq,)``. The last three are None without ratings."""

    frequency_hz: Real
    voltage_v: Real
    power_w: Real  # voltage²/Re, the power that ratings speak of
    real_power_w: Real  # what the drivers really take
    current_a: Real
    excursion_mm: Real  # peak travel, one way
    margin_db: Real | None  # how far the most that the limits allow lies above the wanted level
    limited_by: NDArray[np.str_] | None  # limit that comes first
    boxes: int | None  # least number that reach the level at every frequency, each within its limits


def level_needs(result: BoxResult, target_db: float, frequency_hz: Real, *, distance_m: float = 1.0) -> Needed:
    """What `target_db` at `distance_m` takes at each frequency.
    Raises ``wrong_value`` for a level or distance that cannot be.
    """
    within(target_db, 0.0, 200.0, "target level", "dB")
    within(distance_m, 0.1, 1000.0, "distance", "m")
    box = result.enclosure
    at_one_metre = target_db + 20.0 * math.log10(distance_m)
    answer = box.respond(frequency_hz)
    scale = 10.0 ** ((at_one_metre - answer.spl_db) / 20.0)
    volts = scale * box.voltage
    current = scale * np.abs(answer.current)
    most = maximum_output(box, frequency_hz, result.ratings)
    margin = None if most is None else np.asarray(most.spl_db - at_one_metre, dtype=np.float64)
    return Needed(
        frequency_hz=frequency_hz,
        voltage_v=volts,
        power_w=volts**2 / box.driver.Re,
        real_power_w=current**2 * answer.impedance.real,
        current_a=current,
        excursion_mm=1e3 * scale * answer.peak_travel,
        margin_db=margin,
        limited_by=None if most is None else most.limited_by,
        boxes=None if margin is None else max(1, math.ceil(10.0 ** (-float(np.min(margin)) / 20.0) - 1e-9)),
    )


@dataclass(frozen=True)
class HighPass:
    """A Butterworth high-pass that keeps the cone within Xmax at a drive; it takes `loss_db` from the level at f3."""

    order: int
    corner_hz: float
    loss_db: float


def butterworth_gain(frequency_hz: Number, order: Number, corner_hz: Number) -> Number:
    """Gain |H| = 1/√(1 + (fc/f)^2n) of a Butterworth high-pass."""
    return 1.0 / np.sqrt(1.0 + (corner_hz / np.asarray(frequency_hz)) ** (2 * order))


def protecting_high_passes(
    enclosure: Enclosure, ratings: Ratings, f3_hz: float | None, voltage: float
) -> list[HighPass] | None:
    """High-passes that keep the travel at `voltage` (V RMS) within Xmax from 5 Hz up: one per order, least loss first.

    None when the travel stays within Xmax without one, empty when none keeps it there. Each has the lowest corner that
    does; none is looked for above f3, where it would only make the box smaller.
    Raises ``no_rating`` without Xmax; ``no_cutoff`` without f3.
    """
    if ratings.xmax_m is None:
        raise TsfitError(
            "A high-pass to tame the travel needs Xmax; give --xmax-mm or add it to the sheet.", code="no_rating"
        )
    if f3_hz is None:
        raise TsfitError("The box has no f3, so no high-pass below it can be chosen; take a larger box.", code="no_cutoff")
    frequency = np.geomspace(5.0, max(4.0 * f3_hz, 20.0), 600)
    travel = enclosure.respond(frequency).peak_travel * (voltage / enclosure.voltage)
    if np.all(travel <= ratings.xmax_m):
        return None
    corners = np.geomspace(min(5.0, 0.5 * f3_hz), f3_hz, 400)
    found = []
    for order in ORDERS:
        tamed = travel * butterworth_gain(frequency, order, corners[:, np.newaxis])
        enough = np.all(tamed <= ratings.xmax_m, axis=1)
        if np.any(enough):
            corner = float(corners[np.argmax(enough)])
            found.append(HighPass(order, corner, float(-20.0 * np.log10(butterworth_gain(f3_hz, order, corner)))))
    return sorted(found, key=lambda item: item.loss_db)


BELOW_TUNING, BELOW_F3 = 0.7, 0.5
"""Where a high-pass below the band stands at the lowest, per tuning and per f3 (common practice, no source)."""
SMALL_LOSS_DB = 1.0
"""What a high-pass may take at f3 before a steeper one is better (common practice, no source)."""


def sensible_first(found: list[HighPass], f3_hz: float, tuning_hz: float | None) -> tuple[HighPass, ...]:
    """Bring those that would stand far below the band up to it; first the gentlest that takes little at f3."""
    lowest = BELOW_F3 * f3_hz if tuning_hz is None else min(BELOW_TUNING * tuning_hz, f3_hz)
    corners = [(one.order, max(one.corner_hz, lowest)) for one in found]
    raised = [HighPass(n, corner, float(-20.0 * np.log10(butterworth_gain(f3_hz, n, corner)))) for n, corner in corners]
    return tuple(sorted(raised, key=lambda one: (max(one.loss_db, SMALL_LOSS_DB), one.order)))


@dataclass(frozen=True)
class AmplifierNeed:
    """What an amplifier must give so that drivers and box, not it, set the limit."""

    voltage_v: float  # RMS of a sine
    current_a: float  # RMS of a sine
    bound_by: Literal["power", "travel or port"]  # what sets the voltage: the power rating, or travel everywhere
    lowest_ohm: float  # least impedance that it sees within the band, leads included
    lowest_hz: float
    rated_load_ohm: float | None  # largest of 8, 4, 2 and 1 ohm of which 80 % is not more than the least
    power_w: float | None


def amplifier_need(result: BoxResult, low_hz: float, high_hz: float) -> AmplifierNeed | None:
    """Amplifier that reaches every limit of the box between two frequencies; None where its power is not rated."""
    box = result.enclosure
    frequency = np.geomspace(low_hz, high_hz, 400)
    no_amplifier = dict.fromkeys(("amplifier_v", "amplifier_a", "amplifier_w", "amplifier_load_ohm"))
    most = maximum_output(box, frequency, replace(result.ratings, **no_amplifier))
    if most is None or result.ratings.power_w is None:
        return None
    seen = np.abs(box.respond(frequency).impedance + box.source_ohm)
    top, lowest = int(np.argmax(most.voltage_v)), int(np.argmin(seen))
    volts = float(most.voltage_v[top])
    load = next((ohm for ohm in (8.0, 4.0, 2.0, 1.0) if WORST_LOAD * ohm <= seen[lowest]), None)
    return AmplifierNeed(
        voltage_v=volts,
        current_a=float(np.max(most.voltage_v / seen)),
        bound_by="power" if most.limited_by[top] == "power" else "travel or port",
        lowest_ohm=float(seen[lowest]),
        lowest_hz=float(frequency[lowest]),
        rated_load_ohm=load,
        power_w=None if load is None else volts**2 / load,
    )


def watts(value: float) -> str:
    """Write watts with three digits, thousands as kW."""
    return f"{in_figures(value, 3)} W" if value < 999.5 else f"{in_figures(1e-3 * value, 3)} kW"


@dataclass(frozen=True)
class LevelReport:
    """Everything above for one wanted level.

    High-passes are for the largest voltage that the level takes of each of the boxes; None where none is needed or Xmax is
    not known, empty where none is enough.
    """

    needs: Needed
    high_passes: tuple[HighPass, ...] | None  # the most sensible first
    amplifier: AmplifierNeed | None

    def sentences(self) -> list[str]:
        """Say number of boxes, high-pass and amplifier in words."""
        said = []
        if self.needs.boxes is None:
            most = int(np.argmax(self.needs.power_w))
            said.append(
                f"It takes up to {in_figures(self.needs.voltage_v[most], 3)} V, {watts(self.needs.power_w[most])} "
                f"into Re, at "
                f"{in_figures(self.needs.frequency_hz[most], 3)} Hz, and "
                f"{in_figures(np.max(self.needs.excursion_mm), 2)} mm of travel, peak."
            )
            said.append(f"How many boxes it takes is not known without ratings; {GIVE_RATINGS}.")
        elif self.needs.boxes == 1:
            said.append("One such box reaches it within its limits.")
        else:
            said.append(f"It takes {self.needs.boxes} such boxes close together, each within its limits.")
        if self.high_passes:
            best = self.high_passes[0]
            said.append(
                "Below the band the cone would travel beyond Xmax at that drive: a Butterworth high-pass of order "
                f"{best.order} at {in_figures(best.corner_hz, 3)} Hz keeps it within, for {best.loss_db:.1f} dB at f3."
            )
        elif self.high_passes is not None:
            said.append("The cone travels beyond Xmax at that drive, and no high-pass below f3 keeps it within.")
        if self.amplifier is not None:
            need = self.amplifier
            load = "less than any common rated load"
            if need.rated_load_ohm is not None:
                load = f"so one rated {watts(float(f'{need.power_w or 0.0:.2g}'))} into {need.rated_load_ohm:g} ohm"
            each = "For each box, an" if (self.needs.boxes or 1) > 1 else "An"
            said.append(
                f"{each} amplifier that is not to be the limit gives {in_figures(need.voltage_v, 3)} V and "
                f"{in_figures(need.current_a, 3)} A RMS; it sees {in_figures(need.lowest_ohm, 3)} ohm at "
                f"{in_figures(need.lowest_hz, 3)} Hz, {load}."
            )
        return said


def level_report(
    result: BoxResult, target_db: float, *, distance_m: float = 1.0, low_hz: float | None = None, high_hz: float = 200.0
) -> LevelReport:
    """What `target_db` at `distance_m` takes between two frequencies; the lower one is f3 when left out.
    Raises ``wrong_value``; ``no_cutoff`` when the box has no f3 and no lowest frequency is given.
    """
    low = result.f3_hz if low_hz is None else low_hz
    if low is None:
        raise TsfitError("The box has no f3; say from which frequency the level is wanted.", code="no_cutoff")
    within(low, 1.0, 5000.0, "lowest frequency", "Hz")
    within(high_hz, low * 1.01, 20e3, "highest frequency", "Hz")
    wanted = np.unique([low, *(f for f in table_frequencies(low) if low < f < high_hz), high_hz])
    needs = level_needs(result, target_db, wanted, distance_m=distance_m)
    f3 = result.f3_hz
    passes: list[HighPass] | None = None
    if result.ratings.xmax_m is not None and f3 is not None:
        each = float(np.max(needs.voltage_v)) / (needs.boxes or 1)
        passes = protecting_high_passes(result.enclosure, result.ratings, f3, each)
    tuning = result.opening.fb
    sensible = None if passes is None or f3 is None else sensible_first(passes, f3, tuning)
    return LevelReport(needs, sensible, amplifier_need(result, low, high_hz))
