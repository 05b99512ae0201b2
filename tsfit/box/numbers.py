"""The numbers that describe an enclosure: where it stops, how evenly it gets there, how far the cone goes.

All are taken from the circuit on frequencies of their own, so that they do not depend on those asked for: of one box at a
time to rounding; of many boxes or drivers at once (`merits`) off a fixed grid 2 % apart, f3 to about 0.02 %, ripple to
0.01 dB, group delay to 0.2 %.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from tsfit.base.arrays import Mask, Real
from tsfit.box.enclosure import Enclosure, slope
from tsfit.circuit.network import column
from tsfit.driver.formulas import closed_box_ratio, resonance

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

HALF_POWER_DB = -10.0 * math.log10(2.0)
FURTHER_DB = (-6.0, -10.0)
"""Of f6 and f10."""
BUTTERWORTH_Q = math.sqrt(0.5)
"""Q of the response of second order that is flattest."""


def around(*enclosures: Enclosure) -> Real:
    """Frequencies 1 % apart, 1.5 decades beyond the free-air and the boxed resonances, for crossings and peaks."""
    low, high = math.inf, 0.0
    for enclosure in enclosures:
        driver, box = enclosure.driver, enclosure.load
        parts = [part for part in (box, box.front) if part is not None and part.boxed]
        # The springs of two chambers add.
        per_volume = sum(1.0 / float(part.volume(driver.air)) for part in parts)
        ratio = closed_box_ratio(driver.Vas * per_volume, 1.0)
        low, high = min(low, driver.Fs / 30.0), max(high, 30.0 * driver.Fs * float(ratio))
    return np.geomspace(low, high, round(math.log(high / low) / 0.01))


PARTS, ROUNDS = 64, 2
"""A bracket is cut so often, into so many parts; 1 % comes down to 2e-6, over which anything is a straight line."""


def rising_crossings(
    function: Callable[[Real], Real], frequency_hz: Real, heights: tuple[float, ...] = (0.0,)
) -> list[list[float]]:
    """Frequencies at which `function` rises through each of the `heights`, refined within all brackets at once."""
    value = function(frequency_hz) - np.array(heights)[:, np.newaxis]
    height, start = np.nonzero((value[:, :-1] < 0.0) & (value[:, 1:] >= 0.0))
    if not start.size:
        return [[] for _ in heights]
    row, share = np.arange(start.size), np.linspace(0.0, 1.0, PARTS + 1)
    low, high = frequency_hz[start], frequency_hz[start + 1]
    for _ in range(ROUNDS):
        inside = low[:, np.newaxis] + (high - low)[:, np.newaxis] * share
        value = function(inside.ravel()).reshape(inside.shape) - np.array(heights)[height, np.newaxis]
        risen = value[:, 1:] >= 0.0
        risen[:, -1] = True  # by rounding it might just not
        part = np.argmax(risen, axis=1)
        low, high, below, above = inside[row, part], inside[row, part + 1], value[row, part], value[row, part + 1]
    climb = np.maximum(above - below, np.finfo(float).tiny)
    at = low + (high - low) * np.clip(-below / climb, 0.0, 1.0)
    return [at[height == each].tolist() for each in range(len(heights))]


def last_rise(level: Real, frequency_hz: Real) -> Real:
    """Frequency at which each row of `level` ``(..., n_freq)`` rises through zero last, ``(...)``; NaN where none does.

    Read off the given frequencies: a straight line over their logarithm, corrected for the curvature below the crossing.
    Points 2 % apart give f3 to about 0.02 %.
    """
    if frequency_hz.size < 2:
        return np.full(level.shape[:-1], np.nan)
    rises = (level[..., :-1] < 0.0) & (level[..., 1:] >= 0.0)
    last = rises.shape[-1] - 1 - np.argmax(rises[..., ::-1], axis=-1)
    logs = np.log(frequency_hz)

    def at(offset: int) -> Real:
        return np.asarray(np.take_along_axis(level, np.maximum(last + offset, 0)[..., np.newaxis], axis=-1)[..., 0])

    below, climb = at(0), at(1) - at(0)
    step, before = logs[last + 1] - logs[last], logs[last] - logs[np.maximum(last - 1, 0)]
    with np.errstate(divide="ignore", invalid="ignore"):
        bend = np.where(last > 0, step * (climb - (below - at(-1)) * step / before) / (step + before), 0.0)
        part = -below / climb
        part = part + bend * part * (1.0 - part) / climb
        return np.where(np.any(rises, axis=-1), np.exp(logs[last] + step * part), np.nan)


def cutoffs(enclosure: Enclosure) -> tuple[float | None, ...]:
    """f3, f6 and f10: the highest frequencies at which the level rises through 3.01, 6 and 10 dB below the reference level.

    None for one that it does not rise through. The level is that of the whole circuit, coil and losses included; the
    reference is `Enclosure.reference_db`.
    """
    found = rising_crossings(enclosure.level_db, around(enclosure), (HALF_POWER_DB, *FURTHER_DB))
    return tuple(each[-1] if each else None for each in found)


def cutoff(enclosure: Enclosure) -> float | None:
    """f3 alone, of `cutoffs`."""
    return cutoffs(enclosure)[0]


@dataclass(frozen=True)
class PassBand:
    """Where a box plays: reference_db, its mid-band level; f3_hz and f3_upper_hz, 3.01 dB below it, f6_hz, f10_hz."""

    f3_hz: float | None
    f6_hz: float | None
    f10_hz: float | None
    f3_upper_hz: float | None
    ripple_db: float
    reference_db: float


def pass_band(enclosure: Enclosure) -> PassBand:
    """Return what describes where a box plays; of a band-pass the highest level counts as mid-band.

    The ripple of a band-pass is the highest peak less the deepest dip between the two half-power frequencies.
    """
    if enclosure.kind != "bandpass":
        f3, f6, f10 = cutoffs(enclosure)
        return PassBand(f3, f6, f10, None, ripple(enclosure, f3), enclosure.reference_db)
    grid = around(enclosure)
    level = enclosure.respond(grid).spl_db
    peak = float(_summit(level))

    def above(frequency: Real) -> Real:
        return enclosure.respond(frequency).spl_db - peak

    lower = rising_crossings(above, grid, (HALF_POWER_DB, *FURTHER_DB))
    first, f6, f10 = (found[0] if found else None for found in lower)
    upper = rising_crossings(lambda f: -above(f), grid, (-HALF_POWER_DB,))[0]
    last = upper[-1] if upper else None
    inside = level[(grid > (first or 0.0)) & (grid < (last or np.inf))]
    dips = inside[1:-1][(inside[1:-1] < inside[:-2]) & (inside[1:-1] <= inside[2:])]
    return PassBand(first, f6, f10, last, float(peak - np.min(dips, initial=peak)), peak)


def _summit(level: Real) -> Real:
    """Highest of each row ``(..., n_freq)``, between its points: a parabola through three, 1 % apart, holds to 1e-3 dB."""
    top = np.clip(np.argmax(level, axis=-1), 1, level.shape[-1] - 2)[..., np.newaxis]
    before, at, after = (np.take_along_axis(level, top + k, axis=-1)[..., 0] for k in (-1, 0, 1))
    rise, bend = 0.5 * (after - before), after - 2.0 * at + before
    return np.asarray(at - np.where(bend < 0.0, 0.5 * rise**2 / np.minimum(bend, -1e-300), 0.0))


def ripple(enclosure: Enclosure, f3_hz: float | None) -> float:
    """Highest peak less deepest dip above `f3_hz` of the level, dB; the mid-band counts as 0 dB.

    Zero for a response that only rises towards its mid-band. What wavers on its way down below f3 is no ripple, nor is the
    notch at the resonance of a passive radiator, nor what swings on the cone.
    """
    enclosure = enclosure.without_parts
    grid, box = around(enclosure), enclosure.load
    if box.sprung:
        notch = float(resonance(box.port_mass, box.passive_compliance))
        grid = grid[grid > 1.02 * notch]
    return float(waves(enclosure.level_db(grid), grid >= (f3_hz or 0.0)))


def waves(level: Real, above_f3: Mask) -> Real:
    """Highest level less deepest dip `above_f3` of each row of `level` ``(..., n_freq)``.

    The mid-band counts as a dip to 0 dB beside a peak, not as a peak that a coil keeps a response from reaching.
    """
    turns, before, after = level[..., 1:-1], level[..., :-2], level[..., 2:]
    # What still rises at its end rises to the mid-band.
    top = np.where(np.argmax(level, axis=-1) == level.shape[-1] - 1, 0.0, _summit(level))
    dips = np.where((turns < before) & (turns <= after) & above_f3[..., 1:-1], turns, np.inf)
    return np.asarray(top - np.minimum(np.min(dips, axis=-1, initial=np.inf), np.minimum(top, 0.0)))


def resonance_with_losses(enclosure: Enclosure) -> tuple[float, float] | None:
    """Resonance (Hz) and total Q of the closed box as the circuit has it; None when it does not resonate.

    The resonance is where the reactance X of Zm (cone, suspension, box air, leak, absorption) rises through zero; the Q is
    (ω/2)·(dX/dω)/(Re Zm + Bl²/(Re + Rg)) there, coil inductance left out. Without losses it is Qts √(1 + Vas/Vb).
    """

    def reactance(frequency: Real) -> Real:
        return enclosure.mechanical_impedance(frequency).imag

    (found,) = rising_crossings(reactance, around(enclosure))
    if not found:
        return None
    at = np.array(found[-1:])
    braked = enclosure.driver.Bl**2 / (enclosure.driver.Re + enclosure.source_ohm)
    damping = enclosure.mechanical_impedance(at).real + braked
    return found[-1], float((0.5 * at * slope(reactance, at) / damping)[0])


SPACING = 0.02
LINGERING = 0.5
"""A level below the mid-band lingers where an octave takes away less than this share of what is missing. The approach of a
second-order response takes away three quarters. A shelf at -2 dB has no ripple, yet the least change of the box gives it
2 dB."""
VALUES_AT_ONCE = 32_000
"""Boxes times frequencies evaluated together: few enough for their arrays to stay in a processor's cache."""


