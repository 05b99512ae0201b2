"""Harmonics of the pressure that a box plays, from the curves over travel that were measured of its driver.

Each frequency is a steady tone of its own. The driver is the one of the travel result, so that its travel is not quite that
of the box's linear circuit. The air of box, port and passive radiator stays linear: what a port adds by its noise and
compression is not in these numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tsfit.base.arrays import Complex, Read, Real
from tsfit.base.errors import TsfitError
from tsfit.base.figures import in_figures
from tsfit.box.enclosure import Enclosure
from tsfit.circuit.large_signal import LargeSignal
from tsfit.circuit.large_signal_steady import HARMONICS, Tone, large_signal_of, steady
from tsfit.circuit.load import Load
from tsfit.driver.travel_result import TravelResult


@dataclass(frozen=True)
class BoxDistortion:
    """Second and third harmonic of the pressure, percent of the first, and peak travel; arrays (n_freq,).

    NaN where the cone goes further than the curves tell.
    """

    frequency_hz: Read
    voltage_v: Read  # RMS, of the amplifier
    second_percent: Read
    third_percent: Read
    travel_mm: Read  # peak, the larger way

    def sentence(self) -> str:
        """Say where it is worst."""
        both = np.hypot(self.second_percent, self.third_percent)
        told = np.isfinite(both)
        beyond = [] if told.all() else [f"the cone goes beyond the measured curves at {_hertz(self.frequency_hz[~told])}"]
        if not told.any():
            return f"{beyond[0][:1].upper()}{beyond[0][1:]}, so no distortion is told."
        k = int(np.nanargmax(both))
        worst = (
            f"Distortion is largest at {in_figures(self.frequency_hz[k], 3)} Hz: second harmonic "
            f"{in_figures(self.second_percent[k], 2)} %, "
            f"third {in_figures(self.third_percent[k], 2)} %"
        )
        return "; ".join([worst, *beyond]) + "."


def _hertz(frequency: Real) -> str:
    return (
        f"{in_figures(frequency[0], 3)} Hz"
        if len(frequency) == 1
        else f"{in_figures(frequency[0], 3)} to {in_figures(frequency[-1], 3)} Hz"
    )


def distortion(enclosure: Enclosure, travel: TravelResult, frequency_hz: Real, voltage_v: Real) -> BoxDistortion:
    """Harmonics in `enclosure` at each frequency (n_freq,) and voltage (n_freq,), V RMS of the amplifier."""
    driver = large_signal_of(travel)
    outward, inward = float(travel.curves.x_m[-1]), -float(travel.curves.x_m[0])
    rows = []
    for frequency, volts in zip(frequency_hz, voltage_v, strict=True):
        try:
            tone = _tone(enclosure, driver, float(frequency), float(volts))
        except TsfitError:
            rows.append((math.nan, math.nan, math.nan))
            continue
        reached = tone.outward <= outward and -tone.inward <= inward
        second, third = _heard(enclosure, float(frequency), tone) if reached else (math.nan, math.nan)
        rows.append((second, third, 1e3 * max(tone.outward, -tone.inward)))
    columns = np.array(rows).reshape(-1, 3).T
    return BoxDistortion(np.asarray(frequency_hz), np.asarray(voltage_v), *columns)


def _tone(enclosure: Enclosure, driver: LargeSignal, frequency_hz: float, volts: float) -> Tone:
    """What one of the drivers does; the others share its air, and the source as they are wired."""
    in_series = math.sqrt(enclosure.ohm_factor * enclosure.count)

    bare = Enclosure(enclosure.kind, enclosure.driver, Load(), enclosure.voltage)

    def air(frequency: Real) -> Complex:
        return (enclosure.mechanical_impedance(frequency) - bare.mechanical_impedance(frequency)) / enclosure.count

    source_ohm = enclosure.source_ohm / enclosure.ohm_factor
    return steady(driver, frequency_hz, volts / in_series, air, source_ohm=source_ohm)


def _heard(enclosure: Enclosure, frequency_hz: float, tone: Tone) -> tuple[float, float]:
    """Second and third harmonic of the pressure, percent of the first."""
    frequency = frequency_hz * np.arange(1.0, HARMONICS + 1.0)
    answer = enclosure.respond(frequency)
    heard = np.abs(tone.travel[1:] * answer.pressure / answer.travel)
    return float(100.0 * heard[1] / heard[0]), float(100.0 * heard[2] / heard[0])
