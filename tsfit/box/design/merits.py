"""The numbers that describe an enclosure, for many boxes or many drivers at once.

`tsfit.box.numbers` finds them one box at a time and to rounding; here they are read off a fixed grid of frequencies, 2 %
apart: f3 to about 0.02 %, ripple to 0.01 dB, group delay to 0.2 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tsfit.base.arrays import Mask, Real
from tsfit.box.enclosure import Enclosure
from tsfit.box.numbers import HALF_POWER_DB, last_rise, waves
from tsfit.circuit.network import column

SPACING = 0.02
LINGERING = 0.5
"""A level below the mid-band lingers where an octave takes away less than this share of what is missing. The approach of a
second-order response takes away three quarters."""
VALUES_AT_ONCE = 32_000
"""Boxes times frequencies evaluated together: few enough for their arrays to stay in a processor's cache."""


@dataclass(frozen=True)
class Merits:
    """Each of shape ``(...)``, the shape of the parameter sets.

    Attributes
    ----------
    f3_hz : highest frequency at which the level rises through half power re mid-band; NaN where none does
    ripple_db : highest peak less deepest dip above f3 of the level without coil inductance, the mid-band counting as 0 dB
    unevenness_db : the same with levels above f3 that linger below the mid-band counted as dips: a shelf at -2 dB has no
        ripple, yet the least change of the box gives it 2 dB
    delay_s : largest group delay from half of f3 upwards (below, leaks delay without end what nobody hears)
    port_flow : largest volume velocity of the port, m³/s peak, at the stated drive
    """

    f3_hz: Real
    ripple_db: Real
    unevenness_db: Real
    delay_s: Real
    port_flow: Real


def frequencies(low_hz: float, high_hz: float) -> Real:
    """Frequencies (n_freq,) 2 % apart, from a sixth of the lower of driver and port to 12 times the highest resonance.

    They are taken from one endless series, so that a box has the same numbers whatever it is evaluated together with.
    """
    first, last = (math.floor(math.log(frequency) / SPACING) for frequency in (low_hz / 6.0, 12.0 * high_hz))
    return np.asarray(np.exp(SPACING * np.arange(first, last + 1)))


def merits(frequency_hz: Real, boxes: Enclosure) -> Merits:
    """Evaluate the parameter sets ``(n_sets,)`` of `boxes` on `frequency_hz` ``(n_freq,)``, a cache full at a time."""
    at_once = max(1, VALUES_AT_ONCE // frequency_hz.size)
    parts = [_merits(frequency_hz, boxes.take(slice(k, k + at_once))) for k in range(0, boxes.set_count or 0, at_once)]
    return Merits(*(np.concatenate(columns) for columns in zip(*(vars(part).values() for part in parts), strict=True)))


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
    ripple = waves(smooth, above_f3)
    return Merits(
        f3_hz=f3,
        ripple_db=ripple,
        unevenness_db=np.maximum(ripple, _shelf(smooth, above_f3)),
        delay_s=_largest_from(0.5 * np.nan_to_num(f3), delay, np.sqrt(frequency_hz[1:] * frequency_hz[:-1])),
        port_flow=np.max(answer.peak_port_flow, axis=-1),
    )


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