@dataclass(frozen=True)
class Merits:
    """Numbers of many boxes or drivers, each of shape ``(...)``, that of the sets; what swings on cones is held."""

    f3_hz: Real  # highest frequency at which the level rises through half power re mid-band; NaN where none does
    ripple_db: Real  # highest peak less deepest dip above f3, mid-band counting as 0 dB
    unevenness_db: Real  # the same with lingering levels, coil inductance left out, counted as dips
    delay_s: Real  # largest group delay from half of f3 upwards (below, leaks delay without end what nobody hears)
    port_flow: Real  # largest volume velocity of the port, m³/s peak, at the stated drive


def merit_frequencies(low_hz: float, high_hz: float) -> Real:
    """Frequencies (n_freq,) 2 % apart, from a sixth of the lower of driver and port to 12 times the highest resonance.

    They are taken from one endless series, so that a box has the same numbers whatever it is evaluated together with.
    """
    first, last = (math.floor(math.log(frequency) / SPACING) for frequency in (low_hz / 6.0, 12.0 * high_hz))
    return np.asarray(np.exp(SPACING * np.arange(first, last + 1)))


def merits(frequency_hz: Real, boxes: Enclosure) -> Merits:
    """Evaluate the parameter sets ``(n_sets,)`` of `boxes` on `frequency_hz` ``(n_freq,)``, a cache full at a time."""
    return _in_parts(_merits, frequency_hz, boxes.without_parts)


Numbers = TypeVar("Numbers", bound="DataclassInstance")


def _in_parts(evaluate: Callable[[Real, Enclosure], Numbers], frequency_hz: Real, boxes: Enclosure) -> Numbers:
    at_once = max(1, VALUES_AT_ONCE // frequency_hz.size)
    parts = [evaluate(frequency_hz, boxes.take(slice(k, k + at_once))) for k in range(0, boxes.set_count or 0, at_once)]
    columns = zip(*(vars(part).values() for part in parts), strict=True)
    return type(parts[0])(*(np.concatenate(column) for column in columns))


def _merits(frequency_hz: Real, boxes: Enclosure) -> Merits:
    answer = boxes.respond(frequency_hz)
    level = answer.spl_db - column(boxes.references_db)
    # The current without the inductance is larger by Z/(Z - Zcoil), and everything else with it.
    all_ohms = answer.impedance + boxes.source_ohm
    smooth = level + 20.0 * np.log10(np.abs(all_ohms / (all_ohms - answer.coil)))
    turn = np.angle(answer.pressure[..., 1:] * np.conj(answer.pressure[..., :-1]))
    delay = -turn / (2.0 * math.pi * np.diff(frequency_hz))
    f3 = last_rise(level - HALF_POWER_DB, frequency_hz)
    above_f3 = frequency_hz >= np.nan_to_num(f3)[..., np.newaxis]
    ripple = waves(level, above_f3)
    return Merits(
        f3_hz=f3,
        ripple_db=ripple,
        unevenness_db=np.maximum(ripple, _shelf(smooth, above_f3)),
        delay_s=_largest_from(0.5 * np.nan_to_num(f3), delay, np.sqrt(frequency_hz[1:] * frequency_hz[:-1])),
        port_flow=np.max(answer.peak_port_flow, axis=-1),
    )


@dataclass(frozen=True)
class BandMerits:
    """Numbers of many band-pass boxes, as `pass_band` has them, each of shape ``(...)``; NaN for what is not there."""

    f3_hz: Real
    f3_upper_hz: Real
    ripple_db: Real
    unevenness_db: Real  # the same with a middle half of the band that sags more than that of the flattest response
    gain_db: Real  # level of the pass band over the mid-band level of the drivers in a baffle


def band_merits(frequency_hz: Real, boxes: Enclosure) -> BandMerits:
    """Evaluate the parameter sets ``(n_sets,)`` of `boxes`, all band-pass, on `frequency_hz` ``(n_freq,)``."""
    return _in_parts(_band_merits, frequency_hz, boxes.without_parts)


FLATTEST_SAG_DB = 10.0 * math.log10(1.0 + 0.5**4)
"""How far a maximally flat band-pass of fourth order is down half way to its half-power frequencies."""


def _band_merits(frequency_hz: Real, boxes: Enclosure) -> BandMerits:
    level = boxes.respond(frequency_hz).spl_db
    peak = _summit(level)
    below = level - column(peak)
    above = below - HALF_POWER_DB
    # Seen from above, the first rise is where the level falls last.
    first, last = last_rise(-above[..., ::-1], frequency_hz[::-1]), last_rise(-above, frequency_hz)
    low, high = np.nan_to_num(first, nan=frequency_hz[0]), np.nan_to_num(last, nan=frequency_hz[-1])
    turns, inner = below[..., 1:-1], frequency_hz[1:-1]
    dips = (inner > column(low)) & (inner < column(high)) & (turns < below[..., :-2]) & (turns <= below[..., 2:])
    ripple = np.max(-turns, axis=-1, where=dips, initial=0.0)
    quarter = (high / low) ** 0.25
    middle = (frequency_hz > column(low * quarter)) & (frequency_hz < column(high / quarter))
    sag = np.max(-below, axis=-1, where=middle, initial=0.0) - FLATTEST_SAG_DB
    return BandMerits(first, last, ripple, np.maximum(ripple, sag), peak - boxes.references_db)


def _largest_from(lowest_hz: Real, delay: Real, frequency_hz: Real) -> Real:
    """Largest of each row of `delay` (..., n_freq) from `lowest_hz` (...) up, interpolated there, where it may be steep."""
    after = np.clip(np.searchsorted(frequency_hz, lowest_hz), 1, frequency_hz.size - 1)
    logs = np.log(frequency_hz)
    with np.errstate(divide="ignore"):
        part = np.clip((np.log(lowest_hz) - logs[after - 1]) / (logs[after] - logs[after - 1]), 0.0, 1.0)
    before, behind = (np.take_along_axis(delay, place[..., np.newaxis], axis=-1)[..., 0] for place in (after - 1, after))
    audible = frequency_hz >= lowest_hz[..., np.newaxis]
    return np.asarray(np.max(delay, axis=-1, where=audible, initial=-np.inf).clip(before + part * (behind - before)))


def _shelf(level: Real, above_f3: Mask) -> Real:
    """How far below the mid-band the deepest lingering level is, plus the highest peak."""
    octave = SPACING / math.log(2.0)
    lingers = above_f3[..., :-1] & (np.diff(level, axis=-1) < -LINGERING * octave * level[..., :-1])
    deepest = np.min(level[..., :-1], axis=-1, where=lingers, initial=0.0)
    return np.asarray(np.max(level, axis=-1, initial=0.0) - deepest)
